"""Sample a frame at exact sub-pixel positions, once, from its original pixels.

The kernel is the interpolating cubic B-spline [1]_: samples become spline coefficients by a short
filter, then sixteen of them are summed at every position. Its transfer averaged over sub-pixel
positions is 0.986 at 0.25 and 0.917 at 0.35 cycles/px; at a black-white edge it overshoots by 11 %
of the step at the worst position (measured; bench_warp.py compares kernels).

.. [1] M. Unser, "Splines: a perfect fit for signal and image processing", IEEE Signal Process.
   Mag. 16(6), 22-38 (1999). doi:10.1109/79.799930
"""

from __future__ import annotations

import math

import numpy as np

from merge.compiled import njit
from merge.model import Box, FloatArray, FrameTransform, SmoothField
from merge.model.geometry import FIELD_DEGREES
from merge.resizing import mirrored
from merge.threads import map_threads

# The cubic B-spline's inverse filter, middle and one side; beyond eight taps it is below 3e-5 of
# the centre.
_TAPS = 8
_POWERS = [np.sqrt(3.0) * (np.sqrt(3.0) - 2.0) ** tap for tap in range(_TAPS + 1)]
_PREFILTER = tuple(float(p / (2 * sum(_POWERS) - _POWERS[0])) for p in _POWERS)
# Coefficients that the sixteen reach beyond those of a frame, on every side.
_RIM = 2
_MOST_DEGREE = max(FIELD_DEGREES.values())
# Side of what one job of a thread fills: its samples fit a processor's second-level cache.
_TILE_PX = 256


@njit(inner=True, nogil=True, fastmath=True)
def _spline_weights(fraction: np.float32) -> tuple:  # pragma: no cover - compiled
    """Return the cubic B-spline at distances 1 + f, f, 1 - f and 2 - f."""
    rest = np.float32(1) - fraction
    first = rest * rest * rest * np.float32(1 / 6)
    second = np.float32(2 / 3) - fraction * fraction * (np.float32(1) - fraction * np.float32(0.5))
    last = fraction * fraction * fraction * np.float32(1 / 6)
    return first, second, np.float32(1) - first - second - last, last


@njit(inner=True, nogil=True, fastmath=True)
def _weigh_row(  # pragma: no cover - compiled
    places: np.ndarray, first: int, last: float, extend: bool, starts: np.ndarray,
    weights: FloatArray,
) -> None:  # fmt: skip
    """Fill ``starts`` with each place's first coefficient along one axis, ``weights`` with four.

    The start of places beside the frame is -1, unless it is extended.
    """
    for k in range(len(places)):
        place = places[k] - first
        inside = min(max(place, 0.0), last)
        start = int(inside)
        starts[k] = start + _RIM - 1 if extend or abs(place - inside) <= 0.001 else -1
        found = _spline_weights(np.float32(inside - start))
        weights[0, k], weights[1, k], weights[2, k], weights[3, k] = found


@njit(inner=True, nogil=True, fastmath=True)
def _field_along(  # pragma: no cover - compiled
    field: np.ndarray, y: float, line: np.ndarray
) -> int:
    """Fill ``line`` (2, n) with a field's polynomials in u along a row; return their degree."""
    degree, count = int(field[3]), (len(field) - 4) // 2
    v = (y - field[1]) / field[2]
    line[:, :] = 0.0
    place = 4
    for n in range(degree + 1):
        power = 1.0
        for k in range(n + 1):
            line[0, n - k] += field[place] * power
            line[1, n - k] += field[place + count] * power
            power *= v
            place += 1
    return degree


