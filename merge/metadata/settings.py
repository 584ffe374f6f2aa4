"""What a file tells about how its picture was taken."""

from __future__ import annotations

import dataclasses
import datetime as dt
import io
import logging
import math
import re
from collections.abc import Mapping
from typing import Any, BinaryIO

import exifread

from merge.model import CaptureSettings

# Without a handler the library's warnings about odd headers would land on the terminal.
_SILENCE = logging.NullHandler()
_FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
_UNIT_MM = {2: 25.4, 3: 10.0}
# Values that stand for "infinity" or "not known" in 16-bit maker-note distances.
_NO_DISTANCE_CM = 65535

# Maker whose notes the parser reads a focus distance from.
_DISTANCE_IN_NOTE = "Canon"
# About a tenth of a second; whole headers of cameras need some thousand reads, and as many
# more as their maker note has bytes.
_MAX_READS = 150_000

Tags = Mapping[str, Any]

# What a camera can have been set to, with room on both sides: beyond, a number is damage, and
# reads as not known. f/0.5 to f/256 are the ends of the series of ISO 517 and pinholes; speeds of
# ISO 12232; exposures from flashes' to star trails'; telescopes' focal lengths.
_PLAUSIBLE = {
    "exposure_time_s": (1e-7, 1e6),
    "f_number": (0.3, 1000.0),
    "iso": (0.1, 1e8),
    "focal_length_mm": (0.1, 1e5),
    "focus_distance_m": (1e-4, 1000.0),
    "pixel_pitch_um": (0.3, 100.0),
    "altitude_m": (-20_000.0, 20_000.0),
}
# No camera recorded a time before; later ones come of a clock's rest. Both leave room for zones.
_YEARS = range(1900, 2200)
_TEXT_LIMIT = 200


def read_settings(
    exif: bytes | BinaryIO | None,
    *,
    xmp: bytes = b"",
    size: tuple[int, int] | None = None,
) -> tuple[CaptureSettings, int]:
    """Return capture settings and orientation as recorded in a header.

    Parameters
    ----------
    exif : bytes or binary file or None
        EXIF block (a TIFF structure, as in JPEG APP1 without its ``Exif`` mark), or an open
        TIFF-like file.
    xmp : bytes
        XMP packet, used for lens and focus distance when EXIF lacks them.
    size : tuple of int, optional
        (width, height) in pixels of the picture as stored, for the pixel pitch.

    Returns
    -------
    CaptureSettings
        Fields are None where the header does not tell, or says nonsense.
    int
        EXIF orientation, 1 to 8; 1 where absent or invalid.

    Notes
    -----
    Never raises: a damaged header gives what could be read. Tags: CIPA DC-008 (Exif 2.32),
    4.6; the maker-note distance of one common make is from memory.
    """
    tags = _read_tags(exif, maker_note=False)
    if _needs_maker_note(tags):
        tags = {**_read_tags(exif, maker_note=True), **tags}
    camera, maker, model = _camera(tags)
    found = CaptureSettings(
        camera=camera,
        maker=maker,
        model=model,
        lens=_text(tags, "EXIF LensModel")
        or _text(tags, "MakerNote LensModel")
        or _xmp_value(xmp, "aux:Lens"),
        exposure_time_s=_exposure_time_s(tags),
        f_number=_f_number(tags),
        iso=_iso(tags),
        focal_length_mm=_number(tags, "EXIF FocalLength"),
        focus_distance_m=_focus_distance_m(tags, xmp),
        pixel_pitch_um=_pixel_pitch_um(tags, size),
        captured_at=_captured_at(tags),
        latitude_deg=_degrees(tags, "GPS GPSLatitude", "S", 90.0),
        longitude_deg=_degrees(tags, "GPS GPSLongitude", "W", 180.0),
        altitude_m=_altitude_m(tags),
        artist=_text(tags, "Image Artist"),
        copyright=_text(tags, "Image Copyright"),
    )
    orientation = _number(tags, "Image Orientation") or 1
    return plausible_settings(found), int(orientation) if orientation in range(1, 9) else 1


def merge_settings(first: CaptureSettings, second: CaptureSettings) -> CaptureSettings:
    """Return ``first`` with its unknown fields taken from ``second``."""
    missing = {
        field.name: getattr(second, field.name)
        for field in dataclasses.fields(first)
        if getattr(first, field.name) is None
    }
    return dataclasses.replace(first, **missing)


