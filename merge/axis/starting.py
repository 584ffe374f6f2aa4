"""Order and start: the given order or the likeliest, even steps first, then every step free."""

from __future__ import annotations

import dataclasses

import numpy as np

from merge.axis.doubt import take_middle, worse_by
from merge.axis.ordering import order_frames
from merge.axis.placing import PLACED_BY
from merge.axis.preparing import (
    FEWEST_TILES,
    StackEnergies,
    TileSet,
    choose_tiles,
    ordered_tiles,
    well_above_noise,
)
from merge.axis.residuals import TYPICAL, Windows, cut_windows, slopes_of
from merge.axis.searching import misfit, search_tiles
from merge.axis.solving import FROM_NEAR, Solution, solve
from merge.axis.transfer import LARGEST
from merge.model import Array, BoolArray, Index
from merge.rising import longest_rise
from merge.significance import blocks_score, not_alone, proof_limit, tile_blocks

# Tiles that are fitted: bounds on time (half or twice as many move a step of rocky-shore by less
# than 1 %), of those whose finest bands show so many times the noise.
TILES_A_FRAME, TILES_MOST, LEAST_SNR = 100, 3000, 6.0
# Cost of a frame that no place explains, and over the usual one: residuals of a factor of 1.6. A
# frame of another scene costs 2 to 2.7, sound ones 0.2 to 0.5. What moved costs as much over the
# other tiles that peak in its frame: those beside a wide gap all do, so they are no measure for one
# another's.
FOREIGN, FOREIGN_RATIO = 1.2, 3.0
# Share of tiles kept for the second fit: tiles holding two depths drop out (worst step of 13
# known stacks off by 9 % in place of 11 %).
_KEPT = 0.7
# Even steps tried as a start, over the finest band's sigma: down to a tenth.
_STARTS = 0.7 * (40.0 / 0.7) ** (np.arange(-8, 18) / 17)
# Tiles that are tried with them: enough to tell steps a quarter apart.
_TILES_TO_START = 600
# Frames on either side of a tile's peak that are fitted.
_NARROWEST, _WIDEST = 4, 12
# How often frames that may as well lie midway are moved: one moved leaves its neighbours unsure.
# With once, a frame of a rail is called soft.
_MIDDLE_ROUNDS = 2


