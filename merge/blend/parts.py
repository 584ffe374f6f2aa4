"""Pieces of a picture that are blended by themselves, with what they need around them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from merge.resizing import Box


@dataclass(frozen=True)
class Part:
    """A piece of the picture.

    Attributes
    ----------
    box : (row, column, height, width)
        Whose pixels are needed.
    core : (row, column, height, width)
        Which of them are blended.
    inner : (row, column, height, width)
        Which of them are the part's own; parts' inner boxes tile the picture.
    """

    box: Box
    core: Box
    inner: Box


def margin_px(levels: int) -> int:
    """Return from how far on nothing reaches a pyramid: filters of five taps, down and up."""
    return 4 << levels


def divide(
    shape: tuple[int, ...], side: int, halo: int, margin: int, rows: tuple[int, int] | None
) -> Iterator[Part]:
    """Yield the parts of a picture, row by row.

    Parameters
    ----------
    shape : (H, W, ...)
    side : int
        Of an inner box. Side, halo and margin are multiples of the coarsest pyramid level's pixel,
        so that a part's pyramid is the whole picture's.
    halo : int
        By which a core is larger on every side.
    margin : int
        By which a box is larger than its core.
    rows : (first, last) or None
        Only parts whose inner box begins there; None for all.
    """
    height, width = shape[:2]
    first, last = rows or (0, height)
    for row in range(0, height, side):
        for column in range(0, width, side):
            if first <= row < last:
                bottom, right = min(row + side, height), min(column + side, width)
                inner = row, column, bottom - row, right - column
                core = _grown(inner, halo, height, width)
                yield Part(_grown(core, margin, height, width), core, inner)


def _grown(box: Box, by: int, height: int, width: int) -> Box:
    """Return a box with ``by`` more pixels on every side, within the picture."""
    top, left = max(box[0] - by, 0), max(box[1] - by, 0)
    bottom, right = min(box[0] + box[2] + by, height), min(box[1] + box[3] + by, width)
    return top, left, bottom - top, right - left


def within(box: Box, outer: Box) -> tuple[slice, slice]:
    """Return the rows and columns of ``outer``'s pixels that are ``box``'s."""
    top, left = box[0] - outer[0], box[1] - outer[1]
    return slice(top, top + box[2]), slice(left, left + box[3])


def at_level(box: Box, level: int) -> Box:
    """Return a box that begins on a level's grid in pixels of that pyramid level."""
    first, start = box[0] >> level, box[1] >> level
    size = 1 << level
    last, end = -(-(box[0] + box[2]) // size), -(-(box[1] + box[3]) // size)
    return first, start, last - first, end - start
