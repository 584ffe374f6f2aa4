"""Register one picture to another under different defocus.

Both pictures are in linear light, where a defocused edge stays where it is (in gamma-coded values
it moves towards the dark side: 0.14 instead of 0.10 px error on the test scene). They are compared
band by band, tile by tile:

- the stronger of the two bands is turned down to the weaker one's contrast, so that different blur
  leaves little residue;
- each tile weighs by its residual, so that only detail that is alike in both counts;
- each tile gives its own shift and the certainty of it, no better than `TILE_NOISE_PX`, because at
  depth steps even a perfect fit is off; a heavy-tailed fit of the motion model to the tiles then
  ignores moving parts and steps.

Coarse to fine, Gauss-Newton with the mean of both gradients.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.align.band import SIGMA_WIDE, BandArray, finest_wave, take_band
from merge.align.motion import basis, increment, resample
from merge.align.tiles import compare_tiles
from merge.model import Array, FloatArray, MotionModel
from merge.significance import MEDIAN_SQUARE

# Side of a tile at the finest level; four levels share the tiles (48, 24, 12, 6 px).
TILE_PX = 48
BANDS = 4
# Shift error of a tile that no amount of texture removes (pairs of five photograph stacks: median
# error 0.045, 0.047, 0.052, 0.059 px with 0.03, 0.05, 0.1, 0.2).
TILE_NOISE_PX = 0.03
# Squared normalised residual from which a tile loses its say (a rail's worst frame is 0.48 px off
# with 1, 0.62 with 2).
TAIL = 1.0
# More tiles than this add time but no accuracy.
MAX_TILES = 320
# They are spread: half of them are the best of each of this many squared parts of the picture. All
# tiles of one are one sample where motions are judged.
PARTS = 6
# Pictures are kept up to this size, for starting points and exposure; of larger ones only bands.
KEPT_SIDE_PX = 1000
# A step shorter than this ends the search at the finest level; at coarser ones, which only begin
# it, one below a tile's own error.
CONVERGED_PX = 0.004
# Tiles with a larger error than this tell nothing about the model (with 0.3 frames of a snowfield
# lie 0.037 px off, with this 0.032); of a shift beyond it one Gauss-Newton step tells too little.
_TELLING_PX = 0.2
# Median squared normalised shift of a wrong model: twice that of normal errors in two dimensions
# (0.1 to 1.3 seen with a right one, 14 to 59 with a wrong one).
_EXPECTED_SURPRISE = 4 * MEDIAN_SQUARE[2]
# Squared normalised shift of a tile beside the model: chance makes one in a hundred so large.
_BESIDE = -2 * float(np.log(0.01))
# Noise falls below this from the finest band to the next (0.41 to 0.66 for white noise, as it is
# and smoothed by up to 1 px); detail does not (1.0 and more).
_NOISE_FALLS = 0.7
# Rounds in which a tile beside the model is followed, a bound on time: with 12 the worst frame of a
# garden lies 0.003 px nearer to the truth.
_FOLLOWING = 4
# Rounds of heavy-tailed fits; of the stack's a bound on time, steps have become small before
# (`CONVERGED_PX`).
ROUNDS = 12


@dataclass(frozen=True, eq=False)
class TileShifts:
    """Where tiles of the first picture lie beside the place that a pair's matrix gives them.

    Attributes
    ----------
    centres : ndarray, shape (n, 2)
        (x, y) in the first picture.
    shifts : ndarray, shape (n, 2)
        Content at a centre is found in the second picture at ``matrix`` applied to centre + shift.
    certainty : ndarray, shape (n, 2, 2)
        Inverse covariance of the shifts, in 1/px².
    """

    centres: Array
    shifts: Array
    certainty: Array


NO_TILES = TileShifts(np.empty((0, 2)), np.empty((0, 2)), np.empty((0, 2, 2)))


@dataclass(frozen=True, eq=False)
class PairResult:
    """Outcome of comparing two pictures.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3)
        First picture's (x, y) → second picture's.
    correlation : float
        Correlation of the bands of both pictures over trusted tiles, -1 to 1.
    tiles : TileShifts
        What every tile says by itself.
    coarse : bool
        Noise fills the fine bands; the correlation is that of the others.
    """

    matrix: Array
    correlation: float
    tiles: TileShifts
    coarse: bool = False


@dataclass(frozen=True)
class PairMeasurement:
    """What comparing two frames of a stack gave."""

    first: int
    second: int
    result: PairResult


@dataclass(frozen=True, eq=False)
class Pyramid:
    """Bands of linear-light luminance at halving sizes, and the small pictures themselves.

    Attributes
    ----------
    bands : tuple of ndarray, shape (H, W), int16
        The finest first, in units of `BAND_UNIT`.
    levels : dict of int to ndarray, float32
        Luminance at those levels that are at most `KEPT_SIDE_PX` px long.
    tile_power : dict of (int, int) to ndarray, float32
        By level and side of its tiles the band's mean square in each, once it was asked for: a
        picture is compared with several others.
    alike : bool
        It was blurred as the pictures that it is compared with: coarse bands differ by their noise
        alone then, which falls from one to the next.
    """

    bands: tuple[BandArray, ...]
    levels: dict[int, FloatArray]
    tile_power: dict[tuple[int, int], FloatArray] = field(default_factory=dict, repr=False)
    alike: bool = False

    @property
    def shape(self) -> tuple[int, int]:
        """(H, W) of the finest level."""
        height, width = self.bands[0].shape
        return height, width

    @cached_property
    def waves(self) -> tuple[int, NDArray[np.complex64]]:
        """The finest band that is at most `KEPT_SIDE_PX` px long, its level and transform."""
        fitting = [k for k, band in enumerate(self.bands) if max(band.shape) <= KEPT_SIDE_PX]
        level = min(fitting, default=len(self.bands) - 1)
        waves = np.fft.rfft2(self.bands[level].astype(np.float32))
        return level, np.asarray(waves, np.complex64)


def build_pyramid(luminance: FloatArray, *, alike: bool = False) -> Pyramid:
    """Return the pyramid of a linear-light luminance picture, shape (H, W); see `Pyramid`."""
    picture = np.asarray(luminance, np.float32)
    bands: list[BandArray] = []
    levels: dict[int, FloatArray] = {}
    while True:
        last = min(picture.shape) < 2 * TILE_PX  # the next would not hold a tile
        if last or max(picture.shape) <= KEPT_SIDE_PX:
            levels[len(bands)] = picture
        bands.append(take_band(picture))
        if last:
            return Pyramid(tuple(bands), levels, alike=alike)
        picture = cv2.pyrDown(picture)


def register_pair(
    first: Pyramid | FloatArray,
    second: Pyramid | FloatArray,
    *,
    model: MotionModel = "similarity",
    initial: Array | None = None,
    refine_only: bool = False,
) -> PairResult:
    """Return the map from the first picture's pixels to the second's.

    Parameters
    ----------
    first, second : ndarray, shape (H, W), float32, linear light; or their `build_pyramid`
        Same shape.
    model : {"auto", "shift", "similarity", "affine", "perspective"}
        "auto" starts as a similarity and becomes a perspective where tiles ask for it.
    initial : ndarray, shape (3, 3), optional
        Starting point; default identity.
    refine_only : bool
        Trust ``initial`` to about 2 px and leave out the coarse levels.

    Returns
    -------
    PairResult

    Raises
    ------
    ValueError
        If the shapes differ.

    Notes
    -----
    Median error 0.05 px, 95 % below 0.12 px (worst of corners and centre) for neighbouring frames
    of the photograph scene: 741 x 500 px, steps of 3 px blur, normal noise.
    """
    one = first if isinstance(first, Pyramid) else build_pyramid(first)
    two = second if isinstance(second, Pyramid) else build_pyramid(second)
    if one.shape != two.shape:
        raise ValueError(f"shapes differ: {one.shape} and {two.shape}")
    matrix = np.eye(3) if initial is None else initial.copy()
    last = len(one.bands) - 1
    start = min(last, 1) if refine_only else last
    fitted: MotionModel = "similarity" if model == "auto" else model
    result: PairResult | None = None
    for finest in range(start, -1, -1):
        # On few pixels only few parameters are safe.
        usable: MotionModel = "shift" if finest >= 4 else fitted
        levels = [k for k in range(finest, min(finest + BANDS, last + 1))]
        known = PairResult(matrix, 0.0, NO_TILES) if result is None else result
        limit = 8 if finest == start else 4
        result = _fit_levels(one, two, levels, known, usable, limit)
        if (
            model == "auto"
            and fitted == usable == "similarity"
            and unexplained_px(result.tiles.shifts, result.tiles.certainty)
        ):
            fitted = "perspective"
            richer = _fit_levels(one, two, levels, result, fitted, limit)
            if richer.correlation >= result.correlation:
                result = richer
    assert result is not None  # there is always a level
    return result


def correlation_beyond_noise(one: Pyramid, two: Pyramid, matrix: Array) -> float:
    """Return the correlation of the coarse bands if noise fills the finest of a picture, else 0.

    A frame focused on nothing, or taken with high ISO, shows no more.
    """
    levels = list(range(BANDS // 2, BANDS))
    if len(one.bands) < BANDS or min(map(_finest_rise, (one, two))) > _NOISE_FALLS:
        return 0.0
    current = resample(matrix, 0.5 ** levels[0])
    places = _choose_tiles(one, two, levels, current)
    return _compare(one, two, levels, places, current, np.zeros((len(places), 2)))[2]


def likeness_at(one: Pyramid, two: Pyramid, matrix: Array) -> float:
    """Return the correlation of what no band of two pictures holds, where both show the scene."""
    depth = max(one.levels)
    a, b = (cv2.GaussianBlur(p.levels[depth], (0, 0), SIGMA_WIDE) for p in (one, two))
    place, size = resample(matrix, 0.5**depth), a.shape[::-1]
    flags = cv2.WARP_INVERSE_MAP | cv2.INTER_LINEAR
    shared = cv2.warpPerspective(np.ones_like(b), place, size, flags=flags) > 0.99
    if not shared.any():
        return 0.0
    seen = a[shared], cv2.warpPerspective(b, place, size, flags=flags)[shared]
    spread = float(seen[0].std() * seen[1].std())
    return float(np.mean((seen[0] - seen[0].mean()) * (seen[1] - seen[1].mean()))) / (spread + 1e-9)


def _finest_rise(pyramid: Pyramid) -> float:
    """Return the contrast of the second band over that of the finest."""
    fine, next_to = (cv2.norm(band) / np.sqrt(band.size) for band in pyramid.bands[:2])
    return float(next_to / max(fine, 1e-9))


def unexplained_px(shifts: Array, certainty: Array) -> float:
    """Return the usual length of shifts (n, 2) beyond what their errors explain, in px."""
    sure = telling(certainty)
    if not sure.any():
        return 0.0
    surprise = float(np.median(_surprise(shifts[sure], certainty[sure])))
    if surprise <= _EXPECTED_SURPRISE:
        return 0.0
    usual = float(np.median(np.hypot(shifts[sure, 0], shifts[sure, 1])))
    return usual * float(np.sqrt(1 - _EXPECTED_SURPRISE / surprise))


def telling(certainty: Array) -> NDArray[np.bool_]:
    """Return which tiles are certain enough to tell about the motion, shape (n,)."""
    return np.asarray(np.linalg.det(certainty) ** 0.25 > 1 / _TELLING_PX)


def _surprise(shifts: Array, certainty: Array) -> Array:
    """Return the squared shifts in units of their own errors, shape (n,)."""
    spread = np.linalg.inv(certainty) + TILE_NOISE_PX**2 * np.eye(2)
    return np.asarray(np.einsum("ti,tij,tj->t", shifts, np.linalg.inv(spread), shifts))


def _fit_levels(
    one: Pyramid, two: Pyramid, levels: list[int], known: PairResult, model: MotionModel, limit: int
) -> PairResult:
    """Iterate at these levels together, from what a coarser level or model found."""
    factor = 2.0 ** levels[0]
    current = resample(known.matrix, 1 / factor)
    shape = one.bands[levels[0]].shape
    places = _choose_tiles(one, two, levels, current)
    centres = np.asarray((places + 0.5) * TILE_PX - 0.5, np.float64)
    jacobian = basis(centres, shape, model)
    offsets = _hand_down(known.tiles, centres * factor) / factor
    for _ in range(limit):
        normal, slope, correlation = _compare(one, two, levels, places, current, offsets)
        shifts = offsets - np.linalg.solve(normal, slope[..., None])[..., 0]
        parameters = _fit_motion(shifts, normal, jacobian)
        current = current @ increment(parameters, shape, model)
        left = jacobian @ parameters
        shifts = shifts - left
        offsets = np.where(offsets.any(axis=1, keepdims=True), offsets - left, 0.0)
        if np.abs(parameters).max() < (TILE_NOISE_PX if levels[0] else CONVERGED_PX):
            break
    tiles = TileShifts(centres, shifts, normal)
    tiles = _follow_tiles(one, two, levels, places, current, tiles)
    tiles = TileShifts(tiles.centres * factor, tiles.shifts * factor, tiles.certainty / factor**2)
    return PairResult(resample(current, factor), correlation, tiles)


def _follow_tiles(
    one: Pyramid, two: Pyramid, levels: list[int], places: NDArray[np.int64], current: Array,
    tiles: TileShifts,
) -> TileShifts:  # fmt: skip
    """Compare tiles that lie beside the motion model once more, each from where it seems to lie.

    One step measures small shifts only, and a move beyond the finest band's half wave ends in
    another of its waves. What a tile finds counts where both pictures are more alike there.
    """
    beside = _surprise(tiles.shifts, tiles.certainty) > _BESIDE
    beside &= np.hypot(tiles.shifts[:, 0], tiles.shifts[:, 1]) > _TELLING_PX
    active = np.flatnonzero(beside)
    if not len(active):
        return tiles
    shifts, certainty = tiles.shifts.copy(), tiles.certainty.copy()
    *_, alike = _measure(one, two, levels, places[active], current, np.zeros((len(active), 2)))
    most = np.pi / finest_wave()
    for _ in range(_FOLLOWING):
        length = np.hypot(shifts[active, 0], shifts[active, 1])
        start = shifts[active] * np.minimum(1, most / np.maximum(length, 1e-9))[:, None]
        normal, slope, found = _measure(one, two, levels, places[active], current, start)
        moved = start - np.linalg.solve(normal, slope[..., None])[..., 0]
        better = found > alike
        change = np.linalg.norm(moved - shifts[active], axis=1)
        shifts[active[better]], certainty[active[better]] = moved[better], normal[better]
        going = better & (change > TILE_NOISE_PX)
        active, alike = active[going], found[going]
        if not len(active):
            break
    return TileShifts(tiles.centres, shifts, certainty)


def _hand_down(tiles: TileShifts, centres: Array) -> Array:
    """Return the shift of the nearest coarser tile where it lies beside the model, else 0."""
    offsets = np.zeros((len(centres), 2))
    if not len(tiles.centres):
        return offsets
    beside = _surprise(tiles.shifts, tiles.certainty) > _BESIDE
    beside &= np.hypot(tiles.shifts[:, 0], tiles.shifts[:, 1]) > _TELLING_PX
    if beside.any():
        away = centres[:, None] - tiles.centres
        nearest = (away**2).sum(axis=2).argmin(axis=1)
        taken = beside[nearest]
        offsets[taken] = tiles.shifts[nearest[taken]]
    return offsets


def _compare(
    one: Pyramid, two: Pyramid, levels: list[int], places: NDArray[np.int64], current: Array,
    offsets: Array,
) -> tuple[Array, Array, float]:  # fmt: skip
    """Return per tile the 2x2 normal matrices, the right-hand sides, and the correlation."""
    normal, slope, cross, power = _sum_levels(one, two, levels, places, current, offsets)
    return normal, slope, float(cross.sum()) / max(float(power.sum()), 1e-12)


def _measure(
    one: Pyramid, two: Pyramid, levels: list[int], places: NDArray[np.int64], current: Array,
    offsets: Array,
) -> tuple[Array, Array, Array]:  # fmt: skip
    """Return as `_compare`, with every tile's own correlation."""
    normal, slope, cross, power = _sum_levels(one, two, levels, places, current, offsets)
    return normal, slope, cross / np.maximum(power, 1e-12)


