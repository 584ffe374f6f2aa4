"""Take the veil, which is the blur of a near thing, off what lies behind it.

At a depth step the frame that is sharp on the background has the blurred foreground lying over
it: ``y = (1 - a) b + f``, in linear light, with a the foreground's coverage and f its light, both
blurred by disks whose diameters the focus axis tells. Depth map and merged picture give a and f,
so b follows, within what the frames saw around. Fine detail that would be noise is not brought up.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np

from merge.compiled import njit
from merge.disks import blur_layers, end_of_layer
from merge.encoding import encode, light_slope, linearize
from merge.model import BoolArray, FloatArray, Index
from merge.resizing import Box, enlarge_part, enlarge_some
from merge.samples import EIGHT_BIT_STEP, LUMA
from merge.scratch import as_floats
from merge.tiles import Tile, grow_tile, iterate_tiles, tile_within

# Up to this coverage there is enough light left behind a veil to remove it.
_MOST_COVER = 0.75
# Fine detail is what a blur of this sigma takes away; its variance is taken over as much.
_FINE_SIGMA_PX = 1.2
FOREGROUND_TILE_PX = 192


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
    low: FloatArray | None = None
    high: FloatArray | None = None
    for picture in pictures:
        values = as_floats(picture)
        if low is None or high is None:
            low, high = values, values.copy()
        np.minimum(low, values, out=low)
        np.maximum(high, values, out=high)
    assert low is not None
    assert high is not None
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
    veiled = enlarge_part(veil.maps[..., 0], place, reduction) > 0
    some = np.flatnonzero(veiled)
    seen = linearize(np.clip(inner, 0, 1), transfer)
    soft, power = _fine_detail(seen)
    seen, soft, power = (_at(values, some) for values in (seen, soft, power))
    maps = enlarge_some(veil.maps, place, reduction, some)[None]
    place = ahead[0] + place[0], ahead[1] + place[1], *place[2:]
    low, high = (
        enlarge_some(values, place, reduction, some)[None] for values in (scene.low, scene.high)
    )
    noise = light_slope(soft, transfer)
    # Of white noise of variance 1: one pixel less a Gaussian about it, and luminance.
    fine, luma = 1 - 3 / (4 * np.pi * _FINE_SIGMA_PX**2), float(np.linalg.norm(LUMA))
    noise *= np.float32(scene.noise / luma * np.sqrt(fine))
    _clear(seen, maps, low, high, soft, power, noise * noise)
    inner[veiled] = encode(seen, transfer)[0]
    return pixels


def _at(values: FloatArray, some: Index) -> FloatArray:
    """Return some pixels of (h, w, C), given their places in a row, as (1, n, C)."""
    return values.reshape(-1, values.shape[2]).take(some, axis=0)[None]


def _fine_detail(seen: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return light without fine detail, and the power of that."""
    soft = _soft(seen, _FINE_SIGMA_PX)
    detail = cv2.subtract(seen, soft).reshape(seen.shape)
    return soft, _soft(cv2.multiply(detail, detail, dst=detail), _FINE_SIGMA_PX)


@njit(nogil=True, fastmath=True, error_model="numpy", takes="f3 f3 f3 f3 f3 f3 f3")
def _clear(  # pragma: no cover - compiled
    seen: FloatArray, maps: FloatArray, low: FloatArray, high: FloatArray, soft: FloatArray,
    power: FloatArray, noise: FloatArray,
) -> None:  # fmt: skip
    """Take a veil off ``seen``, in place, within [0, 1].

    Light divided by 1 - a brings noise up as much. Fine detail is shrunk to (S + n²) / (S + n² /
    (1 - a)²) of itself, S being its variance behind the veil without noise: Wiener's filter, less
    what it would take where nothing is divided.
    """
    zero, one = np.float32(0), np.float32(1)
    for i in range(seen.shape[0]):
        for j in range(seen.shape[1]):
            share = maps[i, j, 0]
            if share <= zero:
                continue
            clear = one / max(one - maps[i, j, 1], np.float32(0.05))
            for k in range(seen.shape[2]):
                least, most, own = low[i, j, k], high[i, j, k], noise[i, j, k]
                behind = min(max((seen[i, j, k] - maps[i, j, k + 2]) * clear, least), most)
                if own > zero:
                    signal = max(power[i, j, k] - own, zero) * clear * clear
                    kept = (signal + own) / (signal + own * clear * clear)
                    behind -= (seen[i, j, k] - soft[i, j, k]) * clear * (one - kept)
                    behind = min(max(behind, least), most)
                cleared = seen[i, j, k] + (behind - seen[i, j, k]) * share
                seen[i, j, k] = min(max(cleared, zero), one)


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
