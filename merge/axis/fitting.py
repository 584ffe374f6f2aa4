"""From tile energies to the focus axis: order, start, refinement, every tile's place."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.axis.doubt import take_middle
from merge.axis.noise import with_seen_noise
from merge.axis.ordering import order_frames
from merge.axis.preparing import (
    StackEnergies,
    TileSet,
    choose_smooth_tiles,
    choose_tiles,
    ordered_tiles,
    stack_energies,
)
from merge.axis.residuals import (
    TYPICAL,
    Windows,
    compare,
    cut_windows,
    misfit,
    search_tiles,
    slopes_of,
    take_tiles,
)
from merge.axis.softness import judge_frames
from merge.axis.solving import FROM_NEAR, Solution, solve
from merge.axis.still import one_focus
from merge.errors import RegistrationError
from merge.model import FocusAxis, TileEnergies
from merge.significance import learned_spread, proof_limit

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

_TILES_A_FRAME = 100
_TILES_MOST = 3000
_FEWEST_TILES = 8
_LEAST_SNR = 6.0
# Share of tiles kept for the second fit: tiles holding two depths drop out (worst step of 13
# known stacks off by 9 % in place of 11 %).
_KEPT = 0.7
# Even steps tried as a start, over the finest band's sigma.
_STARTS = np.geomspace(0.7, 40.0, 18)
# Tiles that are tried with them: enough to tell steps a quarter apart.
_TILES_TO_START = 600
# Frames on either side of a tile's peak that are fitted, and the blur up to which they tell.
_NARROWEST, _WIDEST, _REACH = 4, 12, 30.0
# Another order must fit this much better than the given one, relative cost.
_ORDER_GAIN = 0.03
# Standard error that all steps of a bracket share, relative: textures and lenses that are none of
# the model's. Two frames hold no third that checks their step.
_SCALE_ERROR, _PAIR_SCALE_ERROR = 0.05, 0.17
# Within so many of the last step, and of the usual one, tiles are looked for beyond an end, times
# 1.5. Of what lies farther no frame tells how far: with twice that, ends of the photograph that
# were cut by a step of 6 px came out 20 px too far.
_BEYOND_LAST, _BEYOND_USUAL = 2.0, 2.5
# Tiles beyond an end are tried this far away, over the finest sigma, and at twice that (20 and
# 40 px at full size); their cost must rise by so much (of log(1 + r^2), as a likelihood).
_FAR_AWAY, _TOLD_APART = 29.0, 6.0
# Energy in focus over the largest seen, at most: beyond, noise would be raised.
_MOST_RAISED = 30.0
_SPECTRUM_ROUNDS = 2
# That over the largest seen up to which a band tells its own contrast, and for tiles in focus.
_STILL_TELLS, _NEARLY_IN_FOCUS = 4.0, 2.0
# Tiles farther from every frame than this, over the finest band's sigma, are placed anew so often,
# by their spectrum in focus. For nearer ones it put tiles of two depths into gaps of 6 px (shares
# 1.6 times too large on the photograph).
_GAP_ROUNDS = 2
_IN_GAP = 5.0
# Cost of a frame that no place explains, and over the usual one: residuals of a factor of 1.6. A
# frame of another scene costs 2 to 2.7, sound ones 0.2 to 0.5.
_FOREIGN, _FOREIGN_RATIO = 1.2, 3.0
_FEWEST_STEPS = 4
# Error of the blur of what lies beyond an end, over the finest sigma and the model's misfit: three
# bands tell it, whose logarithms of energy fall by about one in two sigmas of blur.
_MISREAD = 3.5
# How often the noise is taken from the fit, and frames that may as well lie midway are moved.
_NOISE_ROUNDS = _MIDDLE_ROUNDS = 2
_MEDIAN_SQUARE = 0.4549  # of a normal deviate's squares
_NINETY = 1.645  # standard errors that hold 90 % of a normal distribution


def fit_focus_axis(tiles: Sequence[TileEnergies], *, wave_px: float | None = None) -> FocusAxis:
    """Return the positions of all frames and tiles, in px of blur-circle diameter.

    Parameters
    ----------
    tiles : sequence of TileEnergies
        One for each frame, at least two, in the order given; all of one grid.
    wave_px : float, optional
        Wavelength times effective f-number over the pixel pitch: how far diffraction spreads, in
        px of the full-size frame. Without it blur counts as the ideal disk's, and steps read too
        small where diffraction matters (tests/test_axis.py states by how much).

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
    data = stack_energies(tiles, wave_px)
    chosen = _choose(data)
    if len(chosen) < _FEWEST_TILES:
        raise RegistrationError(
            f"focus axis: only {len(chosen)} tiles hold detail that every frame covers, expected "
            f"at least {_FEWEST_TILES}; check that all frames show one scene"
        )
    if (still := one_focus(tiles, data, chosen)) is not None:
        return still
    fitted = _fit(data, chosen)
    foreign = _foreign(fitted.frame_cost)
    if foreign.any():  # its place means nothing, but must not move the others
        data = dataclasses.replace(data, energy=_filled_in(data.energy, foreign))
        fitted = _fit(data, chosen)
        usual = float(np.median(np.abs(np.diff(fitted.frames_px))))
        fitted.covariance_px[foreign, foreign] += usual**2
    data, chosen = fitted.data, fitted.chosen
    quality = judge_frames(tiles, data, chosen, fitted.frames_px, fitted.places_px)
    soft = np.flatnonzero(quality.detail_z < -proof_limit(len(tiles)))
    if len(soft):  # a soft frame looks farther away than it is: even it out, fit again
        energy = data.energy.copy()
        energy[soft] /= quality.detail_ratio[soft][:, :, None]
        evened = _fit(dataclasses.replace(data, energy=energy), chosen)
        if evened.cost < fitted.cost:
            fitted = evened
        else:
            # Then it is not soft: tiles that hold two depths seem to lie between them, and where
            # no others do, the frame there has less detail than any blur leaves.
            quality.detail_z[soft] = np.nan
    grid = tiles[0].level.shape
    start = fitted.frames_px[0]
    low, high = _step_limits(fitted.frames_px, fitted.covariance_px)
    return FocusAxis(
        positions_px=fitted.frames_px - start,
        step_low_px=low,
        step_high_px=high,
        tile_positions_px=(fitted.places_px - start).reshape(grid),
        tile_detail=fitted.detail.reshape(grid),
        tile_size_px=round(tiles[0].tile_size_px),
        quality=quality,
        covariance_px=fitted.covariance_px,
        blur_error_px=fitted.blur_error_px,
        scale_error=_scale_error(len(tiles)),
    )


