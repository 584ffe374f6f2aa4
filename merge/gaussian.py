"""Gaussian blur of pictures line by line, for compiled loops.

Lines that are in use stay in a processor's cache: whole pictures blurred one way, then the other,
are held up by memory, on several threads most of all.
"""

from __future__ import annotations

import cv2

from merge.compiled import njit
from merge.model import FloatArray
from merge.resizing import mirrored


def half_of_taps(sigma: float) -> FloatArray:
    """Return a Gaussian's weights from the middle one on, four sigma wide; an even number."""
    reach = round(4 * sigma) | 1
    return cv2.getGaussianKernel(2 * reach + 1, sigma, cv2.CV_32F)[reach:, 0].copy()


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def blur_along(line: FloatArray, taps: FloatArray, out: FloatArray) -> None:  # pragma: no cover
    """Fill ``out`` with a blurred line, which reaches beyond it by the taps on either side."""
    middle, own, near = len(taps) - 1, taps[0], taps[1]
    centre, before, after = line[middle:], line[middle - 1 :], line[middle + 1 :]
    for x in range(len(out)):
        out[x] = own * centre[x] + near * (before[x] + after[x])
    for k in range(2, len(taps), 2):
        near, far = taps[k], taps[k + 1]
        before, after = line[middle - k :], line[middle + k :]
        first, last = line[middle - k - 1 :], line[middle + k + 1 :]
        for x in range(len(out)):
            out[x] += near * (before[x] + after[x]) + far * (first[x] + last[x])


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def blur_across(  # pragma: no cover - compiled
    lines: FloatArray, middle: int, taps: FloatArray, out: FloatArray
) -> None:
    """Fill ``out`` with lines of a ring blurred across, ``middle`` in the middle."""
    count, own, near = len(lines), taps[0], taps[1]
    centre = lines[middle % count]
    before, after = lines[(middle - 1) % count], lines[(middle + 1) % count]
    for x in range(len(out)):
        out[x] = own * centre[x] + near * (before[x] + after[x])
    for k in range(2, len(taps), 2):
        near, far = taps[k], taps[k + 1]
        before, after = lines[(middle - k) % count], lines[(middle + k) % count]
        first, last = lines[(middle - k - 1) % count], lines[(middle + k + 1) % count]
        for x in range(len(out)):
            out[x] += near * (before[x] + after[x]) + far * (first[x] + last[x])


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def mirror_line(  # pragma: no cover - compiled
    line: FloatArray, margin: int, out: FloatArray
) -> None:
    """Fill ``out`` with a line and, to either side, as much of its mirror image."""
    width, inner = len(line), out[margin:]
    for x in range(width):  # no assignment of parts: its error texts take seconds to build
        inner[x] = line[x]
    for x in range(margin):
        out[x] = line[mirrored(x - margin, width)]
        out[margin + width + x] = line[mirrored(width + x, width)]
