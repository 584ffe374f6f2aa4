"""JPEG: header, integrity check, pixels.

The fast decoders return a full-size picture, grey below, for a file that is cut off, without
any error. The segments are therefore walked first; layout: ITU-T T.81 (1992), annex B.
"""

from __future__ import annotations

import re
from pathlib import Path

import imagecodecs
import numpy as np
import simplejpeg
from numpy.typing import NDArray

from merge.read.header import Header, damaged, refuse

_SOF = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
# Processes that the decoders do not know: lossless, hierarchical (T.81, table B.1), JPEG-LS (T.87).
_OTHER_PROCESSES = frozenset([0xC3, 0xC5, 0xC6, 0xC7, 0xCB, 0xCD, 0xCE, 0xCF, 0xF7])
_SOI, _EOI, _SOS, _DNL, _APP1, _APP2 = 0xD8, 0xD9, 0xDA, 0xDC, 0xE1, 0xE2
_ALONE = frozenset([0x01, *range(0xD0, 0xD9)])
_BETWEEN_SCANS = frozenset([0xC4, 0xCC, 0xDA, 0xDB, 0xDD, 0xFE, *range(0xE0, 0xF0)])
_EXIF_MARK = b"Exif\0\0"
_XMP_MARK = b"http://ns.adobe.com/xap/1.0/\0"
_ICC_MARK = b"ICC_PROFILE\0"
_HEADER_BYTES = 1 << 18
# How the remarks of the IJG's decoder (jerror.h) on broken pixels begin.
_DAMAGE = ("Corrupt JPEG data", "Premature end", "Inconsistent progression", "Invalid SOS")
# One grey 16 x 16 block of a one-colour picture takes about 12 bits: 170 px a byte.
_MAX_PIXELS_PER_BYTE = 2000


def read_header(path: Path) -> Header:
    """Return a JPEG's header.

    Raises
    ------
    ReadError
        If it is cut off before the pixels, or no 8-bit grey or RGB picture.
    """
    with path.open("rb") as file:
        data = file.read(_HEADER_BYTES)
        try:
            return _parse_header(data, path)
        except IndexError:
            data += file.read()  # a long preview or profile stands before the pixels
    try:
        return _parse_header(data, path)
    except IndexError:
        raise damaged(path, "cut off before the pixels") from None


def decode(path: Path, *, grey: bool = False) -> NDArray[np.uint8]:
    """Return a JPEG's pixels, orientation not applied.

    Parameters
    ----------
    path : Path
    grey : bool
        Decode the luminance alone (ITU-R BT.601 weights): faster, no colour in memory.

    Returns
    -------
    ndarray, shape (H, W) or (H, W, 3), uint8

    Raises
    ------
    ReadError
        If the file is cut off or visibly damaged. A damage that leaves a valid bit stream
        cannot be noticed in this format.
    """
    data = path.read_bytes()
    check_complete(data, path)
    header = _parse_header(data, path)
    if header.width * header.height > _MAX_PIXELS_PER_BYTE * len(data):
        # A damaged size: the decoder would fill gigabytes with grey.
        raise damaged(path, f"{header.width} x {header.height} px in only {len(data)} bytes")
    grey = grey or header.channels == 1
    try:
        pixels = simplejpeg.decode_jpeg(data, "GRAY" if grey else "RGB", strict=True)
        return pixels[:, :, 0] if grey else pixels
    except ValueError as exc:
        if _is_damage(str(exc), data):
            raise damaged(path, f"the picture is damaged ({exc})") from exc
    try:  # a remark on something else, or a kind that the strict decoder does not take
        return imagecodecs.jpeg8_decode(data, outcolorspace="GRAYSCALE" if grey else None)
    except imagecodecs.Jpeg8Error as exc:
        raise damaged(path, f"the picture is damaged ({exc})") from exc


