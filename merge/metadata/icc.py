"""ICC profiles: what curve a file's profile means, and the profile of developed raw frames.

Tag layouts: ICC.1:2022 (profile version 4.4), clauses 7, 9 and 10.
"""

from __future__ import annotations

import struct
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from merge.encoding import linearize

_Primaries = tuple[tuple[float, float], ...]

# Developed raw frames: primaries of ITU-R BT.2020-2, table 3 (wide enough for every foliage and
# sky colour, all real), white D65, with the sRGB curve, whose straight foot keeps shadow noise
# even where a pure power would lift it.
RAW_TRANSFER = "srgb"
_BT2020_XY = ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046))
_DCF_OPTIONAL_XY = ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06))
_SRGB_XY = ((0.64, 0.33), (0.30, 0.60), (0.15, 0.06))  # IEC 61966-2-1
_D65_XY = (0.3127, 0.3290)
_D50_XYZ = (0.9642, 1.0, 0.8249)  # ICC.1:2022, 7.2.16
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)  # ICC.1:2022, annex E
# IEC 61966-2-1 as a parametric curve of type 3: g, a, b, c, d.
_SRGB_PARAMETERS = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
# A tabulated curve closer than this to a named one is taken for it.
_CURVE_TOLERANCE = 0.004
# Anything beyond is no curve of a picture but damage.
_EXPONENTS = (0.2, 5.0)


def profile_channels(profile: bytes) -> int | None:
    """Return the channels a profile is for: 1 or 3; None if it is damaged or for others."""
    if len(profile) < 132 or profile[36:40] != b"acsp":
        return None
    return {b"RGB ": 3, b"GRAY": 1}.get(profile[16:20])


def same_colours(first: bytes | None, second: bytes | None) -> bool:
    """Return whether two profiles, curves aside, mean the same colours; none means sRGB.

    Grey ones always do. Others do with the same tags, or with colorants that differ by less than
    what changes a colour by one step of 8 bits: programs round those of one space differently.
    """
    if first == second or 1 in {profile_channels(given) for given in (first, second) if given}:
        return True
    ours, theirs = (_SRGB if given is None else _own_colorants(given) for given in (first, second))
    if ours is None or theirs is None:
        return bool(first and second and _without_date(first) == _without_date(second))
    return bool(np.abs(ours - theirs).max() < 1 / 255)


def profile_transfer(profile: bytes) -> str | None:
    """Return the curve of a matrix or grey profile as a name of `merge.encoding`.

    Parameters
    ----------
    profile : bytes

    Returns
    -------
    str or None
        "linear", "srgb" or "gamma:<exponent>", whichever is nearest to the profile's green
        (or grey) curve; None if the profile has no curve or is damaged.
    """
    try:
        tag = _find_tag(profile, b"gTRC") or _find_tag(profile, b"kTRC")
        with np.errstate(all="ignore"):  # a damaged curve may overflow; it is checked below
            return None if tag is None else _name_curve(tag)
    except (struct.error, ValueError, IndexError, OverflowError):
        return None


@lru_cache(maxsize=1)
def working_profile() -> bytes:
    """Return the profile of developed raw frames: BT.2020 primaries, D65, sRGB curve."""
    curve = b"para" + struct.pack(">IHH", 0, 3, 0) + _fixed(*_SRGB_PARAMETERS)
    return _matrix_profile("BT.2020 primaries, sRGB curve", _BT2020_XY, curve)


@lru_cache(maxsize=1)
def optional_profile() -> bytes:
    """Return the profile of the wider colour space that a camera may use without embedding it.

    The optional colour space of DCF 2.0 (JEITA CP-3461A): green at x 0.21, y 0.71; power 563/256.
    """
    curve = b"curv" + struct.pack(">IIH", 0, 1, 563)
    return _matrix_profile("DCF optional colour space", _DCF_OPTIONAL_XY, curve)


def uses_optional_colours(exif: bytes) -> bool:
    """Return whether an EXIF block names the optional colour space of DCF: index ``R03``."""
    little = struct.pack("<HHI", 1, 2, 4) + b"R03\0"
    big = struct.pack(">HHI", 1, 2, 4) + b"R03\0"
    return little in exif or big in exif


def _matrix_profile(name: str, primaries_xy: _Primaries, curve: bytes) -> bytes:
    to_pcs, adaptation = _colorants(primaries_xy)
    tags = {
        b"desc": _localised(name),
        b"cprt": _localised("No copyright, use freely"),
        b"wtpt": b"XYZ \0\0\0\0" + _fixed(*_D50_XYZ),
        b"chad": b"sf32\0\0\0\0" + _fixed(*adaptation.ravel()),
        b"rXYZ": b"XYZ \0\0\0\0" + _fixed(*to_pcs[:, 0]),
        b"gXYZ": b"XYZ \0\0\0\0" + _fixed(*to_pcs[:, 1]),
        b"bXYZ": b"XYZ \0\0\0\0" + _fixed(*to_pcs[:, 2]),
        b"rTRC": curve,
        b"gTRC": curve,
        b"bTRC": curve,
    }
    return _assemble(tags)


