"""Take the veil, which is the blur of a near thing, off what lies behind it.

At a depth step the frame that is sharp on the background has the blurred foreground lying over
it: ``y = (1 - a) b + f``, in linear light, with a the foreground's coverage and f its light, both
blurred by disks whose diameters the focus axis tells. Depth map and merged picture give a and f,
so b follows, within what the frames saw around. Fine detail that would be noise is not brought up.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache, partial

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.compiled import njit
from merge.disks import blur_layers, end_of_layer
from merge.encoding import encode, light_slope, linearize
from merge.model import BoolArray, FloatArray
from merge.resizing import Box, neighbours
from merge.samples import EIGHT_BIT_STEP, LUMA
from merge.scratch import as_floats
from merge.threads import map_threads
from merge.tiles import Tile, grow_tile, iterate_tiles, tile_within

# Up to this coverage there is enough light left behind a veil to remove it.
_MOST_COVER = 0.75
# Fine detail is what a blur of this sigma takes away; its variance is taken over as much.
_FINE_SIGMA_PX = 1.2
# Steps of the root of light at which noise is tabulated: precision.
_NOISE_STEPS = 1024
FOREGROUND_TILE_PX = 192
_STRIP_ROWS = 256


@dataclass(frozen=True, eq=False)
class OcclusionScene:
    """What is known of the scene, at a reduced size.

    Attributes
    ----------
    position : ndarray, shape (h, w), float32
        Depth in frames.
    light : ndarray, shape (h, w, C), float32
        Merged picture, linear light.
    low, high : ndarray, shape (h, w, C), float32
        Linear light between which the frames saw every place, see `observed_range`.
    positions_px : ndarray, shape (N,)
        Frames on the focus axis in px of blur-circle diameter *of the reduced picture*, growing
        with distance.
    noise : float
        Standard deviation of a full-size pixel's luminance, in the frames' own encoding.
    """

    position: FloatArray
    light: FloatArray
    low: FloatArray
    high: FloatArray
    positions_px: np.ndarray
    noise: float = 0.0

    @cached_property
    def place_px(self) -> FloatArray:
        """Depth on the focus axis, shape (h, w)."""
        order = np.arange(len(self.positions_px), dtype=np.float64)
        return np.interp(self.position, order, self.positions_px).astype(np.float32)

    @cached_property
    def nearest_px(self) -> float:
        """The least of these."""
        return float(self.place_px.min())

    @cached_property
    def tiles(self) -> list[tuple[Tile, float, float]]:
        """Tiles, with their least and greatest depth in frames."""
        return [
            (tile, float(self.position[tile].min()), float(self.position[tile].max()))
            for tile in iterate_tiles(self.position.shape, FOREGROUND_TILE_PX, FOREGROUND_TILE_PX)
        ]


def observed_range(pictures: Iterable[FloatArray], *, reach: int) -> tuple[FloatArray, FloatArray]:
    """Return the darkest and the brightest that any frame shows within ``reach`` of every pixel.

    What lies behind a veil is never made darker or brighter than that: a wrong guess of the
    foreground would leave black specks.

    Parameters
    ----------
    pictures : iterable of ndarray, shape (H, W, C)
        At least one, of any kind of float.
    reach : int
        In pixels, to each side.
    """
    rest = iter(pictures)
    low = as_floats(next(rest))
    high = low.copy()
    strips = [slice(top, top + _STRIP_ROWS) for top in range(0, len(low), _STRIP_ROWS)]

    def widen(picture: FloatArray, rows: slice) -> None:
        values = as_floats(picture[rows])
        cv2.min(low[rows], values, dst=low[rows])
        cv2.max(high[rows], values, dst=high[rows])

    for picture in rest:
        map_threads(partial(widen, picture), strips)
    around = np.ones((2 * reach + 1,) * 2, np.uint8)
    shape = low.shape
    return cv2.erode(low, around).reshape(shape), cv2.dilate(high, around).reshape(shape)


@dataclass(frozen=True, eq=False)
class ForegroundBlur:
    """What lies over one frame, at the scene's scale.

    Attributes
    ----------
    maps : ndarray, shape (h, w, C + 2), float32
        Share of it to take off, coverage, and C channels of its linear light. Around them, unless
        the picture ends there, is nothing.
    origin : (row, column)
        Of the maps' first pixel in the scene.
    """

    maps: FloatArray
    origin: tuple[int, int] = (0, 0)


def find_foreground_blur(index: int, scene: OcclusionScene) -> ForegroundBlur | None:
    """Return the veil of what lies in front of a frame's focus; None where there is none.

    Parameters
    ----------
    index : int
        The frame's place in ``scene.positions_px``.
    scene : OcclusionScene
    """
    found: list[tuple[Tile, FloatArray]] = []
    gap_px = _gap_px(scene)
    for core, padded, own, blur in _tiles_beside_foreground(index, scene, gap_px):
        here, inner = scene.light[padded], tile_within(core, padded)
        covered = np.dstack([np.ones(here.shape[:2], np.float32), here])
        cover, light = _blur_foreground(covered, blur, gap_px)
        allowed = own & (cover > EIGHT_BIT_STEP) & (cover < _MOST_COVER)
        if not allowed[inner].any():
            continue
        share = cv2.GaussianBlur(allowed.astype(np.float32), (0, 0), 1.0) * allowed
        found.append((core, np.dstack([share, cover, light])[inner].copy()))
    return _joined(found, scene.position.shape) if found else None


def _joined(found: list[tuple[Tile, FloatArray]], shape: tuple[int, ...]) -> ForegroundBlur:
    """Return the veil of tiles' maps, on the rectangle that they lie in and a pixel around."""
    around, channels = [], found[0][1].shape[2]
    for axis in range(2):
        first = min(core[axis].start for core, _ in found)
        last = max(core[axis].stop for core, _ in found)
        around.append((max(first - 1, 0), min(last + 1, shape[axis])))
    (top, bottom), (left, right) = around
    maps = np.zeros((bottom - top, right - left, channels), np.float32)
    whole = slice(top, bottom), slice(left, right)
    for core, values in found:
        maps[tile_within(core, whole)] = values
    return ForegroundBlur(maps, (top, left))