@njit(inner=True, nogil=True, fastmath=True)
def locate_row(  # pragma: no cover - compiled
    y: int, left: int, matrix: np.ndarray, parallax: np.ndarray, away: FloatArray, row: int,
    lens: tuple, field: np.ndarray, xs: np.ndarray, ys: np.ndarray,
) -> None:  # fmt: skip
    """Fill ``xs`` and ``ys`` with where a row's pixels lie in the frame; see `_sample`."""
    across, down, depth = (
        matrix[0, 1] * y + matrix[0, 2], matrix[1, 1] * y + matrix[1, 2], matrix[2, 1] * y + 1.0
    )  # fmt: skip
    for column in range(len(xs)):
        x = column + left
        xs[column], ys[column] = matrix[0, 0] * x + across, matrix[1, 0] * x + down
    deep = away.shape[0] > 0
    if len(field) > 0:
        line = np.empty((2, _MOST_DEGREE + 1))
        degree = _field_along(field, y, line)
        for column in range(len(xs)):
            u, dx, dy = (column + left - field[0]) / field[2], 0.0, 0.0
            for n in range(degree, -1, -1):
                dx, dy = dx * u + line[0, n], dy * u + line[1, n]
            distance = away[row, column] if deep else np.float32(0)
            scale = 1.0 / (
                matrix[2, 0] * (column + left + dx)
                + depth
                + matrix[2, 1] * dy
                + distance * parallax[2]
            )
            xs[column] += matrix[0, 0] * dx + matrix[0, 1] * dy + distance * parallax[0]
            ys[column] += matrix[1, 0] * dx + matrix[1, 1] * dy + distance * parallax[1]
            xs[column] *= scale
            ys[column] *= scale
    elif deep or matrix[2, 0] != 0.0 or matrix[2, 1] != 0.0:
        for column in range(len(xs)):
            distance = away[row, column] if deep else np.float32(0)
            scale = 1.0 / (matrix[2, 0] * (column + left) + depth + distance * parallax[2])
            xs[column] = (xs[column] + distance * parallax[0]) * scale
            ys[column] = (ys[column] + distance * parallax[1]) * scale
    if lens[0] != 0.0:
        for column in range(len(xs)):
            dx, dy = xs[column] - lens[1], ys[column] - lens[2]
            grown = lens[0] * (dx * dx + dy * dy)
            xs[column] += dx * grown
            ys[column] += dy * grown


@njit(nogil=True, fastmath=True, error_model="numpy")
def _fill_places(  # pragma: no cover - compiled
    out: FloatArray, matrix: np.ndarray, parallax: np.ndarray, away: FloatArray, lens: tuple,
    field: np.ndarray,
) -> None:  # fmt: skip
    """Fill ``out`` with (x, y) of where the transform leads."""
    xs, ys = np.empty(out.shape[1]), np.empty(out.shape[1])
    for row in range(out.shape[0]):
        locate_row(row, 0, matrix, parallax, away, row, lens, field, xs, ys)
        for column in range(out.shape[1]):
            out[row, column, 0], out[row, column, 1] = xs[column], ys[column]


@njit(nogil=True, fastmath=True, error_model="numpy", takes="f2 f3")
def _find_coefficients(rows: FloatArray, out: FloatArray) -> None:  # pragma: no cover - compiled
    """Fill ``out`` with a picture's spline coefficients, (C, h, w), and `_RIM` more all round.

    ``rows``: the picture, (h, w C). Mirrored at the border, as the filter has it. Written out,
    which vectorises: general separable filters take more than twice as long (14 ns a pixel of
    three channels against 6). No slice is filled from another: the compiler's check of their
    shapes takes as long to build as the loop.
    """
    k0, k1, k2, k3, k4, k5, k6, k7, k8 = [np.float32(share) for share in _PREFILTER]
    height, channels = rows.shape[0], out.shape[0]
    width = rows.shape[1] // channels
    down, line = np.empty(width * channels, np.float32), np.empty(width + 2 * _TAPS, np.float32)
    for i in range(height):
        u1, u2 = mirrored(i - 1, height), mirrored(i - 2, height)
        u3, u4 = mirrored(i - 3, height), mirrored(i - 4, height)
        u5, u6 = mirrored(i - 5, height), mirrored(i - 6, height)
        u7, u8 = mirrored(i - 7, height), mirrored(i - 8, height)
        d1, d2 = mirrored(i + 1, height), mirrored(i + 2, height)
        d3, d4 = mirrored(i + 3, height), mirrored(i + 4, height)
        d5, d6 = mirrored(i + 5, height), mirrored(i + 6, height)
        d7, d8 = mirrored(i + 7, height), mirrored(i + 8, height)
        for x in range(len(down)):
            total = k0 * rows[i, x] + k1 * (rows[u1, x] + rows[d1, x])
            total += k2 * (rows[u2, x] + rows[d2, x]) + k3 * (rows[u3, x] + rows[d3, x])
            total += k4 * (rows[u4, x] + rows[d4, x]) + k5 * (rows[u5, x] + rows[d5, x])
            total += k6 * (rows[u6, x] + rows[d6, x]) + k7 * (rows[u7, x] + rows[d7, x])
            down[x] = total + k8 * (rows[u8, x] + rows[d8, x])
        for channel in range(channels):
            for x in range(width):
                line[x + _TAPS] = down[x * channels + channel]
            _mirror_ends(line, _TAPS)
            filtered = out[channel, i + _RIM]
            for x in range(width):
                total = k0 * line[x + 8] + k1 * (line[x + 7] + line[x + 9])
                total += k2 * (line[x + 6] + line[x + 10]) + k3 * (line[x + 5] + line[x + 11])
                total += k4 * (line[x + 4] + line[x + 12]) + k5 * (line[x + 3] + line[x + 13])
                total += k6 * (line[x + 2] + line[x + 14]) + k7 * (line[x + 1] + line[x + 15])
                filtered[x + _RIM] = total + k8 * (line[x] + line[x + 16])
            _mirror_ends(filtered, _RIM)
    for channel in range(channels):
        for k in range(1, _RIM + 1):
            above, below = mirrored(-k, height), mirrored(height - 1 + k, height)
            for x in range(out.shape[2]):
                out[channel, _RIM - k, x] = out[channel, _RIM + above, x]
                out[channel, _RIM + height - 1 + k, x] = out[channel, _RIM + below, x]