def plausible_settings(settings: CaptureSettings) -> CaptureSettings:
    """Return settings without numbers, times and texts that no camera has written."""
    unknown: dict[str, Any] = {
        name: None
        for name, (least, most) in _PLAUSIBLE.items()
        if (value := getattr(settings, name)) is not None and not least <= value <= most
    }
    if settings.captured_at is not None and settings.captured_at.year not in _YEARS:
        unknown["captured_at"] = None
    for name in ("camera", "maker", "model", "lens", "artist", "copyright"):
        text = getattr(settings, name)
        if text is not None and len(text) > _TEXT_LIMIT:
            unknown[name] = text[:_TEXT_LIMIT]
    return dataclasses.replace(settings, **unknown)


class _LimitedReader:
    """A file that refuses to be read endlessly.

    The parser follows a damaged count for hours, byte by byte, far beyond the end.
    """

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._left = _MAX_READS
        self.seek = file.seek
        self.tell = file.tell

    def read(self, size: int = -1) -> bytes:
        self._left -= 1
        if self._left < 0:
            raise EOFError("damaged header")
        return self._file.read(size)


def _read_tags(exif: bytes | BinaryIO | None, *, maker_note: bool) -> Tags:
    if not exif:
        return {}
    logging.getLogger("exifread").addHandler(_SILENCE)
    stream = io.BytesIO(exif) if isinstance(exif, bytes) else exif
    stream.seek(0)
    reader: Any = _LimitedReader(stream)
    try:
        return exifread.process_file(reader, details=maker_note, extract_thumbnail=False)
    except Exception:  # the parser raises whatever a damaged header makes it stumble over
        return {}


def _needs_maker_note(tags: Tags) -> bool:
    """Return whether a maker note may tell more; reading it costs milliseconds."""
    if not tags or "Image Make" not in tags:
        return False
    knows_distance = (_text(tags, "Image Make") or "").startswith(_DISTANCE_IN_NOTE)
    return _text(tags, "EXIF LensModel") is None or (
        knows_distance and _number(tags, "EXIF SubjectDistance") is None
    )


def _tag_values(tags: Tags, name: str) -> Any:
    """Return a tag's values; settings may stand in the main directory, too (TIFF/EP)."""
    tag = tags.get(name) or tags.get(name.replace("EXIF ", "Image ", 1))
    return getattr(tag, "values", None)


def _values(tags: Tags, name: str) -> list[float]:
    values = _tag_values(tags, name)
    if values is None or isinstance(values, str):
        return []
    if isinstance(values, (int, float)):  # maker notes give bare numbers
        values = [values]
    try:
        # The parser wraps every floating-point value in a tuple of its own.
        numbers = [float(v[0] if isinstance(v, tuple) else v) for v in values]
    except (TypeError, ValueError, ArithmeticError, IndexError):
        return []
    return numbers if all(math.isfinite(number) for number in numbers) else []


def _number(tags: Tags, name: str) -> float | None:
    """Return a tag's first value; None where absent, zero or negative."""
    values = _values(tags, name)
    return values[0] if values and values[0] > 0 else None


def _text(tags: Tags, name: str) -> str | None:
    values = _tag_values(tags, name)
    if not isinstance(values, str):
        return None
    text = "".join(c for c in values.split("\0")[0] if c.isprintable()).strip()
    return text or None


def _xmp_value(xmp: bytes, name: str) -> str | None:
    key = re.escape(name.encode())
    match = re.search(rb"\b" + key + rb'(?:\s*=\s*"([^"]{1,200})"|>([^<]{1,200})<)', xmp)
    if match is None:
        return None
    return (match[1] or match[2]).decode("utf-8", "replace").strip() or None


def _camera(tags: Tags) -> tuple[str | None, str | None, str | None]:
    maker, model = _text(tags, "Image Make"), _text(tags, "Image Model")
    if maker and model and model.casefold().startswith(maker.casefold().split()[0]):
        return model, maker, model
    return " ".join(part for part in (maker, model) if part) or None, maker, model


def _exposure_time_s(tags: Tags) -> float | None:
    seconds = _number(tags, "EXIF ExposureTime")
    apex = _values(tags, "EXIF ShutterSpeedValue")
    if seconds is None and apex and abs(apex[0]) < 30:
        seconds = 2.0 ** -apex[0]
    return seconds