def _assemble(tags: dict[bytes, bytes]) -> bytes:
    at = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    places: dict[bytes, int] = {}
    for name, data in tags.items():
        if data not in places:
            places[data] = at + len(body)
            body += data + b"\0" * (-len(data) % 4)
        table += name + struct.pack(">II", places[data], len(data))
    size = 128 + len(table) + len(body)
    header = struct.pack(">I4sI4s4s4s", size, b"\0" * 4, 0x04400000, b"mntr", b"RGB ", b"XYZ ")
    header += struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp" + b"\0" * 28
    header += _fixed(*_D50_XYZ)
    return header.ljust(128, b"\0") + table + body


def _colorants(
    primaries_xy: _Primaries,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the matrix from linear RGB to D50 XYZ, and the adaptation within it."""
    white = _xyz(*_D65_XY)
    primaries = np.stack([_xyz(*xy) for xy in primaries_xy], axis=1)
    to_xyz = primaries * np.linalg.solve(primaries, white)
    gain = (_BRADFORD @ np.array(_D50_XYZ)) / (_BRADFORD @ white)
    adaptation = np.linalg.solve(_BRADFORD, gain[:, None] * _BRADFORD)
    return adaptation @ to_xyz, adaptation


def _own_colorants(profile: bytes) -> NDArray[np.float64] | None:
    """Return the colorants of a profile that has nothing else but curves, shape (3, 3)."""
    try:
        if _find_tag(profile, b"A2B0") is not None:
            return None
        tags = [_find_tag(profile, name) for name in (b"rXYZ", b"gXYZ", b"bXYZ")]
        stored = [struct.unpack_from(">3i", tag, 8) for tag in tags if tag is not None]
    except struct.error:
        return None
    return np.array(stored).T / 65536 if len(stored) == 3 else None


def _xyz(x: float, y: float) -> NDArray[np.float64]:
    return np.array([x / y, 1.0, (1 - x - y) / y])


def _fixed(*values: float) -> bytes:
    """Return values as s15Fixed16Number."""
    return struct.pack(f">{len(values)}i", *(round(value * 65536) for value in values))


def _localised(text: str) -> bytes:
    data = text.encode("utf-16-be")
    return b"mluc" + struct.pack(">III2s2sII", 0, 1, 12, b"en", b"US", len(data), 28) + data


def _without_date(profile: bytes) -> bytes:
    return profile[:24] + profile[36:84] + profile[100:]


def _find_tag(profile: bytes, name: bytes) -> bytes | None:
    (count,) = struct.unpack_from(">I", profile, 128)
    for i in range(min(count, 200)):
        tag, at, size = struct.unpack_from(">4sII", profile, 132 + 12 * i)
        if tag == name:
            return profile[at : at + size]
    return None


def _name_curve(tag: bytes) -> str | None:
    stored = np.linspace(0.0, 1.0, 257)
    light = _sample_curve(tag, stored)
    if light is None or not np.isfinite(light).all():
        return None
    exponent = _fit_exponent(stored, light)
    if not _EXPONENTS[0] < exponent < _EXPONENTS[1]:
        return None
    if abs(exponent - 1) < 0.005:
        return "linear"
    srgb_error = float(np.abs(linearize(stored, "srgb") - light).max())
    gamma_error = float(np.abs(stored**exponent - light).max())
    if srgb_error < max(_CURVE_TOLERANCE, gamma_error):
        return "srgb"
    return f"gamma:{exponent:.4g}"


def _fit_exponent(stored: NDArray[np.float64], light: NDArray[np.float64]) -> float:
    inside = (light > 0.01) & (light < 0.99)
    if not inside.any():
        raise ValueError("curve without middle tones")
    x, y = np.log(stored[inside]), np.log(light[inside])
    return float((x @ y) / (x @ x))


def _sample_curve(tag: bytes, stored: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Return a curve's values; ICC.1:2022, 10.6 (curv) and 10.18 (para)."""
    if tag[:4] == b"curv":
        (count,) = struct.unpack_from(">I", tag, 8)
        if count == 0:
            return stored
        if count == 1:
            return stored ** (struct.unpack_from(">H", tag, 12)[0] / 256)
        table = np.frombuffer(tag, ">u2", count, 12) / 65535
        return np.interp(stored, np.linspace(0, 1, count), table)
    if tag[:4] != b"para":
        return None
    (form,) = struct.unpack_from(">H", tag, 8)
    size = (1, 3, 4, 5, 7)[form]
    g, a, b, c, d, e, f = np.array(
        [*(v / 65536 for v in struct.unpack_from(f">{size}i", tag, 12)), *[0.0] * (7 - size)]
    )
    if form == 0:
        return stored**g
    power = np.maximum(a * stored + b, 0) ** g
    if form in (1, 2):
        return np.where(a * stored + b >= 0, power + c, c)
    return np.where(stored >= d, power + e, c * stored + f)


_SRGB = _colorants(_SRGB_XY)[0]
