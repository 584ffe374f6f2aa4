"""PNG and JPEG as bytes, with profile, EXIF and XMP inside."""

from __future__ import annotations

import struct
import zlib
from typing import Any

import cv2
import imagecodecs
import numpy as np
from numpy.typing import NDArray

from merge.errors import WriteError

# Largest payload of one JPEG segment: 65535 minus its own two length bytes.
_SEGMENT_BYTES = 65533
_XMP_MARK = b"http://ns.adobe.com/xap/1.0/\0"
_ICC_MARK = b"ICC_PROFILE\0"
XMP_LIMIT_BYTES = _SEGMENT_BYTES - len(_XMP_MARK)
_AFTER_IHDR = 33  # signature 8, length 4, type 4, IHDR 13, checksum 4
# Mean absolute difference of a quality-95 JPEG to what went in, in steps of 255: pure noise
# over the whole range stays below 5.
_JPEG_DIFFERENCE = 8.0


def encode_png(values: NDArray[Any], *, exif: bytes, xmp: bytes, icc: bytes | None) -> bytes:
    """Return a 16-bit PNG; fast settings give the size of the slow defaults on photographs.

    Parameters
    ----------
    values : ndarray, shape (H, W) or (H, W, 3), uint16
    exif : bytes
        EXIF block (TIFF structure).
    xmp : bytes
    icc : bytes or None
    """
    data = imagecodecs.png_encode(np.ascontiguousarray(values), level=1, strategy=3, filter=16)
    blocks = b""
    if icc:
        blocks += _chunk(b"iCCP", b"ICC profile\0\0" + zlib.compress(icc))
    blocks += _chunk(b"eXIf", exif)
    blocks += _chunk(b"iTXt", b"XML:com.adobe.xmp\0\0\0\0\0" + xmp)
    return bytes(data[:_AFTER_IHDR]) + blocks + data[_AFTER_IHDR:]


def encode_jpeg(values: NDArray[Any], *, exif: bytes, xmp: bytes, icc: bytes | None) -> bytes:
    """Return a JPEG of quality 95 with full colour resolution; arguments as `encode_png`."""
    data = imagecodecs.jpeg8_encode(np.ascontiguousarray(values), level=95, subsampling="444")
    blocks = _segment(0xE1, b"Exif\0\0" + exif) + _segment(0xE1, _XMP_MARK + xmp)
    if icc:
        room = _SEGMENT_BYTES - len(_ICC_MARK) - 2
        parts = [icc[i : i + room] for i in range(0, len(icc), room)]
        for number, part in enumerate(parts, start=1):
            blocks += _segment(0xE2, _ICC_MARK + bytes((number, len(parts))) + part)
    # Behind the JFIF segment, which must stay the first.
    at = 4 + int.from_bytes(data[4:6], "big") if data[2:4] == b"\xff\xe0" else 2
    return bytes(data[:at]) + blocks + data[at:]


def compare_encoded(data: bytes, values: NDArray[np.uint8] | NDArray[np.uint16]) -> None:
    """Raise WriteError unless a file's bytes decode to what was written.

    PNG exactly; JPEG closely enough to exclude another or a broken picture.
    """
    if values.dtype == np.uint16:
        same = np.array_equal(imagecodecs.png_decode(data), values)
    else:
        found = imagecodecs.jpeg8_decode(data)
        same = found.shape == values.shape
        same = same and cv2.norm(found, values, cv2.NORM_L1) / values.size <= _JPEG_DIFFERENCE
    if not same:
        raise WriteError("the file does not hold what was written; check the disk, try again")


def _chunk(kind: bytes, body: bytes) -> bytes:
    checksum = zlib.crc32(kind + body)
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", checksum)


def _segment(code: int, body: bytes) -> bytes:
    return struct.pack(">BBH", 0xFF, code, len(body) + 2) + body
