"""Write capture settings as EXIF.

Written by hand because the libraries that can write EXIF either rewrite whole files in place
(not atomic, no BigTIFF) or bring a copyleft licence.
"""

from __future__ import annotations

import datetime as dt
import struct
from fractions import Fraction

from merge.model import CaptureSettings

# (tag, type, number of values, value bytes); types of TIFF 6.0, section 2.
Entry = tuple[int, int, int, bytes]
_BYTE, _ASCII, _SHORT, _LONG, _RATIONAL, _UNDEFINED, _LONG8 = 1, 2, 3, 4, 5, 7, 16
_EXIF_POINTER, _GPS_POINTER = 34665, 34853


def build_exif_block(settings: CaptureSettings, *, software: str) -> bytes:
    """Return a complete EXIF block (little-endian TIFF structure), as JPEG and PNG hold it.

    Only what stays true of a merged picture is written: no maker note, no thumbnail, no
    focus distance, orientation 1.

    Parameters
    ----------
    settings : CaptureSettings
        Settings of the reference frame.
    software : str
        Name and version of the writer.
    """
    main = [
        _ascii(271, settings.maker),
        _ascii(272, settings.model or settings.camera),
        (274, _SHORT, 1, struct.pack("<H", 1)),
        _ascii(305, software),
        _ascii(315, settings.artist),
        _ascii(33432, settings.copyright),
        (_EXIF_POINTER, _LONG, 1, b"\0" * 4),
    ]
    if _gps_entries(settings):
        main.append((_GPS_POINTER, _LONG, 1, b"\0" * 4))
    entries = [entry for entry in main if entry]
    size = len(_serialise(entries, 8, big=False))
    exif, gps, exif_at, gps_at = build_exif_ifds(settings, base=8 + size)
    places = {_EXIF_POINTER: exif_at, _GPS_POINTER: gps_at}
    entries = [
        (tag, kind, count, struct.pack("<I", places[tag] or 0) if tag in places else value)
        for tag, kind, count, value in entries
    ]
    return b"II*\0\x08\0\0\0" + _serialise(entries, 8, big=False) + exif + gps


def build_exif_ifds(
    settings: CaptureSettings, *, base: int, big: bool = False
) -> tuple[bytes, bytes, int, int | None]:
    """Return the EXIF and GPS directories as they stand at byte ``base`` of a file.

    Parameters
    ----------
    settings : CaptureSettings
    base : int
        Even position at which the first of them will be written.
    big : bool
        Lay them out for BigTIFF.

    Returns
    -------
    tuple of (bytes, bytes, int, int or None)
        EXIF directory; GPS directory (empty without a position), to follow at once; their
        positions, None for a GPS directory that is not there.
    """
    exif = _serialise(_exif_entries(settings), base, big=big)
    entries = _gps_entries(settings)
    if not entries:
        return exif, b"", base, None
    gps_at = base + len(exif)
    return exif, _serialise(entries, gps_at, big=big), base, gps_at


def _serialise(entries: list[Entry], base: int, *, big: bool) -> bytes:
    """Return one directory and, behind it, the values that do not fit into its entries."""
    inline, head, row, tail = (8, 8, 20, 8) if big else (4, 2, 12, 4)
    at = base + head + row * len(entries) + tail
    rows, values = b"", b""
    for tag, kind, count, value in sorted(entries):
        rows += struct.pack("<HHQ" if big else "<HHI", tag, kind, count)
        if len(value) <= inline:
            rows += value.ljust(inline, b"\0")
        else:
            rows += struct.pack("<Q" if big else "<I", at + len(values))
            values += value + b"\0" * (len(value) % 2)
    directory = struct.pack("<Q" if big else "<H", len(entries)) + rows + b"\0" * tail + values
    return directory + b"\0" * (len(directory) % 2)


def _ascii(tag: int, text: str | None) -> Entry | None:
    if not text:
        return None
    value = text.encode("utf-8") + b"\0"
    return tag, _ASCII, len(value), value


def _rational(tag: int, *values: float | None) -> Entry | None:
    if any(value is None or not 0 <= value < 2**31 for value in values):
        return None
    ratios = [Fraction(value or 0).limit_denominator(1_000_000) for value in values]
    packed = [_fit(ratio) for ratio in ratios]
    return tag, _RATIONAL, len(packed), b"".join(struct.pack("<II", *pair) for pair in packed)


def _fit(ratio: Fraction) -> tuple[int, int]:
    """Return numerator and denominator below 2**32."""
    while ratio.numerator >= 2**32:
        ratio = ratio.limit_denominator(max(1, ratio.denominator // 2))
    return ratio.numerator, ratio.denominator


def _exif_entries(settings: CaptureSettings) -> list[Entry]:
    entries: list[Entry | None] = [
        (36864, _UNDEFINED, 4, b"0232"),
        # 65535 = "uncalibrated": the embedded profile tells.
        (40961, _SHORT, 1, struct.pack("<H", 65535)),
        _rational(33434, settings.exposure_time_s),
        _rational(33437, settings.f_number),
        _rational(37386, settings.focal_length_mm),
        _ascii(42036, settings.lens),
    ]
    if settings.iso is not None:
        speed = min(65535, round(settings.iso))
        entries.append((34855, _SHORT, 1, struct.pack("<H", speed)))
        if speed == 65535:
            entries.append((34864, _SHORT, 1, struct.pack("<H", 2)))
            entries.append((34866, _LONG, 1, struct.pack("<I", round(settings.iso))))
    if settings.pixel_pitch_um:
        entries += [
            _rational(41486, 10000 / settings.pixel_pitch_um),
            _rational(41487, 10000 / settings.pixel_pitch_um),
            (41488, _SHORT, 1, struct.pack("<H", 3)),
        ]
    if settings.captured_at is not None:
        entries += _date_entries(settings.captured_at)
    return [entry for entry in entries if entry]


def _date_entries(when: dt.datetime) -> list[Entry | None]:
    entries = [_ascii(36867, when.strftime("%Y:%m:%d %H:%M:%S"))]
    if when.microsecond:
        entries.append(_ascii(37521, f"{when.microsecond:06d}".rstrip("0")))
    offset = when.utcoffset()
    if offset is not None:
        minutes = round(offset.total_seconds() / 60)
        sign = "-" if minutes < 0 else "+"
        entries.append(_ascii(36881, f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"))
    return entries


def _gps_entries(settings: CaptureSettings) -> list[Entry]:
    latitude, longitude = settings.latitude_deg, settings.longitude_deg
    if latitude is None or longitude is None:
        return []
    entries = [
        (0, _BYTE, 4, bytes((2, 3, 0, 0))),
        _ascii(1, "S" if latitude < 0 else "N"),
        _rational(2, *_sexagesimal(latitude)),
        _ascii(3, "W" if longitude < 0 else "E"),
        _rational(4, *_sexagesimal(longitude)),
    ]
    if settings.altitude_m is not None:
        entries.append((5, _BYTE, 1, bytes([settings.altitude_m < 0])))
        entries.append(_rational(6, abs(settings.altitude_m)))
    return [entry for entry in entries if entry]


def _sexagesimal(degrees: float) -> tuple[float, float, float]:
    # Rounded to 0.1 mm on the ground first, so that 59.99999 never becomes 60.
    seconds = round(abs(degrees) * 3600, 5)
    return seconds // 3600, seconds % 3600 // 60, round(seconds % 60, 5)
