"""Sample a frame at exact sub-pixel positions, once, from its original pixels.

The kernel is the interpolating cubic B-spline [1]_: samples become spline coefficients by a short
filter, then sixteen of them are summed at every position. Its transfer averaged over sub-pixel
positions is 0.986 at 0.25 and 0.917 at 0.35 cycles/px; at a black-white edge it overshoots by 11 %
of the step at the worst position (measured; bench_warp.py compares kernels).

.. [1] M. Unser, "Splines: a perfect fit for signal and image processing", IEEE Signal Process.
   Mag. 16(6), 22-38 (1999). doi:10.1109/79.799930
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np

from merge.compiled import njit
from merge.model import FloatArray, FrameTransform

# Pole of the cubic B-spline's inverse filter; beyond eight taps it is below 3e-5 of the centre.
_POLE = np.sqrt(3.0) - 2.0
_TAPS = 8
_PREFILTER = np.sqrt(3.0) * _POLE ** np.abs(np.arange(-_TAPS, _TAPS + 1))
_PREFILTER = (_PREFILTER / _PREFILTER.sum()).astype(np.float32)
# Samples beside a position that the kernel and its prefilter reach.
_MARGIN = _TAPS + 2
# Side of what one job of a thread fills: its samples fit a processor's second-level cache.
_TILE_PX = 256

Box = tuple[int, int, int, int]


@njit(inner=True, nogil=True, fastmath=True)
def _spline_weights(fraction: np.float32) -> tuple:  # pragma: no cover - compiled
    """Return the cubic B-spline at distances 1 + f, f, 1 - f and 2 - f."""
    rest = np.float32(1) - fraction
    first = rest * rest * rest * np.float32(1 / 6)
    second = np.float32(2 / 3) - fraction * fraction * (np.float32(1) - fraction * np.float32(0.5))
    last = fraction * fraction * fraction * np.float32(1 / 6)
    return first, second, np.float32(1) - first - second - last, last


@njit(nogil=True, fastmath=True)
def _sample(  # pragma: no cover - compiled
    coefficients: FloatArray, out: FloatArray, matrix: np.ndarray, origin: tuple, first: tuple,
    extend: bool, parallax: np.ndarray, away: FloatArray, lens: tuple,
) -> None:  # fmt: skip
    """Fill ``out`` with the spline where the transform leads; outside NaN, or the nearest border.

    ``away`` holds how far pixels lie from the plane of the matrix, shape (0, 0) without parallax;
    ``first`` the (row, column) of the coefficients in the frame; ``lens`` radial term, x and y.
    """
    height, width, channels = coefficients.shape
    flat = matrix[2, 0] == 0.0 and matrix[2, 1] == 0.0
    deep = away.shape[0] > 0
    for row in range(out.shape[0]):
        y = row + origin[0]
        for column in range(out.shape[1]):
            x = column + origin[1]
            sx = matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]
            sy = matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]
            depth = 1.0 if flat else matrix[2, 0] * x + matrix[2, 1] * y + 1.0
            if deep:
                distance = away[row, column]
                sx += distance * parallax[0]
                sy += distance * parallax[1]
                depth += distance * parallax[2]
            if not flat or deep:
                sx /= depth
                sy /= depth
            if lens[0] != 0.0:
                dx, dy = sx - lens[1], sy - lens[2]
                grown = lens[0] * (dx * dx + dy * dy)
                sx += dx * grown
                sy += dy * grown
            sx -= first[1]
            sy -= first[0]
            if extend:
                sx = min(max(sx, 0.0), width - 1.0)
                sy = min(max(sy, 0.0), height - 1.0)
            elif sx < -0.001 or sy < -0.001 or sx > width - 0.999 or sy > height - 0.999:
                for channel in range(channels):
                    out[row, column, channel] = np.nan
                continue
            left = min(max(int(np.floor(sx)), 0), width - 2)
            top = min(max(int(np.floor(sy)), 0), height - 2)
            wx = _spline_weights(np.float32(sx - left))
            wy = _spline_weights(np.float32(sy - top))
            # Reflection at the border, as the prefilter has it.
            x0 = left - 1 if left > 0 else 1
            x3 = left + 2 if left + 2 < width else width - 2
            y0 = top - 1 if top > 0 else 1
            y3 = top + 2 if top + 2 < height else height - 2
            if channels == 3:  # unrolled: a third less time
                red = green = blue = np.float32(0)
                for k in range(4):
                    line = coefficients[y0 if k == 0 else (y3 if k == 3 else top + k - 1)]
                    w = wy[0] if k == 0 else (wy[1] if k == 1 else (wy[2] if k == 2 else wy[3]))
                    a, b, c, d = line[x0], line[left], line[left + 1], line[x3]
                    red += w * (wx[0] * a[0] + wx[1] * b[0] + wx[2] * c[0] + wx[3] * d[0])
                    green += w * (wx[0] * a[1] + wx[1] * b[1] + wx[2] * c[1] + wx[3] * d[1])
                    blue += w * (wx[0] * a[2] + wx[1] * b[2] + wx[2] * c[2] + wx[3] * d[2])
                out[row, column, 0] = red
                out[row, column, 1] = green
                out[row, column, 2] = blue
                continue
            for channel in range(channels):
                total = np.float32(0)
                for k in range(4):
                    line = coefficients[y0 if k == 0 else (y3 if k == 3 else top + k - 1)]
                    w = wy[0] if k == 0 else (wy[1] if k == 1 else (wy[2] if k == 2 else wy[3]))
                    total += w * (
                        wx[0] * line[x0, channel]
                        + wx[1] * line[left, channel]
                        + wx[2] * line[left + 1, channel]
                        + wx[3] * line[x3, channel]
                    )
                out[row, column, channel] = total


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

    def fill(top: int, left: int) -> None:
        part = (row + top, column + left, min(_TILE_PX, height - top), min(_TILE_PX, width - left))
        deep = None if position is None else position[top : top + part[2], left : left + part[3]]
        rows, columns = needed_area(transform, part, pixels.shape, deep)
        area, origin = pixels[rows, columns], (rows.start, columns.start)
        warped = warp_part(area, transform, origin=origin, box=part, position=deep)
        out[top : top + part[2], left : left + part[3]] = warped

    corners = [(r, c) for r in range(0, height, _TILE_PX) for c in range(0, width, _TILE_PX)]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for job in [pool.submit(fill, *corner) for corner in corners]:
            job.result()
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
    x, y = (np.array([0.0, 0.5, 1.0]) * (n - 1) for n in (width, height))
    points = np.stack(np.meshgrid(column + x, row + y), -1).reshape(-1, 2)
    places = transform.apply(points)
    if transform.parallax is not None and position is not None:
        ends = (transform.at_position(float(p)) for p in (position.min(), position.max()))
        places = np.concatenate([end.apply(points) for end in ends])
    slices = []
    for low, high, size in zip(places.min(axis=0), places.max(axis=0), shape[1::-1], strict=True):
        first = int(np.clip(np.floor(low) - _MARGIN, 0, size - 2))
        last = int(np.clip(np.ceil(high) + _MARGIN + 1, first + 2, size))
        slices.append(slice(first, last))
    return slices[1], slices[0]


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
    coefficients = cv2.sepFilter2D(
        area, -1, _PREFILTER, _PREFILTER, borderType=cv2.BORDER_REFLECT_101
    ).reshape(area.shape)
    out = np.empty((height, width, area.shape[2]), np.float32)
    parallax, away = np.zeros(3), np.empty((0, 0), np.float32)
    if transform.parallax is not None and position is not None:
        parallax = transform.parallax
        away = np.subtract(position, transform.plane_px, dtype=np.float32)
    matrix = np.ascontiguousarray(transform.matrix, np.float64)
    lens = (transform.radial, *transform.centre)
    _sample(coefficients, out, matrix, (row, column), origin, extend, parallax, away, lens)
    return out


def _cut_out(pixels: FloatArray, box: Box) -> FloatArray:
    """Return the pixels of a box (row, column, height, width), NaN outside the picture."""
    row, column, height, width = box
    out = np.full((height, width, pixels.shape[2]), np.nan, np.float32)
    top, left = max(row, 0), max(column, 0)
    part = pixels[top : max(row + height, 0), left : max(column + width, 0)]
    out[top - row : top - row + part.shape[0], left - column : left - column + part.shape[1]] = part
    return out
