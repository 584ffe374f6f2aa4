"""What a file is, decided by its first bytes and never by its name."""

from __future__ import annotations

import stat
import struct
from pathlib import Path
from typing import BinaryIO

from merge.errors import ReadError
from merge.model import FileKind

_HEAD_BYTES = 64
_RAW_MAGIC = (
    b"IIRO", b"IIRS", b"MMOR", b"IIU\0", b"FUJIFILMCCD-RAW", b"\0MRM", b"FOVb",
    b"II\x1a\0\0\0HEAPCCDR",
)  # fmt: skip
_TIFF_MAGIC = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
_OTHER_PICTURES = {
    b"GIF8": "a GIF",
    b"8BPS": "a layered picture of an editor (PSD)",
    b"\xff\x0a": "a JPEG XL picture",
    b"\0\0\0\x0cJXL ": "a JPEG XL picture",
    b"\0\0\0\x0cjP  ": "a JPEG 2000 picture",
    b"v/1\x01": "an OpenEXR picture",
    b"#?RADIANCE": "an RGBE picture",
    b"P5\n": "a PNM picture",
    b"P6\n": "a PNM picture",
}
_CFA, _LINEAR_RAW = 32803, 34892
_SUB_IFDS, _PHOTOMETRIC, _DNG_VERSION = 330, 262, 50706


def detect_kind(path: Path) -> FileKind | None:
    """Return what a file's content is, or None if it is none of the supported kinds.

    Raises
    ------
    ReadError
        If the file is missing, a folder, or cannot be opened.
    """
    try:
        # Opening a pipe would wait for ever.
        if not stat.S_ISREG(path.stat().st_mode) and not path.is_dir():
            raise ReadError(f"{path.name}: no ordinary file, expected a picture; leave it out")
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
            if head.startswith(b"\xff\xd8\xff"):
                return "jpeg"
            if head.startswith(b"\x89PNG\r\n\x1a\n"):
                return "png"
            if head.startswith(_TIFF_MAGIC):
                return "raw" if _is_tiff_raw(file, head) else "tiff"
    except OSError as exc:
        raise open_error(path, exc) from exc
    if head.startswith(_RAW_MAGIC) or head[4:12] == b"ftypcrx ":
        return "raw"
    return "heif" if head[4:8] == b"ftyp" and head[8:12] in _HEIF_BRANDS else None


def open_error(path: Path, exc: OSError) -> ReadError:
    """Return the error for a file that the system does not open."""
    if isinstance(exc, FileNotFoundError):
        return ReadError(f"{path}: no such file; check the name")
    if isinstance(exc, IsADirectoryError) or path.is_dir():
        return ReadError(f"{path.name}: a folder, expected a picture file; check the name")
    if isinstance(exc, PermissionError):
        return ReadError(f"{path.name}: no permission to read it; change its permissions")
    return ReadError(f"{path.name}: cannot be read ({exc.strerror or exc}); check disk or card")


def unsupported_error(path: Path) -> ReadError:
    """Return the error for a file whose content is no supported picture."""
    try:
        head = _read_head(path)
    except OSError as exc:
        return open_error(path, exc)
    if not head.strip(b"\0"):
        what = "0 bytes" if not head else "nothing but zero bytes"
        return ReadError(f"{path.name}: {what}, expected a picture; copy it again from the card")
    found = _name_other(head) or "not a picture"
    return ReadError(
        f"{path.name}: {found}, expected JPEG, PNG, TIFF, HEIF or camera raw; "
        "leave it out or convert it to 16-bit TIFF"
    )


def describe_other(path: Path) -> str | None:
    """Return words for a picture of an unsupported kind; None for anything else.

    Raises
    ------
    ReadError
        If the file cannot be opened.
    """
    try:
        return _name_other(_read_head(path))
    except OSError as exc:
        raise open_error(path, exc) from exc


def _read_head(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(_HEAD_BYTES)


def _name_other(head: bytes) -> str | None:
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return "a WebP picture"
    if head[4:8] == b"ftyp" and head[8:12] in (b"avif", b"avis"):
        return "an AVIF picture"
    if head[:2] == b"BM" and not any(head[6:10]):  # two reserved words, always zero
        return "a BMP picture"
    for magic, words in _OTHER_PICTURES.items():
        if head.startswith(magic):
            return words
    return None


def _is_tiff_raw(file: BinaryIO, head: bytes) -> bool:
    """Return whether a TIFF structure holds sensor data: DNG, CR2, NEF, ARW and their like."""
    if head[8:10] == b"CR":
        return True
    order = "<" if head[:1] == b"I" else ">"
    if head[2:4] in (b"+\0", b"\0+"):
        return False  # no camera writes BigTIFF
    try:
        (at,) = struct.unpack_from(order + "I", head, 4)
        main = _read_short_tags(file, at, order)
        if _DNG_VERSION in main:
            return True
        directories = [main] + [_read_short_tags(file, a, order) for a in main.get(_SUB_IFDS, [])]
    except struct.error:
        return False
    return any(d.get(_PHOTOMETRIC, [0])[0] in (_CFA, _LINEAR_RAW) for d in directories)


def _read_short_tags(file: BinaryIO, at: int, order: str) -> dict[int, list[int]]:
    """Return the tags that matter here of the directory at byte ``at``."""
    file.seek(at)
    (count,) = struct.unpack(order + "H", file.read(2))
    rows = file.read(12 * count)
    found: dict[int, list[int]] = {}
    for i in range(count):
        tag, kind, number = struct.unpack_from(order + "HHI", rows, 12 * i)
        if tag == _SUB_IFDS and 1 < number <= 16:
            (place,) = struct.unpack_from(order + "I", rows, 12 * i + 8)
            file.seek(place)
            found[tag] = list(struct.unpack(f"{order}{number}I", file.read(4 * number)))
        elif tag in (_SUB_IFDS, _PHOTOMETRIC, _DNG_VERSION):
            code = "H2x" if kind == 3 else "I"
            found[tag] = list(struct.unpack_from(order + code, rows, 12 * i + 8))
    return found
