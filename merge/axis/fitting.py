"""From tile energies to the focus axis: start, noise, refinement, every tile's place, errors."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from merge.axis.noise import with_seen_noise
from merge.axis.placing import end_reach_px, place_tiles
from merge.axis.preparing import (
    FEWEST_TILES,
    StackEnergies,
    choose_smooth_tiles,
    ordered_tiles,
    stack_energies,
)
from merge.axis.pupils import only_pupils_change
from merge.axis.residuals import TYPICAL, Windows, cut_windows, slopes_of
from merge.axis.searching import search_tiles
from merge.axis.shake import measure_shake
from merge.axis.softness import find_soft
from merge.axis.solving import Solution
from merge.axis.starting import (
    FOREIGN,
    FOREIGN_RATIO,
    LEAST_SNR,
    TILES_A_FRAME,
    TILES_MOST,
    choose,
    choose_again,
    half_window,
    keep_between,
    solve_best_explained,
    solve_in_best_order,
    sort_by_position,
)
from merge.axis.still import one_focus
from merge.errors import RegistrationError
from merge.model import Array, BoolArray, FocusAxis, FrameQuality, Index, TileEnergies
from merge.significance import FEWEST, MEDIAN_SQUARE, NINETY, learned_spread

# Standard error that all steps of a bracket share, relative: textures and lenses that are none of
# the model's. Two frames hold no third that checks their step.
_SCALE_ERROR, _PAIR_SCALE_ERROR = 0.05, 0.17
# Error of the blur of what lies beyond an end, over the finest sigma and the model's misfit: three
# bands tell it, whose logarithms of energy fall by about one in two sigmas of blur.
_MISREAD = 3.5
# How often the noise is taken from the fit.
_NOISE_ROUNDS = 2


def fit_focus_axis(
    tiles: Sequence[TileEnergies],
    *,
    diffraction_scale_px: float | None = None,
    placed_px: Array | None = None,
    any_aperture: bool = False,
) -> FocusAxis:
    """Return the positions of all frames and tiles, in px of blur-circle diameter.

    Parameters
    ----------
    tiles : sequence of TileEnergies
        One for each frame, at least two, in the order given; all of one grid.
    diffraction_scale_px : float, optional
        Wavelength times effective f-number over the pixel pitch: how far diffraction spreads, in
        px of the full-size frame. Without it blur counts as the ideal disk's, and steps read too
        small where diffraction matters (tests/test_axis.py states by how much).
    placed_px : ndarray, shape (N,), optional
        How far off each frame may have been placed, px of the full-size frame (standard error).
    any_aperture : bool
        Whether nothing tells that the f-number stayed the same, so that the frames may be an
        aperture series.

    Returns
    -------
    FocusAxis
        In px of the full-size frame. Frames that are out of order give negative steps. Which
        end is near and which far cannot be told from blur.

    Raises
    ------
    ValueError
        If there are fewer than two frames or their grids differ.
    RegistrationError
        If the pictures hold too little detail in common.
    """
    if len(tiles) < 2 or len({t.energy.shape for t in tiles}) != 1:
        raise ValueError(f"{len(tiles)} frames: expected at least two, all with one grid of tiles")
    data = stack_energies(tiles, diffraction_scale_px)
    chosen = choose(data)
    if len(chosen) < FEWEST_TILES:
        raise RegistrationError(
            f"focus axis: only {len(chosen)} tiles hold detail that every frame covers, expected "
            f"at least {FEWEST_TILES}; check that all frames show one scene"
        )
    if (still := one_focus(tiles, data, chosen)) is not None:
        return still
    fitted = _fit(data, chosen)
    foreign = _foreign(fitted.frame_cost)
    if foreign.any():  # its place means nothing, but must not move the others
        data = dataclasses.replace(data, energy=_filled_in(data.energy, foreign))
        fitted = _fit(data, chosen)
    own, detail = find_soft(fitted.windows, fitted.solution, ~foreign[fitted.order])
    rank = np.argsort(fitted.order)
    detail = detail[0][rank], detail[1][rank], detail[2][rank]
    if own.any():
        fitted = _fit(dataclasses.replace(fitted.data, own=own[rank]), fitted.chosen)
    usual = float(np.median(np.abs(np.diff(fitted.frames_px))))
    fitted.covariance_px[foreign, foreign] += usual**2
    data = fitted.data
    grid = tiles[0].level.shape
    if placed_px is not None:
        slope = _usual_slope(fitted.places_px.reshape(grid)) / tiles[0].tile_size_px
        fitted.covariance_px[np.diag_indices(len(tiles))] += (slope * placed_px) ** 2
    start = fitted.frames_px[0]
    low, high = _step_limits(fitted.frames_px, fitted.covariance_px)
    return FocusAxis(
        positions_px=fitted.frames_px - start,
        step_low_px=low,
        step_high_px=high,
        tile_positions_px=(fitted.places_px - start).reshape(grid),
        tile_detail=fitted.detail.reshape(grid),
        tile_size_px=round(tiles[0].tile_size_px),
        quality=_quality(tiles, fitted, detail),
        covariance_px=fitted.covariance_px,
        blur_error_px=fitted.blur_error_px,
        scale_error=_scale_error(len(tiles)),
        end_reach_px=end_reach_px(data),
        one_focus=any_aperture and only_pupils_change(data, fitted.chosen, fitted.frames_px),
    )


@dataclass(frozen=True)
class _Fitted:
    """Positions of frames (N,) in the given order, their covariance, and of all tiles (T,).

    `order` (N,) is that along the axis, in which `solution` has the frames and `windows` its tiles.
    """

    frames_px: Array
    covariance_px: Array
    places_px: Array
    detail: Array
    blur_error_px: float
    cost: float
    frame_cost: Array
    data: StackEnergies
    chosen: Index
    order: Index
    solution: Solution
    windows: Windows


def _quality(
    tiles: Sequence[TileEnergies], fitted: _Fitted, detail: tuple[Array, Array, Array]
) -> FrameQuality:
    """Join what frames show of their detail with how it leans."""
    ratio, detail_z, detail_limit = detail
    lean, lean_z, needed = measure_shake(tiles, fitted.data, fitted.frames_px, fitted.places_px)
    size = np.minimum(np.abs(lean), 1.0)
    return FrameQuality(
        detail_ratio=ratio,
        detail_z=detail_z,
        direction_ratio=(1 - size) / (1 + size),
        direction_z=lean_z,
        direction_deg=np.degrees(np.angle(-np.nan_to_num(lean)) / 2) % 180,
        gains=fitted.data.gains,
        detail_limit=detail_limit,
        direction_limit=(1 - needed) / (1 + needed),
    )


def _foreign(frame_cost: Array) -> BoolArray:
    """Tell which frames show what no place on the axis explains: another scene."""
    usual = float(np.median(frame_cost))
    foreign = frame_cost > max(FOREIGN, FOREIGN_RATIO * usual)
    return foreign if 3 * foreign.sum() <= len(foreign) else np.zeros_like(foreign)


def _filled_in(energy: Array, foreign: BoolArray) -> Array:
    """Return energies with those of some frames taken from the frames beside them."""
    filled, sound = energy.copy(), np.flatnonzero(~foreign)
    for frame in np.flatnonzero(foreign):
        before, after = sound[sound < frame][-1:], sound[sound > frame][:1]
        filled[frame] = energy[np.concatenate([before, after])].mean(axis=0)
    return filled


def _fit(data: StackEnergies, chosen: Index) -> _Fitted:
    """Find order, steps and places, then fit again with tiles of one depth."""
    data, order, solution = solve_in_best_order(data, chosen)
    chosen = choose_again(data, chosen)
    solution = keep_between(data, ordered_tiles(data, order).take(chosen), solution)
    order, solution = sort_by_position(order, solution)
    for _ in range(_NOISE_ROUNDS):
        data, chosen = _with_seen_noise(data, chosen, order, solution)
        tiles = ordered_tiles(data, order).take(chosen)
        start = solution.frames_px
        solution, _ = solve_best_explained(data, tiles, start, start[tiles.centres])
        solution = keep_between(data, tiles, solution)
        order, solution = sort_by_position(order, solution)
    tiles = ordered_tiles(data, order)
    places, _ = place_tiles(data, tiles, solution)
    smooth = choose_smooth_tiles(
        data,
        places.reshape(data.grid),
        per_frame=TILES_A_FRAME,
        most=TILES_MOST,
        least_snr=LEAST_SNR,
    )
    used = smooth if len(smooth) >= FEWEST_TILES and len(order) > 2 else chosen
    start = np.where(np.isfinite(places), places, solution.frames_px[tiles.centres])
    solution, windows = solve_best_explained(
        data, tiles.take(used), solution.frames_px, start[used], errors=True
    )
    places, detail = place_tiles(data, tiles, solution)
    rank = np.argsort(order)
    seen = _seen_over_expected(solution)
    covariance = seen * solution.covariance_px[np.ix_(rank, rank)]
    error = math.sqrt(seen) * _MISREAD * solution.misfit * float(data.sigma_px[0])
    return _Fitted(
        frames_px=solution.frames_px[rank],
        covariance_px=covariance,
        places_px=places,
        detail=detail,
        blur_error_px=error,
        cost=solution.cost,
        frame_cost=solution.frame_cost[rank],
        data=data,
        chosen=chosen,
        order=order,
        solution=solution,
        windows=windows,
    )


def _with_seen_noise(
    data: StackEnergies, chosen: Index, order: Index, solution: Solution
) -> tuple[StackEnergies, Index]:
    """Take the noise from a solution, and choose the tiles that stand out of that noise."""
    tiles, frames_px = ordered_tiles(data, order).take(chosen), solution.frames_px
    windows = cut_windows(data, tiles, half_window(data, frames_px))
    step = max(float(np.median(np.diff(frames_px))), 1e-3)
    candidates = frames_px[tiles.centres] + np.linspace(-1.6, 1.6, 25)[:, None] * step
    places, _ = search_tiles(windows, slopes_of(windows), frames_px, candidates, scale=TYPICAL)
    data = with_seen_noise(data, chosen, windows, frames_px, places)
    return data, choose_again(data, chosen)


def _usual_slope(places_px: Array) -> float:
    """Return by how much depth changes from tile to tile one way over the whole picture.

    A frame placed beside where it belongs shows there what lies nearer or farther.
    """
    ways = (np.diff(places_px, axis=axis) for axis in (0, 1))
    slopes = [np.nanmedian(way) if np.isfinite(way).any() else 0.0 for way in ways]
    return math.hypot(*slopes)


def _step_limits(positions: Array, covariance: Array) -> tuple[Array, Array]:
    """Return the ends of the steps' 90 % intervals, in the frames' given order."""
    steps = np.diff(positions)
    variance = np.diag(covariance)[1:] + np.diag(covariance)[:-1] - 2 * np.diag(covariance, 1)
    spread = NINETY * np.sqrt(np.maximum(variance, 0) + (_scale_error(len(positions)) * steps) ** 2)
    return steps - spread, steps + spread


def _seen_over_expected(solution: Solution) -> float:
    """Return by how much the steps' variance is smaller than expected: 1 where it is not.

    Errors make steps uneven. Steps that come out more even than their errors allow show that these
    are smaller in this stack; uneven ones show nothing, since they may be so.
    """
    steps = np.diff(solution.frames_px)
    if len(steps) <= FEWEST:
        return 1.0
    own = np.diag(solution.covariance_px)
    error = np.sqrt(own[1:] + own[:-1] - 2 * np.diag(solution.covariance_px, 1))
    off = np.empty(len(steps))
    for k in range(len(steps)):
        beside = np.argsort(np.abs(np.arange(len(steps)) - k), kind="stable")[1:5]
        off[k] = steps[k] - np.median(steps[beside])
    square = min(float(np.median((off / error) ** 2)) / MEDIAN_SQUARE[1], 1.0)
    spread, _ = learned_spread(math.sqrt(square), len(steps), 1.0)
    return spread**2


def _scale_error(frames: int) -> float:
    return _SCALE_ERROR if frames > 2 else _PAIR_SCALE_ERROR
