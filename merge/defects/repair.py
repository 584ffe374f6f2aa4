"""A frame without the defects of its sensor."""

from __future__ import annotations

from typing import Any

import numba
import numpy as np

from merge.encoding import scale_light
from merge.errors import FrameMismatchError
from merge.model import DustSpot, FloatArray, SensorDefects


def repair_frame(pixels: FloatArray, defects: SensorDefects, transfer: str) -> FloatArray:
    """Return a frame without defects; changes ``pixels`` itself, at the listed places only.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, C), float32
        As read. Changed.
    defects : SensorDefects
    transfer : str
        Curve of the pixels, see `merge.encoding`.

    Raises
    ------
    FrameMismatchError
        If the frame has another size than those that the defects were found on.

    Notes
    -----
    Hot and dead pixels are filled from the sound pixels around; light that dust took is given back
    by division. What dust left above white is cut off there.
    """
    if pixels.shape[:2] != defects.shape:
        (height, width), (rows, columns) = pixels.shape[:2], defects.shape
        raise FrameMismatchError(
            f"{width} x {height} px, but the sensor's defects were found on {columns} x {rows} px; "
            "merge frames of one size"
        )
    if len(defects.pixels):
        bad = np.zeros(defects.shape, np.bool_)
        bad[defects.pixels[:, 0], defects.pixels[:, 1]] = True
        _fill(pixels, bad, defects.pixels)
    for spot in defects.dust:
        _brighten(pixels, spot, transfer)
    return pixels


def _brighten(pixels: FloatArray, spot: DustSpot, transfer: str) -> None:
    reach = spot.radius_px
    top, left = (max(0, int(np.floor(c - reach))) for c in (spot.row, spot.column))
    bottom, right = (int(np.ceil(c + reach)) + 1 for c in (spot.row, spot.column))
    part = pixels[top:bottom, left:right]
    y, x = np.ogrid[top : top + part.shape[0], left : left + part.shape[1]]
    radius = np.hypot(y - spot.row, x - spot.column) / spot.spacing_px
    through = np.interp(radius, np.arange(len(spot.transmission)), spot.transmission)
    inside = through < 1
    factor = (1 / through[inside]).astype(np.float32)[:, None]
    part[inside] = np.minimum(scale_light(part[inside], factor, transfer), np.maximum(part[inside], 1))


@numba.njit(cache=True, nogil=True)
def _fill(pixels: Any, bad: Any, places: Any) -> None:  # pragma: no cover - compiled
    """Give each place the mean of the sound pixels around, nearer ones counting more."""
    height, width, channels = pixels.shape
    for i in range(places.shape[0]):
        row, column = places[i]
        for channel in range(channels):
            total, weight = 0.0, 0.0
            for r in range(max(row - 4, 0), min(row + 5, height)):
                for c in range(max(column - 4, 0), min(column + 5, width)):
                    if not bad[r, c]:
                        near = 1.0 / float((r - row) ** 2 + (c - column) ** 2) ** 2
                        total += near * pixels[r, c, channel]
                        weight += near
            if weight > 0:
                pixels[row, column, channel] = total / weight
