"""The common result of reading a file's header, and its refusals."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from merge.errors import ReadError


@dataclass(frozen=True)
class Header:
    """What stands before the pixels of a file.

    Attributes
    ----------
    width, height : int
        As stored, before orientation.
    channels : int
        1 or 3 of the pixels that are read; an alpha channel does not count.
    bit_depth : int
        8, 16 or 32 (float).
    exif, xmp, icc : bytes
        Blocks as embedded; empty where there is none.
    orientation : int or None
        Where the container itself records it; None = see the EXIF block.
    """

    width: int
    height: int
    channels: int
    bit_depth: int
    exif: bytes = b""
    xmp: bytes = b""
    icc: bytes = b""
    orientation: int | None = None


def refuse(path: Path, found: str, expected: str, advice: str) -> ReadError:
    """Return a refusal in the one form that all readers share."""
    return ReadError(f"{path.name}: {found}, expected {expected}; {advice}")


def damaged(path: Path, what: str) -> ReadError:
    """Return the error for a file that is cut off or broken inside."""
    return ReadError(f"{path.name}: {what}; copy it again from the card or leave it out")