@dataclass(frozen=True)
class _Fitted:
    """Positions of frames (N,) in the given order, their covariance, and of all tiles (T,)."""

    frames_px: Array
    covariance_px: Array
    places_px: Array
    detail: Array
    blur_error_px: float
    cost: float
    frame_cost: Array
    data: StackEnergies
    chosen: Index


def _foreign(frame_cost: Array) -> Mask:
    """Tell which frames show what no place on the axis explains: another scene."""
    usual = float(np.median(frame_cost))
    foreign = frame_cost > max(_FOREIGN, _FOREIGN_RATIO * usual)
    return foreign if 3 * foreign.sum() <= len(foreign) else np.zeros_like(foreign)


def _filled_in(energy: Array, foreign: Mask) -> Array:
    """Return energies with those of some frames taken from the frames beside them."""
    filled, sound = energy.copy(), np.flatnonzero(~foreign)
    for frame in np.flatnonzero(foreign):
        before, after = sound[sound < frame][-1:], sound[sound > frame][:1]
        filled[frame] = energy[np.concatenate([before, after])].mean(axis=0)
    return filled


def _fit(data: StackEnergies, chosen: Index) -> _Fitted:
    """Find order, steps and places, then fit again with tiles of one depth."""
    order, solution = _sort_by_position(*_solve_in_best_order(data, chosen))
    for _ in range(_NOISE_ROUNDS):
        data, chosen = _with_seen_noise(data, chosen, order, solution)
        tiles = ordered_tiles(data, order).take(chosen)
        start = solution.frames_px
        solution = _solve_best_explained(data, tiles, start, start[tiles.centres])
        order, solution = _sort_by_position(order, solution)
    tiles = ordered_tiles(data, order)
    places, _ = _place_tiles(data, tiles, solution)
    smooth = choose_smooth_tiles(
        data,
        places.reshape(data.grid),
        per_frame=_TILES_A_FRAME,
        most=_TILES_MOST,
        least_snr=_LEAST_SNR,
    )
    used = smooth if len(smooth) >= _FEWEST_TILES and len(order) > 2 else chosen
    start = np.where(np.isfinite(places), places, solution.frames_px[tiles.centres])
    solution = _solve_best_explained(
        data, tiles.take(used), solution.frames_px, start[used], errors=True
    )
    places, detail = _place_tiles(data, tiles, solution)
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
    )


