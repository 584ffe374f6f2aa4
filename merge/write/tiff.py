"""16-bit TIFF, written strip by strip."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from typing import Any, BinaryIO

import numpy as np
import tifffile
from numpy.typing import NDArray

from merge import metadata
from merge.errors import WriteError
from merge.model import CaptureSettings, FloatArray
from merge.scratch import release_pages

_STRIP_BYTES = 1 << 20
# Rows that are turned into integers at once: no full-size picture of floats beside the given one.
_BAND_ROWS = 256
# Offsets of a classic TIFF have 32 bits; 16 MiB are left for tables and metadata.
CLASSIC_LIMIT_BYTES = 2**32 - (1 << 24)
# Stand-ins for the EXIF and GPS pointers, which the library refuses to write: the next free
# numbers below them, renamed in place afterwards. The order of the tags stays ascending.
_STAND_IN = {34665: 34664, 34853: 34852}
_LONG, _LONG8 = 4, 16


def write_tiff(
    file: BinaryIO,
    values: FloatArray,
    *,
    settings: CaptureSettings,
    software: str,
    xmp: bytes,
    icc: bytes | None,
    description: str = "",
    second: tuple[NDArray[np.uint8], str] | None = None,
) -> None:
    """Write values as 16-bit TIFF into an open file, and compare what stands there.

    Parameters
    ----------
    file : binary file
        Open for reading and writing, empty.
    values : ndarray, shape (H, W) or (H, W, 3), float32
        0 = black, 1 = white; values outside are clipped.
    settings : CaptureSettings
        Written as EXIF.
    software, description : str
    xmp : bytes
    icc : bytes or None
    second : (ndarray of uint8, shape (H, W), str), optional
        A second picture, below the first one (SubIFD), and its description.

    Raises
    ------
    WriteError
        If what stands in the file differs from what was written.
    """
    height = values.shape[0]
    rows = max(1, min(height, _STRIP_BYTES // (values[:1].size * 2)))
    big = values.size * 2 > CLASSIC_LIMIT_BYTES
    with tifffile.TiffWriter(file, bigtiff=big, byteorder="<") as writer:
        writer.write(
            _strips(values, rows),
            shape=values.shape,
            dtype=np.uint16,
            photometric="rgb" if values.ndim == 3 else "minisblack",
            planarconfig="contig" if values.ndim == 3 else None,
            rowsperstrip=rows,
            metadata=None,
            description=description or None,
            software=software,
            iccprofile=icc,
            extratags=_extra_tags(settings, xmp, big=big),
            # Below the first page, not behind it: a file with two pages is no single picture.
            subifds=0 if second is None else 1,
        )
        if second is not None:
            writer.write(
                second[0],
                photometric="minisblack",
                compression="zlib",
                metadata=None,
                description=second[1],
                software=software,
            )
    _append_exif(file, settings, big=big)
    file.flush()
    _compare(file, values, rows)


def to_integers(values: FloatArray, top: int) -> NDArray[Any]:
    """Return clipped and rounded integers, 1.0 becoming ``top`` (255 or 65535).

    Raises
    ------
    ValueError
        If a value is not a number.
    """
    out = np.empty(values.shape, np.uint16 if top > 255 else np.uint8)
    for first in range(0, len(values), _BAND_ROWS):
        scaled = values[first : first + _BAND_ROWS] * np.float32(top)
        if np.isnan(scaled).any():
            raise ValueError("the picture holds undefined values (NaN)")
        np.clip(scaled, 0, top, out=scaled)
        np.rint(scaled, out=scaled)
        out[first : first + _BAND_ROWS] = scaled
        release_pages(values)
    return out


def _strips(values: FloatArray, rows: int) -> Iterator[NDArray[np.uint16]]:
    for top in range(0, values.shape[0], rows):
        yield to_integers(values[top : top + rows], 65535)


def _extra_tags(
    settings: CaptureSettings, xmp: bytes, *, big: bool
) -> list[tuple[int, int, int, object, bool]]:
    tags: list[tuple[int, int, int, object, bool]] = [(274, 3, 1, 1, True)]
    texts = {
        271: settings.maker,
        272: settings.model or settings.camera,
        315: settings.artist,
        33432: settings.copyright,
    }
    for code, text in texts.items():
        if text:
            data = text.encode("utf-8") + b"\0"
            tags.append((code, 2, len(data), data, True))
    tags.append((700, 1, len(xmp), xmp, True))
    pointer = _LONG8 if big else _LONG
    tags.append((_STAND_IN[34665], pointer, 1, 1, True))
    if settings.latitude_deg is not None and settings.longitude_deg is not None:
        tags.append((_STAND_IN[34853], pointer, 1, 1, True))
    return tags


def _append_exif(file: BinaryIO, settings: CaptureSettings, *, big: bool) -> None:
    """Put EXIF and GPS directories behind the picture and point the stand-in tags to them."""
    file.seek(0)
    with tifffile.TiffFile(file) as reader:
        places = {code: tag.offset for code, tag in reader.pages.first.tags.items()}
    end = file.seek(0, 2)
    file.write(b"\0" * (end % 2))
    exif, gps, exif_at, gps_at = metadata.build_exif_ifds(settings, base=end + end % 2, big=big)
    file.write(exif + gps)
    for code, at in ((34665, exif_at), (34853, gps_at)):
        if at is not None:
            entry = places[_STAND_IN[code]]
            file.seek(entry)
            file.write(struct.pack("<H", code))
            file.seek(entry + (12 if big else 8))
            file.write(struct.pack("<Q" if big else "<I", at))


def _compare(file: BinaryIO, values: FloatArray, rows: int) -> None:
    file.seek(0)
    with tifffile.TiffFile(file) as reader:
        page = reader.pages.first
        same = page.shape == values.shape
        segments = page.segments(maxworkers=1, buffersize=4 * _STRIP_BYTES)
        for (found, *_), expected in zip(segments, _strips(values, rows), strict=True):
            same = same and found is not None and np.array_equal(found.ravel(), expected.ravel())
    if not same:
        raise WriteError("the file does not hold what was written; check the disk, try again")
