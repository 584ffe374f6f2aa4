"""Edits applied to a finished merge, from the frames' own pixels at full depth.

A merged picture is rounded to 16 bits before it is edited, so that whoever holds the written
picture, or the merge itself, gets the same pixels.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from merge.align import rescale_transform
from merge.blend import DetailBlend, Part, SurfaceBlend, mixing_reach, within
from merge.edits import Edit, EditList, affected_box, join_patch, read_edits
from merge.errors import MergeError
from merge.model import BoolArray, Box, FloatArray, Progress
from merge.pipeline.finished import read_finished
from merge.pipeline.merging import MergeResult, merge_stack
from merge.pipeline.sampling import FrameSampler, covered
from merge.read import find_frames, read_samples
from merge.resizing import reduce_map, reduced_shape
from merge.threads import work_ahead

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
        In place of `decode`.

    Attributes
    ----------
    names : list of str
        Of all frames of the stack.
    aligned : tuple of int
        Indices of the frames that the merge used.
    reference : FrameSource
        Whose encoding the pixels are in.
    """

    def __init__(
        self, result: MergeResult, shape: tuple[int, int], read: ReadFrame | None = None
    ) -> None:
        self._result, self._shape = result, shape
        self._read = read or self.decode
        self._channels = result.stack.sources[0].shape[2]
        self.names = [source.name for source in result.stack.sources]
        self._stack = result.repairs.mended_stack(result.stack)
        self.aligned = result.registration.aligned
        self.reference = self._stack.sources[result.registration.reference]

    def decode(self, index: int) -> tuple[NDArray[Any], float]:
        """Return a frame's samples and their white, the sensor's defects mended."""
        source, balance = self._stack.sources[index], self._stack.white_balance
        samples, white = read_samples(source, white_balance=balance)
        return self._result.repairs.mend(samples, white), white

    def sampler(self, index: int) -> FrameSampler:
        """Return what samples a frame in the geometry of the reference frame."""
        samples, white = self._read(index)
        return FrameSampler(
            samples,
            white,
            self._result.registration.frames[index],
            self._result.stack.sources[0].transfer,
            equalize=self._result.options.equalize_exposure,
            depth=self._result.places,
        )

    def reduced(
        self, index: int, samples: NDArray[Any], white: float, reduction: int
    ) -> FloatArray:
        """Return all of the merged picture as a frame shows it, its sides divided by a number.

        Parameters
        ----------
        index : int
        samples, white
            From `decode`.
        reduction : int
        """
        frame, (row, column) = self._result.registration.frames[index], self._result.origin
        assert frame.transform is not None
        first = column / reduction, row / reduction
        transform = rescale_transform(frame.transform, 1 / reduction, first)
        places = self._result.places
        sampler = FrameSampler(
            reduce_map(samples, reduction),
            white,
            replace(frame, transform=transform),
            self._result.stack.sources[0].transfer,
            equalize=self._result.options.equalize_exposure,
            depth=None if places is None else places.reduced(reduction),
        )
        return np.clip(sampler.sample((0, 0, *reduced_shape(self._shape, reduction))), 0, 1)

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
            If the edit names a frame that the merge did not use, or needs a depth map that the
            merge did not make.
        """
        if edit.kind == "frame":
            return self.frame_patch(self.index_of(edit.frame), box)
        wide = self._with_surroundings(box)
        merged = self._by_detail(wide) if edit.kind == "detail" else self._by_surface(wide)
        row, column = box[0] - wide[0], box[1] - wide[1]
        return np.clip(merged[row : row + box[2], column : column + box[3]], 0, 1), None

    def index_of(self, name: str) -> int:
        """Return the index of a frame that the merge used, by file name.

        Raises
        ------
        MergeError
            If there is none, or more than one.
        """
        found = [i for i in self.aligned if self.names[i] == name]
        if len(found) != 1:
            what = "is not among the frames merged" if not found else "names more than one frame"
            raise MergeError(f"edits: {name!r} {what}; expected a name such as {self.names[0]!r}")
        return found[0]

    def _with_surroundings(self, box: Box) -> Box:
        top, left = max(0, box[0] - _SURROUNDINGS_PX), max(0, box[1] - _SURROUNDINGS_PX)
        bottom = min(self._shape[0], box[0] + box[2] + _SURROUNDINGS_PX)
        right = min(self._shape[1], box[1] + box[3] + _SURROUNDINGS_PX)
        return top, left, bottom - top, right - left

    def _by_detail(self, box: Box) -> FloatArray:
        """Return a box merged by local energy."""
        blend = DetailBlend((*box[2:], self._channels))
        for sampler in work_ahead(self.sampler, self.aligned):
            blend.add(sampler.sample(self.in_reference(box)))
        return self._put_together(box, blend, blend.own_parts)

    def _by_surface(self, box: Box) -> FloatArray:
        """Return a box merged by the depth map alone, no veil of near things taken off."""
        depth = self._result.depth
        if depth is None:
            raise MergeError("edits: kind 'surface' needs a depth map; merge by auto or surface")
        position = depth.position[box[0] : box[0] + box[2], box[1] : box[1] + box[3]]
        slots = np.interp(position, self.aligned, np.arange(len(self.aligned)))
        reach = mixing_reach(np.zeros(slots.shape, np.float32))
        shape = (*box[2:], self._channels)
        blend = SurfaceBlend(slots.astype(np.float32), reach, shape, len(self.aligned))
        counting = [s for s in range(len(self.aligned)) if blend.parts_with(s)]
        samplers = work_ahead(lambda slot: self.sampler(self.aligned[slot]), counting)
        for slot, sampler in zip(counting, samplers, strict=True):
            for part in blend.parts_with(slot):
                patch = blend.patch_of(slot, part)
                if patch is not None:
                    row, column, height, width = patch.box
                    place = (box[0] + row, box[1] + column, height, width)
                    blend.add_patch(patch, sampler.sample(self.in_reference(place)))
        return self._put_together(box, blend, blend.parts, core=True)

    def _put_together(
        self,
        box: Box,
        blend: DetailBlend | SurfaceBlend,
        parts: Sequence[Part],
        *,
        core: bool = False,
    ) -> FloatArray:
        """Return a blend's parts as one picture; ``core`` where they come with a margin."""
        out = np.empty((*box[2:], self._channels), np.float32)
        for part in parts:
            pixels = blend.take(part)
            if core:
                pixels = pixels[within(part.inner, part.core)]
            out[within(part.inner, (0, 0, *box[2:]))] = pixels
        return out


