"""One finished merge, open to be looked at and repaired."""

from __future__ import annotations

import dataclasses
import functools
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from merge.atomic import written_together
from merge.edits import (
    Edit,
    EditList,
    affected_box,
    edits_record,
    join_patch,
    read_edits,
)
from merge.errors import MergeError, WriteError
from merge.model import Box, DepthMap, Progress
from merge.pipeline.editing import EditSource, edited_pixels, to_sixteen_bits
from merge.pipeline.merging import MergeResult
from merge.pipeline.page_pictures import screen_pixels
from merge.pipeline.saving import OutputFiles, edits_told, write_merge
from merge.report.page.pictures import EncodedDepth, encode_depth_map, overlap
from merge.resizing import reduce_map
from merge.review.candidates import Candidate, find_candidates
from merge.scratch import ScratchPicture
from merge.write import write_json

# Reduced pictures are at least (the whole) or about (frames) so large; the browser shows them until
# tiles are there.
OVERVIEW_SIDE, FRAME_SIDE = 1800, 1400
# Side of the tiles in px.
TILE = 512


class Look:
    """A merge's picture with its edits, before and after, and the frames that it came from.

    Parameters
    ----------
    result : MergeResult
    target : Path
        The picture written.
    edits_path : Path
        Where edits are kept; read if it is there and belongs to this picture.
    written : sequence of Edit
        Those that the picture on disk holds.
    """

    def __init__(
        self, result: MergeResult, target: Path, edits_path: Path, written: Sequence[Edit] = ()
    ) -> None:
        self.target, self._edits_path = target, edits_path
        self.shape: tuple[int, int, int] = result.pixels.shape
        self.source = result.stack.sources[result.registration.reference]
        self.depth = result.small_depth()
        self._lock = threading.RLock()
        self._scratch = ScratchPicture(self.shape, np.uint16)
        self.base: NDArray[np.uint16] = self._scratch.values
        for top in range(0, self.shape[0], 256):
            self.base[top : top + 256] = to_sixteen_bits(result.pixels[top : top + 256])
        self.current = self.base.copy()
        # What is kept of the result holds no picture.
        nothing = np.empty((0, 0, self.shape[2]), np.float32)
        depth = ScratchPicture(self.shape[:2], np.float32)
        assert result.depth is not None, "a review merges by depth"
        depth.values[:] = result.depth.position
        whole = DepthMap(depth.values, np.empty((0, 0), np.float32))
        self.result = dataclasses.replace(result, pixels=nothing, depth=whole)
        self._kept: dict[int, tuple[ScratchPicture, float]] = {}
        self._small: dict[int, NDArray[np.uint8]] = {}
        self.frame_step = max(1, round(max(self.shape) / FRAME_SIDE))
        self._step = max(1, max(self.shape) // OVERVIEW_SIDE)
        self._whole: dict[bool, NDArray[np.uint8]] = {}
        self.frames = EditSource(self.result, self.shape[:2], self._read)
        self._history: list[tuple[Edit, ...]] = [()]
        self._at = 0
        self._saved: tuple[Edit, ...] = tuple(written)
        self.versions: dict[str, int] = {}
        self._take_up_edits()

    def close(self) -> None:
        """Let go of the frames."""
        self._kept.clear()
        self._small.clear()
        self._whole.clear()

    # ---- frames ----

    def keep_frames(self, progress: Progress) -> None:
        """Keep all frames decoded in a temporary file, so that a place of each comes at once.

        Where the disk has no room they are decoded anew whenever one is asked for.
        """
        room = True
        self.overview()
        self.depth_map  # noqa: B018 - made now, so that the page opens at once
        for done, index in enumerate(self.frames.aligned, 1):
            samples, white = self.frames.decode(index)
            self._small[index] = self._reduced_frame(index, samples, white)
            try:
                kept = ScratchPicture(samples.shape, samples.dtype) if room else None
            except WriteError:
                self._kept.clear()
                room, kept = False, None
            if kept is not None:
                kept.values[:] = samples
                kept.release()
                self._kept[index] = kept, white
            progress("Making the frames ready", done, len(self.frames.aligned))

    def _read(self, index: int) -> tuple[NDArray[Any], float]:
        kept = self._kept.get(index)
        return self.frames.decode(index) if kept is None else (kept[0].values, kept[1])

    # ---- pictures ----

    @functools.cached_property
    def depth_map(self) -> EncodedDepth:
        """The depth map as a page carries it."""
        return encode_depth_map(self.depth, self.frames.aligned[-1])

    def part(self, box: Box, *, before: bool = False) -> NDArray[np.uint8]:
        """Return a box of the picture in sRGB, with its edits or before them."""
        with self._lock:
            values = (self.base if before else self.current)[_area(box)]
            return screen_pixels(values.astype(np.float32) / np.float32(65535), self.source)

    def frame_part(self, index: int, box: Box) -> NDArray[np.uint8]:
        """Return a box as one frame shows it, in sRGB."""
        patch, _ = self.frames.frame_patch(index, box)
        return screen_pixels(patch, self.source)

    def small_frame(self, index: int) -> NDArray[np.uint8]:
        """Return all of a frame in sRGB, its sides divided by `frame_step`."""
        if index not in self._small:
            self._small[index] = self._reduced_frame(index, *self._read(index))
        return self._small[index]

    def _reduced_frame(self, index: int, samples: NDArray[Any], white: float) -> NDArray[np.uint8]:
        small = self.frames.reduced(index, samples, white, self.frame_step)
        return screen_pixels(small, self.source)

    def overview(self, *, before: bool = False) -> NDArray[np.uint8]:
        """Return the whole picture in sRGB, reduced, with its edits or before them."""
        with self._lock:
            if before not in self._whole:
                self._whole[before] = self._reduced((0, 0, *self.shape[:2]), before=before)
            return self._whole[before]

    def _reduced(self, box: Box, *, before: bool = False) -> NDArray[np.uint8]:
        whole: NDArray[Any] = self.base if before else self.current
        values = reduce_map(whole[_area(box)], self._step)
        return screen_pixels(values.astype(np.float32) / np.float32(65535), self.source)

    def _renew_overview(self, box: Box) -> None:
        """Bring the blocks of the overview that a box of the picture touches up to date."""
        if False not in self._whole:
            return
        step = self._step
        top, left = box[0] // step, box[1] // step
        bottom, right = -(-(box[0] + box[2]) // step), -(-(box[1] + box[3]) // step)
        height = min(bottom * step, self.shape[0]) - top * step
        width = min(right * step, self.shape[1]) - left * step
        new = self._reduced((top * step, left * step, height, width))
        self._whole[False][top:bottom, left:right] = new

    # ---- edits ----

    @property
    def edits(self) -> tuple[Edit, ...]:
        """The edits as they stand."""
        return self._history[self._at]

    @property
    def unsaved(self) -> bool:
        """Whether the picture on disk is without the latest edits."""
        return [e for e in self.edits if e.on] != [e for e in self._saved if e.on]

    def add(self, edit: Edit) -> None:
        """Add an edit after the others."""
        self._go_on((*self.edits, edit))

    def switch(self, number: int, *, on: bool) -> None:
        """Switch one edit on or off."""
        edits = list(self.edits)
        edits[number] = dataclasses.replace(edits[number], on=on)
        self._go_on(tuple(edits))

    def remove(self, number: int) -> None:
        """Take one edit out of the list."""
        self._go_on(self.edits[:number] + self.edits[number + 1 :])

    def undo(self) -> None:
        """Go one step back."""
        self._move_to(max(self._at - 1, 0))

    def redo(self) -> None:
        """Go one step forward again."""
        self._move_to(min(self._at + 1, len(self._history) - 1))

    def _go_on(self, edits: tuple[Edit, ...]) -> None:
        with self._lock:
            for edit in edits:  # refuses unknown names before anything changes
                if edit.kind == "frame":
                    self.frames.index_of(edit.frame)
            self._history[self._at + 1 :] = [edits]
            self._move_to(self._at + 1)

    def _move_to(self, at: int) -> None:
        with self._lock:
            before, self._at = self.edits, at
            self._show(before, self.edits)
            self._keep_edits()

    def _show(self, before: Sequence[Edit], after: Sequence[Edit]) -> None:
        """Bring the picture from one list of edits to another, where they differ."""
        common = 0
        while common < min(len(before), len(after)) and before[common] == after[common]:
            common += 1
        changed = [*before[common:], *after[common:]]
        boxes = [box for edit in changed if (box := self._box(edit)) is not None]
        active = [(edit, box) for edit in after if (box := self._box(edit)) is not None]
        # Edits whose boxes touch what changes are made anew in their order, and what these touch.
        again: set[int] = set()
        while True:
            more = {
                k for k, (_, box) in enumerate(active) if any(overlap(box, b) for b in boxes)
            } - again
            if not more:
                break
            again |= more
            boxes += [active[k][1] for k in more]
        for box in boxes:
            self.current[_area(box)] = self.base[_area(box)]
        for k in sorted(again):
            edit, box = active[k]
            patch, valid = self.frames.patch(edit, box)
            area = _area(box)
            self.current[area] = join_patch(self.current[area], patch, edit, box, valid)
        self._mark(boxes)

    def _box(self, edit: Edit) -> Box | None:
        return affected_box(edit, self.shape) if edit.on else None

    def _mark(self, boxes: Sequence[Box]) -> None:
        """Give the tiles that changed a new version, so that they are asked for again."""
        tiles = {
            f"{row},{column}"
            for top, left, height, width in boxes
            for row in range(top // TILE, (top + height - 1) // TILE + 1)
            for column in range(left // TILE, (left + width - 1) // TILE + 1)
        }
        for box in boxes:
            self._renew_overview(box)
        for key in tiles:
            self.versions[key] = self.versions.get(key, 0) + 1

    def _keep_edits(self) -> None:
        """Write the edits down, so that closing the page loses nothing."""
        record = edits_record(EditList(self.shape[:2], self.edits))
        write_json(self._edits_path, record, overwrite=True, inputs=self.result.stack.inputs)

    def _take_up_edits(self) -> None:
        """Apply edits of an earlier session, if they belong to this picture."""
        if not self._edits_path.is_file():
            return
        try:
            found = read_edits(self._edits_path)
            if found.shape != self.shape[:2] or not found.edits:
                return
            self.current = edited_pixels(self.base, found.edits, self.frames)
        except MergeError:
            return
        self._history.append(found.edits)
        self._at = 1

    def save(self) -> None:
        """Write the picture with its edits, its record and its edits, each whole or not at all.

        Raises
        ------
        WriteError
            If a file cannot be written; the old ones then stand.
        """
        with self._lock:
            pixels = self.current.astype(np.float32) / np.float32(65535)
            whole = dataclasses.replace(self.result, pixels=pixels)
            files = OutputFiles(
                self.target, record=self.target.with_suffix(".json"), overwrite=True
            )
            told = edits_told(EditList(self.shape[:2], self.edits))
            with written_together():
                write_merge(whole, files, told)
            self._saved = self.edits
            self._keep_edits()

    def plain(self) -> dict[str, Any]:
        """Return the edits as a page shows them."""
        return {
            "edits": [
                {
                    "kind": edit.kind,
                    "name": _name_of(edit),
                    "on": edit.on,
                    "region": edit.region,
                }
                for edit in self.edits
            ],
            "undo": self._at > 0,
            "redo": self._at < len(self._history) - 1,
            "unsaved": self.unsaved,
            "versions": self.versions,
            "written": self.target.name,
        }

    # ---- candidates ----

    def candidates(
        self,
        x: float,
        y: float,
        size_px: float | None = None,
        region: Sequence[tuple[float, float]] | None = None,
    ) -> list[Candidate]:
        """Return what could stand at a place, see `merge.review.candidates.find_candidates`."""
        return find_candidates(self.current, self.frames, (x, y), size_px, region)


def _name_of(edit: Edit) -> str:
    return edit.frame if edit.kind == "frame" else f"merged by {edit.kind}"


def _area(box: Box) -> tuple[slice, slice]:
    return np.s_[box[0] : box[0] + box[2], box[1] : box[1] + box[3]]
