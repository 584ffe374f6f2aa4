"""PNG: header and pixels. Layout: W3C, *Portable Network Graphics*, third edition (2025)."""

from __future__ import annotations

import zlib
from pathlib import Path

import imagecodecs
import numpy as np
from numpy.typing import NDArray

from merge.read.header import Header, damaged, refuse
from merge.read.limits import DEFLATE_RATIO, too_little_data

_COLOURS = {0: 1, 2: 3, 4: 1, 6: 3}  # colour type -> channels without alpha
_MAX_TEXT_BYTES = 64 << 20
_TAIL_BYTES = 1 << 17
_PIECE_BYTES = 1 << 20
_SAMPLES = {0: 1, 2: 3, 4: 2, 6: 4}  # colour type -> values of a pixel
# Left, top, step to the right and down of each pass: PNG, third edition, 8.2 (Adam7).
_PASSES = (
    (0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2),
    (0, 1, 1, 2),
)  # fmt: skip
# Primaries of BT.709 with the curve of sRGB; the exponent that stands for sRGB, and how far off
# others are no rounding.
_SRGB_CODE, _SRGB_GAMMA, _GAMMA_TOLERANCE = (1, 13), 45455, 0.1
_TEXTS = (b"tEXt", b"zTXt")
_RAW_PROFILES = (b"Raw profile type exif", b"Raw profile type APP1")
_PROFILE = b"raw profile"


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
    _refuse_untold_colours(chunks, path)
    size = path.stat().st_size
    if _scanline_bytes(first) > DEFLATE_RATIO * size:
        raise too_little_data(path, width, height, size)
    return Header(
        width,
        height,
        _COLOURS[colour],
        bits,
        (chunks.get(b"eXIf") or chunks.get(_PROFILE, b"")).removeprefix(b"Exif\0\0"),
        _xmp(chunks.get(b"iTXt", b"")),
        _inflate(chunks.get(b"iCCP", b"").partition(b"\0")[2][1:]),
    )


def _refuse_untold_colours(chunks: dict[bytes, bytes], path: Path) -> None:
    """Refuse colours that only chunks of this format tell, and no profile that can be handed on.

    PNG, third edition, 11.3.2: cICP by code points of ITU-T H.273, gAMA in 1/100000.
    """
    if b"iCCP" in chunks:
        return
    advice = "export the frames with an ICC profile"
    code, gamma = chunks.get(b"cICP", b""), int.from_bytes(chunks.get(b"gAMA", b""), "big")
    if code and tuple(code[:2]) != _SRGB_CODE:
        found = f"a PNG with colours by code {'-'.join(map(str, code))}"
        raise refuse(path, found, "sRGB or a colour profile", advice)
    plain = not gamma or b"sRGB" in chunks or code
    if not plain and abs(gamma / _SRGB_GAMMA - 1) > _GAMMA_TOLERANCE:
        found = f"a PNG with values for gamma {1e5 / gamma:.2g} and no colour profile"
        raise refuse(path, found, "sRGB or a colour profile", advice)


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
    data = path.read_bytes()
    _check_stream(data, path)
    try:
        return imagecodecs.png_decode(data)
    except (imagecodecs.PngError, ValueError) as exc:
        raise damaged(path, "cut off or damaged inside the picture") from exc


def _check_stream(data: bytes, path: Path) -> None:
    """Raise ReadError unless the pixels inflate to just their size, with the right checksum.

    The decoder stops when it has all rows and does not look at what follows.
    """
    stream, found, at = zlib.decompressobj(), 0, 8
    try:
        while (kind := data[at + 4 : at + 8]) != b"IEND":
            end = at + 8 + int.from_bytes(data[at : at + 4], "big")
            if len(kind) < 4 or end + 4 > len(data):
                raise damaged(path, "cut off before the end of the picture")
            if kind == b"IDAT" and not stream.eof:
                rest: bytes | memoryview = memoryview(data)[at + 8 : end]
                while len(rest):
                    found += len(stream.decompress(rest, _PIECE_BYTES))
                    rest = stream.unconsumed_tail
            at = end + 4
        found += len(stream.flush())
    except zlib.error as exc:
        raise damaged(path, f"damaged inside the picture ({exc})") from exc
    if not stream.eof or found != _scanline_bytes(data[16:29]):
        raise damaged(path, "the picture's data do not fit its size")


def _scanline_bytes(header: bytes) -> int:
    """Return the bytes of all rows with their filter types, from the body of the IHDR chunk."""
    width, height = (int.from_bytes(header[i : i + 4], "big") for i in (0, 4))
    bits = header[8] * _SAMPLES.get(header[9], 1)
    total = 0
    for left, top, right, down in _PASSES if header[12] else ((0, 0, 1, 1),):
        across, rows = (max(0, -(-(n - at) // step)) for n, at, step in
                        ((width, left, right), (height, top, down)))  # fmt: skip
        total += rows * (1 + -(-across * bits // 8)) if across else 0
    return total


def _raw_profile(kind: bytes, body: bytes) -> bytes:
    """Return the EXIF block that converters older than the eXIf chunk keep as hexadecimal text."""
    name, _, rest = body.partition(b"\0")
    if name not in _RAW_PROFILES:
        return b""
    parts = (_inflate(rest[1:]) if kind == b"zTXt" else rest).split()  # name, length, digits
    try:
        block = bytes.fromhex(b"".join(parts[2:]).decode("ascii"))[: int(parts[1])]
    except (ValueError, IndexError):
        return b""
    return block if block.startswith(b"Exif\0\0") else b""


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
            if kind in _TEXTS and (profile := _raw_profile(kind, body)):
                chunks.setdefault(_PROFILE, profile)
            if kind != b"iTXt" or body.startswith(b"XML:com.adobe.xmp\0"):
                chunks.setdefault(kind, body)
        end = file.seek(0, 2)
        file.seek(max(0, end - _TAIL_BYTES))
        tail = file.read()
    for kind in (b"eXIf", b"iTXt"):
        if kind not in chunks:
            _find_in_tail(tail, tail.rfind(kind), kind, chunks)
    for name in _RAW_PROFILES:
        at = tail.rfind(name + b"\0") - 4
        if tail[max(0, at) : at + 4] in _TEXTS:
            kind = tail[at : at + 4]
            behind: dict[bytes, bytes] = {}
            _find_in_tail(tail, at, kind, behind)
            chunks.setdefault(_PROFILE, _raw_profile(kind, behind.get(kind, b"")))
    return chunks


def _find_in_tail(tail: bytes, at: int, kind: bytes, chunks: dict[bytes, bytes]) -> None:
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