def to_sixteen_bits(pixels: FloatArray) -> NDArray[np.uint16]:
    """Return pixels in [0, 1] as 16-bit values, rounded."""
    return np.rint(np.clip(pixels, 0, 1) * np.float32(65535)).astype(np.uint16)


def edited_pixels(
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


def apply_edits(
    merged: MergeResult | str | Path,
    edits: EditList | Sequence[Edit] | str | Path,
    *,
    progress: Progress | None = None,
) -> MergeResult:
    """Return a merge with places of its picture replaced, as ``depthweld review`` does it.

    Parameters
    ----------
    merged : MergeResult or path
        From `merge_stack`; or the record of a finished merge, whose frames are then merged again
        with the recorded settings.
    edits : EditList, sequence of Edit, or path
        A path is that of a file of edits.
    progress : callable, optional
        Called with (stage, frames done, frames in all) while frames are merged again.

    Returns
    -------
    MergeResult
        Its pixels are rounded to 16 bits.

    Raises
    ------
    ReadError
        If a file is no record, or holds no edits.
    MergeError
        If the edits belong to a picture of another size, or name an unknown frame.
    """
    if not isinstance(merged, MergeResult):
        done = read_finished(Path(merged))
        merged = merge_stack(find_frames(done.frames), done.options, progress=progress)
    if isinstance(edits, str | Path):
        edits = read_edits(Path(edits))
    shape = merged.pixels.shape[:2]
    if isinstance(edits, EditList):
        if edits.shape != shape:
            raise MergeError(
                f"edits: made for a picture of {edits.shape[1]} x {edits.shape[0]} px, but this "
                f"merge has {shape[1]} x {shape[0]} px. Merge with the same frames and options."
            )
        edits = edits.edits
    source = EditSource(merged, shape)
    pixels = edited_pixels(to_sixteen_bits(merged.pixels), edits, source)
    return replace(merged, pixels=pixels.astype(np.float32) / np.float32(65535))
