"""Frames with a part of zeros where the others show a picture: files not copied to their end.

A whole file of an uncompressed format whose disk space was set aside, but never filled, reads as
black. True black is black in the other frames, too.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from merge.errors import ReadError
from merge.model import Array, FloatArray, FrameSource

# Rows, as part of the height, that must be zero in a row: blur spreads light over fewer.
_LEAST = 1 / 16
# Of its mean light, what each of these rows must have in the usual frame; of what the others'
# other rows have, what the frame's own must: else it is dark, as where a flash did not fire.
_LIT = 0.1


class BlankRows:
    """Looks for rows that are zero in one frame alone; columns, where frames were turned."""

    def __init__(self) -> None:
        self._means: list[tuple[Array, Array]] = []

    def add(self, light: FloatArray) -> None:
        """Take the next frame's luminance, shape (h, w), 0 = black."""
        self._means.append((light.mean(axis=1), light.mean(axis=0)))

    def check(self, sources: Sequence[FrameSource]) -> None:
        """Raise an error for the first frame with such a part.

        Parameters
        ----------
        sources : sequence of FrameSource
            Of the frames taken, in their order.

        Raises
        ------
        ReadError
            Names the file and the rows.
        """
        for side, word in enumerate(("rows", "columns")):
            means = np.stack([pair[side] for pair in self._means])
            for frame, source in enumerate(sources[: len(means)]):
                lost = _lost(means, frame)
                if lost is None:
                    continue
                size = source.shape[side]
                first, last = (round(place * size / means.shape[1]) for place in lost)
                raise ReadError(
                    f"{source.name}: {word} {first + 1} to {last} of {size} are zero, where the "
                    "other frames show a picture, as in a file that was not copied to its end; "
                    "copy it again from the card or leave it out"
                )


def _lost(means: Array, frame: int) -> tuple[int, int] | None:
    """Return the half-open range of a frame's rows that are lost; ``means`` (frames, rows)."""
    dark, least = means[frame] == 0, max(1, _LEAST * means.shape[1])
    if dark.all() or dark.sum() < least or len(means) < 2:
        return None  # a frame that is black altogether is told as one that does not fit
    usual = np.median(np.delete(means, frame, axis=0), axis=0)
    first, stop = _longest_run(dark & (usual > _LIT * usual.mean()))
    rest = np.r_[:first, stop : len(usual)]
    if stop - first < least or means[frame, rest].sum() < _LIT * usual[rest].sum():
        return None
    return first, stop


def _longest_run(values: np.ndarray) -> tuple[int, int]:
    """Return the half-open range of the longest run of what is true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], values, [False]]).astype(np.int8)))
    starts, stops = edges[::2], edges[1::2]
    if not len(starts):
        return 0, 0
    longest = int(np.argmax(stops - starts))
    return int(starts[longest]), int(stops[longest])
