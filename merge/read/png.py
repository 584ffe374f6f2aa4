"""PNG: header and pixels. Layout: W3C, *Portable Network Graphics*, third edition (2025)."""

from __future__ import annotations

import zlib
from pathlib import Path

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from merge.read.header import Header, damaged, refuse

_COLOURS = {0: 1, 2: 3, 4: 1, 6: 3}  # colour type -> channels without alpha
_MAX_TEXT_BYTES = 64 << 20
_TAIL_BYTES = 1 << 17


def read_header(path: Path) -> Header:
    """Return a PNG's header.

    Raises
    ------
    ReadError
        If it is damaged, animated, or no 8- or 16-bit grey or RGB picture.
    """
    chunks = _read_chunks(path)
    first = chunks.get(b"IHDR", b"")
    if len(first) != 13:
        raise damaged(path, "the header is damaged")
    width, height = (int.from_bytes(first[i : i + 4], "big") for i in (0, 4))
    bits, colour = first[8], first[9]
    if b"acTL" in chunks:
        raise refuse(path, "an animated PNG", "one picture", "export single pictures")
    if colour == 3:
        raise refuse(path, "a PNG with a colour table", "grey or RGB", "export them as RGB")
    if colour not in _COLOURS or bits not in (8, 16):
        raise refuse(path, f"a PNG with {bits} bits", "8 or 16", "export with 8 or 16 bits")
    if not (width and height):
        raise damaged(path, f"the header says {width} x {height} px")
    return Header(
        width,
        height,
        _COLOURS[colour],
        bits,
        chunks.get(b"eXIf", b"").removeprefix(b"Exif\0\0"),
        _xmp(chunks.get(b"iTXt", b"")),
        _inflate(chunks.get(b"iCCP", b"").partition(b"\0")[2][1:]),
    )


def decode(path: Path) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return a PNG's pixels with alpha if it has one, orientation not applied.

    Returns
    -------
    ndarray, shape (H, W) or (H, W, C), uint8 or uint16

    Raises
    ------
    ReadError
        If the file is cut off or damaged.
    """
    try:
        return imagecodecs.png_decode(path.read_bytes())
    except (imagecodecs.PngError, ValueError) as exc:
        raise damaged(path, "cut off or damaged inside the picture") from exc


def _read_chunks(path: Path) -> dict[bytes, bytes]:
    """Return the chunks before the pixels by type, and EXIF or XMP from behind them."""
    chunks: dict[bytes, bytes] = {}
    with path.open("rb") as file:
        file.seek(8)
        while True:
            head = file.read(8)
            size, kind = int.from_bytes(head[:4], "big"), head[4:]
            if kind == b"IDAT":
                break
            if len(head) < 8 or size > _MAX_TEXT_BYTES:
                raise damaged(path, "cut off or damaged before the pixels")
            body = file.read(size + 4)[:size]
            if kind != b"iTXt" or body.startswith(b"XML:com.adobe.xmp\0"):
                chunks.setdefault(kind, body)
        end = file.seek(0, 2)
        file.seek(max(0, end - _TAIL_BYTES))
        tail = file.read()
    for kind in (b"eXIf", b"iTXt"):
        if kind not in chunks:
            _find_in_tail(tail, kind, chunks)
    return chunks


def _find_in_tail(tail: bytes, kind: bytes, chunks: dict[bytes, bytes]) -> None:
    at = tail.rfind(kind)
    if at < 4:
        return
    size = int.from_bytes(tail[at - 4 : at], "big")
    body = tail[at + 4 : at + 4 + size]
    checksum = tail[at + 4 + size : at + 8 + size]
    if len(body) == size and zlib.crc32(kind + body).to_bytes(4, "big") == checksum:
        chunks[kind] = body


def _xmp(body: bytes) -> bytes:
    rest = body.partition(b"\0")[2]
    if len(rest) < 2:
        return b""
    text = rest[2:].split(b"\0", 2)[-1]
    return _inflate(text) if rest[0] else text


def _inflate(data: bytes) -> bytes:
    try:
        return zlib.decompressobj().decompress(data, _MAX_TEXT_BYTES) if data else b""
    except zlib.error:
        return b""
