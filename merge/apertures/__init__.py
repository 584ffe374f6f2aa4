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
    pooled_contrast,
)
from merge.apertures.edge import find_edge, measure_edge
from merge.apertures.regions import (
    MIN_TILES,
    blur_models,
    focused_tiles,
    frames_needed,
    judge_region,
    region_masks,
    textured_tiles,
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


def assess_series(
    names: Sequence[str],
    f_numbers: Sequence[float],
    spectra: Sequence[TileSpectra],
    grid: TileGrid,
    *,
    effective: Sequence[float] | None = None,
    pitch_um: float | None = None,
    tolerance_px: float = 2.0,
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

    Returns
    -------
    ApertureReport
        Its ``edges`` are empty.

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
    stretch = 1.0 if effective is None else effective[0] / f_numbers[0]
    diffraction = diffraction_contrast([n * stretch for n in f_numbers], _FREQUENCY, pitch_um)
    # Diffraction at N_eff and f is that at N and f N_eff / N.
    per_mm = None if pitch_um is None else 1000 * _FREQUENCY / pitch_um * stretch
    focused = series.take(focused_tiles(series, textured))
    faults, good = _faults(focused, diffraction)
    steady = steadied_contrast(pooled_contrast(focused), contrast_errors(focused), diffraction)
    lens_best, end = best_f_number(np.asarray(f_numbers)[good].tolist(), steady[good], per_mm)
    models = blur_models(f_numbers, lens_best, pitch_um, stretch)
    regions = [
        judge_region(name, series.take(inside), f_numbers, good, focused, models)
        for name, mask in region_masks(grid).items()
        if (inside := mask[kept] & textured).sum() >= MIN_TILES
    ]
    whole = series.take(textured)
    contrast, errors = pooled_contrast(whole), contrast_errors(whole)
    ranked = steadied_contrast(contrast, errors, diffraction)
    best = int(np.flatnonzero(good)[int(np.argmax(ranked[good]))])
    expected = expected_contrast(f_numbers, contrast, diffraction, faults)
    return ApertureReport(
        frames=_frames(names, f_numbers, contrast, errors, diffraction, expected, faults),
        best=best,
        ranking=tuple(int(i) for i in np.argsort(-ranked, kind="stable")),
        alike=_alike(contrast, errors, good, best),
        best_f_number=lens_best,
        best_at_end=end,
        costs=stop_costs(f_numbers, expected, diffraction),
        regions=tuple(regions),
        limit=_limit(regions, f_numbers, lens_best),
        frames_needed=frames_needed(regions, tolerance_px),
        winners=winner_map(series, textured, grid, kept, f_numbers, good),
        edges=(),
        frequency=_FREQUENCY,
        tolerance_px=tolerance_px,
    )


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


def _limit(regions: Sequence[Region], f_numbers: Sequence[float], lens_best: float) -> str:
    """Return what keeps the picture from being sharp everywhere at the best aperture."""
    if len(f_numbers) < 2 or not regions:
        return "neither"
    stops = [2 * np.log2(r.best_f_number / lens_best) for r in regions]
    if max(stops) >= 0.9 and max(r.blur_px for r in regions if r.blur_px == r.blur_px) > 1:
        return "depth"
    return "diffraction" if lens_best < max(f_numbers) * 0.99 else "neither"
