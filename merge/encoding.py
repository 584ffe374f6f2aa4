"""Curves between linear light and the values a picture stores.

Pictures are worked on in their own encoding, where noise is nearly even; physics (exposure
gain, optical transfer, averaging of light) needs linear light. A curve is named by a string:
"srgb", "linear" or "gamma:<exponent>", where the stored value is light ** (1 / exponent).
"""

from __future__ import annotations

import math
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.compiled import njit
from merge.model import FloatArray

# IEC 61966-2-1:1999, clause 5.2 (encoding transformation of sRGB).
_SRGB_SLOPE = 12.92
_SRGB_OFFSET = 0.055
_SRGB_EXPONENT = 2.4
_SRGB_BREAK = 0.0031308
# The bent part of the sRGB curve is a polynomial of this degree in the fourth root of what is
# raised to a power: off by up to 6e-7 of white, by rounding; vectorised, which tables are not.
_DEGREE = 9


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
    if exponent is None:
        return _through_curve(stored, to_light=True)
    light = cv2.pow(np.ravel(np.abs(stored)), exponent).reshape(stored.shape)
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
    if exponent is None:
        return _through_curve(values, to_light=False)
    stored = cv2.pow(np.ravel(np.abs(values)), 1 / exponent).reshape(values.shape)
    return np.copysign(stored, values).astype(np.float32, copy=False)


def light_slope(light: FloatArray, transfer: str) -> FloatArray:
    """Return by how much light changes with a stored value, where there is so much light.

    Parameters
    ----------
    light : ndarray, shape (H, W, C), float32
        0 = black, 1 = white.
    transfer : str
        See `linearize`.
    """
    exponent = parse_transfer(transfer)
    if exponent == 1.0:
        return np.ones_like(light)
    if exponent is None:  # the bent part; its slope is 2 % off at the break, and even below
        power, factor = 1 - 1 / _SRGB_EXPONENT, _SRGB_EXPONENT / (1 + _SRGB_OFFSET)
        bounded = np.maximum(light, np.float32(_SRGB_BREAK))
    else:
        power, factor = 1 - 1 / exponent, exponent
        bounded = np.maximum(light, np.float32(0))
    return cv2.pow(bounded, power).reshape(light.shape) * np.float32(factor)


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
    Without a power per pixel: every curve here is a power law of light, so a factor of light is a
    factor (for sRGB about its offset) of the stored value. The few sRGB values that it moves across
    the curve's break go through linear light.
    """
    exponent = parse_transfer(transfer)
    scale = np.float32(factor)
    if exponent is not None:
        return values * scale ** np.float32(1 / exponent)
    bent = scale ** np.float32(1 / _SRGB_EXPONENT)
    offset = np.float32(_SRGB_OFFSET)
    straight = np.float32(_SRGB_BREAK * _SRGB_SLOPE)
    low = values <= straight
    out = np.multiply(values, bent)
    out += bent * offset - offset
    np.multiply(values, scale, out=out, where=low)
    crossing = low != (out <= straight)
    if crossing.any():
        light = linearize(values[crossing], transfer)
        out[crossing] = encode(light * np.broadcast_to(scale, out.shape)[crossing], transfer)
    return out


def _srgb_bend(values: NDArray[np.float64], *, to_light: bool) -> NDArray[np.float64]:
    """Return the power law of the sRGB curve, above its break."""
    if to_light:
        return np.asarray(((values + _SRGB_OFFSET) / (1 + _SRGB_OFFSET)) ** _SRGB_EXPONENT)
    return np.asarray((1 + _SRGB_OFFSET) * values ** (1 / _SRGB_EXPONENT) - _SRGB_OFFSET)


@lru_cache(maxsize=2)
def _bend_numbers(to_light: bool) -> tuple[np.float32, ...]:
    """Return for `_bend`: from value to fourth power, from root to [-1, 1], and coefficients."""
    first = _SRGB_BREAK * _SRGB_SLOPE if to_light else _SRGB_BREAK
    scale, shift = (1 / (1 + _SRGB_OFFSET), _SRGB_OFFSET) if to_light else (1.0, 0.0)
    least = ((first + shift) * scale) ** 0.25
    middle, half = (1 + least) / 2, (1 - least) / 2
    fitted = np.polynomial.Chebyshev.interpolate(
        lambda z: _srgb_bend((middle + half * z) ** 4 / scale - shift, to_light=to_light), _DEGREE
    )
    curve = fitted.convert(kind=np.polynomial.Polynomial).coef
    numbers = (scale, shift * scale, 1 / half, -middle / half, *curve.tolist())
    return tuple(np.float32(number) for number in numbers)


def _through_curve(values: FloatArray, *, to_light: bool) -> FloatArray:
    """Return values through the sRGB curve, the few above white through its formula."""
    out = np.empty(values.shape, np.float32)
    first = _SRGB_BREAK * _SRGB_SLOPE if to_light else _SRGB_BREAK
    slope = 1 / _SRGB_SLOPE if to_light else _SRGB_SLOPE
    flat, filled = np.ravel(values), out.reshape(-1)
    if _bend(flat, filled, _bend_numbers(to_light), np.float32(first), np.float32(slope)):
        above = np.abs(flat) > 1
        bent = _srgb_bend(np.abs(flat[above]).astype(np.float64), to_light=to_light)
        filled[above] = np.copysign(bent, flat[above])
    return out


# As fast as can be, but what is no number stays none.
@njit(nogil=True, fastmath={"reassoc", "contract", "arcp"}, error_model="numpy")
def _bend(  # pragma: no cover - compiled
    values: FloatArray, out: FloatArray, numbers: tuple, first: np.float32, slope: np.float32
) -> bool:
    """Fill ``out`` with the curve, straight up to ``first``; tell whether any is above 1."""
    scale, shift, steep, start, c0, c1, c2, c3, c4, c5, c6, c7, c8, c9 = numbers
    above = np.int32(0)
    for i in range(len(values)):
        size = abs(values[i])
        above += np.int32(size > np.float32(1))
        z = np.sqrt(np.sqrt(size * scale + shift)) * steep + start
        bent = c4 + z * (c5 + z * (c6 + z * (c7 + z * (c8 + z * c9))))
        bent = c0 + z * (c1 + z * (c2 + z * (c3 + z * bent)))
        out[i] = math.copysign(size * slope if size <= first else bent, values[i])
    return bool(above > 0)
