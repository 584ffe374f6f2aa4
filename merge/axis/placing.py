"""Where every tile lies on the axis whose frames are known, and what it would show in focus."""

from __future__ import annotations

import math

import numpy as np

from merge.axis.preparing import FEWEST_TILES, OVER_NOISE, StackEnergies, TileSet
from merge.axis.residuals import (
    FLOOR,
    Windows,
    compare,
    cut_windows,
    slopes_of,
    take_tiles,
)
from merge.axis.searching import search_tiles
from merge.axis.solving import Solution
from merge.axis.transfer import LARGEST
from merge.model import Array, BoolArray, Index

# Frames on either side of a tile's peak that place it.
PLACED_BY = 3
# Blur, over the finest sigma, that they span together at least, or frames between them are passed
# over: what does not change tells no place (4.2 px at full size).
_PLACED_OVER = 6.0
# Within so many steps, times 1.5, tiles are looked for beyond an end. Of what lies farther no frame
# tells how far: with twice that, ends of the photograph that were cut by a step of 6 px came out
# 20 px too far.
_BEYOND_END = 2.0
# So many places are tried there; what comes out beyond this share of the way was not found.
_TRIED, _WITHIN = 24, 0.9
# Tiles beyond an end are tried as far away as blur is known, and at half of it; their cost must
# rise by so much (of log(1 + r^2), as a likelihood), and by as much more as it is more at its
# least than residuals of the usual size make it: its mean for a normal deviate, for each of them.
_TOLD_APART, _USUAL_COST = 6.0, 0.534
# So much of a picture's detail stands out of noise less than what is usual beyond an end.
_WEAK = 0.1
# Energy in focus over the largest seen, at most: beyond, noise would be raised.
_MOST_AMPLIFIED = 30.0
# That over the largest seen up to which a band tells its own contrast.
_STILL_TELLS = 4.0
# Tiles farther from every frame than this, over the finest band's sigma, are placed anew, by their
# spectrum in focus. For nearer ones it put tiles of two depths into gaps of 6 px (shares 1.6 times
# too large on the photograph).
_IN_GAP = 5.0
# How often place and spectrum follow each other: once loses a cut end and a soft frame of reeds.
_ROUNDS = 2


