"""Moving parts as a result: labels, frames, depth held still, findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import BoolArray, Box, Finding, FloatArray

IntArray = NDArray[np.int32]

# A part of at least this share of the picture is a warning, a smaller one a note.
_WARNING_SHARE = 0.02


@dataclass(frozen=True)
class MovingPart:
    """One thing that moved.

    Attributes
    ----------
    box : tuple of int
        (row, column, height, width) of where it was seen, in pixels of `MovingParts.labels`.
    area_px : int
        In the same pixels.
    frames : tuple of int
        The frame that it is taken from, counted as the pictures were; several for a part too large
        for one, in the order of frames.
    strength : float
        How far the frames differ, in multiples of what noise and defocus explain.
    threshold : float
        The strength from which something counts as moved.
    """

    box: Box
    area_px: int
    frames: tuple[int, ...]
    strength: float
    threshold: float


@dataclass(frozen=True, eq=False)
class MovingParts:
    """All that moved in a stack, and the frame that every place of it comes from.

    Attributes
    ----------
    labels : ndarray, shape (h, w), int32
        0 where everything held still.
    frames : ndarray, shape (L + 1,), int32
        The frame of every label, entry 0 unused.
    parts : tuple of MovingPart
        Largest first.
    """

    labels: IntArray
    frames: IntArray
    parts: tuple[MovingPart, ...]

    @property
    def any(self) -> bool:
        """Whether anything moved."""
        return bool(self.parts)


def nothing_moved(shape: tuple[int, ...]) -> MovingParts:
    """Return the result for a scene that held still."""
    return MovingParts(np.zeros(shape, np.int32), np.zeros(1, np.int32), ())


def hold_still(position: FloatArray, parts: MovingParts, *, reduction: int = 1) -> FloatArray:
    """Return a depth map in which every moving part lies in one frame.

    Parameters
    ----------
    position : ndarray, shape (H, W), float32
        In frames; not modified.
    parts : MovingParts
    reduction : int
        Pixels of ``position`` for one of ``parts.labels``, 1 if they are of one size.

    Returns
    -------
    ndarray, shape (H, W), float32
        ``position`` itself where nothing moved.
    """
    if not parts.any:
        return position
    labels = enlarge_labels(parts.labels, reduction, position.shape)
    return np.where(labels > 0, parts.frames[labels], position).astype(np.float32)


def moving_findings(
    parts: MovingParts,
    *,
    frames: Sequence[int],
    names: Sequence[str],
    origin: tuple[int, int],
    reduction: int,
) -> tuple[Finding, ...]:
    """Return what to tell about moving parts.

    Parameters
    ----------
    parts : MovingParts
    frames : sequence of int
        Index in the stack of every picture that the parts were looked for in.
    names : sequence of str
        What to call every frame of the stack.
    origin : tuple of int
        (row, column) of the pictures' first pixel in the reference frame.
    reduction : int
        Full-size pixels for one of the pictures.

    Returns
    -------
    tuple of Finding
        Largest first; a part of 2 % of the picture or more is a warning, a smaller one a note.
    """
    found = []
    for part in parts.parts:
        used = tuple(frames[k] for k in part.frames)
        share = part.area_px / parts.labels.size
        top, left, height, width = (n * reduction for n in part.box)
        where = place_words(part.box, parts.labels.shape)
        source, advice = _source_words(used, names)
        found.append(
            Finding(
                "moving parts",
                "warning" if share >= _WARNING_SHARE else "note",
                f"Something moved {where} ({width} x {height} px); it was taken from {source}.",
                advice,
                value=part.strength,
                threshold=part.threshold,
                unit="times what noise and defocus explain",
                frames=used,
                box=(origin[0] + top, origin[1] + left, height, width),
            )
        )
    return tuple(found)


def _source_words(used: tuple[int, ...], names: Sequence[str]) -> tuple[str, str]:
    """Return where a part was taken from, and what to look at there."""
    if len(used) == 1:
        return (
            f"{names[used[0]]} (frame {used[0] + 1})",
            "Look at its rim at 100 %; beside it the picture is as sharp as that frame only.",
        )
    return (
        f"{len(used)} frames from {names[used[0]]} to {names[used[-1]]}, each for its depth and "
        "where it looks as most do",
        "It is too large for one frame; what stood there in few frames is left out: look for "
        "remains, and paint it in from one frame if it matters.",
    )


def place_words(box: Box, shape: tuple[int, ...]) -> str:
    """Return where in a picture of ``shape`` the middle of a box is."""
    down, right = (box[0] + box[2] / 2) / shape[0], (box[1] + box[3] / 2) / shape[1]
    row = "upper" if down < 1 / 3 else "lower" if down > 2 / 3 else ""
    column = "left" if right < 1 / 3 else "right" if right > 2 / 3 else ""
    if row and column:
        return f"at the {row} {column}"
    if row or column:
        return {"upper": "at the top", "lower": "at the bottom"}.get(row, f"on the {column}")
    return "in the middle"


def box_of(mask: BoolArray) -> Box:
    """Return (row, column, height, width) of the smallest box around True."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    top, left = int(rows[0]), int(columns[0])
    return top, left, int(rows[-1]) + 1 - top, int(columns[-1]) + 1 - left


def enlarge_labels(labels: IntArray, factor: int, shape: tuple[int, ...]) -> IntArray:
    """Return labels at ``factor`` times the size, cut to ``shape``, with smooth rims."""
    if factor == 1:
        return labels
    out = np.zeros((labels.shape[0] * factor, labels.shape[1] * factor), np.int32)
    for label in np.unique(labels[labels > 0]):
        top, left, height, width = box_of(labels == label)
        rows = slice(max(top - 1, 0), top + height + 1)
        columns = slice(max(left - 1, 0), left + width + 1)
        part = (labels[rows, columns] == label).astype(np.float32)
        size = (part.shape[1] * factor, part.shape[0] * factor)
        wide = cv2.resize(part, size, interpolation=cv2.INTER_LINEAR)
        target = out[rows.start * factor :, columns.start * factor :][: size[1], : size[0]]
        target[wide >= 0.5] = label
    return np.ascontiguousarray(out[: shape[0], : shape[1]])