def decode_small(
    data: bytes, path: Path, *, min_long_side_px: int
) -> tuple[NDArray[np.uint8], float]:
    """Return the luminance (h, w) uint8 in eighths of its size, as the decoder makes them.

    Parameters
    ----------
    data : bytes
        A whole JPEG.
    path : Path
        Named in errors.
    min_long_side_px : int
        The long side is at least this, unless the picture is smaller.

    Returns
    -------
    pixels : ndarray, shape (h, w), uint8
    scale : float
        Full-size pixels for one of them.

    Raises
    ------
    ReadError
        If the picture is damaged.
    """
    check_complete(data, path)
    header = _parse_header(data, path)
    size = np.array([header.height, header.width])
    least = [min(min_long_side_px, int(n)) if n == size.max() else 1 for n in size]
    try:
        pixels = simplejpeg.decode_jpeg(data, "GRAY", min_height=least[0], min_width=least[1])
    except ValueError as exc:
        raise damaged(path, f"the picture is damaged ({exc})") from exc
    eighths = next(n for n in range(1, 9) if (-(-size * n // 8) == pixels.shape[:2]).all())
    return pixels[:, :, 0], 8 / eighths


def _is_damage(remark: str, data: bytes) -> bool:
    """Return whether a decoder's remark tells that pixels are missing or wrong."""
    if not remark.startswith(_DAMAGE):
        return False
    padding = re.search(r"(\d+) extraneous bytes before marker 0xd9", remark)
    if padding is None:
        return True
    # Some cameras fill up the end of a picture that is all there.
    end = data.rfind(b"\xff\xd9")
    return len(set(data[max(0, end - int(padding[1])) : end])) > 1


def check_complete(data: bytes, path: Path) -> None:
    """Raise ReadError if a JPEG is cut off or its segments contradict the format."""
    codes = np.frombuffer(data, np.uint8)
    stops = np.flatnonzero(codes[:-1] == 0xFF)
    after = codes[stops + 1]
    restart = (after >= 0xD0) & (after <= 0xD7)
    marks = stops[(after != 0) & (after != 0xFF) & ~restart]
    restarts, numbers = stops[restart], after[restart] - 0xD0
    at, one_scan = 2, False
    try:
        while True:
            while data[at] == 0xFF and data[at + 1] == 0xFF:
                at += 1  # fill bytes
            code = data[at + 1]
            if data[at] != 0xFF or code not in _SOF | _BETWEEN_SCANS | {_DNL, _EOI}:
                raise damaged(path, f"the picture is damaged at byte {at}")
            if code == _EOI:
                return
            segment = at
            at += 2 + int.from_bytes(data[at + 2 : at + 4], "big")
            if code in _SOF:
                one_scan, components = code in (0xC0, 0xC1), data[segment + 9]
            if code == _SOS:
                end = int(marks[np.searchsorted(marks, at)])
                _check_scan(restarts, numbers, at, end, path)
                at = end
                if (
                    one_scan
                    and data[segment + 4] == components
                    and data[at + 1] not in (_EOI, _DNL)
                ):
                    raise damaged(path, f"the picture is damaged at byte {at}")
    except (IndexError, UnboundLocalError):
        raise damaged(path, "cut off before the end of the picture") from None


def _check_scan(
    restarts: NDArray[np.intp], numbers: NDArray[np.uint8], start: int, end: int, path: Path
) -> None:
    first, last = np.searchsorted(restarts, (start, end))
    inside = numbers[first:last]
    if inside.size and (inside != np.arange(inside.size) % 8).any():
        wrong = int(np.argmax(inside != np.arange(inside.size) % 8))
        raise damaged(path, f"the picture is damaged near byte {restarts[first + wrong]}")


def _parse_header(data: bytes, path: Path) -> Header:
    """Raise IndexError if ``data`` ends before the first scan."""
    exif, xmp, chunks, frame = b"", b"", {}, None
    at = 2
    while data[at + 1] != _SOS:
        if data[at] != 0xFF or data[at + 1] == _EOI:
            raise damaged(path, f"the header is damaged at byte {at}")
        code = data[at + 1]
        if code == 0xFF or code in _ALONE:
            at += 1 if code == 0xFF else 2
            continue
        end = at + 2 + int.from_bytes(data[at + 2 : at + 4], "big")
        if end <= at + 3:
            raise damaged(path, f"the header is damaged at byte {at}")
        _ = data[end + 1]  # IndexError where the segment is not all there
        body = data[at + 4 : end]
        if code == _APP1 and body.startswith(_EXIF_MARK):
            exif = exif or body[6:]
        elif code == _APP1 and body.startswith(_XMP_MARK):
            xmp = xmp or body[len(_XMP_MARK) :]
        elif code == _APP2 and body.startswith(_ICC_MARK):
            chunks[body[12]] = body[14:]
        elif code in _OTHER_PROCESSES:
            found = "a lossless or hierarchical JPEG"
            raise refuse(path, found, "a baseline or progressive one", "export it as 16-bit TIFF")
        elif code in _SOF:
            frame = body
        at = end
    if frame is None or len(frame) < 6:
        raise damaged(path, "the header names no picture size")
    icc = b"".join(chunks[number] for number in sorted(chunks))
    return _describe(frame, exif, xmp, icc, path)


def _describe(frame: bytes, exif: bytes, xmp: bytes, icc: bytes, path: Path) -> Header:
    bits, components = frame[0], frame[5]
    height, width = (int.from_bytes(frame[i : i + 2], "big") for i in (1, 3))
    if bits != 8:
        raise refuse(path, f"JPEG with {bits} bits", "8 bits", "export it as 16-bit TIFF")
    if components == 4:
        raise refuse(path, "CMYK JPEG", "grey or RGB", "export the frames as RGB")
    if components not in (1, 3):
        raise refuse(path, f"JPEG with {components} channels", "1 or 3", "export them as RGB")
    if not (width and height):
        raise damaged(path, f"the header says {width} x {height} px")
    return Header(width, height, components, 8, exif, xmp, icc)