@njit(inner=True, nogil=True, fastmath=True)
def _mirror_ends(line: FloatArray, rim: int) -> None:  # pragma: no cover - compiled
    """Fill as many values at both ends of a line with the mirror image of what lies between."""
    count = len(line) - 2 * rim
    for k in range(1, rim + 1):
        line[rim - k] = line[rim + mirrored(-k, count)]
        line[rim + count - 1 + k] = line[rim + mirrored(count - 1 + k, count)]


@njit(inner=True, nogil=True, fastmath=True)
def _sum_sixteen(  # pragma: no cover - compiled
    planes: FloatArray, place: tuple, first: int, count: int, wx: FloatArray, wy: FloatArray,
    out: FloatArray,
) -> None:  # fmt: skip
    """Fill part of a row of ``out`` (C, n) with weighted sums of four by four coefficients.

    ``place``: (row, column) of the first of them. All unsigned: places counted from the end would
    keep it from being vectorised (0.9 ns a value against 6).
    """
    zero, one, two, three = np.uint64(0), np.uint64(1), np.uint64(2), np.uint64(3)
    top, left = place
    for k in range(np.uint64(planes.shape[0])):
        for i in range(count):
            x, m, total = first + i, left + i, np.float32(0)
            for n in range(np.uint64(4)):
                line = top + n
                along = wx[zero, x] * planes[k, line, m] + wx[one, x] * planes[k, line, m + one]
                along += wx[two, x] * planes[k, line, m + two]
                along += wx[three, x] * planes[k, line, m + three]
                total += wy[n, x] * along
            out[k, x] = total


@njit(nogil=True, fastmath=True, error_model="numpy", takes="f3 f3 d2 it2 it2 b d1 f2 dt3 d1")
def _sample(  # pragma: no cover - compiled
    coefficients: FloatArray, out: FloatArray, matrix: np.ndarray, origin: tuple, first: tuple,
    extend: bool, parallax: np.ndarray, away: FloatArray, lens: tuple, field: np.ndarray,
) -> None:  # fmt: skip
    """Fill ``out`` with the spline where the transform leads; outside NaN, or the nearest border.

    ``coefficients``, (C, h, w), have `_RIM` more on every side. ``away`` holds how far pixels lie
    from the plane of the matrix, shape (0, 0) without parallax; ``first`` the (row, column) of the
    coefficients in the frame; ``lens`` radial term, x and y; ``field`` from `field_numbers`.
    Neighbours whose coefficients lie side by side, too, are taken together, which vectorises.
    """
    channels, height, width = coefficients.shape
    count = out.shape[1]
    xs, ys = np.empty(count), np.empty(count)
    wx, wy = np.empty((4, count), np.float32), np.empty((4, count), np.float32)
    lefts, tops = np.empty(count, np.int64), np.empty(count, np.int64)
    line = np.empty((channels, count), np.float32)
    for row in range(out.shape[0]):
        locate_row(row + origin[0], origin[1], matrix, parallax, away, row, lens, field, xs, ys)
        _weigh_row(xs, first[1], width - 2 * _RIM - 1.0, extend, lefts, wx)
        _weigh_row(ys, first[0], height - 2 * _RIM - 1.0, extend, tops, wy)
        done = 0
        while done < count:
            top, left, end = tops[done], lefts[done], done + 1
            if top < 0 or left < 0:
                line[:, done] = np.nan
                done = end
                continue
            while end < count and tops[end] == top and lefts[end] - left == end - done:
                end += 1
            place, size = (np.uint64(top), np.uint64(left)), np.uint64(end - done)
            _sum_sixteen(coefficients, place, np.uint64(done), size, wx, wy, line)
            done = end
        for channel in range(channels):
            for column in range(count):
                out[row, column, channel] = line[channel, column]


