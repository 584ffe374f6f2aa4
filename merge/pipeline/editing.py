"""Edits applied to a finished merge, from the frames' own pixels at full depth.

A merged picture is rounded to 16 bits before it is edited, so that whoever holds the written
picture, or the merge itself, gets the same pixels.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from merge.blend import DetailBlend, within
from merge.edits import Edit, EditList, affected_box, join_patch
from merge.errors import MergeError
from merge.model import BoolArray, FloatArray, MergeResult
from merge.pipeline.ahead import work_ahead
from merge.pipeline.sampling import FrameSampler, covered
from merge.read import read_samples

Box = tuple[int, int, int, int]
# Of the frame at an index of the stack: (samples, white), sensor defects mended.
ReadFrame = Callable[[int], tuple[NDArray[Any], float]]

# Beyond an edit's box, what the coarser bands of the other way of merging look at.
_SURROUNDINGS_PX = 64


class EditSource:
    """Gives the pixels that edits ask for.

    Parameters
    ----------
    result : MergeResult
        Of the merge; its pixels are not used.
    shape : (int, int)
        (H, W) of the merged picture.
    read : callable, optional
        Returns a frame's samples and their white, by index; by default the file is decoded.
    """

    def __init__(
        self, result: MergeResult, shape: tuple[int, int], read: ReadFrame | None = None
    ) -> None:
        self._result, self._shape = result, shape
        self._read = read or self._decode
        self._names = [source.name for source in result.stack.sources]
        frames = result.registration.frames
        self.aligned = tuple(i for i, f in enumerate(frames) if f.transform is not None)

    def _decode(self, index: int) -> tuple[NDArray[Any], float]:
        stack = self._result.stack
        return read_samples(stack.sources[index], white_balance=stack.white_balance)

    def sampler(self, index: int) -> FrameSampler:
        """Return what samples a frame in the geometry of the reference frame."""
        samples, white = self._read(index)
        return FrameSampler(
            samples,
            white,
            self._result.registration.frames[index],
            self._result.stack.sources[0].transfer,
            equalize=self._result.options.equalize_exposure,
        )

    def in_reference(self, box: Box) -> Box:
        """Return a box of the merged picture as one of the reference frame."""
        row, column = self._result.origin
        return box[0] + row, box[1] + column, box[2], box[3]

    def frame_patch(self, index: int, box: Box) -> tuple[FloatArray, BoolArray | None]:
        """Return a box of the merged picture as one frame shows it, and where it has pixels."""
        registration = self._result.registration
        place = self.in_reference(box)
        valid = covered(registration.frames[index], registration.shape, place)
        return np.clip(self.sampler(index).sample(place), 0, 1), valid

    def patch(self, edit: Edit, box: Box) -> tuple[FloatArray, BoolArray | None]:
        """Return the pixels that an edit takes over a box, in [0, 1], and where they are known.

        Raises
        ------
        MergeError
            If the edit names a frame that the merge did not use.
        """
        if edit.kind == "frame":
            return self.frame_patch(self.index_of(edit.frame), box)
        return self._detail(box), None

    def index_of(self, name: str) -> int:
        """Return the index of a frame that the merge used, by file name.

        Raises
        ------
        MergeError
            If there is none, or more than one.
        """
        found = [i for i in self.aligned if self._names[i] == name]
        if len(found) != 1:
            what = "is not among the frames merged" if not found else "names more than one frame"
            raise MergeError(f"edits: {name!r} {what}; expected a name such as {self._names[0]!r}")
        return found[0]

    def _detail(self, box: Box) -> FloatArray:
        """Return a box merged by local energy."""
        top, left = max(0, box[0] - _SURROUNDINGS_PX), max(0, box[1] - _SURROUNDINGS_PX)
        bottom = min(self._shape[0], box[0] + box[2] + _SURROUNDINGS_PX)
        right = min(self._shape[1], box[1] + box[3] + _SURROUNDINGS_PX)
        wide = (top, left, bottom - top, right - left)
        channels = self._result.stack.sources[0].shape[2]
        blend = DetailBlend((wide[2], wide[3], channels))
        for sampler in work_ahead(self.sampler, self.aligned):
            blend.add(sampler.sample(self.in_reference(wide)))
        out = np.empty((wide[2], wide[3], channels), np.float32)
        for part in blend.own_parts:
            out[within(part.inner, (0, 0, wide[2], wide[3]))] = blend.take(part)
        rows = np.s_[box[0] - top : box[0] - top + box[2]]
        return np.clip(out[rows, box[1] - left : box[1] - left + box[3]], 0, 1)


def to_sixteen_bits(pixels: FloatArray) -> NDArray[np.uint16]:
    """Return pixels in [0, 1] as 16-bit values, rounded."""
    return np.rint(np.clip(pixels, 0, 1) * np.float32(65535)).astype(np.uint16)


def apply_edits(
    picture: NDArray[np.uint16], edits: Sequence[Edit], source: EditSource
) -> NDArray[np.uint16]:
    """Return a merged picture with edits applied in their order.

    Parameters
    ----------
    picture : ndarray, shape (H, W, C), uint16
        From `to_sixteen_bits`; not changed.
    edits : sequence of Edit
    source : EditSource

    Raises
    ------
    MergeError
        If an edit names a frame that the merge did not use.
    """
    out = picture.copy()
    for edit in edits:
        box = affected_box(edit, out.shape) if edit.on else None
        if box is None:
            continue
        area = np.s_[box[0] : box[0] + box[2], box[1] : box[1] + box[3]]
        patch, valid = source.patch(edit, box)
        out[area] = join_patch(out[area], patch, edit, box, valid)
    return out


def edited_result(pixels: FloatArray, edits: EditList, source: EditSource) -> FloatArray:
    """Return a merge's pixels, float32 in [0, 1], with edits applied.

    Raises
    ------
    MergeError
        If the edits belong to a picture of another size, or name an unknown frame.
    """
    if edits.shape != pixels.shape[:2]:
        raise MergeError(
            f"edits: made for a picture of {edits.shape[1]} x {edits.shape[0]} px, but this merge "
            f"has {pixels.shape[1]} x {pixels.shape[0]} px. Merge with the same frames and options."
        )
    edited = apply_edits(to_sixteen_bits(pixels), edits.edits, source)
    return edited.astype(np.float32) / np.float32(65535)
