"""Frames that do not differ in focus at all: copies of one picture, or one shot developed twice.

Any distance between them is explained by tiles midway, so a fit would find some.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from merge.axis.preparing import StackEnergies
from merge.axis.residuals import FLOOR
from merge.model import FocusAxis, Index, TileEnergies
from merge.significance import NINETY

# Change of the logarithm of energy from frame to frame below which nothing changed: what rounding
# of two roots to halves makes; noise of its own changes a tile's energy by ten times as much.
_SAME = 2 * float(np.finfo(np.float16).eps)


def one_focus(
    tiles: Sequence[TileEnergies], data: StackEnergies, chosen: Index
) -> FocusAxis | None:
    """Return an axis with all frames in one place where they show the same; else None."""
    energy = data.energy[:, :, chosen]
    logarithm = np.log(np.maximum(energy / np.maximum(energy.max(axis=0), 1e-12), 0) + FLOOR)
    if float(np.quantile(np.ptp(logarithm, axis=0), 0.9)) > _SAME:
        return None
    count, grid = len(tiles), tiles[0].level.shape
    # Near focus energy falls with the square of blur.
    error = math.sqrt(_SAME) * float(data.sigma_px[0])
    detail = np.sqrt(np.maximum(data.energy[0, :2].sum(axis=0), 0))
    spread = np.full(count - 1, NINETY * 2**0.5 * error)
    return FocusAxis(
        positions_px=np.zeros(count),
        step_low_px=-spread,
        step_high_px=spread,
        tile_positions_px=np.where(data.usable, 0.0, np.nan).reshape(grid),
        tile_detail=np.where(data.usable, detail, 0.0).reshape(grid),
        tile_size_px=round(tiles[0].tile_size_px),
        covariance_px=error**2 * np.eye(count),
        blur_error_px=error,
    )