def warp_frame(
    pixels: FloatArray,
    transform: FrameTransform,
    *,
    box: Box | None = None,
    position: FloatArray | None = None,
) -> FloatArray:
    """Return a frame's pixels as the reference frame would have them.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, C), float32
        The frame as read; not modified. At least 2 x 2.
    transform : FrameTransform
        Reference → this frame.
    box : (row, column, height, width), optional
        Part of the reference frame to fill; default all of ``pixels``' size.
    position : ndarray, shape (height, width), float32, optional
        Of the box's pixels on the focus axis, px of blur; needed for a parallax to have an effect.

    Returns
    -------
    ndarray, shape (height, width, C), float32
        NaN where the frame has no pixel. Values can leave [0, 1] a little beside sharp edges.

    Notes
    -----
    Positions are computed in float64 and used as they are: no grid of sub-pixel positions. Moves
    by whole pixels, and so the reference frame itself, return the pixels exactly as they are.
    """
    row, column, height, width = box or (0, 0, *pixels.shape[:2])
    offset = transform.matrix[:2, 2]
    shifted = np.array_equal(transform.matrix[:, :2], np.eye(3)[:, :2]) and not np.any(offset % 1)
    if shifted and transform.is_matrix:
        return _cut_out(pixels, (row + int(offset[1]), column + int(offset[0]), height, width))
    out = np.empty((height, width, pixels.shape[2]), np.float32)

    def fill(corner: tuple[int, int]) -> None:
        top, left = corner
        part = (row + top, column + left, min(_TILE_PX, height - top), min(_TILE_PX, width - left))
        deep = None if position is None else position[top : top + part[2], left : left + part[3]]
        rows, columns = needed_area(transform, part, pixels.shape, deep)
        area, origin = pixels[rows, columns], (rows.start, columns.start)
        warped = warp_part(area, transform, origin=origin, box=part, position=deep)
        out[top : top + part[2], left : left + part[3]] = warped

    corners = [(r, c) for r in range(0, height, _TILE_PX) for c in range(0, width, _TILE_PX)]
    map_threads(fill, corners)
    return out


def needed_area(
    transform: FrameTransform,
    box: Box,
    shape: tuple[int, ...],
    position: FloatArray | None = None,
) -> tuple[slice, slice]:
    """Return the rows and columns of a frame that `warp_part` needs to fill ``box``.

    Parameters
    ----------
    transform : FrameTransform
        Reference → frame.
    box : (row, column, height, width)
        In the reference frame.
    shape : (H, W, ...)
        Of the frame.
    position : ndarray, shape (height, width), optional
        As `warp_part` will get it.
    """
    row, column, height, width = box
    right, bottom = column + width - 1.0, row + height - 1.0
    if transform.is_matrix:  # its corners tell, and plain numbers take a tenth of the time
        a, b, c = transform.matrix.tolist()
        corners = [
            (x, y, c[0] * x + c[1] * y + c[2]) for x in (column, right) for y in (row, bottom)
        ]
        xs = [(a[0] * x + a[1] * y + a[2]) / depth for x, y, depth in corners]
        ys = [(b[0] * x + b[1] * y + b[2]) / depth for x, y, depth in corners]
    else:
        x, y = (np.linspace(*ends, 3) for ends in ((column, right), (row, bottom)))
        points = np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)
        places = transform.apply(points)
        if transform.parallax is not None and position is not None:
            ends = (transform.at_position(float(p)) for p in (position.min(), position.max()))
            places = np.concatenate([end.apply(points) for end in ends])
        xs, ys = places.T.tolist()
    return _needed_span(ys, shape[0]), _needed_span(xs, shape[1])


