"""Parts of the picture: where each f-number wins, and how far each is out of focus."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from merge.apertures.contrast import (
    SeriesPowers,
    pooled_contrast,
    tile_energies,
)
from merge.apertures.results import Region
from merge.apertures.spectra import REFERENCE_RING, RINGS, TILE, TileGrid
from merge.apertures.trend import best_f_number
from merge.optics import GREEN_UM, defocus_transfer, disk_transfer

# Fewest textured tiles that a region's answer may rest on.
MIN_TILES = 5
# Signal over noise, in the frame where it is strongest, that makes a tile textured.
_SIGNAL_TO_NOISE = 1.0
# Radius over the half diagonal; distance from both middle lines over the sides.
_CENTRE, _CORNERS = 0.3, 0.28
# Blur circles tried, px at the best aperture.
_DIAMETERS_PX = np.concatenate([np.arange(0, 8, 0.25), np.arange(8, 60.5, 1.0)])
# Contrast that leaks into a blurred tile from its surroundings, of the focused one.
_FLOOR = 0.03
_LEAST_TRANSFER = 0.02
# Wavelengths of defocus up to which the exact transfer is taken.
_EXACT_WAVES = 50
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


def judge_region(
    name: str,
    series: SeriesPowers,
    f_numbers: Sequence[float],
    good: NDArray[np.bool_],
    focused: SeriesPowers,
    models: NDArray[np.float64],
) -> Region:
    """Return what one part of the picture says.

    Parameters
    ----------
    name : str
    series : SeriesPowers
        Of the region's textured tiles, all frames.
    f_numbers : sequence of float
    good : ndarray, shape (N,), bool
        Frames without fault.
    focused : SeriesPowers
        Of the tiles in the plane of focus.
    models : ndarray, shape (diameters, rings, N)
        From `blur_models`.
    """
    contrast = pooled_contrast(series)
    kept = np.flatnonzero(good).tolist()
    numbers = [f_numbers[i] for i in kept]
    best, _ = best_f_number(numbers, contrast[kept])
    sharpest = kept[int(np.argmax(contrast[kept]))]
    return Region(
        name=name,
        tiles=len(series),
        best=sharpest,
        best_f_number=best,
        contrast=tuple(float(c) for c in contrast),
        blur_px=_blur_px(series, focused, good, models),
    )


def _blur_px(
    series: SeriesPowers,
    focused: SeriesPowers,
    good: NDArray[np.bool_],
    models: NDArray[np.float64],
) -> float:
    """Return the diameter of the blur circle at the best aperture that explains the contrasts.

    Against the focused tiles, which share the lens, diffraction and shake of each frame, a
    region's contrast changes over the f-numbers as the transfer of a disk whose diameter goes
    as 1/N. Its own texture is a free factor in each ring.
    """
    if len(focused) < MIN_TILES:
        return math.nan
    rings = range(len(RINGS) - 1)
    ratios = np.stack(
        [
            pooled_contrast(series, r) / np.maximum(pooled_contrast(focused, r), _LEAST_TRANSFER)
            for r in rings
        ]
    )[:, good]
    data = np.log(ratios + _FLOOR * ratios.max(axis=1, keepdims=True))
    costs = []
    for model in models[:, :, good]:
        log = np.log(model + _FLOOR * model.max(axis=1, keepdims=True))
        difference = data - log
        difference -= np.median(difference, axis=1, keepdims=True)
        costs.append(np.sqrt(difference**2 + 0.01).sum())
    return float(_DIAMETERS_PX[int(np.argmin(costs))])


def blur_models(
    f_numbers: Sequence[float], lens_best: float, pitch_um: float | None, stretch: float
) -> NDArray[np.float64]:
    """Return the contrast that each blur circle leaves of a focused subject's.

    Parameters
    ----------
    f_numbers : sequence of float
    lens_best : float
        F-number at which the blur circles have the diameters tried; they go as 1/N.
    pitch_um : float or None
        With it the exact transfer of a defocused lens, without it the geometric disk.
    stretch : float
        Effective over marked f-number.

    Returns
    -------
    ndarray, shape (diameters, rings, N)

    Notes
    -----
    A tile's window mixes neighbouring frequencies, coarse ones of real subjects being the
    stronger (power falling as 1/f²), so zeros of the transfer are filled.
    """
    numbers = np.asarray(f_numbers)[None, None, None, :]
    ring = np.asarray(RINGS[:-1])[None, :, None, None]
    aside = np.array([-1.5, -0.75, 0, 0.75, 1.5])[None, None, :, None] / TILE
    share = np.array([0.1, 0.2, 0.4, 0.2, 0.1])[None, None, :, None] / (1 + aside / ring) ** 2
    pitch = 1.0 if pitch_um is None else pitch_um
    # Cycles/mm at the sensor and µm; without a pitch the pixel itself is the unit.
    frequency = 1000 * (ring + aside) / pitch
    diameters = pitch * _DIAMETERS_PX[:, None, None, None] * lens_best / numbers
    effective = numbers * stretch
    if pitch_um is None or np.max(diameters / effective) > _EXACT_WAVES * 8 * GREEN_UM:
        transfer = np.asarray(disk_transfer(frequency, diameters))
    else:
        transfer = np.asarray(defocus_transfer(frequency, GREEN_UM, effective, diameters))
    seen = np.sqrt((share * transfer**2).sum(axis=2))
    return np.asarray(seen / np.maximum(seen[:1], _LEAST_TRANSFER))


def winner_map(
    series: SeriesPowers,
    textured: NDArray[np.bool_],
    grid: TileGrid,
    kept_tiles: NDArray[np.int64],
    f_numbers: Sequence[float],
    good: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Return the f-number at which each part of the picture is sharpest.

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
        out[row, column], _ = best_f_number(numbers, contrast)
    return out


def frames_needed(regions: Sequence[Region], tolerance_px: float) -> int:
    """Return the frames of a bracket at the best aperture that hold every region.

    Foreground and background are taken to lie on both sides of the focused plane, the usual
    case; 0 when a blur circle is unknown.

    Parameters
    ----------
    regions : sequence of Region
    tolerance_px : float
        Largest blur-circle diameter allowed.
    """
    blurs = {r.name: r.blur_px for r in regions}
    if not blurs or any(math.isnan(b) for b in blurs.values()):
        return 0
    sides = [blurs[n] for n in ("foreground", "background") if n in blurs]
    span = max(sum(sides), max(blurs.values()))
    if span <= tolerance_px:
        return 1
    # Each frame holds the depth on both sides of its focus plane.
    return max(2, math.ceil(span / (2 * tolerance_px)))