def _f_number(tags: Tags) -> float | None:
    marked = _number(tags, "EXIF FNumber")
    apex = _number(tags, "EXIF ApertureValue")
    if marked is None and apex is not None and apex < 20:
        marked = round(2.0 ** (apex / 2), 2)
    return marked


def _iso(tags: Tags) -> float | None:
    speed = _number(tags, "EXIF ISOSpeedRatings")
    if speed is None or speed == 65535:  # the 16-bit tag cannot hold more
        for name in ("EXIF RecommendedExposureIndex", "EXIF ISOSpeed", "EXIF StandardOutput"):
            speed = _number(tags, name) or speed
    return speed


def _focus_distance_m(tags: Tags, xmp: bytes) -> float | None:
    distance = _number(tags, "EXIF SubjectDistance")
    if distance is None:
        centimetres = _number(tags, "MakerNote SubjectDistance")
        if centimetres is not None and centimetres < _NO_DISTANCE_CM:
            distance = centimetres / 100
    if distance is None:
        text = _xmp_value(xmp, "aux:ApproximateFocusDistance") or ""
        above, _, below = text.partition("/")
        try:
            distance = float(above) / float(below or 1)
        except (ValueError, ZeroDivisionError):
            return None
    # The standard writes infinity as 0xFFFFFFFF; farther than a kilometre is infinity, too.
    return distance if 0 < distance < 1000 else None


def _pixel_pitch_um(tags: Tags, size: tuple[int, int] | None) -> float | None:
    """Return the pitch from the focal-plane resolution, else from the 35 mm equivalent."""
    per_unit = _number(tags, "EXIF FocalPlaneXResolution")
    unit_mm = _UNIT_MM.get(int(_number(tags, "EXIF FocalPlaneResolutionUnit") or 2))
    pitch = None
    if per_unit and unit_mm:
        pitch = 1000 * unit_mm / per_unit * _shrinkage(tags, size)
    equivalent = _number(tags, "EXIF FocalLengthIn35mmFilm")
    focal = _number(tags, "EXIF FocalLength")
    if pitch is None and equivalent and focal and size:
        pitch = 1000 * _FULL_FRAME_DIAGONAL_MM * focal / equivalent / math.hypot(*size)
    return pitch if pitch is not None and 0.3 < pitch < 100 else None


def _shrinkage(tags: Tags, size: tuple[int, int] | None) -> float:
    """Return recorded over actual size when the whole picture was resized, else 1."""
    width, height = (_number(tags, f"EXIF ExifImage{side}") for side in ("Width", "Length"))
    if not (size and width and height):
        return 1.0
    across, down = width / size[0], height / size[1]
    return across if abs(across / down - 1) < 0.005 else 1.0


def _captured_at(tags: Tags) -> dt.datetime | None:
    for kind in ("Original", "Digitized"):
        try:
            when = dt.datetime.strptime(
                _text(tags, f"EXIF DateTime{kind}") or "", "%Y:%m:%d %H:%M:%S"
            )
        except ValueError:
            continue
        if when.year not in _YEARS:
            continue
        digits = re.match(r"\d{1,9}", _text(tags, f"EXIF SubSecTime{kind}") or "")
        if digits:
            when += dt.timedelta(seconds=float(f"0.{digits[0]}"))
        return when.replace(tzinfo=_offset(_text(tags, f"EXIF OffsetTime{kind}")))
    return None


def _offset(text: str | None) -> dt.timezone | None:
    match = re.fullmatch(r"([+-])(\d\d):(\d\d)", text or "")
    if match is None or int(match[2]) > 14 or int(match[3]) > 59:
        return None
    size = dt.timedelta(hours=int(match[2]), minutes=int(match[3]))
    return dt.timezone(size if match[1] == "+" else -size)


def _degrees(tags: Tags, name: str, negative: str, limit: float) -> float | None:
    values = _values(tags, name)
    reference = _text(tags, name + "Ref")
    if len(values) != 3 or not reference:
        return None
    degrees = values[0] + values[1] / 60 + values[2] / 3600
    if not 0 <= degrees <= limit:
        return None
    return -degrees if reference.upper() == negative else degrees


def _altitude_m(tags: Tags) -> float | None:
    values, reference = _values(tags, "GPS GPSAltitude"), _values(tags, "GPS GPSAltitudeRef")
    if not values or not 0 <= values[0] < 20000:
        return None
    return -values[0] if reference and reference[0] == 1 else values[0]
