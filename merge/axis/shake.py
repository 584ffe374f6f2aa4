"""Frames whose fine detail lacks one direction: how it leans in each, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.special import ndtri

from merge.axis.preparing import FEWEST_TILES, OVER_NOISE, StackEnergies, brightness_noise
from merge.model import Array, BoolArray, Index, TileEnergies
from merge.significance import (
    FEWEST,
    FOUND,
    excess_spread,
    learned_spread,
    proof_limit,
    robust_mean,
    tile_blocks,
    vector_chance,
    vector_limit,
)

Complex = NDArray[np.complex128]

# A tile counts for a frame where blur leaves at least this share of its finest energy.
_NEAR_FOCUS = 0.35
# In fewer blocks of tiles too little is in focus to tell.
_FEWEST_BLOCKS = 5
# Coarse detail of one direction (this anisotropy: four times the energy) tells nothing of the
# other, and its fine detail has the same: stems would make all else look odd.
_MOST_DIRECTED = 0.6
# Frames beside it that the lean of one is compared with.
_BESIDE = 4
# A bound on time: two or eight tell the same of a shaken frame.
_ROUNDS = 4
# What is usual, as standard deviations between sound frames beyond their tiles' errors: of
# anisotropy about that beside, and of fine less coarse anisotropy between textures. Medians over 34
# simulated brackets: 0.006, 0.03; root mean squares, which count: these.
_BETWEEN_LEANS, _BETWEEN_TEXTURES = 0.012, 0.04


def measure_shake(
    tiles: Sequence[TileEnergies], data: StackEnergies, frames_px: Array, places_px: Array
) -> tuple[Complex, Array, Array]:
    """Return how the orientation of fine detail departs in each frame, (N,), and its score.

    And how far it would have had to depart to be proven, 99 times in 100; all NaN where that is
    beyond 1. Both are those of detail that has no direction of its own.

    A tile's anisotropy is the structure tensor's: energy along x less that along y, and twice the
    product, over their sum. A shake takes it along one direction. What a tile's own texture prefers
    is the same in all frames that have it in focus, which serves where three or more in a row share
    tiles. And it shows in the tile's coarser detail, which a shake of a few pixels leaves as it is;
    but there textures differ of their own, by as much as frames that share no tiles tell, and a
    weave is directed in its finest threads alone: what frames in a row, two at least, do not bear
    out is none.
    """
    fine, coarse, told = anisotropies(tiles, data, frames_px, places_px)
    blocks = tile_blocks(data.grid)
    order = np.argsort(frames_px)
    lean, chance = np.full(len(tiles), np.nan, complex), np.full(len(tiles), np.inf)
    needed, borne_out = np.full(len(tiles), np.inf), lean.copy()
    for rank in _runs(told[order], blocks):
        if len(rank) < 2:
            continue
        run = order[rank]
        borne_out[run], rare, errors, degrees = _beside(fine[run], told[run], blocks)
        if len(run) >= FEWEST:  # of two nothing tells which is the odd one
            lean[run], chance[run] = borne_out[run], rare
            needed[run] = errors * _vector_needed(len(tiles), degrees)
    round_enough = told & (np.abs(coarse) < _MOST_DIRECTED)
    alone, variance = _across_scales(fine - coarse, round_enough, blocks)
    sets = np.empty(len(tiles), int)
    sets[order] = _separate_sets(told[order], blocks)
    known = np.isfinite(variance)
    best = [
        min(np.flatnonzero((sets == k) & known), key=variance.__getitem__, default=None)
        for k in np.unique(sets)
    ]
    for frame in np.flatnonzero(known):
        others = np.array([k for k in best if k is not None and sets[k] != sets[frame]], int)
        if len(others) < FEWEST:
            continue
        off, seldom, spread, degrees = _odd_one(
            alone[frame], variance[frame], alone[others], variance[others]
        )
        needed[frame] = min(needed[frame], spread * _vector_needed(len(tiles), degrees))
        # False where no frame beside it shows its tiles.
        denied = np.abs(borne_out[frame] - off) > np.abs(off) / 2
        if seldom < chance[frame] and not denied:
            lean[frame], chance[frame] = off, seldom
    # Detail of one direction shows no other: energies of 1 + e and 1 - e, of which the first falls
    # by a factor r, lean by (1 - e^2) log(r) / 2. Of the usual tile, since leans are robust means.
    both_ways = np.array(
        [
            np.median(e[k]) if k.any() else 0.0
            for e, k in zip(1 - np.abs(fine) ** 2, told, strict=True)
        ]
    )
    both_ways = np.maximum(both_ways, 1e-9)
    lean, needed = lean / both_ways, needed / both_ways
    lean[~(needed < 1)] = np.nan
    # Twice: either of two tests may call a frame shaken.
    rare = -ndtri(np.clip(2 * chance, 1e-300, 1 - 1e-9))
    return lean, np.where(np.isfinite(lean), rare, np.nan), np.where(needed < 1, needed, np.nan)


def _vector_needed(frames: int, degrees: int) -> float:
    """Return the standard errors of either part that prove a lean 99 times in 100."""
    return vector_limit(2 * frames, degrees) + FOUND


def _runs(told: BoolArray, blocks: Index) -> list[Index]:
    """Return the runs of frames, (N, T) in order of the axis, that share tiles in focus."""
    runs = [[0]]
    for rank in range(1, len(told)):
        if not _tells(blocks[told[rank - 1] & told[rank]]):
            runs.append([])
        runs[-1].append(rank)
    return [np.array(run) for run in runs]


def _separate_sets(told: BoolArray, blocks: Index) -> Index:
    """Return each frame's set, (N,): the sets' first frames share no tiles.

    ``told`` is (N, T) in order of the axis.
    """
    sets, first = np.zeros(len(told), int), 0
    for rank in range(1, len(told)):
        if not _tells(blocks[told[first] & told[rank]]):
            first = rank
        sets[rank] = sets[rank - 1] + (first == rank)
    return sets


def _tells(blocks: Index) -> bool:
    """Tell whether tiles, given their blocks, are enough to judge by."""
    return len(blocks) >= FEWEST_TILES and len(np.unique(blocks)) >= _FEWEST_BLOCKS


def _beside(vector: Complex, told: BoolArray, blocks: Index) -> tuple[Complex, Array, Array, int]:
    """Solve ``vector = texture of the tile + lean of the frame`` where told, robustly.

    Returns
    -------
    lean : ndarray, shape (N,), complex
        Off the line through the frames beside it: from link to link small errors add up. Of two
        frames each against the other, which proves nothing.
    chance : ndarray, shape (N,)
        How often that comes by chance, judged by the scatter of blocks of tiles.
    error : ndarray, shape (N,)
        Standard error of either part, and its degrees of freedom.
    degrees : int
    """
    # Entries alone: in most frames most tiles are out of focus.
    frame, tile = np.nonzero(told & (told.sum(axis=0) >= 2))
    vector, count = vector[frame, tile], len(told)
    lean, trust = np.zeros(count, complex), np.ones(len(frame))
    for _ in range(_ROUNDS):
        whole = np.maximum(np.bincount(tile, trust), 1e-9)
        rest = vector - lean[frame]
        rest -= (_sums(tile, trust * rest) / whole)[tile]
        shared = csr_array((trust / np.sqrt(whole[tile]), (frame, tile)), told.shape)
        normal = np.diag(np.bincount(frame, trust, count)) - (shared @ shared.T).toarray()
        inverse = np.linalg.pinv(normal, rcond=1e-6, hermitian=True)
        pull = trust * rest
        lean = lean + inverse @ _sums(frame, pull, count)
        size = np.abs(rest)
        spread = max(float(np.median(size)), 1e-6)
        trust = np.minimum(1, 2 * spread / np.maximum(size, 1e-9))
    block = _sums(frame * (blocks.max() + 1) + blocks[tile], pull)
    # One factor for all frames: of single frames few blocks tell.
    scatter = float((np.abs(block) ** 2).sum()) / 2
    factor = scatter / max(float(np.trace(normal)), 1e-9)
    return _off_the_line(lean, inverse * factor)


def _sums(places: Index, values: Complex, count: int = 0) -> Complex:
    """Return the sums of values by place, (count,) at least."""
    both = [np.bincount(places, part, count) for part in (values.real, values.imag)]
    return np.asarray(both[0] + 1j * both[1])


def _off_the_line(lean: Complex, covariance: Array) -> tuple[Complex, Array, Array, int]:
    """Return how far each frame's lean lies off the line through those beside it, and the chance.

    And the standard errors of either part, with their degrees of freedom.

    The odd ones are taken out one by one, worst first: beside a shaken frame sound ones lean, too.
    """
    count = len(lean)
    off = lean - lean[::-1] if count == 2 else np.zeros(count, complex)
    chance = np.ones(count)
    sound, whole, degrees = np.ones(count, bool), np.full(count, np.inf), 1
    error, beside = np.zeros(count), np.zeros((count, count), bool)
    changed = sound
    while sound.sum() >= FEWEST:
        for k in map(int, np.flatnonzero(sound & changed)):
            near = [j for j in np.argsort(np.abs(np.arange(count) - k), kind="stable") if sound[j]]
            others = np.array(near[1 : 1 + _BESIDE])
            told = (_line_at(k, others, part) for part in (lean.real, lean.imag))
            off[k] = lean[k] - complex(*told)
            contrast = np.zeros(count)
            contrast[k], contrast[others] = 1.0, -1 / len(others)
            error[k] = np.sqrt(max(float(contrast @ covariance @ contrast), 0.0))
            beside[k] = contrast < 0
        spread = excess_spread(np.abs(off[sound]), error[sound], parts=2)
        between, degrees = learned_spread(spread, int(sound.sum()), _BETWEEN_LEANS)
        whole[sound] = np.hypot(error, between)[sound]
        size = np.abs(off) / whole
        chance[sound] = vector_chance(size[sound], degrees)
        worst = int(np.where(sound, size, 0).argmax())
        if -ndtri(max(2 * chance[worst], 1e-300)) < proof_limit(count):
            break
        sound[worst], changed = False, beside[:, worst]
    return off, chance, whole, degrees


def _line_at(place: int, others: Index, values: Array) -> float:
    """Return the value at a place of the line through others by medians (P. K. Sen, 1968)."""
    slope = 0.0
    if len(others) == _BESIDE:
        pairs = [(i, j) for n, i in enumerate(others) for j in others[n + 1 :]]
        slope = float(np.median([(values[j] - values[i]) / (j - i) for i, j in pairs]))
    return float(np.median(values[others] + slope * (place - others)))


def _odd_one(
    own: complex, variance: float, others: Complex, variances: Array
) -> tuple[complex, float, float, int]:
    """Return how far a frame stands off others that show other tiles, and the chance of that.

    And the standard error of either part, with its degrees of freedom.

    The others' mean and their spread beyond their errors are those of R. DerSimonian and N. Laird,
    Control. Clin. Trials 7, 177 (1986), from memory.
    """
    weight = 1 / variances
    off = others - (weight * others).sum() / weight.sum()
    excess = float((weight * np.abs(off) ** 2).sum()) / 2 - (len(others) - 1)
    square = excess / (weight.sum() - (weight**2).sum() / weight.sum())
    between, degrees = learned_spread(np.sqrt(max(square, 0.0)), len(others), _BETWEEN_TEXTURES)
    weight = 1 / (variances + between**2)
    away = complex(own - (weight * others).sum() / weight.sum())
    spread = float(np.sqrt(between**2 + variance + 1 / weight.sum()))
    return away, float(vector_chance(abs(away) / spread, degrees)), spread, degrees


def anisotropies(
    tiles: Sequence[TileEnergies], data: StackEnergies, frames_px: Array, places_px: Array
) -> tuple[Complex, Complex, BoolArray]:
    """Return fine and coarse anisotropy of N frames' T tiles, and where one in focus tells them.

    Parameters
    ----------
    tiles : sequence of N TileEnergies
    data : StackEnergies
        Of these.
    frames_px, places_px : ndarray, shape (N,) and (T,)
        On the focus axis, px; NaN where a tile has no place.

    Returns
    -------
    fine, coarse : ndarray of complex, shape (N, T)
        Contrast of energy along and across, times twice the angle; 0 where nothing is told.
    told : ndarray of bool, shape (N, T)
    """
    light = data.gains[:, None, None] ** 2
    count = len(tiles)
    fine = np.stack([t.orientation for t in tiles]).astype(float).reshape(count, 3, -1) / light
    coarse = np.stack([t.coarse_orientation for t in tiles]).astype(float)
    coarse = coarse.reshape(count, 3, -1) / light
    level = np.stack([t.level for t in tiles]).astype(float).reshape(count, -1).mean(axis=0)
    for axis in (0, 1):  # the coarse band's noise is 16 times weaker
        fine[:, axis] -= brightness_noise(fine[:, axis], level, data.usable)
    reach = data.blur.reach(_NEAR_FOCUS) * data.sigma_px[0]
    apart = np.abs(np.nan_to_num(places_px, nan=np.inf) - frames_px[:, None])
    both = fine[:, 0] + fine[:, 1]
    told = data.usable & (apart < reach) & (both > 2 * OVER_NOISE * data.noise[0])
    return _anisotropy(fine, told), _anisotropy(coarse, told), told


def _anisotropy(tensor: Array, told: BoolArray) -> Complex:
    along, across, mixed = (tensor[:, part][told] for part in range(3))
    vector = (along - across + 2j * mixed) / np.maximum(along + across, 1e-12)
    whole = np.zeros(told.shape, complex)
    whole[told] = vector / np.maximum(np.abs(vector), 1.0)  # noise may carry it beyond 1
    return whole


def _across_scales(less: Complex, told: BoolArray, blocks: Index) -> tuple[Complex, Array]:
    """Return the mean departure of fine from coarse anisotropy in each frame, and its variance."""
    count = len(less)
    lean, variance = np.full(count, np.nan, complex), np.full(count, np.inf)
    for frame in range(count):
        here = np.flatnonzero(told[frame])
        if not _tells(blocks[here]):
            continue
        along = robust_mean(less[frame, here].real, blocks[here])
        across = robust_mean(less[frame, here].imag, blocks[here])
        lean[frame] = complex(along[0], across[0])
        variance[frame] = (along[1] ** 2 + across[1] ** 2) / 2
    return lean, variance
