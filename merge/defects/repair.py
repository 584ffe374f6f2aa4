"""A frame without the defects of its sensor."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.compiled import njit
from merge.defects.spikes import WINDOW
from merge.defects.types import DustSpot, SensorDefects
from merge.encoding import scale_light
from merge.errors import FrameMismatchError
from merge.model import FloatArray


def repair_frame(
    samples: NDArray[Any], defects: SensorDefects, transfer: str, *, white: float = 1.0
) -> NDArray[Any]:
    """Return a frame without defects; ``samples`` itself is changed, at the listed places only.

    Parameters
    ----------
    samples : ndarray, shape (H, W, C), uint8, uint16 or float32
        As read. Copied if it cannot be written to.
    defects : SensorDefects
    transfer : str
        Curve of the values, see `merge.encoding`.
    white : float
        Value of white.

    Raises
    ------
    FrameMismatchError
        If the frame has another size than those that the defects were found on.

    Notes
    -----
    Hot and dead pixels are filled from the sound pixels around; light that dust took is given back
    by division. What that lifts above white is cut off there.
    """
    if samples.shape[:2] != defects.shape:
        (height, width), (rows, columns) = samples.shape[:2], defects.shape
        raise FrameMismatchError(
            f"{width} x {height} px, but the sensor's defects were found on {columns} x {rows} px; "
            "merge frames of one size"
        )
    if (len(defects.pixels) or defects.dust) and not samples.flags.writeable:
        samples = samples.copy()
    if len(defects.pixels):
        _fill_listed(samples, defects, WINDOW // 2 + 1)
    for spot in defects.dust:
        _brighten(samples, spot, transfer, white)
    return samples


def reduce_defects(defects: SensorDefects, reduction: int) -> SensorDefects:
    """Return the defects as they are on a frame averaged over blocks of ``reduction`` pixels.

    The last row and column of the reduced frame stand for incomplete blocks.
    """
    if reduction == 1:
        return defects
    dust = tuple(
        replace(
            spot,
            row=(spot.row + 0.5) / reduction - 0.5,
            column=(spot.column + 0.5) / reduction - 0.5,
            spacing_px=spot.spacing_px / reduction,
        )
        for spot in defects.dust
    )
    height, width = (-(-side // reduction) for side in defects.shape)
    pixels = np.unique(defects.pixels // reduction, axis=0).astype(np.int32)
    return SensorDefects((height, width), defects.spots, pixels, dust)


def repair_measure(
    measure: FloatArray, defects: SensorDefects, reduction: int, reach_px: int
) -> FloatArray:
    """Return a frame's sharpness (h, w), one value for a block, without what defects add to it.

    Wherever the measure saw one, it is taken from around.

    Parameters
    ----------
    measure : ndarray, shape (h, w)
    defects : SensorDefects
        Of the whole frame.
    reduction : int
        Side of a block in pixels.
    reach_px : int
        How far around a pixel the measure sees, in pixels of the frame.
    """
    if not len(defects.pixels):
        return measure
    reach = -(-reach_px // reduction)
    small = reduce_defects(replace(defects, dust=()), reduction)
    seen = np.zeros(small.shape, np.uint8)
    seen[small.pixels[:, 0], small.pixels[:, 1]] = 1
    seen = cv2.dilate(seen, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
    wider = replace(small, pixels=np.argwhere(seen).astype(np.int32))
    values = measure.astype(np.float32).reshape(*small.shape, 1)
    _fill_listed(values, wider, reach + WINDOW // 2 + 1)
    return values[..., 0]


def _fill_listed(samples: NDArray[Any], defects: SensorDefects, reach: int) -> None:
    bad = np.zeros(defects.shape, np.bool_)
    bad[defects.pixels[:, 0], defects.pixels[:, 1]] = True
    _fill(samples, bad, defects.pixels, reach, 0.5 if samples.dtype.kind == "u" else 0.0)


def _brighten(samples: NDArray[Any], spot: DustSpot, transfer: str, white: float) -> None:
    reach = spot.radius_px
    top, left = (max(0, int(np.floor(c - reach))) for c in (spot.row, spot.column))
    bottom, right = (int(np.ceil(c + reach)) + 1 for c in (spot.row, spot.column))
    part = samples[top:bottom, left:right]
    y, x = np.ogrid[top : top + part.shape[0], left : left + part.shape[1]]
    radius = np.hypot(y - spot.row, x - spot.column) / spot.spacing_px
    through = np.interp(radius, np.arange(len(spot.transmission)), spot.transmission)
    inside = through < 1
    values = part[inside].astype(np.float32) / np.float32(white)
    factor = (1 / through[inside]).astype(np.float32)[:, None]
    lifted = np.minimum(scale_light(values, factor, transfer), np.maximum(values, 1))
    lifted *= np.float32(white)
    part[inside] = np.rint(lifted) if part.dtype.kind == "u" else lifted


@njit(nogil=True)
def _fill(  # pragma: no cover - compiled
    samples: Any, bad: Any, places: Any, reach: int, rounding: float
) -> None:
    """Give each place the mean of the sound pixels around, nearer ones counting more."""
    height, width, channels = samples.shape
    for i in range(places.shape[0]):
        row, column = places[i]
        for channel in range(channels):
            total, weight = 0.0, 0.0
            for r in range(max(row - reach, 0), min(row + reach + 1, height)):
                for c in range(max(column - reach, 0), min(column + reach + 1, width)):
                    if not bad[r, c]:
                        near = 1.0 / float((r - row) ** 2 + (c - column) ** 2) ** 2
                        total += near * float(samples[r, c, channel])
                        weight += near
            if weight > 0:
                samples[row, column, channel] = total / weight + rounding
