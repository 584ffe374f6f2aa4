"""An aperture series → which f-number is best, where, and why.

Tiles of one subject are compared between f-numbers: the ratio of their energies in a narrow
ring of spatial frequency is the squared ratio of the frames' transfer there, whatever the
texture. Frames are never resampled: tiles are read where the subject lies in each frame.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from merge.apertures.contrast import (
    SeriesPowers,
    contrast_errors,
    directional_loss,
    mean_contrast_errors,
    pooled_contrast,
)
from merge.apertures.depths import blur_models, frames_needed, tile_blurs, tile_transfers
from merge.apertures.edge import find_edge, measure_edge
from merge.apertures.regions import (
    ALIKE,
    MIN_TILES,
    focused_tiles,
    judge_region,
    region_masks,
    textured_tiles,
    tile_shares,
    winner_map,
)
from merge.apertures.results import ApertureFrame, ApertureReport, EdgeResponse, Region, StopCost
from merge.apertures.spectra import (
    REFERENCE_RING,
    RINGS,
    TileGrid,
    TileSpectra,
    align_spectra,
    choose_tiles,
    make_bins,
    tile_powers,
    tile_spectra,
)
from merge.apertures.trend import (
    best_f_number,
    best_marked,
    diffraction_contrast,
    expected_contrast,
    find_faults,
    steadied_contrast,
    stop_costs,
)
from merge.errors import MergeError

__all__ = [
    "ApertureFrame",
    "ApertureReport",
    "EdgeResponse",
    "Region",
    "StopCost",
    "TileGrid",
    "TileSpectra",
    "align_spectra",
    "assess_series",
    "choose_tiles",
    "find_edge",
    "make_bins",
    "measure_edge",
    "region_masks",
    "tile_spectra",
]


_FREQUENCY = RINGS[REFERENCE_RING]
# Fewest f-numbers that show where the best one lies: one at least to each side of it.
ENOUGH_F_NUMBERS = 3
# Stops by which the best f-numbers of two places must differ to be told apart: neighbouring
# frames of a series in full stops do, neighbours in third stops do not.
_APART_STOPS = 0.6


def assess_series(
    names: Sequence[str],
    f_numbers: Sequence[float],
    spectra: Sequence[TileSpectra],
    grid: TileGrid,
    *,
    effective: Sequence[float] | None = None,
    pitch_um: float | None = None,
    tolerance_px: float = 2.0,
    edges: Sequence[EdgeResponse | None] = (),
) -> ApertureReport:
    """Return the answers about a series of frames, ordered by f-number.

    Parameters
    ----------
    names : sequence of str
        N file names.
    f_numbers : sequence of float
        Marked f-numbers, rising.
    spectra : sequence of TileSpectra
        Of every frame, aligned to one of them.
    grid : TileGrid
    effective : sequence of float, optional
        Effective f-numbers, which set diffraction; default the marked ones.
    pitch_um : float, optional
        Pixel pitch; without it diffraction's part stays unknown.
    tolerance_px : float, default 2.0
        Blur-circle diameter allowed when counting the frames of a bracket.
    edges : sequence of (EdgeResponse or None), optional
        Response of every frame at one slanted edge, to be handed on.

    Returns
    -------
    ApertureReport

    Raises
    ------
    MergeError
        If too little of the picture shows texture in every frame.
    """
    series, kept = _powers(spectra)
    textured = textured_tiles(series)
    if textured.sum() < MIN_TILES:
        raise MergeError(
            f"{names[0]} … {names[-1]}: only {int(textured.sum())} of {len(textured)} places "
            "show detail that can be compared. Use frames of a textured subject, in focus."
        )
    numbers = np.asarray(f_numbers, np.float64)
    stretch = 1.0 if effective is None else effective[0] / f_numbers[0]
    diffraction = diffraction_contrast((numbers * stretch).tolist(), _FREQUENCY, pitch_um)
    # Diffraction at N_eff and f is that at N and f N_eff / N.
    per_mm = None if pitch_um is None else 1000 * _FREQUENCY / pitch_um * stretch
    focused = series.take(focused_tiles(series, textured))
    faults, good = _faults(focused, diffraction)
    plane = pooled_contrast(focused)
    steady = steadied_contrast(plane, contrast_errors(focused), diffraction)[good]
    lens_best, end = best_f_number(numbers[good].tolist(), steady, per_mm)
    sharp_at = best_marked(numbers[good].tolist(), steady, per_mm)
    models = blur_models(numbers, sharp_at, pitch_um, stretch)
    blurs = tile_blurs(series, focused, good, models)
    transfers = tile_transfers(series, focused, blurs, models)
    # What a stop costs is told by all places alike, with the least noise; which frame is best, by
    # places counted by the part of the picture that they stand for.
    alike = transfers[textured]
    contrast = alike.mean(axis=0) / alike.mean(axis=0).max()
    errors = mean_contrast_errors(alike)
    shared = alike * tile_shares(grid)[kept][textured, None]
    whole = shared.mean(axis=0) / shared.mean(axis=0).max()
    ranked = steadied_contrast(whole, mean_contrast_errors(shared), diffraction)
    best = int(np.flatnonzero(good)[int(np.argmax(ranked[good]))])
    # Where the plane of focus is as sharp at the picture's best, one f-number is the answer.
    in_focus = _same_if_alike(sharp_at, best, plane, numbers, good)
    blurs = blurs * sharp_at / in_focus
    regions = [
        judge_region(name, transfers[inside], blurs[inside], f_numbers, good, prefer=best)
        for name, mask in region_masks(grid).items()
        if (inside := mask[kept] & textured).sum() >= MIN_TILES
    ]
    expected = expected_contrast(f_numbers, contrast, diffraction, faults)
    enough = len(np.unique(numbers[good])) >= ENOUGH_F_NUMBERS
    needed = frames_needed(blurs, grid.cells[kept], grid.map_shape, tolerance_px) if enough else 0
    return ApertureReport(
        frames=_frames(names, f_numbers, contrast, errors, diffraction, expected, faults),
        best=best,
        ranking=tuple(int(i) for i in np.argsort(-ranked, kind="stable")),
        alike=_alike(contrast, errors, good, best),
        enough=enough,
        best_f_number=lens_best,
        best_at_end=end,
        in_focus_f_number=in_focus,
        in_focus=tuple(float(c) for c in plane / plane[good].max()),
        costs=stop_costs(f_numbers, expected, diffraction),
        regions=tuple(regions),
        limit=_limit(regions, f_numbers, in_focus, needed) if enough else "not told",
        frames_needed=needed,
        winners=winner_map(series, textured, grid, kept, f_numbers, good),
        edges=tuple(edges),
        frequency=_FREQUENCY,
        tolerance_px=tolerance_px,
    )


def _same_if_alike(
    sharp_at: float,
    best: int,
    plane: NDArray[np.float64],
    numbers: NDArray[np.float64],
    good: NDArray[np.bool_],
) -> float:
    """Return the picture's best f-number if the plane of focus loses nothing there."""
    alike = plane[best] >= (1 - ALIKE) * plane[good].max()
    return float(numbers[best]) if alike else sharp_at