def _with_seen_noise(
    data: StackEnergies, chosen: Index, order: Index, solution: Solution
) -> tuple[StackEnergies, Index]:
    """Take the noise from a solution, and choose the tiles that stand out of that noise."""
    tiles, frames_px = ordered_tiles(data, order).take(chosen), solution.frames_px
    windows = cut_windows(data, tiles, _half_window(data, frames_px))
    step = max(float(np.median(np.diff(frames_px))), 1e-3)
    candidates = frames_px[tiles.centres] + np.linspace(-1.6, 1.6, 25)[:, None] * step
    places, _ = search_tiles(windows, slopes_of(windows), frames_px, candidates, scale=TYPICAL)
    data = with_seen_noise(data, chosen, windows, frames_px, places)
    again = _choose(data)
    return data, again if len(again) >= _FEWEST_TILES else chosen


def _choose(data: StackEnergies) -> Index:
    return choose_tiles(data, per_frame=_TILES_A_FRAME, most=_TILES_MOST, least_snr=_LEAST_SNR)


def _half_window(data: StackEnergies, frames_px: Array) -> int:
    """Return how many frames on either side of a tile's peak tell about it."""
    step = max(float(np.median(np.diff(frames_px))), 1e-3)
    half = int(np.clip(round(_REACH * data.sigma_px[0] / step), _NARROWEST, _WIDEST))
    return min(half, len(data.energy) - 1)


def _solve_in_best_order(data: StackEnergies, chosen: Index) -> tuple[Index, Solution]:
    """Solve in the given order and, where likeness suggests another, in that; keep the better."""
    given = np.arange(len(data.energy))
    tiles = ordered_tiles(data, given).take(chosen)
    solution = _solve_ordered(data, tiles)
    order = order_frames(tiles.energy)
    if (order == given).all():
        return given, solution
    other = _solve_ordered(data, ordered_tiles(data, order).take(chosen))
    if other.cost < (1 - _ORDER_GAIN) * solution.cost:
        return order, other
    return given, solution


def _sort_by_position(order: Index, solution: Solution) -> tuple[Index, Solution]:
    """Put frames that the fit itself moved past each other in the order of their positions."""
    rising = np.argsort(solution.frames_px, kind="stable")
    return order[rising], dataclasses.replace(
        solution,
        frames_px=solution.frames_px[rising] - solution.frames_px[rising[0]],
        frame_cost=solution.frame_cost[rising],
    )


