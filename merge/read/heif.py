"""HEIF through an optional library whose wheels are copyleft, therefore never required."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from merge.errors import ReadError
from merge.read.header import Header, damaged

# What the library raises for damaged files: it says SyntaxError where a box is not known to it.
_FAULTS = (ValueError, RuntimeError, EOFError, SyntaxError, LookupError)


def read_header(path: Path) -> Header:
    """Return a HEIF picture's header.

    Raises
    ------
    ReadError
        If the optional library is missing, or the file is damaged.
    """
    picture = _open(path)
    try:
        info = picture.info
    except _FAULTS as exc:
        raise damaged(path, f"cut off or damaged ({_in_one_line(exc)})") from exc
    width, height = picture.size
    exif = info.get("exif") or b""
    return Header(
        width,
        height,
        1 if picture.mode.startswith("L") else 3,
        8 if info.get("bit_depth", 8) == 8 else 16,
        exif.removeprefix(b"Exif\0\0"),
        info.get("xmp") or b"",
        info.get("icc_profile") or b"",
        orientation=1,  # the decoder turns the pixels as the container says
    )


def decode(path: Path) -> tuple[NDArray[Any], float, bool]:
    """Return pixels upright, value of white, and whether the last channel is alpha.

    Raises
    ------
    ReadError
        If the file is damaged.
    """
    picture = _open(path)
    try:
        pixels = np.asarray(picture)
    except _FAULTS as exc:
        raise damaged(path, f"cut off or damaged ({_in_one_line(exc)})") from exc
    full_scale = float(np.iinfo(pixels.dtype).max)
    return pixels, full_scale, picture.mode.startswith(("RGBA", "LA"))


def _open(path: Path) -> Any:
    try:
        import pillow_heif
    except ImportError:
        raise ReadError(
            f"{path.name}: HEIF needs an extra library; "
            "install it with: pip install 'depthweld[heif]'"
        ) from None
    try:
        return pillow_heif.open_heif(path, convert_hdr_to_8bit=False)
    except _FAULTS as exc:
        raise damaged(path, f"cut off or damaged ({_in_one_line(exc)})") from exc


def _in_one_line(exc: Exception) -> str:
    """Return what the library says, which ends its lines."""
    return " ".join(str(exc).split())