def _faults(
    focused: SeriesPowers, diffraction: NDArray[np.float64]
) -> tuple[list[str], NDArray[np.bool_]]:
    """Return each frame's fault, and which frames count."""
    faults = find_faults(
        pooled_contrast(focused), contrast_errors(focused), diffraction, directional_loss(focused)
    )
    good = np.array([not f for f in faults])
    # Where every frame is shaken none goes against the others.
    return (faults, good) if good.any() else ([""] * len(faults), ~good)


def _frames(
    names: Sequence[str],
    f_numbers: Sequence[float],
    contrast: NDArray[np.float64],
    errors: NDArray[np.float64],
    diffraction: NDArray[np.float64],
    expected: NDArray[np.float64],
    faults: Sequence[str],
) -> tuple[ApertureFrame, ...]:
    good = np.array([not f for f in faults])
    top = float(expected[good].max())
    return tuple(
        ApertureFrame(
            name=names[i],
            f_number=f_numbers[i],
            contrast=float(contrast[i] / top),
            error=float(errors[i] * contrast[i] / top),
            diffraction=float(diffraction[i]),
            expected=float(expected[i] / top),
            fault=faults[i],
        )
        for i in range(len(names))
    )


def _powers(spectra: Sequence[TileSpectra]) -> tuple[SeriesPowers, NDArray[np.int64]]:
    """Return powers of the tiles that all frames hold, and their places in the grid."""
    usable = np.all([s.usable for s in spectra], axis=0)
    kept = np.flatnonzero(usable)
    if not kept.size:
        raise MergeError(
            "No part of the picture is well exposed in every frame. "
            "Use frames that differ in aperture, not in brightness."
        )
    shared = [TileSpectra(s.values[kept], s.light[kept], s.usable[kept]) for s in spectra]
    return SeriesPowers(*tile_powers(shared, make_bins())), kept


def _alike(
    contrast: NDArray[np.float64], errors: NDArray[np.float64], good: NDArray[np.bool_], best: int
) -> tuple[int, ...]:
    """Return frames whose contrast differs from the best's by less than two errors."""
    return tuple(
        i
        for i in np.flatnonzero(good).tolist()
        if i != best
        and np.log(contrast[best] / max(contrast[i], 1e-9)) < 2 * np.hypot(errors[i], errors[best])
    )


def _limit(
    regions: Sequence[Region], f_numbers: Sequence[float], in_focus: float, needed: int
) -> str:
    """Return what keeps the picture from being sharp everywhere at one f-number."""
    stops = [2 * np.log2(f_numbers[r.best] / in_focus) for r in regions]
    if stops and max(abs(s) for s in stops) > _APART_STOPS:
        return "depth" if needed > 1 else "places"
    return "diffraction" if in_focus < max(f_numbers) * 0.99 else "neither"
