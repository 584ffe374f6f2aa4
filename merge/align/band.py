"""The band of a picture that frames are compared by, and how finely it tells.

A difference of Gaussians, taken line by line: see `merge.gaussian`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from merge.compiled import njit
from merge.gaussian import blur_across, blur_along, half_of_taps, mirror_line
from merge.model import FloatArray
from merge.resizing import mirrored

BandArray = NDArray[np.int16]

# Linear light of one step of a stored band: far below the noise, and half the memory of floats.
BAND_UNIT = 1 / 20000
# The two Gaussians, on every pyramid level, in that level's pixels.
_SIGMA_NARROW, SIGMA_WIDE = 1.0, 2.0


def take_band(picture: FloatArray) -> BandArray:
    """Return the band of a picture (h, w), in units of `BAND_UNIT`."""
    band = np.empty(picture.shape, np.int16)
    # Variances add up.
    between = float(np.sqrt(SIGMA_WIDE**2 - _SIGMA_NARROW**2))
    whole = np.ascontiguousarray(picture)
    _fill_band(whole, half_of_taps(_SIGMA_NARROW), half_of_taps(between), band)
    return band


# Two blurs of the whole picture and their difference take 1.6 to 1.9 times as long.
@njit(nogil=True, fastmath=True, error_model="numpy", takes="f2 f1 f1 h2")
def _fill_band(  # pragma: no cover - compiled
    picture: FloatArray, narrow: FloatArray, between: FloatArray, band: BandArray
) -> None:
    """Fill ``band`` with what ``between`` takes off the picture blurred by ``narrow``.

    Both are halves of taps.
    """
    (height, width), near, far = picture.shape, len(narrow) - 1, len(between) - 1
    margin, unit = near + far, np.float32(1 / BAND_UNIT)
    least, most = np.float32(-32768), np.float32(32767)
    padded, blurred = np.empty(width + 2 * margin, np.float32), np.empty(width, np.float32)
    # Rings of the lines that are in use: blurred along x, then along y, twice.
    once = np.empty((2 * near + 1, width + 2 * far), np.float32)
    fine = np.empty((far + 1, width + 2 * far), np.float32)
    twice = np.empty((2 * far + 1, width), np.float32)
    for y in range(-margin, height + margin):
        mirror_line(picture[mirrored(y, height)], margin, padded)
        blur_along(padded, narrow, once[y % len(once)])
        at = y - near
        if at < -far:
            continue
        sharp = fine[at % len(fine)]
        blur_across(once, at, narrow, sharp)
        blur_along(sharp, between, twice[at % len(twice)])
        at -= far
        if at < 0:
            continue
        blur_across(twice, at, between, blurred)
        line, sharp = band[at], fine[at % len(fine), far:]
        for x in range(width):
            value = np.rint((sharp[x] - blurred[x]) * unit)
            line[x] = np.int16(min(max(value, least), most))


def finest_wave() -> float:
    """Return the waves of the finest band, radians a px: where it lets most through."""
    narrow, wide = _SIGMA_NARROW**2, SIGMA_WIDE**2
    return float(np.sqrt(2 * np.log(wide / narrow) / (wide - narrow)))
