"""Parts of the picture, and where each f-number wins."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from merge.apertures.contrast import SeriesPowers, tile_energies
from merge.apertures.results import Region
from merge.apertures.spectra import REFERENCE_RING, TILE, TileGrid
from merge.apertures.trend import best_f_number, best_marked

# Fewest textured tiles that a region's answer may rest on.
MIN_TILES = 5
# Signal over noise, in the frame where it is strongest, that makes a tile textured.
_SIGNAL_TO_NOISE = 1.0
# Radius over the half diagonal; distance from both middle lines over the sides.
_CENTRE, _CORNERS = 0.3, 0.28
ALIKE = 0.01
"""Contrasts closer than this share nobody tells apart."""
# Natural log of contrast, widest against narrowest apertures, within which a tile still counts
# as in focus: field curvature and corner softness of common lenses.
_FOCUS_SPREAD = 0.35


def textured_tiles(series: SeriesPowers) -> NDArray[np.bool_]:
    """Return which tiles show enough detail at the reference frequency, shape (T,)."""
    energy = tile_energies(series, REFERENCE_RING)
    ratio = energy / np.maximum(series.noise[:, REFERENCE_RING], 1e-9)
    return np.asarray(ratio.max(axis=1) > _SIGNAL_TO_NOISE)


def focused_tiles(series: SeriesPowers, textured: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the tiles in the plane of focus: those that gain least by stopping down."""
    count = series.shared.shape[-1]
    ends = max(1, count // 3)
    energy = tile_energies(series, REFERENCE_RING - 1) + tile_energies(series, REFERENCE_RING - 2)
    wide = np.maximum(energy[:, :ends].mean(axis=1), 1e-9)
    narrow = np.maximum(energy[:, -ends:].mean(axis=1), 1e-9)
    gain = 0.5 * np.log(wide / narrow)
    if not textured.any():
        return textured
    top = float(np.quantile(gain[textured], 0.85))
    return textured & (gain > top - _FOCUS_SPREAD)


def region_masks(grid: TileGrid) -> dict[str, NDArray[np.bool_]]:
    """Return which tiles lie in each part of the picture.

    Foreground and background are the lower and the upper third of the picture: what stands
    nearer is not told by sharpness alone, but rises from the lower edge in most landscapes.
    """
    shape, centre = grid.shape, grid.corners + TILE / 2
    row, column = centre[:, 0] / shape[0] - 0.5, centre[:, 1] / shape[1] - 0.5
    aspect = shape[1] / shape[0]
    radius = np.hypot(row, column * aspect) / math.hypot(0.5, 0.5 * aspect)
    return {
        "whole picture": np.ones(len(centre), bool),
        "centre": radius < _CENTRE,
        "corners": (np.abs(row) > _CORNERS) & (np.abs(column) > _CORNERS),
        "foreground": row > 1 / 6,
        "background": row < -1 / 6,
    }


def tile_shares(grid: TileGrid) -> NDArray[np.float64]:
    """Return the part of the picture that each tile stands for over the mean, shape (T,).

    Tiles keep clear of the picture's rim, so the outer ones stand for more.
    """
    centre = grid.corners + TILE / 2
    shares = np.ones(len(centre))
    for axis, size in enumerate(grid.shape):
        places = np.array(
            [centre[grid.cells[:, axis] == k, axis].mean() for k in range(grid.map_shape[axis])]
        )
        borders = np.concatenate([[0.0], (places[1:] + places[:-1]) / 2, [float(size)]])
        shares *= np.diff(borders)[grid.cells[:, axis]]
    return shares / shares.mean()


def judge_region(
    name: str,
    transfers: NDArray[np.float64],
    blurs_px: NDArray[np.float64],
    f_numbers: Sequence[float],
    good: NDArray[np.bool_],
    *,
    prefer: int,
) -> Region:
    """Return what one part of the picture says.

    Parameters
    ----------
    name : str
    transfers : ndarray, shape (T, N), float64
        Contrast that each frame leaves of each of the region's tiles.
    blurs_px : ndarray, shape (T,), float64
        Their blur-circle diameters; NaN where not known.
    f_numbers : sequence of float
    good : ndarray, shape (N,), bool
        Frames without fault.
    prefer : int
        Frame that is the answer where the region is as sharp in it: the nearest to it of those
        within `ALIKE`.
    """
    contrast = transfers.mean(axis=0)
    kept = np.flatnonzero(good).tolist()
    best, _ = best_f_number([f_numbers[i] for i in kept], contrast[kept])
    sharpest = kept[int(np.argmax(contrast[kept]))]
    alike = [i for i in kept if contrast[i] >= (1 - ALIKE) * contrast[sharpest]]
    sharpest = min(alike, key=lambda i: (abs(i - prefer), -contrast[i]))
    top = max(float(contrast[kept].max()), 1e-9)
    known = blurs_px[np.isfinite(blurs_px)]
    return Region(
        name=name,
        tiles=len(transfers),
        best=sharpest,
        best_f_number=best,
        contrast=tuple(float(c / top) for c in contrast),
        blur_px=float(np.median(known)) if known.size else math.nan,
    )


def winner_map(
    series: SeriesPowers,
    textured: NDArray[np.bool_],
    grid: TileGrid,
    kept_tiles: NDArray[np.int64],
    f_numbers: Sequence[float],
    good: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Return the f-number, of those that can be set, at which each place is sharpest.

    Parameters
    ----------
    series : SeriesPowers
    textured : ndarray, shape (T,), bool
    grid : TileGrid
    kept_tiles : ndarray, shape (T,), int64
        Index of each tile of ``series`` in the grid.
    f_numbers : sequence of float
    good : ndarray, shape (N,), bool
    """
    out = np.full(grid.map_shape, np.nan)
    kept = np.flatnonzero(good).tolist()
    energy = tile_energies(series, REFERENCE_RING)[:, kept]
    numbers = [f_numbers[i] for i in kept]
    for tile in np.flatnonzero(textured):
        contrast = np.sqrt(np.maximum(energy[tile], 1e-12))
        row, column = grid.cells[kept_tiles[tile]]
        out[row, column] = best_marked(numbers, contrast)
    return out
