"""Compare two band-passed pictures tile by tile (compiled)."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from merge.align.band import BAND_UNIT, BandArray
from merge.compiled import njit
from merge.model import Array, FloatArray
from merge.threads import map_threads

# Rim of a picture that its filters cannot use: two sigmas of the wider one.
_MARGIN_PX = 4
# Noise of a band, in its units; in linear light chosen on the photograph scenes out of 0.001,
# 0.002, 0.004: blur that differs leaves as much in all of them.
_NOISE_POWER = (0.004 / BAND_UNIT) ** 2
# Neighbouring pixels of a band are not independent; share of independent ones. With it the
# tiles' shifts err by what their certainty says (measured against truth, for every band).
_INDEPENDENT = 1 / 8
_CHUNK_PX = 100000
# Of maps that turn by an eighth at most: the least growth along an axis, and the most rows that a
# row of a tile may take a pixel.
_LEAST_SLOPE, _MOST_ROWS = 0.4, 3.0
_AT_RIM = 1


@njit(inner=True, nogil=True, fastmath=True)
def _cubic(t: np.float32) -> tuple[np.float32, ...]:  # pragma: no cover - compiled
    """Return the four weights that reproduce quadratics (R. G. Keys, 1981, a = -1/2)."""
    w0 = np.float32(-0.5) * t + t * t - np.float32(0.5) * t * t * t
    w1 = np.float32(1) - np.float32(2.5) * t * t + np.float32(1.5) * t * t * t
    w3 = np.float32(-0.5) * t * t + np.float32(0.5) * t * t * t
    return w0, w1, np.float32(1) - w0 - w1 - w3, w3


# Inlined: a process that has just built it would call its own copy, later ones that of the caller,
# and the two round differently.
@njit(inner=True, nogil=True, fastmath=True, forceinline=True)
def _interpolate(  # pragma: no cover - compiled
    values: Array, start: int, apart: int, first: np.float32, step: np.float32, out: FloatArray,
    begin: int, stop: int,
) -> None:  # fmt: skip
    """Fill ``out`` from ``begin`` on with what lies between the second (0) and third (1) of four.

    The first of them are the values from ``start`` on, the others lie ``apart``; at ``first`` +
    k ``step``. Unsigned places: no check for those counted from the end.
    """
    one, two = np.uint64(start) + np.uint64(apart), np.uint64(start) + np.uint64(2 * apart)
    three = two + np.uint64(apart)
    for k in range(np.uint64(stop - begin)):
        weights = _cubic(first + step * np.float32(k))
        total = weights[0] * values[np.uint64(start) + k] + weights[1] * values[one + k]
        total += weights[2] * values[two + k] + weights[3] * values[three + k]
        out[np.uint64(begin) + k] = total


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def _steps_inside(place: float, step: float, most: int) -> int:  # pragma: no cover - compiled
    """Return how many steps from a place share its whole part, at most ``most``."""
    rest = place - np.floor(place)
    if step > 0:
        return int(min((1 - rest) / step, most - 1.0)) + 1  # tiny steps: no whole number holds it
    return most if step == 0 else int(min(rest / -step, most - 1.0)) + 1


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def _sample_affine(  # pragma: no cover - compiled
    band: Array, width: int, affine: Array, lines: FloatArray, out: FloatArray
) -> None:
    """Fill ``out`` with the band at (x0 + xx j + xy i, y0 + yx j + yy i) where that lies inside.

    First along its rows, where columns of ``out`` cross them, then across these. Neighbours take
    whole pixels side by side, which vectorises: 7 ns a pixel against 23 one by one.
    """
    x0, y0, xx, xy, yx, yy = affine[0], affine[1], affine[2], affine[3], affine[4], affine[5]
    side = out.shape[1]
    top = int(np.floor(min(y0, y0 + yx * (side - 1)))) - 1
    bottom = int(max(y0, y0 + yx * (side - 1)) + yy * (side - 1)) + 3
    step = xx - xy * yx / yy
    for row in range(max(top, 0), min(bottom, len(band) // width)):
        start, done = x0 + xy * (row - y0) / yy, 0
        while done < side:
            place = start + step * done
            column = int(np.floor(place))
            end = done + _steps_inside(place, step - 1, side - done)
            begin, stop = done + max(1 - column, 0), min(end, done + width - 2 - column)
            if begin < stop:
                rest = place - column + (step - 1) * (begin - done)
                _interpolate(
                    band, row * width + column + begin - done - 1, np.int64(1), np.float32(rest),
                    np.float32(step - 1), lines, (row - top) * side + begin,
                    (row - top) * side + stop,
                )  # fmt: skip
            done = end
    for i in range(side):
        start, done = y0 + yy * i - top, 0
        while done < side:
            place = start + yx * done
            row = max(int(place), 1)  # rounding lays it up to a hair before the first line
            end = done + _steps_inside(place, yx, side - done)
            _interpolate(
                lines, (row - 1) * side + done, side, np.float32(place - row), np.float32(yx),
                out[i], done, end,
            )  # fmt: skip
            done = end


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def _sum_slopes(  # pragma: no cover - compiled
    patch: FloatArray, known: FloatArray, fa: np.float32, fb: np.float32, out: Array
) -> None:
    """Write the sums of mean slopes' products, xx, xy, yy, and with what differs, x, y.

    The two pictures count ``fa`` and ``fb`` times.
    """
    a, b = patch[0], patch[1]
    xx = xy = yy = rx = ry = np.float32(0)
    for i in range(1, patch.shape[1] - 1):
        for j in range(1, patch.shape[2] - 1):
            gx = fa * (a[i, j + 1] - a[i, j - 1]) + fb * (b[i, j + 1] - b[i, j - 1])
            gy = fa * (a[i + 1, j] - a[i - 1, j]) + fb * (b[i + 1, j] - b[i - 1, j])
            gx *= known[i, j]
            gy *= known[i, j]
            residual = fb * b[i, j] - fa * a[i, j]
            xx += gx * gx
            xy += gx * gy
            yy += gy * gy
            rx += gx * residual
            ry += gy * residual
    # Both differences are over two pixels.
    out[0], out[1], out[2] = xx / 16, xy / 16, yy / 16
    out[3], out[4] = rx / 4, ry / 4


@njit(nogil=True, fastmath=True, error_model="numpy", takes="h2 h1 i i2 d2 i1 f4 d f3 f1 d2")
def _compare_tiles(  # pragma: no cover - compiled
    first: BandArray, second: BandArray, across: int, corners: NDArray[np.int64], maps: Array,
    masked: NDArray[np.int64], masks: FloatArray, noise_power: float, patch: FloatArray,
    lines: FloatArray, out: Array,
) -> None:  # fmt: skip
    """Fill ``out`` (n, 10): sums of slopes' products, `_sum_slopes`; of a², b², ab; pixels, ratio.

    ``second`` is flat, ``across`` its width; ``masked`` tells which of the ``masks`` a tile has,
    -1 if none; ``patch`` and ``lines`` are room.
    """
    height, width = first.shape
    for tile in range(len(maps)):
        mask = masked[tile]
        if mask < 0:
            continue
        _sample_affine(second, across, maps[tile], lines, patch[1])
        a, b, known = patch[0], patch[1], masks[mask, 0]
        left, top = corners[tile, 0] - 1, corners[tile, 1] - 1
        for i in range(max(0, -top), min(len(a), height - top)):
            line, place = a[i], first[top + i]
            for j in range(max(0, -left), min(len(a), width - left)):
                line[j] = place[np.uint64(left + j)]
        aa = bb = ab = count = np.float32(0)
        for i in range(1, len(a) - 1):
            for j in range(1, len(a) - 1):
                one, two = known[i, j] * a[i, j], known[i, j] * b[i, j]
                aa += one * one
                bb += two * two
                ab += one * two
                count += known[i, j]
        if count == 0:
            continue
        floor = noise_power * count
        ratio = math.sqrt((bb + floor) / (aa + floor))
        fa, fb = np.float32(min(ratio, 1.0)), np.float32(min(1 / ratio, 1.0))
        _sum_slopes(patch, masks[mask, 1], fa, fb, out[tile])
        out[tile, 5], out[tile, 6], out[tile, 7] = aa, bb, ab
        out[tile, 8], out[tile, 9] = count, ratio


def compare_tiles(
    first: BandArray, second: BandArray, corners: NDArray[np.int64], side: int, matrix: Array,
    offsets: Array | None = None, finer: int = 0,
) -> tuple[Array, Array, Array, Array]:  # fmt: skip
    """Return what every tile says about the shift that is left after ``matrix``.

    Parameters
    ----------
    first, second : ndarray, shape (H, W), int16
        Bands in units of `BAND_UNIT`.
    corners : ndarray, shape (n, 2), int64
        (x, y) of the tiles' first pixels in ``first``.
    side : int
        Of a tile in px.
    matrix : ndarray, shape (3, 3)
        First → second.
    offsets : ndarray, shape (n, 2), optional
        (x, y) by which each tile is moved before ``matrix``, in its pixels.
    finer : int
        Levels below whose noise alone is in the bands: half of white noise is left from each.

    Returns
    -------
    normal : ndarray, shape (n, 2, 2)
    slope : ndarray, shape (n, 2)
        The shift of a tile is ``-solve(normal, slope)``, its inverse covariance ``normal``.
    cross, power : ndarray, shape (n,)
        Weighted; the ratio of their sums is the correlation of the two pictures.

    Notes
    -----
    The stronger picture is turned down to the contrast of the weaker one in every tile, and the
    tile weighs by the residual that is left. Both are even over the tile: weights that follow the
    residual from place to place move asymmetric edges (windows of 9, 15, 25, 41 px gave 0.26,
    0.22, 0.21, 0.20 px rms error over four stacks, one window a tile 0.20).
    """
    noise_power = _NOISE_POWER / 4**finer
    second, matrix = _turned_alike(second, matrix)
    out, flat = np.zeros((len(corners), 10)), second.reshape(-1)
    shapes = np.array([first.shape, second.shape])
    maps, state = _affine_maps(shapes, corners, side, matrix, offsets)
    whole, step = np.ones((1, 2, side + 2, side + 2), np.float32), max(_CHUNK_PX // side**2, 1)
    chunks = [slice(k, k + step) for k in range(0, len(corners), step)]

    def compare(part: slice) -> None:
        masked, masks = state[part].copy(), whole
        rim = masked == _AT_RIM
        if rim.any():
            some = _masks(shapes, corners[part][rim], maps[part][rim], side)
            masks, masked[rim] = np.concatenate([whole, some]), np.arange(1, 1 + len(some))
        patch = np.zeros((2, side + 2, side + 2), np.float32)
        lines = np.zeros((int(_MOST_ROWS * (side + 2)) + 6) * (side + 2), np.float32)
        _compare_tiles(
            first, flat, second.shape[1], corners[part], maps[part], masked, masks, noise_power,
            patch, lines, out[part],
        )  # fmt: skip

    if len(chunks) == 1:
        compare(chunks[0])
    else:
        map_threads(compare, chunks)
    aa, bb, ab, count, ratio = out[:, 5:].T
    fa, fb = np.minimum(ratio, 1.0), np.minimum(1 / np.maximum(ratio, 1e-9), 1.0)
    power = fa * fa * aa + fb * fb * bb
    misfit = np.maximum(power - 2 * fa * fb * ab + noise_power * count, 1e-30)
    trust = fa * fa * aa / (fa * fa * aa + 3 * misfit)
    weight = trust * trust * count / misfit
    out[:, :5] *= weight[:, None] * _INDEPENDENT
    normal = out[:, [0, 1, 1, 2]].reshape(-1, 2, 2)
    return normal, out[:, 3:5], weight * fa * fb * ab, weight * power / 2


def _turned_alike(band: BandArray, matrix: Array) -> tuple[BandArray, Array]:
    """Return a band turned by quarters so that the map to it turns by an eighth at most."""
    angle = math.atan2(matrix[1, 0], matrix[0, 0])
    quarters = round(angle / (math.pi / 2)) % 4 if math.isfinite(angle) else 0
    for _ in range(quarters):
        back = np.array([[0.0, 1.0, 0.0], [-1.0, 0.0, band.shape[1] - 1.0], [0.0, 0.0, 1.0]])
        band, matrix = np.rot90(band, 1), back @ matrix
    return np.ascontiguousarray(band), np.ascontiguousarray(matrix)


def _affine_maps(
    shapes: NDArray[np.int64], corners: NDArray[np.int64], side: int, matrix: Array,
    offsets: Array | None,
) -> tuple[Array, NDArray[np.int64]]:  # fmt: skip
    """Return a map at the middle of every tile, (n, 6), for `_sample_affine`, and its state, (n,).

    It leads from the pixels of a tile and those around it to the second picture. The state is 0
    where both have all of them, `_AT_RIM` where not, -1 where the map bends them too much.
    """
    middle = corners + (side - 1) / 2
    if offsets is not None:
        middle += offsets
    whole = middle @ matrix[:, :2].T + matrix[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):  # a tile on the horizon tells nothing
        scale = 1 / whole[:, 2:]
        seen = whole[:, :2] * scale
        slopes = (matrix[:2, :2] - seen[:, :, None] * matrix[2, :2]) * scale[:, None]
    across, down = slopes[:, :, 0] * (side + 1), slopes[:, :, 1] * (side + 1)
    place = seen - (across + down) / 2
    low = place + np.minimum(across, 0) + np.minimum(down, 0)
    high = place + np.maximum(across, 0) + np.maximum(down, 0)
    ends = shapes[:, ::-1] - 1 - _MARGIN_PX
    inside = (np.minimum(low, corners - 1) >= _MARGIN_PX) & (high <= ends[1])
    inside &= corners + side <= ends[0]
    rows = slopes[:, 1, 1] + np.abs(slopes[:, 1, 0])
    gentle = (np.minimum(slopes[:, 0, 0], slopes[:, 1, 1]) > _LEAST_SLOPE) & (rows < _MOST_ROWS)
    maps = np.concatenate([place, slopes.reshape(-1, 4)], axis=1)
    return maps, np.where(gentle, np.where(inside.all(axis=1), 0, _AT_RIM), -1)


def _masks(
    shapes: NDArray[np.int64], corners: NDArray[np.int64], maps: Array, side: int
) -> FloatArray:
    """Return 1 where both pictures have the pixels of tiles, and those that slopes take; else 0."""
    steps, ends = np.arange(side + 2), shapes[:, ::-1] - 1 - _MARGIN_PX
    known = np.ones((len(corners), side + 2, side + 2), bool)
    for axis in range(2):
        own = corners[:, axis, None] - 1 + steps
        known &= np.expand_dims((own >= _MARGIN_PX) & (own <= ends[0, axis]), 1 + axis)
        place, xx, xy = maps[:, [axis, 2 + 2 * axis, 3 + 2 * axis]].T[:, :, None]
        seen = (place + xx * steps)[:, None] + (xy * steps)[:, :, None]
        known &= (seen >= _MARGIN_PX) & (seen <= ends[1, axis])
    around = known[:, 1:-1, 1:-1] & known[:, :-2, 1:-1] & known[:, 2:, 1:-1]
    masks = np.zeros((len(corners), 2, side + 2, side + 2), np.float32)
    masks[:, 0] = known
    masks[:, 1, 1:-1, 1:-1] = around & known[:, 1:-1, :-2] & known[:, 1:-1, 2:]
    return masks
