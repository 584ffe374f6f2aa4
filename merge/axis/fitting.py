"""From tile energies to the focus axis: order, start, refinement, every tile's place."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.axis.ordering import order_frames
from merge.axis.preparing import (
    StackEnergies,
    choose_smooth_tiles,
    choose_tiles,
    sharpest_frame,
    stack_energies,
)
from merge.axis.residuals import (
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
from merge.errors import RegistrationError
from merge.model import FocusAxis, TileEnergies

Array = NDArray[np.float64]
Index = NDArray[np.intp]

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
# Detail over expectation below which a frame counts as soft.
_SOFT = 0.85
# Another order must fit this much better than the given one, relative cost.
_ORDER_GAIN = 0.03
# The model's own relative error of a step. With 0.04 the intervals held 57 to 100 % of the true
# steps of 12 brackets of an ideal lens, with this 83 to 100 %; other lenses add the bias that
# tests/test_axis.py states.
_MISFIT = 0.06
# Two frames hold no third that checks their step: 11 pairs of known brackets gave 0.74 to 1.3.
_PAIR_MISFIT = 0.17
# Within so many of the last step, and of the usual one, tiles are looked for beyond an end, times
# 1.5. Of what lies farther no frame tells how far: with twice that, ends of the photograph that
# were cut by a step of 6 px came out 20 px too far.
_BEYOND_LAST, _BEYOND_USUAL = 2.0, 2.5
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
# 90 % of a normal distribution lies within this many standard errors.
_NINETY = 1.645


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
    chosen = choose_tiles(data, per_frame=_TILES_A_FRAME, most=_TILES_MOST, least_snr=_LEAST_SNR)
    if len(chosen) < _FEWEST_TILES:
        raise RegistrationError(
            f"focus axis: only {len(chosen)} tiles hold detail that every frame covers, expected "
            f"at least {_FEWEST_TILES}; check that all frames show one scene"
        )
    fitted = _fit(data, chosen)
    quality = judge_frames(tiles, data, chosen, fitted.frames_px, fitted.places_px)
    soft = quality.detail_ratio < _SOFT
    if soft.any():  # a soft frame looks farther away than it is: even it out, fit again
        data.energy[soft] /= quality.detail_ratio[soft][:, None]
        fitted = _fit(data, chosen)
    grid = tiles[0].level.shape
    start = fitted.frames_px[0]
    return FocusAxis(
        positions_px=fitted.frames_px - start,
        step_low_px=fitted.low_px,
        step_high_px=fitted.high_px,
        tile_positions_px=(fitted.places_px - start).reshape(grid),
        tile_detail=fitted.detail.reshape(grid),
        tile_size_px=round(tiles[0].tile_size_px),
        quality=quality,
    )


@dataclass(frozen=True)
class _Fitted:
    """Positions of frames (N,) in the given order and of all tiles (T,), and steps' limits."""

    frames_px: Array
    low_px: Array
    high_px: Array
    places_px: Array
    detail: Array


def _fit(data: StackEnergies, chosen: Index) -> _Fitted:
    """Find order, steps and places, then fit again with tiles of one depth."""
    order, solution = _rise(*_solve_in_best_order(data, chosen))
    rank = np.argsort(order)
    energy, centres = data.energy[order], rank[sharpest_frame(data)]
    places, _ = _place_tiles(data, energy, centres, solution)
    smooth = choose_smooth_tiles(
        data,
        places.reshape(data.grid),
        per_frame=_TILES_A_FRAME,
        most=_TILES_MOST,
        least_snr=_LEAST_SNR,
    )
    if len(smooth) >= _FEWEST_TILES and len(order) > 2:
        solution = _solve_best_explained(
            data, energy[:, :, smooth], centres[smooth], solution.frames_px, places[smooth]
        )
    places, detail = _place_tiles(data, energy, centres, solution)
    positions = solution.frames_px[rank]
    low, high = _step_limits(positions, order, solution)
    return _Fitted(positions, low, high, places, detail)


def _solve_in_best_order(data: StackEnergies, chosen: Index) -> tuple[Index, Solution]:
    """Solve in the given order and, where likeness suggests another, in that; keep the better."""
    centres = sharpest_frame(data)[chosen]
    given = np.arange(len(data.energy))
    energy = data.energy[:, :, chosen]
    solution = _solve_ordered(data, energy, centres)
    order = order_frames(energy)
    if (order == given).all():
        return given, solution
    other = _solve_ordered(data, energy[order], np.argsort(order)[centres])
    if other.cost < (1 - _ORDER_GAIN) * solution.cost:
        return order, other
    return given, solution