def remove_foreground_blur(
    pixels: FloatArray,
    box: Box,
    veil: ForegroundBlur,
    scene: OcclusionScene,
    reduction: int,
    transfer: str,
) -> FloatArray:
    """Return part of a frame without its veil.

    Parameters
    ----------
    pixels : ndarray, shape (height, width, C), float32
        The aligned frame within ``box``; changed in place.
    box : (row, column, height, width)
        At full size.
    veil : ForegroundBlur
        From `find_foreground_blur`.
    scene : OcclusionScene
    reduction : int
        Full-size pixels for one of the scene.
    transfer : str

    Returns
    -------
    ndarray, shape (height, width, C), float32
        ``pixels`` itself.
    """
    # From here on in the veil's own rectangle.
    ahead = veil.origin[0] * reduction, veil.origin[1] * reduction
    row, column, height, width = box[0] - ahead[0], box[1] - ahead[1], *box[2:]
    top, left = max(row // reduction, 0), max(column // reduction, 0)
    bottom, right = -(-(row + height) // reduction), -(-(column + width) // reduction)
    share = veil.maps[top : max(bottom, 0), left : max(right, 0), 0]
    rows, columns = np.flatnonzero(share.any(axis=1)), np.flatnonzero(share.any(axis=0))
    if not len(rows):
        return pixels
    # Only the rectangle that the veil lies in; interpolation carries it one reduced pixel further.
    first = max((top + int(rows[0]) - 1) * reduction - row, 0)
    last = min((top + int(rows[-1]) + 2) * reduction - row, height)
    start = max((left + int(columns[0]) - 1) * reduction - column, 0)
    end = min((left + int(columns[-1]) + 2) * reduction - column, width)
    place = row + first, column + start, last - first, end - start
    inner = pixels[first:last, start:end]
    seen = linearize(np.clip(inner, 0, 1), transfer)
    soft, power = _fine_detail(seen)
    veiled = np.zeros(seen.shape[:2], np.uint8)
    corner = place[0], place[1], ahead[0] + place[0], ahead[1] + place[1]
    noise = _noise_table(transfer) * np.float32(scene.noise**2)
    places = veil.maps, scene.low, scene.high
    _clear(seen, soft, power, *places, corner, reduction, noise, veiled)
    cv2.copyTo(encode(seen, transfer), veiled, inner)
    return pixels


@lru_cache(maxsize=4)
def _noise_table(transfer: str) -> FloatArray:
    """Return the variance of light's fine detail for noise of variance 1, by the root of light."""
    light = np.linspace(0, 1, _NOISE_STEPS + 1, dtype=np.float32)[:, None, None] ** 2
    # Of white noise: one pixel less a Gaussian about it, and luminance.
    fine, luma = 1 - 3 / (4 * np.pi * _FINE_SIGMA_PX**2), float(np.linalg.norm(LUMA))
    return light_slope(light, transfer).ravel() ** 2 * np.float32(fine / luma**2)


def _fine_detail(seen: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return light without fine detail, and the power of that."""
    soft = _soft(seen, _FINE_SIGMA_PX)
    detail = cv2.subtract(seen, soft).reshape(seen.shape)
    return soft, _soft(cv2.multiply(detail, detail, dst=detail), _FINE_SIGMA_PX)


@njit(nogil=True, fastmath=True, error_model="numpy", takes="f3 f3 f3 f3 f3 f3 it4 i f1 u2")
def _clear(  # pragma: no cover - compiled
    seen: FloatArray, soft: FloatArray, power: FloatArray, maps: FloatArray, low: FloatArray,
    high: FloatArray, corner: tuple, reduction: int, noise: FloatArray, veiled: NDArray[np.uint8],
) -> None:  # fmt: skip
    """Take a veil off ``seen``, in place, within [0, 1]; set ``veiled`` to 1 where it lay.

    Light divided by 1 - a brings noise up as much. Fine detail is shrunk to (S + n²) / (S + n² /
    (1 - a)²) of itself, S being its variance behind the veil without noise: Wiener's filter, less
    what it would take where nothing is divided. ``corner``: row and column of the first pixel from
    the maps' first on, and from the limits'; ``noise``: see `_noise_table`.
    """
    zero, one, last = np.float32(0), np.float32(1), np.float32(len(noise) - 1)
    height, width, channels = seen.shape
    tops, belows, down = neighbours(corner[0], height, reduction, maps.shape[0])
    lefts, besides, across = neighbours(corner[1], width, reduction, maps.shape[1])
    tops_low, belows_low, _ = neighbours(corner[2], height, reduction, low.shape[0])
    lefts_low, besides_low, _ = neighbours(corner[3], width, reduction, low.shape[1])
    first, first_low = lefts[0], lefts_low[0]
    # A row of the maps, of the least and of the most light, between two of their own rows.
    line = np.empty((besides[width - 1] - first + 1, maps.shape[2]), np.float32)
    least = np.empty((besides_low[width - 1] - first_low + 1, channels), np.float32)
    most = np.empty_like(least)
    for i in range(height):
        _mix_rows(maps[tops[i], first:], maps[belows[i], first:], down[i], line)
        _mix_rows(low[tops_low[i], first_low:], low[belows_low[i], first_low:], down[i], least)
        _mix_rows(high[tops_low[i], first_low:], high[belows_low[i], first_low:], down[i], most)
        for j in range(width):
            left, beside, part = lefts[j] - first, besides[j] - first, across[j]
            share = line[left, 0] + (line[beside, 0] - line[left, 0]) * part
            if share <= zero:
                continue
            veiled[i, j] = 1
            cover = line[left, 1] + (line[beside, 1] - line[left, 1]) * part
            clear = one / max(one - cover, np.float32(0.05))
            before, after = lefts_low[j] - first_low, besides_low[j] - first_low
            for k in range(channels):
                veil = line[left, k + 2] + (line[beside, k + 2] - line[left, k + 2]) * part
                darkest = least[before, k] + (least[after, k] - least[before, k]) * part
                brightest = most[before, k] + (most[after, k] - most[before, k]) * part
                behind = min(max((seen[i, j, k] - veil) * clear, darkest), brightest)
                at = np.sqrt(min(max(soft[i, j, k], zero), one)) * last
                step = np.uint32(min(at, last - one))
                own = noise[step] + (noise[step + 1] - noise[step]) * (at - np.float32(step))
                if own > zero:
                    signal = max(power[i, j, k] - own, zero) * clear * clear
                    kept = (signal + own) / (signal + own * clear * clear)
                    behind -= (seen[i, j, k] - soft[i, j, k]) * clear * (one - kept)
                    behind = min(max(behind, darkest), brightest)
                cleared = seen[i, j, k] + (behind - seen[i, j, k]) * share
                seen[i, j, k] = min(max(cleared, zero), one)


@njit(inner=True, nogil=True, fastmath=True)
def _mix_rows(  # pragma: no cover - compiled
    upper: FloatArray, lower: FloatArray, part: np.float32, out: FloatArray
) -> None:
    """Fill ``out`` with the start of what lies between two rows of values, ``part`` of the way."""
    for j in range(out.shape[0]):
        for k in range(out.shape[1]):
            out[j, k] = upper[j, k] + (lower[j, k] - upper[j, k]) * part


def _soft(values: FloatArray, sigma: float) -> FloatArray:
    return cv2.GaussianBlur(values, (0, 0), sigma).reshape(values.shape)


def _gap_px(scene: OcclusionScene) -> float:
    """Return how far in front of a frame something counts as foreground: the mean step."""
    return float(np.abs(np.diff(scene.positions_px)).mean())


def _tiles_beside_foreground(
    index: int, scene: OcclusionScene, gap_px: float
) -> Iterator[tuple[Tile, Tile, BoolArray, FloatArray]]:
    """Yield tiles that hold pixels a frame is mixed into beside foreground.

    The tile, itself with surroundings, and in these which pixels are the frame's own and how far
    the blur of what lies there spreads.
    """
    at_px, shape = np.float32(scene.positions_px[index]), scene.position.shape
    pad = max(int(np.ceil(float(at_px - scene.nearest_px) / 2)), 0) + 2
    for core, low, high in scene.tiles:
        if low >= index + 1 or high <= index - 1:
            continue
        padded = grow_tile(core, pad, shape)
        own = np.abs(scene.position[padded] - np.float32(index)) < 1
        blur = at_px - scene.place_px[padded]
        if own[tile_within(core, padded)].any() and (blur > gap_px).any():
            yield core, padded, own, blur


def _blur_foreground(
    covered_light: FloatArray, blur: FloatArray, gap_px: float
) -> tuple[FloatArray, FloatArray]:
    """Return coverage (h, w) and light (h, w, C) of the blurred foreground.

    ``blur`` is the diameter of its blur circle, px; below ``gap_px`` nothing is foreground.
    """
    layers = []
    low, deepest = gap_px, float(blur.max())
    while low < deepest:
        high = end_of_layer(low)
        layer = cv2.inRange(blur, float(np.nextafter(np.float32(low), np.float32(high))), high)
        if layer.any():
            layers.append((layer, (low + high) / 2))
        low = high
    total = blur_layers(covered_light, layers)
    return total[..., 0], total[..., 1:]
