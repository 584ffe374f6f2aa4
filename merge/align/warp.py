"""Sample a frame at exact sub-pixel positions, once, from its original pixels.

The kernel is the interpolating cubic B-spline [1]_: samples become spline coefficients by a short
filter, then sixteen of them are summed at every position. Its transfer averaged over sub-pixel
positions is 0.986 at 0.25 and 0.917 at 0.35 cycles/px; at a black-white edge it overshoots by 11 %
of the step at the worst position (measured; the table in DEVELOPERS.md compares kernels).

.. [1] M. Unser, "Splines: a perfect fit for signal and image processing", IEEE Signal Process.
   Mag. 16(6), 22-38 (1999). doi:10.1109/79.799930
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor

import cv2
import numba
import numpy as np

from merge.model import FloatArray, FrameTransform

# Pole of the cubic B-spline's inverse filter; beyond eight taps it is below 3e-5 of the centre.
_POLE = np.sqrt(3.0) - 2.0
_TAPS = 8
_PREFILTER = np.sqrt(3.0) * _POLE ** np.abs(np.arange(-_TAPS, _TAPS + 1))
_PREFILTER = (_PREFILTER / _PREFILTER.sum()).astype(np.float32)
# Rows for one job of a thread: large enough to hide the call, small enough to share evenly.
_STRIP_ROWS = 128


@numba.njit(cache=True, nogil=True, fastmath=True)
def _sample_rows(  # pragma: no cover - compiled
    coefficients: FloatArray, out: FloatArray, matrix: np.ndarray, origin: tuple, rows: tuple
) -> None:
    """Fill ``out[rows[0]:rows[1]]`` with the spline at matrix @ (x, y, 1); NaN outside."""
    height, width, channels = coefficients.shape
    for row in range(rows[0], rows[1]):
        y = row + origin[0]
        for column in range(out.shape[1]):
            x = column + origin[1]
            depth = matrix[2, 0] * x + matrix[2, 1] * y + 1.0
            sx = (matrix[0, 0] * x + matrix[0, 1] * y + matrix[0, 2]) / depth
            sy = (matrix[1, 0] * x + matrix[1, 1] * y + matrix[1, 2]) / depth
            if sx < -0.001 or sy < -0.001 or sx > width - 0.999 or sy > height - 0.999:
                for channel in range(channels):
                    out[row, column, channel] = np.nan
                continue
            left = min(max(int(np.floor(sx)), 0), width - 2)
            top = min(max(int(np.floor(sy)), 0), height - 2)
            fx = np.float32(sx - left)
            fy = np.float32(sy - top)
            gx = np.float32(1) - fx
            gy = np.float32(1) - fy
            wx0 = gx * gx * gx * np.float32(1 / 6)
            wx1 = np.float32(2 / 3) - fx * fx * (np.float32(1) - fx * np.float32(0.5))
            wx3 = fx * fx * fx * np.float32(1 / 6)
            wx2 = np.float32(1) - wx0 - wx1 - wx3
            wy0 = gy * gy * gy * np.float32(1 / 6)
            wy1 = np.float32(2 / 3) - fy * fy * (np.float32(1) - fy * np.float32(0.5))
            wy3 = fy * fy * fy * np.float32(1 / 6)
            wy2 = np.float32(1) - wy0 - wy1 - wy3
            # Reflection at the border, as the prefilter has it.
            x0 = left - 1 if left > 0 else 1
            x3 = left + 2 if left + 2 < width else width - 2
            y0 = top - 1 if top > 0 else 1
            y3 = top + 2 if top + 2 < height else height - 2
            for channel in range(channels):
                total = np.float32(0)
                for line in range(4):
                    if line == 0:
                        r, w = y0, wy0
                    elif line == 1:
                        r, w = top, wy1
                    elif line == 2:
                        r, w = top + 1, wy2
                    else:
                        r, w = y3, wy3
                    total += w * (
                        wx0 * coefficients[r, x0, channel]
                        + wx1 * coefficients[r, left, channel]
                        + wx2 * coefficients[r, left + 1, channel]
                        + wx3 * coefficients[r, x3, channel]
                    )
                out[row, column, channel] = total


def warp_frame(
    pixels: FloatArray,
    transform: FrameTransform,
    *,
    box: tuple[int, int, int, int] | None = None,
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
    if np.array_equal(transform.matrix[:, :2], np.eye(3)[:, :2]) and not np.any(offset % 1):
        return _cut_out(pixels, (row + int(offset[1]), column + int(offset[0]), height, width))
    coefficients = cv2.sepFilter2D(
        pixels, -1, _PREFILTER, _PREFILTER, borderType=cv2.BORDER_REFLECT_101
    ).reshape(pixels.shape)
    out = np.empty((height, width, pixels.shape[2]), np.float32)
    matrix = np.ascontiguousarray(transform.matrix, np.float64)
    strips = [(top, min(top + _STRIP_ROWS, height)) for top in range(0, height, _STRIP_ROWS)]
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        jobs = [
            pool.submit(_sample_rows, coefficients, out, matrix, (row, column), strip)
            for strip in strips
        ]
        for job in jobs:
            job.result()
    return out


def _cut_out(pixels: FloatArray, box: tuple[int, int, int, int]) -> FloatArray:
    """Return the pixels of a box (row, column, height, width), NaN outside the picture."""
    row, column, height, width = box
    out = np.full((height, width, pixels.shape[2]), np.nan, np.float32)
    top, left = max(row, 0), max(column, 0)
    part = pixels[top : max(row + height, 0), left : max(column + width, 0)]
    out[top - row : top - row + part.shape[0], left - column : left - column + part.shape[1]] = part
    return out