def choose(data: StackEnergies) -> Index:
    """Return the tiles that are fitted first: half as many, which tell the noise and a start."""
    return choose_tiles(data, per_frame=TILES_A_FRAME, most=TILES_MOST // 2, least_snr=LEAST_SNR)


def choose_again(data: StackEnergies, before: Index) -> Index:
    """Return the tiles that changed energies choose; those of before if they are too few."""
    again = choose(data)
    return again if len(again) >= FEWEST_TILES else before


def solve_in_best_order(
    data: StackEnergies, chosen: Index
) -> tuple[StackEnergies, Index, Solution]:
    """Solve in the given order and, where likeness suggests another, in that.

    The other one is taken where it is proven, by likeness or by the fit, and fits no worse. What
    something moved through is left out.
    """
    given = np.arange(len(data.energy))
    solved = _solve_ordered(data, given, chosen)
    blocks = tile_blocks(data.grid)
    order, alike = order_frames(data.energy[:, :, chosen], blocks[chosen])
    if (order == given).all():
        return solved[0], given, solved[1]
    other = _solve_ordered(data, order, chosen)
    both = chosen[solved[0].usable[chosen] & other[0].usable[chosen]]
    gain = _costs(data, given, both, solved[1]) - _costs(data, order, both, other[1])
    proof = max(alike, blocks_score(gain, blocks[both]))
    if proof > proof_limit(len(given)) and gain.sum() >= 0:
        return other[0], order, other[1]
    return solved[0], given, solved[1]


def _costs(data: StackEnergies, order: Index, some: Index, solution: Solution) -> Array:
    """Return how badly a solution explains some tiles, each at the place that suits it best."""
    tiles, frames_px = ordered_tiles(data, order).take(some), solution.frames_px
    windows = cut_windows(data, tiles, half_window(data, frames_px))
    return misfit(windows, frames_px, _places_near(windows, tiles, frames_px))


def _places_near(windows: Windows, tiles: TileSet, frames_px: Array) -> Array:
    """Return the best places of tiles within 1.6 steps of their peak frames."""
    step = max(float(np.median(np.diff(frames_px))), 1e-3)
    candidates = frames_px[tiles.centres] + np.linspace(-1.6, 1.6, 13)[:, None] * step
    return search_tiles(windows, slopes_of(windows), frames_px, candidates, scale=TYPICAL)[0]


def sort_by_position(order: Index, solution: Solution) -> tuple[Index, Solution]:
    """Put frames that the fit itself moved past each other in the order of their positions."""
    rising = np.argsort(solution.frames_px, kind="stable")
    return order[rising], dataclasses.replace(
        solution,
        frames_px=solution.frames_px[rising] - solution.frames_px[rising[0]],
        frame_cost=solution.frame_cost[rising],
    )


def keep_between(data: StackEnergies, tiles: TileSet, solution: Solution) -> Solution:
    """Return frames that moved past others between their neighbours, unless that fits worse.

    A frame in which nothing is sharp shows only that it lies far from all that is.
    """
    frames_px = solution.frames_px.copy()
    kept = longest_rise(frames_px)
    moved = sorted(set(range(len(frames_px))) - set(kept))
    if not moved:
        return solution
    windows = cut_windows(data, tiles, half_window(data, frames_px))
    places = _places_near(windows, tiles, frames_px)
    for frame in moved:
        if kept[0] < frame < kept[-1]:
            between = float(np.interp(frame, kept, frames_px[kept]))
            if worse_by(windows, frames_px, places, frame, between) < proof_limit(len(frames_px)):
                frames_px[frame] = between
    return dataclasses.replace(solution, frames_px=frames_px)


def _without_moving(data: StackEnergies, order: Index, frames_px: Array) -> StackEnergies:
    """Return the energies without the tiles that something moved through: no blur explains them."""
    tiles = ordered_tiles(data, order)
    telling = np.flatnonzero(well_above_noise(data, LEAST_SNR))
    some = tiles.take(telling)
    windows = cut_windows(data, some, min(PLACED_BY, len(tiles.energy) - 1))
    places = _places_near(windows, some, frames_px)
    moved = np.zeros(len(data.usable), bool)
    moved[telling] = _unexplained(misfit(windows, frames_px, places), some.centres)
    moved = not_alone(moved.reshape(data.grid)).ravel()
    if not moved.any():
        return data
    return dataclasses.replace(
        data, energy=np.where(moved, 0.0, data.energy), usable=data.usable & ~moved
    )


def _unexplained(misfits: Array, centres: Index) -> BoolArray:
    """Tell which tiles no place explains, though it explains others that peak in their frame."""
    usual = np.zeros(int(centres.max(initial=0)) + 1)
    for frame in np.unique(centres):
        usual[frame] = np.median(misfits[centres == frame])
    return np.asarray(misfits > np.maximum(FOREIGN, FOREIGN_RATIO * usual[centres]))


def _solve_ordered(
    data: StackEnergies, order: Index, chosen: Index
) -> tuple[StackEnergies, Solution]:
    """Find the even step that fits best, leave out what moved, then let every step go."""
    # Of all tiles, not of those with most detail: these may be one thing that moved.
    telling = np.flatnonzero(well_above_noise(data, LEAST_SNR))
    telling = telling[:: max(1, len(telling) // _TILES_TO_START)]
    some = ordered_tiles(data, order).take(telling)
    windows = _first_windows(data, some)
    best = _best_even(windows, some)
    even = best * data.sigma_px[0] * np.arange(len(order))
    data = _without_moving(data, order, even)
    tiles = ordered_tiles(data, order).take(choose_again(data, chosen))
    places, _ = _cost_of_even(_first_windows(data, tiles), tiles, best)
    return data, solve_best_explained(data, tiles, even, places)[0]


def _first_windows(data: StackEnergies, tiles: TileSet) -> Windows:
    return cut_windows(data, tiles, min(8, len(tiles.energy) - 1))


def _best_even(windows: Windows, tiles: TileSet) -> float:
    """Return the even step that fits best: every other one is tried, then those beside the best."""
    costs: dict[int, float] = {}
    best = 0
    for some in (range(0, len(_STARTS), 2), (-1, 1)):
        for k in [best + k for k in some if 0 <= best + k < len(_STARTS)]:
            costs[k] = float(_cost_of_even(windows, tiles, float(_STARTS[k]))[1].sum())
        best = min(costs, key=costs.__getitem__)
    return float(_STARTS[best])


def _cost_of_even(windows: Windows, tiles: TileSet, step: float) -> tuple[Array, Array]:
    """Return the tiles' best places, and their costs, with even steps of ``step`` finest sigmas."""
    step_px = step * windows.sigma_px[0]
    even = step_px * np.arange(len(tiles.energy))
    candidates = even[tiles.centres] + np.linspace(-1.6, 1.6, 13)[:, None] * step_px
    return search_tiles(windows, slopes_of(windows), even, candidates, scale=0.3)


def solve_best_explained(
    data: StackEnergies,
    tiles: TileSet,
    frames_px: Array,
    tiles_px: Array,
    *,
    errors: bool = False,
) -> tuple[Solution, Windows]:
    """Solve from a start, then once more with the tiles that the model explains best: these."""
    half = half_window(data, frames_px)
    windows = cut_windows(data, tiles, half)
    solution = solve(windows, frames_px, tiles_px)
    misfits = misfit(windows, solution.frames_px, solution.tiles_px)
    kept = _select_inliers(misfits, tiles.centres)
    windows = cut_windows(data, tiles.take(kept), half)
    solution = solve(windows, solution.frames_px, solution.tiles_px[kept], least=FROM_NEAR)
    for _ in range(_MIDDLE_ROUNDS if errors else 0):
        frames_px, doubt_px = take_middle(windows, solution.frames_px, solution.tiles_px)
        start = solution.tiles_px
        solution = solve(windows, frames_px, start, least=FROM_NEAR, errors=True)
        doubt = np.diag(doubt_px**2)
        solution = dataclasses.replace(solution, covariance_px=solution.covariance_px + doubt)
    return solution, windows


def _select_inliers(misfits: Array, centres: Index) -> Index:
    """Return the tiles that the model explains best, the same share of every peak frame's."""
    kept = []
    for frame in np.unique(centres):
        here = np.flatnonzero(centres == frame)
        most = max(3, round(_KEPT * len(here)))
        kept.append(here[np.argsort(misfits[here])][:most])
    return np.concatenate(kept)


def half_window(data: StackEnergies, frames_px: Array) -> int:
    """Return how many frames on either side of a tile's peak tell about it."""
    step = max(float(np.median(np.diff(frames_px))), 1e-3)
    half = int(np.clip(round(LARGEST / 2 * data.sigma_px[0] / step), _NARROWEST, _WIDEST))
    return min(half, len(data.energy) - 1)