def _sum_levels(
    one: Pyramid, two: Pyramid, levels: list[int], places: NDArray[np.int64], current: Array,
    offsets: Array,
) -> tuple[Array, Array, Array, Array]:  # fmt: skip
    """Return what `compare_tiles` does, summed over levels, in the finest level's pixels.

    A tile without detail lies where it is to within its own side.
    """
    normal = np.zeros((len(places), 2, 2)) + np.eye(2) / TILE_PX**2
    slope = np.zeros((len(places), 2))
    cross, power = np.zeros(len(places)), np.zeros(len(places))
    for level in levels:
        zoom = 1 << (level - levels[0])
        side = TILE_PX // zoom
        bands = one.bands[level], two.bands[level]
        smaller = resample(current, 1 / zoom)
        finer = level if one.alike else 0
        found = compare_tiles(*bands, places * side, side, smaller, offsets / zoom, finer)
        normal += found[0] / zoom**2
        slope += found[1] / zoom
        cross += found[2]
        power += found[3]
    return normal, slope, cross, power


def _fit_motion(shifts: Array, normal: Array, jacobian: Array) -> Array:
    """Fit the motion model to the tiles' own shifts, each with its error; heavy-tailed."""
    certainty = np.linalg.inv(np.linalg.inv(normal) + TILE_NOISE_PX**2 * np.eye(2))
    count = jacobian.shape[2]
    rows, aims = jacobian.reshape(-1, count), shifts.ravel()
    borne = (certainty @ jacobian).reshape(-1, count)
    trust = np.ones(len(shifts))
    prior = 1e-6 * np.eye(count)
    parameters = np.zeros(count)
    for _ in range(ROUNDS):
        weighted = np.repeat(trust, 2)[:, None] * borne
        parameters[:] = np.linalg.solve(weighted.T @ rows + prior, weighted.T @ aims)
        left = (aims - rows @ parameters).reshape(-1, 2)
        trust = 1 / (1 + np.einsum("ti,tij,tj->t", left, certainty, left) / TAIL)
    return parameters