def _needed_span(places: list[float], size: int) -> slice:
    first = min(max(math.floor(min(places)) - _TAPS - _RIM, 0), size - 2)
    last = min(max(math.ceil(max(places)) + _TAPS + _RIM + 1, first + 2), size)
    return slice(first, last)


def warp_part(
    area: FloatArray,
    transform: FrameTransform,
    *,
    origin: tuple[int, int],
    box: Box,
    extend: bool = False,
    position: FloatArray | None = None,
) -> FloatArray:
    """Return what `warp_frame` does, from the part of a frame that is needed for it.

    Parameters
    ----------
    area : ndarray, shape (h, w, C), float32
        Part of the frame, as `needed_area` says.
    transform : FrameTransform
        Reference → whole frame.
    origin : (row, column)
        Of the area's first pixel in the frame.
    box : (row, column, height, width)
        Part of the reference frame to fill.
    extend : bool
        Repeat the frame's border outside it, instead of NaN.
    position : ndarray, shape (height, width), float32, optional
        Of the box's pixels on the focus axis, px of blur; without it everything counts as lying
        where the frame is in focus.
    """
    row, column, height, width = box
    size = area.shape[2], area.shape[0] + 2 * _RIM, area.shape[1] + 2 * _RIM
    coefficients = np.empty(size, np.float32)
    _find_coefficients(np.ascontiguousarray(area).reshape(len(area), -1), coefficients)
    out = np.empty((height, width, area.shape[2]), np.float32)
    matrix, *beside = _numbers(transform, position)
    _sample(coefficients, out, matrix, (row, column), origin, extend, *beside)
    return out


def find_places(
    transform: FrameTransform, shape: tuple[int, int], position: FloatArray | None = None
) -> FloatArray:
    """Return where the reference frame's pixels lie in a frame.

    Parameters
    ----------
    transform : FrameTransform
        Reference → frame.
    shape : (H, W)
        Of the reference frame.
    position : ndarray, shape (H, W), float32, optional
        As for `warp_part`.

    Returns
    -------
    ndarray, shape (H, W, 2), float32
        (x, y) in pixels, as `FrameTransform.apply` has them.
    """
    out = np.empty((*shape, 2), np.float32)
    _fill_places(out, *_numbers(transform, position))
    return out


def _numbers(
    transform: FrameTransform, position: FloatArray | None
) -> tuple[np.ndarray, np.ndarray, FloatArray, tuple[float, float, float], np.ndarray]:
    """Return what the loops need: matrix, parallax, distances from its plane, lens, field."""
    parallax, away = np.zeros(3), np.empty((0, 0), np.float32)
    if transform.parallax is not None and position is not None:
        parallax = transform.parallax
        away = np.subtract(position, transform.plane_px, dtype=np.float32)
    matrix = np.ascontiguousarray(transform.matrix, np.float64)
    lens = (transform.radial, *transform.centre)
    return matrix, parallax, away, lens, field_numbers(transform.field)


def field_numbers(field: SmoothField | None) -> np.ndarray:
    """Return a field for compiled loops: centre, half, degree, coefficients; none is empty."""
    if field is None:
        return np.empty(0)
    degree = FIELD_DEGREES[field.coefficients.shape[1]]
    return np.array([*field.centre, field.half, degree, *field.coefficients.ravel()])


def _cut_out(pixels: FloatArray, box: Box) -> FloatArray:
    """Return the pixels of a box (row, column, height, width), NaN outside the picture."""
    row, column, height, width = box
    out = np.full((height, width, pixels.shape[2]), np.nan, np.float32)
    top, left = max(row, 0), max(column, 0)
    part = pixels[top : max(row + height, 0), left : max(column + width, 0)]
    out[top - row : top - row + part.shape[0], left - column : left - column + part.shape[1]] = part
    return out
