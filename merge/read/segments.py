"""Whether the strips or tiles of a TIFF or DNG can hold its picture.

Readers fill what is missing with black and pass over what is too much, without a word. Layout:
Adobe, *TIFF 6.0* (1992), sections 3, 14 and 15; *Digital Negative Specification* 1.7 (2023).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import tifffile

from merge.errors import ReadError
from merge.read.header import damaged
from merge.read.limits import DEFLATE_RATIO, too_little_data

_NO_COMPRESSION, _LZW, _PACKBITS, _ZSTD, _DEFLATES = 1, 5, 32773, 50000, (8, 32946)
# Most bytes that one byte can stand for: codes of 12 bits grow by a byte each up to 4093 (TIFF 6.0,
# section 13), a run of 128 takes two bytes (section 9), a block of 128 KiB four (RFC 8878).
_RATIO = {
    _LZW: 1400, _PACKBITS: 64, _ZSTD: 1 << 15, **dict.fromkeys(_DEFLATES, DEFLATE_RATIO)
}  # fmt: skip
_ANY_RATIO = 1 << 17
_CFA, _LINEAR_RAW = 32803, 34892
_BLACK_LEVEL, _WHITE_LEVEL, _LINEARIZATION = 50714, 50717, 50712
_SUB_IFDS = 330
_RATIONALS = (5, 10)


def check_segments(page: Any, path: Path) -> None:
    """Raise ReadError where strips or tiles are missing, outside the file or of a wrong size.

    Parameters
    ----------
    page : tifffile.TiffPage
    path : Path
    """
    size = path.stat().st_size
    offsets, counts = page.dataoffsets, page.databytecounts
    if len(offsets) == 0 or len(offsets) != len(counts):
        raise damaged(path, "the table of its strips is damaged")
    for at, count in zip(offsets, counts, strict=True):
        if at <= 0 or count <= 0 or at + count > size:
            raise damaged(path, f"cut off ({size} bytes, the picture reaches to {at + count})")
    wanted = _segments_wanted(page)
    if len(offsets) != wanted:
        word = "tiles" if page.is_tiled else "strips"
        raise damaged(path, f"{len(offsets)} {word} where its size takes {wanted}")
    if page.compression == _NO_COMPRESSION:
        _check_plain(page, counts, path)
    else:
        raw = sum(_plain_bytes(page, i) for i in range(wanted)) if wanted < 1000 else _all(page)
        if raw > _RATIO.get(int(page.compression), _ANY_RATIO) * size:
            raise too_little_data(path, page.imagewidth, page.imagelength, size)
        if wanted > 1 and not page.is_tiled:
            _check_first_strip(page, path)


def _planes(page: Any) -> int:
    return int(page.samplesperpixel) if page.planarconfig == 2 else 1


def _rows(page: Any) -> int:
    """Return rows of a strip; a number that is absent or beyond the picture means all."""
    rows = int(page.rowsperstrip or 0)
    return min(rows, page.imagelength) if rows > 0 else int(page.imagelength)


def _segments_wanted(page: Any) -> int:
    if page.is_tiled:
        if not (page.tilewidth and page.tilelength):
            return 0
        across = math.ceil(page.imagewidth / page.tilewidth)
        return across * math.ceil(page.imagelength / page.tilelength) * _planes(page)
    return math.ceil(page.imagelength / _rows(page)) * _planes(page)


def _row_bytes(page: Any, width: int) -> int:
    samples = 1 if page.planarconfig == 2 else int(page.samplesperpixel)
    return math.ceil(width * samples * int(page.bitspersample) / 8)


def _plain_bytes(page: Any, index: int) -> int:
    """Return the bytes of a strip or tile without compression."""
    if page.is_tiled:
        return int(page.tilelength) * _row_bytes(page, int(page.tilewidth))
    rows, height = _rows(page), int(page.imagelength)
    strips = math.ceil(height / rows)
    top = index % strips * rows
    return min(rows, height - top) * _row_bytes(page, int(page.imagewidth))


def _all(page: Any) -> int:
    return int(page.imagelength) * _row_bytes(page, int(page.imagewidth)) * _planes(page)


def _check_plain(page: Any, counts: Any, path: Path) -> None:
    row = _row_bytes(page, int(page.tilewidth if page.is_tiled else page.imagewidth))
    whole = _plain_bytes(page, 0)
    for index, count in enumerate(counts):
        least = _plain_bytes(page, index)
        # The last strip may be padded to the size of the others; all may end on an even byte.
        most = whole if least < whole else least
        if not least <= count < most + row + 4:
            word = "tile" if page.is_tiled else "strip"
            raise damaged(path, f"{word} {index + 1} has {count} bytes, expected {least}")


def _check_first_strip(page: Any, path: Path) -> None:
    """Raise ReadError where a strip holds more rows than it should: the rest lies too high."""
    if int(page.compression) not in _RATIO:
        return
    unpack = tifffile.TIFF.DECOMPRESSORS[page.compression]
    with path.open("rb") as file:
        file.seek(page.dataoffsets[0])
        data = file.read(page.databytecounts[0])
    wanted = _plain_bytes(page, 0)
    if page.fillorder == 2:
        return
    found = len(unpack(data, out=2 * wanted + 4096))
    if found >= wanted + _row_bytes(page, int(page.imagewidth)):
        raise damaged(path, f"strip 1 has {found} bytes, expected {wanted}")


def check_negative(path: Path) -> None:
    """Raise ReadError if the sensor data of a DNG are missing in part, or their levels cannot be.

    What the parser does not understand is left to the decoder.
    """
    try:
        with tifffile.TiffFile(path) as file:
            for page in _negatives(file):
                if 50706 in file.pages.first.tags:
                    check_segments(page, path)
                    _check_levels(page, path)
    except (ReadError, OSError, MemoryError):
        raise
    except Exception:  # the parser raises whatever a damaged file makes it stumble over
        return


def _negatives(file: tifffile.TiffFile) -> Iterator[Any]:
    first: Any = file.pages.first
    for page in (first, *(first.pages or ())):
        if int(page.photometric) in (_CFA, _LINEAR_RAW):
            yield page


def _check_levels(page: Any, path: Path) -> None:
    if page.sampleformat == 3:
        return
    black, white = _numbers(page, _BLACK_LEVEL), _numbers(page, _WHITE_LEVEL)
    top = 65535 if _LINEARIZATION in page.tags else 2 ** int(page.bitspersample) - 1
    if white and not 0 < max(white) <= top:
        raise damaged(path, f"a white level of {max(white):g} where values end at {top}")
    if black and not 0 <= max(black) < min(white or [top]):
        raise damaged(path, f"a black level of {max(black):g}, not below white")


def _numbers(page: Any, code: int) -> list[float]:
    tag = page.tags.get(code)
    if tag is None:
        return []
    values = tag.value if isinstance(tag.value, tuple) else (tag.value,)
    if tag.dtype in _RATIONALS:
        pairs = zip(values[::2], values[1::2], strict=True)
        return [top / bottom if bottom else math.inf for top, bottom in pairs]
    return [float(value) for value in values]