def _solve_ordered(data: StackEnergies, tiles: TileSet) -> Solution:
    """Find the even step that fits best, then let every step go."""
    some = tiles.take(slice(None, None, max(1, len(tiles.centres) // _TILES_TO_START)))
    costs = [_cost_of_even(data, some, s)[1].sum() for s in _STARTS]
    best = float(_STARTS[int(np.argmin(costs))])
    places, _ = _cost_of_even(data, tiles, best)
    even = best * data.sigma_px[0] * np.arange(len(tiles.energy))
    return _solve_best_explained(data, tiles, even, places)


def _cost_of_even(data: StackEnergies, tiles: TileSet, step: float) -> tuple[Array, Array]:
    """Return the tiles' best places, and their costs, with even steps of ``step`` finest sigmas."""
    windows = cut_windows(data, tiles, min(8, len(tiles.energy) - 1))
    step_px = step * data.sigma_px[0]
    even = step_px * np.arange(len(tiles.energy))
    candidates = even[tiles.centres] + np.linspace(-1.6, 1.6, 13)[:, None] * step_px
    return search_tiles(windows, slopes_of(windows), even, candidates, scale=0.3)


def _solve_best_explained(
    data: StackEnergies,
    tiles: TileSet,
    frames_px: Array,
    tiles_px: Array,
    *,
    errors: bool = False,
) -> Solution:
    """Solve from a start, then once more with the tiles that the model explains best."""
    half = _half_window(data, frames_px)
    windows = cut_windows(data, tiles, half)
    solution = solve(windows, frames_px, tiles_px)
    misfits = misfit(windows, solution.frames_px, solution.tiles_px)
    kept = _best_explained(misfits, tiles.centres)
    windows = cut_windows(data, tiles.take(kept), half)
    solution = solve(windows, solution.frames_px, solution.tiles_px[kept], least=FROM_NEAR)
    for _ in range(_MIDDLE_ROUNDS if errors else 0):
        frames_px, doubt_px = take_middle(windows, solution.frames_px, solution.tiles_px)
        start = solution.tiles_px
        solution = solve(windows, frames_px, start, least=FROM_NEAR, errors=True)
        doubt = np.diag(doubt_px**2)
        solution = dataclasses.replace(solution, covariance_px=solution.covariance_px + doubt)
    return solution


def _best_explained(misfits: Array, centres: Index) -> Index:
    """Return the tiles that the model explains best, the same share of every peak frame's."""
    kept = []
    for frame in np.unique(centres):
        here = np.flatnonzero(centres == frame)
        most = max(3, round(_KEPT * len(here)))
        kept.append(here[np.argsort(misfits[here])][:most])
    return np.concatenate(kept)


def _place_tiles(data: StackEnergies, tiles: TileSet, solution: Solution) -> tuple[Array, Array]:
    """Return position and detail of every tile with detail; NaN and 0 elsewhere."""
    usable = np.flatnonzero(data.usable & (tiles.energy[:, 0].max(axis=0) > 2 * data.noise[0]))
    places = np.full(len(data.usable), np.nan)
    detail = np.zeros(len(data.usable))
    if len(usable) == 0:
        return places, detail
    frames_px = solution.frames_px
    steps = np.maximum(np.diff(frames_px), 0.1 * data.sigma_px[0])
    # By the usual step, too: a frame of another scene at an end may lie 48 px away, and tiles
    # would be put as far beyond it.
    beyond = _BEYOND_USUAL * np.median(steps)
    before = np.concatenate([[min(_BEYOND_LAST * steps[0], beyond)], steps])
    after = np.concatenate([steps, [min(_BEYOND_LAST * steps[-1], beyond)]])
    centre = tiles.centres[usable]
    windows = cut_windows(data, tiles.take(usable), min(3, len(tiles.energy) - 1))
    around = np.linspace(0, 1.5, 13)[1:, None]
    candidates = np.concatenate(
        [
            frames_px[centre] - around[::-1] * before[centre],
            frames_px[centre][None],
            frames_px[centre] + around * after[centre],
        ]
    )
    slopes = slopes_of(windows)
    scale = solution.scale
    found, _ = search_tiles(windows, slopes, frames_px, candidates, scale=scale)
    width = np.where(found < frames_px[centre], before[centre], after[centre]) / 8
    found += _search_beside(windows, slopes, frames_px, found, width, scale)
    for _ in range(_GAP_ROUNDS):
        far = np.abs(found[:, None] - frames_px).min(axis=1) > _IN_GAP * data.sigma_px[0]
        if not far.any():
            break
        some = take_tiles(windows, far)
        slopes[far] = _slopes_in_focus(some, slopes[far], frames_px, found[far])
        found[far] += _search_beside(
            some, slopes[far], frames_px, found[far], 2 * width[far], scale
        )
    far = _as_well_far_away(windows, slopes, frames_px, found, scale)
    places[usable] = np.where(far, np.nan, found)
    detail[usable] = _detail_in_focus(windows, slopes, frames_px, found, data.noise[:, usable])
    # What ends near the limit of the search was not found within it: backdrops that no frame comes
    # near show the same blur in all, and their noise drives them there.
    limit = 0.9 * around[-1, 0]
    lost = places < frames_px[0] - limit * before[0]
    lost |= places > frames_px[-1] + limit * after[-1]
    lost |= ~np.isfinite(places)
    places[lost], detail[lost] = np.nan, 0.0
    return places, detail


def _as_well_far_away(
    windows: Windows, slopes: Index, frames_px: Array, tiles_px: Array, scale: float
) -> Mask:
    """Tell which tiles beyond an end may as well lie far away: no frame tells how far."""
    beyond = np.maximum(frames_px[0] - tiles_px, tiles_px - frames_px[-1])
    out = beyond > 0
    some, found = take_tiles(windows, out), tiles_px[out]
    side = np.where(found < frames_px[0], -1.0, 1.0)
    end = np.where(side < 0, frames_px[0], frames_px[-1])
    away = end + side * _FAR_AWAY * windows.sigma_px[0] * np.array([1.0, 2.0])[:, None]
    _, near = search_tiles(some, slopes[out], frames_px, found[None], scale=scale, rounds=2)
    _, far = search_tiles(some, slopes[out], frames_px, away, scale=scale, rounds=2)
    out[out] = far - near < _TOLD_APART
    return out


def _search_beside(
    windows: Windows,
    slopes: Index,
    frames_px: Array,
    tiles_px: Array,
    reach_px: Array,
    scale: float,
) -> Array:
    """Return how far to move every tile, within its reach (K,)."""
    moves = np.linspace(-1, 1, 9)[:, None] * reach_px
    found, _ = search_tiles(windows, slopes, frames_px, tiles_px + moves, scale=scale)
    return found - tiles_px


def _slopes_in_focus(windows: Windows, slopes: Index, frames_px: Array, tiles_px: Array) -> Index:
    """Return the tiles' spectra in focus: what is seen in a gap has the spectrum of blur.

    With the spectrum that is seen, tiles in gaps of 18 px came out up to a third nearer to a
    frame than they are.
    """
    for _ in range(_SPECTRUM_ROUNDS):
        amplitude = compare(windows, slopes, frames_px, tiles_px, rounds=2).amplitude
        slopes = slopes_of(windows, np.clip(amplitude, 1.0, _MOST_RAISED))
    return slopes


def _detail_in_focus(
    windows: Windows, slopes: Index, frames_px: Array, tiles_px: Array, noise: Array
) -> Array:
    """Return the contrast that the two finest bands would have in focus, (K,).

    In a gap even the sharpest frame shows too little. A band of which blur leaves too little to
    tell is taken from the next coarser one that tells, by their ratio in the tiles that are in
    focus. Over gaps of 12 to 24 px in slanted surfaces the share of detail in them came out
    within 30 % (with what is seen, half to a third).

    Parameters
    ----------
    noise : ndarray, shape (B, K)
        Energy of noise.
    """
    slopes = _slopes_in_focus(windows, slopes, frames_px, tiles_px)
    amplitude = compare(windows, slopes, frames_px, tiles_px, rounds=2).amplitude
    contrast = np.sqrt(windows.peak * np.clip(amplitude, 1.0, _MOST_RAISED))
    told = (amplitude < _STILL_TELLS) & (windows.peak > 2 * noise.T)
    in_focus = told & (amplitude < _NEARLY_IN_FOCUS)
    fine = []
    for band in range(2):
        own = np.where(told[:, band], contrast[:, band], np.sqrt(windows.peak[:, band]))
        known = told[:, band]
        for coarser in range(band + 1, contrast.shape[1]):
            both = in_focus[:, band] & told[:, coarser]
            here = told[:, coarser] & ~known
            if both.sum() < _FEWEST_TILES:
                continue
            ratio = contrast[both, band].sum() / contrast[both, coarser].sum()
            own[here] = np.maximum(own[here], ratio * contrast[here, coarser])
            known = known | here
        fine.append(own)
    return np.asarray(np.hypot(*fine))


def _step_limits(positions: Array, covariance: Array) -> tuple[Array, Array]:
    """Return the ends of the steps' 90 % intervals, in the frames' given order."""
    steps = np.diff(positions)
    variance = np.diag(covariance)[1:] + np.diag(covariance)[:-1] - 2 * np.diag(covariance, 1)
    spread = _NINETY * np.sqrt(
        np.maximum(variance, 0) + (_scale_error(len(positions)) * steps) ** 2
    )
    return steps - spread, steps + spread


def _seen_over_expected(solution: Solution) -> float:
    """Return by how much the steps' variance is smaller than expected: 1 where it is not.

    Errors make steps uneven. Steps that come out more even than their errors allow show that these
    are smaller in this stack; uneven ones show nothing, since they may be so.
    """
    steps = np.diff(solution.frames_px)
    if len(steps) < _FEWEST_STEPS:
        return 1.0
    own = np.diag(solution.covariance_px)
    error = np.sqrt(own[1:] + own[:-1] - 2 * np.diag(solution.covariance_px, 1))
    off = np.empty(len(steps))
    for k in range(len(steps)):
        beside = np.argsort(np.abs(np.arange(len(steps)) - k), kind="stable")[1:5]
        off[k] = steps[k] - np.median(steps[beside])
    square = min(float(np.median((off / error) ** 2)) / _MEDIAN_SQUARE, 1.0)
    spread, _ = learned_spread(math.sqrt(square), len(steps), 1.0)
    return spread**2


def _scale_error(frames: int) -> float:
    return _SCALE_ERROR if frames > 2 else _PAIR_SCALE_ERROR
