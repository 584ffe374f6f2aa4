"""Curves between linear light and the values a picture stores.

Pictures are worked on in their own encoding, where noise is nearly even; physics (exposure
gain, optical transfer, averaging of light) needs linear light. A curve is named by a string:
"srgb", "linear" or "gamma:<exponent>", where the stored value is light ** (1 / exponent).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import FloatArray

# IEC 61966-2-1:1999, clause 5.2 (encoding transformation of sRGB).
_SRGB_SLOPE = 12.92
_SRGB_OFFSET = 0.055
_SRGB_EXPONENT = 2.4
_SRGB_BREAK = 0.0031308


def parse_transfer(transfer: str) -> float | None:
    """Return the exponent of a curve: 1.0 for "linear", None for "srgb".

    Raises
    ------
    ValueError
        If the name is none of "srgb", "linear", "gamma:<positive number>".
    """
    if transfer == "srgb":
        return None
    if transfer == "linear":
        return 1.0
    kind, _, number = transfer.partition(":")
    try:
        exponent = float(number)
    except ValueError:
        exponent = 0.0
    if kind != "gamma" or exponent <= 0:
        raise ValueError(f"transfer {transfer!r}: expected 'srgb', 'linear' or 'gamma:<exponent>'")
    return exponent


def linearize(values: NDArray[np.floating], transfer: str) -> FloatArray:
    """Return linear light for stored values.

    Parameters
    ----------
    values : ndarray of float, any shape
        Stored values, 0 = black, 1 = white; negative values keep their sign.
    transfer : str
        "srgb" (IEC 61966-2-1:1999), "linear" or "gamma:<exponent>".

    Returns
    -------
    ndarray of float32, same shape

    Examples
    --------
    >>> round(float(linearize(np.array([0.5]), "srgb")[0]), 4)
    0.214
    """
    exponent = parse_transfer(transfer)
    stored = np.asarray(values, np.float32)
    if exponent == 1.0:
        return stored.copy()
    size = np.abs(stored)
    if exponent is None:
        bent = cv2.pow(np.ravel((size + _SRGB_OFFSET) / (1 + _SRGB_OFFSET)), _SRGB_EXPONENT)
        bent = bent.reshape(stored.shape)
        light = np.where(size <= _SRGB_BREAK * _SRGB_SLOPE, size / _SRGB_SLOPE, bent)
    else:
        light = cv2.pow(np.ravel(size), exponent).reshape(stored.shape)
    return np.copysign(light, stored).astype(np.float32, copy=False)


def encode(light: NDArray[np.floating], transfer: str) -> FloatArray:
    """Return stored values for linear light; the inverse of `linearize`.

    Parameters
    ----------
    light : ndarray of float, any shape
        0 = black, 1 = white; negative values keep their sign.
    transfer : str
        See `linearize`.

    Returns
    -------
    ndarray of float32, same shape
    """
    exponent = parse_transfer(transfer)
    values = np.asarray(light, np.float32)
    if exponent == 1.0:
        return values.copy()
    size = np.abs(values)
    if exponent is None:
        bent = cv2.pow(np.ravel(size), 1 / _SRGB_EXPONENT).reshape(values.shape)
        bent = bent * (1 + _SRGB_OFFSET) - _SRGB_OFFSET
        stored = np.where(size <= _SRGB_BREAK, size * _SRGB_SLOPE, bent)
    else:
        stored = cv2.pow(np.ravel(size), 1 / exponent).reshape(values.shape)
    return np.copysign(stored, values).astype(np.float32, copy=False)


def scale_light(values: FloatArray, factor: float | FloatArray, transfer: str) -> FloatArray:
    """Return stored values whose linear light is multiplied by ``factor``.

    Parameters
    ----------
    values : ndarray, shape (H, W, C), float32
    factor : float, or ndarray that broadcasts to (H, W, C)
        Above 0.
    transfer : str
        See `linearize`.

    Notes
    -----
    Exact and without a power per pixel: every curve here is a power law of light, so a factor of
    light is a factor (for sRGB about its offset) of the stored value. The few sRGB values that
    the factor moves across the curve's break are off by less than 0.002.
    """
    exponent = parse_transfer(transfer)
    scale = np.float32(factor)
    if exponent is not None:
        return values * scale ** np.float32(1 / exponent)
    bent = scale ** np.float32(1 / _SRGB_EXPONENT)
    offset = np.float32(_SRGB_OFFSET)
    low = values <= np.float32(_SRGB_BREAK * _SRGB_SLOPE)
    out = np.multiply(values, bent)
    out += bent * offset - offset
    np.multiply(values, scale, out=out, where=low)
    return out