def _rise(order: Index, solution: Solution) -> tuple[Index, Solution]:
    """Put frames that the fit itself moved past each other in the order of their positions."""
    rising = np.argsort(solution.frames_px, kind="stable")
    frames_px = solution.frames_px[rising] - solution.frames_px[rising[0]]
    return order[rising], dataclasses.replace(solution, frames_px=frames_px)


def _solve_ordered(data: StackEnergies, energy: Array, centres: Index) -> Solution:
    """Find the even step that fits best, then let every step go."""
    some = slice(None, None, max(1, len(centres) // _TILES_TO_START))
    costs = [_cost_of_even(data, energy[:, :, some], centres[some], s)[1].sum() for s in _STARTS]
    best = float(_STARTS[int(np.argmin(costs))])
    places, _ = _cost_of_even(data, energy, centres, best)
    even = best * data.sigma_px[0] * np.arange(len(energy))
    return _solve_best_explained(data, energy, centres, even, places)


def _cost_of_even(
    data: StackEnergies, energy: Array, centres: Index, step: float
) -> tuple[Array, Array]:
    """Return the tiles' best places, and their costs, with even steps of ``step`` finest sigmas."""
    windows = cut_windows(data, energy, centres, min(8, len(energy) - 1))
    step_px = step * data.sigma_px[0]
    even = step_px * np.arange(len(energy))
    candidates = even[centres] + np.linspace(-1.6, 1.6, 13)[:, None] * step_px
    return search_tiles(windows, slopes_of(windows), even, candidates, scale=0.3)


def _solve_best_explained(
    data: StackEnergies, energy: Array, centres: Index, frames_px: Array, tiles_px: Array
) -> Solution:
    """Solve from a start, then once more with the tiles that the model explains best."""
    step = max(float(np.median(np.diff(frames_px))), 1e-3)
    half = int(np.clip(round(_REACH * data.sigma_px[0] / step), _NARROWEST, _WIDEST))
    half = min(half, len(energy) - 1)
    windows = cut_windows(data, energy, centres, half)
    solution = solve(windows, frames_px, tiles_px)
    kept = _best_explained(misfit(windows, solution.frames_px, solution.tiles_px), centres)
    windows = cut_windows(data, energy[:, :, kept], centres[kept], half)
    return solve(windows, solution.frames_px, solution.tiles_px[kept], least=FROM_NEAR)


def _best_explained(misfits: Array, centres: Index) -> Index:
    """Return the tiles that the model explains best, the same share of every peak frame's."""
    kept = []
    for frame in np.unique(centres):
        here = np.flatnonzero(centres == frame)
        most = max(3, round(_KEPT * len(here)))
        kept.append(here[np.argsort(misfits[here])][:most])
    return np.concatenate(kept)


def _place_tiles(
    data: StackEnergies, energy: Array, centres: Index, solution: Solution
) -> tuple[Array, Array]:
    """Return position and detail of every tile with detail; NaN and 0 elsewhere."""
    usable = np.flatnonzero(data.usable & (energy[:, 0].max(axis=0) > 2 * data.noise[0]))
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
    centre = centres[usable]
    windows = cut_windows(data, energy[:, :, usable], centre, min(3, len(energy) - 1))
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
    places[usable] = found
    detail[usable] = _detail_in_focus(windows, slopes, frames_px, found, data.noise[:, usable])
    # What ends near the limit of the search was not found within it: backdrops that no frame comes
    # near show the same blur in all, and their noise drives them there.
    limit = 0.9 * around[-1, 0]
    lost = places < frames_px[0] - limit * before[0]
    lost |= places > frames_px[-1] + limit * after[-1]
    places[lost], detail[lost] = np.nan, 0.0
    return places, detail


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


def _step_limits(positions: Array, order: Index, solution: Solution) -> tuple[Array, Array]:
    """Return the ends of the steps' 90 % intervals, in the frames' given order."""
    steps = np.diff(positions)
    rank = np.argsort(order)
    variance = np.concatenate([[0.0], np.cumsum(solution.step_error_px**2)])
    error = np.sqrt(np.abs(variance[rank[1:]] - variance[rank[:-1]]))
    # Tiles share what no resampling shows: the model's own misfit, measured on known stacks.
    misfit = _MISFIT if len(positions) > 2 else _PAIR_MISFIT
    spread = _NINETY * np.sqrt((1.5 * error) ** 2 + (misfit * steps) ** 2)
    return steps - spread, steps + spread
