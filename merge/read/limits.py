"""What a header may claim: checked before anything is allocated for it."""

from __future__ import annotations

from pathlib import Path

from merge.errors import ReadError
from merge.read.header import damaged, refuse

# Six times the largest sensor; and the largest side that a JPEG can have.
_MAX_PIXELS = 1 << 30
_MAX_SIDE_PX = 65535
# Most bytes that one byte of a file can stand for: RFC 1951 (258 bytes for two bits), and a margin
# for the codes between.
DEFLATE_RATIO = 1040


def check_size(path: Path, width: int, height: int) -> None:
    """Raise ReadError for a picture larger than any that is merged.

    Parameters
    ----------
    path : Path
    width, height : int
        In px, 1 or more.
    """
    if max(width, height) > _MAX_SIDE_PX or width * height > _MAX_PIXELS:
        raise refuse(
            path,
            f"a header that says {width} x {height} px",
            f"at most {_MAX_PIXELS // 10**6} megapixels",
            "copy it again or export it smaller",
        )


def too_little_data(path: Path, width: int, height: int, size: int) -> ReadError:
    """Return the error for a picture that cannot lie in a file of so many bytes."""
    return damaged(path, f"{width} x {height} px cannot lie in its {size} bytes")
