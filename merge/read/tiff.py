"""TIFF and BigTIFF: header and pixels. Layout: Adobe, *TIFF 6.0* (1992)."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

from merge.errors import MergeError
from merge.read.header import Header, damaged, refuse
from merge.read.segments import check_segments

# Without a handler the library's remarks about odd tags would land on the terminal.
_SILENCE = logging.NullHandler()
_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB, _YCBCR = 0, 1, 2, 6
_COLOUR_WORDS = {
    3: "with a colour table",
    4: "mask",
    5: "in CMYK",
    6: "in YCbCr",
    8: "in Lab",
    9: "in Lab",
}
_REDUCED_OR_MASK = 1 | 4  # bits of NewSubfileType: thumbnail, transparency mask
_JPEG_COMPRESSIONS = (6, 7)


def read_header(path: Path) -> Header:
    """Return a TIFF's header.

    Raises
    ------
    ReadError
        If it is cut off, holds several pictures, or is not grey or RGB with 8 to 16 bits or
        16- or 32-bit floating point.
    """
    with _open(path) as file:
        page = file.pages.first
        _refuse_unsupported(page, path)
        _refuse_several_pages(file, path)
        check_segments(page, path)
        is_float = page.sampleformat == 3
        orientation = _tag(page, 274)
        return Header(
            width=int(page.imagewidth),  # a damaged tag may hold several values
            height=int(page.imagelength),
            channels=1 if page.samplesperpixel < 3 else 3,
            bit_depth=32 if is_float else 8 if page.bitspersample == 8 else 16,
            xmp=_as_bytes(_tag(page, 700)),
            icc=_as_bytes(_tag(page, 34675)),
            orientation=orientation if orientation in range(1, 9) else 1,
        )


def decode(path: Path) -> tuple[NDArray[Any], float, bool]:
    """Return a TIFF's first picture, orientation not applied.

    Returns
    -------
    pixels : ndarray, shape (H, W) or (H, W, C), uint8, uint16, float16 or float32
        With alpha if it has one; black is 0 whatever the file's convention.
    full_scale : float
        Value of white: 1.0 for floating point.
    has_alpha : bool
        Whether the last channel is alpha.

    Raises
    ------
    ReadError
        If the file is cut off or damaged.
    """
    with _open(path) as file:
        page = file.pages.first
        check_segments(page, path)
        pixels = page.asarray()
        if page.planarconfig == 2 and pixels.ndim == 3:
            pixels = np.moveaxis(pixels, 0, -1)
        full_scale = 1.0 if page.sampleformat == 3 else float(2**page.bitspersample - 1)
        if page.photometric == _WHITE_IS_ZERO:
            if page.sampleformat == 3:
                pixels = 1 - pixels
            else:
                pixels = pixels.dtype.type(full_scale) - pixels
        return pixels, full_scale, page.samplesperpixel in (2, 4)


@contextmanager
def _open(path: Path) -> Iterator[tifffile.TiffFile]:
    logging.getLogger("tifffile").addHandler(_SILENCE)
    try:
        with tifffile.TiffFile(path) as file:
            yield file
    except (MergeError, MemoryError, OSError):
        raise
    except Exception as exc:  # the parser raises whatever a damaged file makes it stumble over
        raise damaged(path, f"cut off or damaged ({_one_line(exc)})") from exc


def _one_line(exc: Exception) -> str:
    return " ".join(str(exc).split())[:80] or type(exc).__name__


def _refuse_unsupported(page: Any, path: Path) -> None:
    bits, form, samples = page.bitspersample, page.sampleformat, page.samplesperpixel
    advice = "export the frames as 16-bit RGB"
    colour = int(page.photometric)
    if colour == _YCBCR and page.compression in _JPEG_COMPRESSIONS:
        colour = _RGB  # the decoder converts these
    if colour not in (_WHITE_IS_ZERO, _BLACK_IS_ZERO, _RGB):
        words = _COLOUR_WORDS.get(colour, f"in colour space {colour}")
        raise refuse(path, f"a TIFF {words}", "grey or RGB", advice)
    if page.imagedepth > 1:
        raise refuse(path, "a TIFF volume", "one picture", "export single pictures")
    extra = samples - (3 if colour == _RGB else 1)
    if extra not in (0, 1):
        raise refuse(path, f"{samples} channels", "grey or RGB", advice)
    if not ((form == 3 and bits in (16, 32)) or (form == 1 and 8 <= bits <= 16)):
        kind = {2: "signed", 3: "floating-point"}.get(form, "")
        found = f"{bits}-bit {kind} values".replace("  ", " ")
        raise refuse(path, found, "8 to 16 bits, or 16- or 32-bit floating point", advice)


def _refuse_several_pages(file: tifffile.TiffFile, path: Path) -> None:
    """Refuse a file with a second full picture, whose pages would silently be lost."""
    first = file.pages.first
    for i in range(1, 100):
        try:
            page: Any = file.pages[i]
        except IndexError:
            return
        smaller = page.imagewidth < first.imagewidth and page.imagelength < first.imagelength
        if not (smaller or int(page.subfiletype) & _REDUCED_OR_MASK):
            found = f"a TIFF with {len(file.pages)} pictures"
            raise refuse(path, found, "one picture a file", "save every page as its own file")


def _tag(page: Any, code: int) -> Any:
    tag = page.tags.get(code)
    return None if tag is None else tag.value


def _as_bytes(value: Any) -> bytes:
    if isinstance(value, tuple):
        return bytes(v & 255 for v in value)
    return value if isinstance(value, bytes) else b""