def place_tiles(data: StackEnergies, tiles: TileSet, solution: Solution) -> tuple[Array, Array]:
    """Return position and detail of every tile with detail; NaN and 0 elsewhere."""
    usable = np.flatnonzero(_shows_detail(data))
    places = np.full(len(data.usable), np.nan)
    detail = np.zeros(len(data.usable))
    if len(usable) == 0:
        return places, detail
    frames_px = solution.frames_px
    every = _passed_over(frames_px, float(data.sigma_px[0]))
    before, after = _reaches(frames_px, every, 0.1 * float(data.sigma_px[0]))
    centre = tiles.centres[usable]
    half = min(PLACED_BY, (len(tiles.energy) - 1) // every)
    windows = cut_windows(data, tiles.take(usable), half, every=every)
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
    for _ in range(_ROUNDS):
        far = np.abs(found[:, None] - frames_px).min(axis=1) > _IN_GAP * data.sigma_px[0]
        if not far.any():
            break
        some = take_tiles(windows, far)
        slopes[far] = _slopes_in_focus(some, slopes[far], frames_px, found[far])
        found[far] += _search_beside(
            some, slopes[far], frames_px, found[far], 2 * width[far], scale
        )
    # How far beyond either end tiles are looked for.
    most = np.maximum(1.5 * np.array([before[0], after[-1]]), end_reach_px(data) / _WITHIN)
    _place_beyond_ends(windows, slopes, frames_px, found, most, scale)
    far = _as_well_far_away(windows, slopes, frames_px, found, scale)
    places[usable] = np.where(far, np.nan, found)
    detail[usable] = _detail_in_focus(windows, slopes, frames_px, found, data.noise[:, usable])
    # What ends near the limit of the search was not found within it: backdrops that no frame comes
    # near show the same blur in all, and their noise drives them there.
    lost = places < frames_px[0] - _WITHIN * most[0]
    lost |= places > frames_px[-1] + _WITHIN * most[1]
    lost |= ~np.isfinite(places)
    places[lost], detail[lost] = np.nan, 0.0
    return places, detail


def _shows_detail(data: StackEnergies) -> BoolArray:
    return np.asarray(data.usable & (data.peaks[0] > OVER_NOISE * data.noise[0]))


def end_reach_px(data: StackEnergies) -> float:
    """Return the blur beyond an end up to which tiles show more than noise and where they lie."""
    told, finest = _shows_detail(data), float(data.sigma_px[0])
    if not told.any():
        return 0.0
    shown = data.peaks[0, told] / np.maximum(data.noise[0, told], 1e-12)
    shown = np.sort(shown)
    detail = np.cumsum(np.sqrt(shown))
    weak = shown[np.searchsorted(detail, _WEAK * detail[-1])]
    left = min(OVER_NOISE / float(weak), 1.0)
    # At a quarter of the largest blur they are told from what is far away, at more ever fewer.
    return min(data.blur.reach(max(left, FLOOR / 10)), LARGEST / 4) * finest


def _passed_over(frames_px: Array, finest_px: float) -> int:
    """Return which frames place a tile: every so-many-th from its peak."""
    step = max(float(np.median(np.diff(frames_px))), 1e-3)
    every = math.ceil(_PLACED_OVER * finest_px / (PLACED_BY * step))
    return int(np.clip(every, 1, max((len(frames_px) - 1) // PLACED_BY, 1)))


def _reaches(frames_px: Array, every: int, least_px: float) -> tuple[Array, Array]:
    """Return how far from each frame tiles are looked for before and after it, over 1.5."""
    apart = np.maximum(frames_px[every:] - frames_px[:-every], least_px)
    # By the usual step, too: a frame of another scene at an end may lie 48 px away, and tiles
    # would be put as far beyond it.
    usual = np.median(apart)
    first, last = (_BEYOND_END * min(a, usual) for a in (apart[0], apart[-1]))
    before = np.concatenate([frames_px[:every] - frames_px[0] + first, apart])
    after = np.concatenate([apart, frames_px[-1] - frames_px[-every:] + last])
    return before, after


def _as_well_far_away(
    windows: Windows, slopes: Index, frames_px: Array, tiles_px: Array, scale: float
) -> BoolArray:
    """Tell which tiles beyond an end may as well lie far away: no frame tells how far.

    What the model explains badly at its best place tells less of any other: of a backdrop 24 px
    beyond frames 10 px apart one tile in eight read 6 to 10 px.
    """
    beyond = np.maximum(frames_px[0] - tiles_px, tiles_px - frames_px[-1])
    out = beyond > 0
    some, found = take_tiles(windows, out), tiles_px[out]
    side = np.where(found < frames_px[0], -1.0, 1.0)
    end = np.where(side < 0, frames_px[0], frames_px[-1])
    away = end + side * LARGEST * windows.sigma_px[0] * np.array([0.5, 1.0])[:, None]
    _, near = search_tiles(some, slopes[out], frames_px, found[None], scale=scale, rounds=2)
    _, far = search_tiles(some, slopes[out], frames_px, away, scale=scale, rounds=2)
    usual = _USUAL_COST * some.used.sum(axis=1) * some.value.shape[1]
    out[out] = far - near < _TOLD_APART * np.maximum(near / usual, 1.0)
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


def _place_beyond_ends(
    windows: Windows, slopes: Index, frames_px: Array, found: Array, most_px: Array, scale: float
) -> None:
    """Place tiles that were found beyond either end anew, with the spectrum they have in focus.

    No frame shows it: with the one that blur leaves, a patch 6.5 px beyond an end came out at 4 px,
    with what each tried place itself foretells at 6. Changes ``slopes`` and ``found``.
    """
    out = (found < frames_px[0]) | (found > frames_px[-1])
    if not out.any():
        return
    beyond, own = take_tiles(windows, out), slopes[out]
    end = np.clip(found[out], frames_px[0], frames_px[-1])
    apart = np.where(found[out] < frames_px[0], -most_px[0], most_px[1]) / _TRIED
    best, rows, least = end, own.copy(), np.full(len(end), np.inf)
    for step in range(_TRIED + 1):
        tried = end + step * apart
        own = _slopes_in_focus(beyond, own, frames_px, tried)
        _, cost = search_tiles(beyond, own, frames_px, tried[None], scale=scale, rounds=2)
        better = cost < least
        best = np.where(better, tried, best)
        rows[better], least[better] = own[better], cost[better]
    found[out] = best + _search_beside(beyond, rows, frames_px, best, np.abs(apart), scale)
    slopes[out] = rows


def _slopes_in_focus(windows: Windows, slopes: Index, frames_px: Array, tiles_px: Array) -> Index:
    """Return the tiles' spectra in focus: what is seen in a gap has the spectrum of blur.

    With the spectrum that is seen, tiles in gaps of 18 px came out up to a third nearer to a
    frame than they are.
    """
    for _ in range(_ROUNDS):
        amplitude = compare(windows, slopes, frames_px, tiles_px, rounds=2).amplitude
        slopes = slopes_of(windows, np.clip(amplitude, 1.0, _MOST_AMPLIFIED))
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
    contrast = np.sqrt(windows.peak * np.clip(amplitude, 1.0, _MOST_AMPLIFIED))
    told = (amplitude < _STILL_TELLS) & (windows.peak > 2 * noise.T)
    fine = []
    for band in range(2):
        own = np.where(told[:, band], contrast[:, band], np.sqrt(windows.peak[:, band]))
        known = told[:, band]
        for coarser in range(band + 1, contrast.shape[1]):
            both = told[:, band] & told[:, coarser]
            here = told[:, coarser] & ~known
            if both.sum() < FEWEST_TILES:
                continue
            ratio = contrast[both, band].sum() / contrast[both, coarser].sum()
            own[here] = np.maximum(own[here], ratio * contrast[here, coarser])
            known = known | here
        fine.append(own)
    return np.asarray(np.hypot(*fine))