def _choose_tiles(
    one: Pyramid, two: Pyramid, levels: list[int], current: Array
) -> NDArray[np.int64]:
    """Return (column, row) of the tiles with most detail sharp in both, spread over the picture."""
    shape = one.bands[levels[0]].shape
    down, across = max(shape[0] // TILE_PX, 1), max(shape[1] // TILE_PX, 1)
    rows, columns = np.divmod(np.arange(down * across), across)
    if len(rows) > MAX_TILES:
        # One level coarser: a quarter of the time and less noise.
        level = levels[min(1, len(levels) - 1)]
        side = TILE_PX >> (level - levels[0])
        a, b = (_tile_power(p, level, (down, across), side) for p in (one, two))
        moved = cv2.warpPerspective(
            b, resample(current, 1 / TILE_PX), (across, down), flags=cv2.WARP_INVERSE_MAP
        )
        chosen = _spread_choice(np.minimum(a, moved).ravel(), (down, across))
        rows, columns = rows[chosen], columns[chosen]
    return np.stack([columns, rows], 1).astype(np.int64)


def _tile_power(pyramid: Pyramid, level: int, grid: tuple[int, int], side: int) -> FloatArray:
    """Return the mean square of a level's band in every tile; shape ``grid``."""
    known = pyramid.tile_power.get((level, side))
    if known is None:
        used = pyramid.bands[level][: grid[0] * side, : grid[1] * side]
        wide = np.ascontiguousarray(used, np.float32)
        known = cv2.resize(wide * wide, grid[::-1], interpolation=cv2.INTER_AREA)
        pyramid.tile_power[level, side] = known
    return known


def _spread_choice(detail: FloatArray, grid: tuple[int, int]) -> NDArray[np.intp]:
    """Return the tiles with most detail, half of them the best of each part of the picture."""
    rows, columns = np.divmod(np.arange(len(detail)), grid[1])
    part = (rows * PARTS // grid[0]) * PARTS + columns * PARTS // grid[1]
    order = np.argsort(-detail, kind="stable")
    # Rank within each part of the picture: the best of every part come first.
    by_part = order[np.argsort(part[order], kind="stable")]
    counts = np.bincount(part)
    rank = np.empty(len(detail), np.intp)
    rank[by_part] = np.arange(len(detail)) - np.repeat(np.cumsum(counts) - counts, counts)
    fair = MAX_TILES // (2 * PARTS * PARTS)
    first = np.flatnonzero(rank < fair)
    rest = order[rank[order] >= fair][: MAX_TILES - len(first)]
    return np.sort(np.concatenate([first, rest]))
