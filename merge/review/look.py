"""One finished merge, open to be looked at and repaired."""

from __future__ import annotations

import dataclasses
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.atomic import written_together
from merge.depth import measure_reduction
from merge.edits import (
    Edit,
    EditKind,
    EditList,
    affected_box,
    edits_record,
    find_region,
    join_patch,
    read_edits,
)
from merge.errors import MergeError, WriteError
from merge.model import DepthMap, FloatArray, Progress
from merge.pipeline.editing import EditSource, apply_edits, to_sixteen_bits
from merge.pipeline.merging import MergeResult
from merge.pipeline.page_pictures import screen_pixels
from merge.pipeline.saving import OutputFiles, edits_told, write_merge
from merge.report.page.pictures import shrink
from merge.scratch import ScratchPicture
from merge.write import write_json

Box = tuple[int, int, int, int]

# A candidate shows this much round its region, px of the picture.
_AROUND_PX = 24
# Sizes tried where the person has named none, px of the picture's shorter side over 1000.
_SIZES = (20.0, 40.0, 80.0)
_MOST_CANDIDATES = 16
# Of the best candidate's detail: a frame with less cannot serve.
_LEAST_DETAIL = 0.1
_DETAIL_SIGMAS_PX = 0.7, 1.4


@dataclasses.dataclass(frozen=True, eq=False)
class Candidate:
    """What a place could be replaced by.

    Attributes
    ----------
    edit : Edit
    name : str
        For people.
    box : (row, column, height, width)
        Of the crop in the picture.
    pixels : ndarray, shape (height, width, 3), uint8
        The place with the edit, in sRGB.
    detail : float
        Fine detail of the region, 0 to 1 of the best candidate's.
    change : float
        Mean change of the region's values, 0 to 1.
    """

    edit: Edit
    name: str
    box: Box
    pixels: NDArray[np.uint8]
    detail: float
    change: float


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
        self.depth = _view_depth(result)
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

    # ---- frames ----

    def keep_frames(self, progress: Progress) -> None:
        """Keep all frames decoded in a temporary file, so that a place of each comes at once.

        Where the disk has no room they are decoded anew whenever one is asked for.
        """
        for done, index in enumerate(self.frames.aligned, 1):
            samples, white = self.frames.decode(index)
            try:
                kept = ScratchPicture(samples.shape, samples.dtype)
            except WriteError:
                self._kept.clear()
                return
            kept.values[:] = samples
            kept.release()
            self._kept[index] = kept, white
            progress("Making the frames ready", done, len(self.frames.aligned))

    def _read(self, index: int) -> tuple[NDArray[Any], float]:
        kept = self._kept.get(index)
        return self.frames.decode(index) if kept is None else (kept[0].values, kept[1])

    # ---- pictures ----

    def part(self, box: Box, *, before: bool = False) -> NDArray[np.uint8]:
        """Return a box of the picture in sRGB, with its edits or before them."""
        with self._lock:
            values = (self.base if before else self.current)[_area(box)]
            return screen_pixels(values.astype(np.float32) / np.float32(65535), self.source)

    def frame_part(self, index: int, box: Box) -> NDArray[np.uint8]:
        """Return a box as one frame shows it, in sRGB."""
        patch, _ = self.frames.frame_patch(index, box)
        return screen_pixels(patch, self.source)

    def small_frame(self, index: int, side: int) -> NDArray[np.uint8]:
        """Return all of a frame, its longer side reduced to ``side``; the whole is warped once."""
        with self._lock:
            if index not in self._small:
                self._small[index] = shrink(self.frame_part(index, (0, 0, *self.shape[:2])), side)
            return self._small[index]

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
                k for k, (_, box) in enumerate(active) if any(_touch(box, b) for b in boxes)
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

    def _mark(self, boxes: Sequence[Box], side: int = 512) -> None:
        """Give the tiles that changed a new version, so that they are asked for again."""
        tiles = {
            f"{row},{column}"
            for top, left, height, width in boxes
            for row in range(top // side, (top + height - 1) // side + 1)
            for column in range(left // side, (left + width - 1) // side + 1)
        }
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
            self.current = apply_edits(self.base, found.edits, self.frames)
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
        """Return what could stand at a place: frames, most detail first, then other ways.

        Parameters
        ----------
        x, y : float
            The place in pixels of the picture.
        size_px : float, optional
            Radius wished for; by default the one whose border shows least.
        region : sequence of (x, y), optional
            A region drawn by hand, the same for every candidate.
        """
        unit = min(self.shape[:2]) / 1000
        sizes = [size_px] if size_px else [max(12.0, s * unit) for s in _SIZES]
        if region is not None:
            far = max(np.hypot(px - x, py - y) for px, py in region)
            sizes = [max(12.0, float(far))]
        reach = round(1.5 * max(sizes)) + _AROUND_PX
        wide = self._inside(round(y) - reach, round(x) - reach, 2 * reach + 1, 2 * reach + 1)
        now = self.current[_area(wide)].astype(np.float32) / np.float32(65535)
        edits = []
        for index in self.frames.aligned:
            patch, valid = self.frames.frame_patch(index, wide)
            if valid is not None and not valid.all():
                continue
            name = self.result.stack.sources[index].name
            border = region or self._border(now, patch, wide, (x, y), sizes)
            edits.append(Edit("frame", tuple(border), name))
        if not edits:
            return []
        shown = self._around(edits)
        found = [self._candidate(edit, shown) for edit in edits]
        best = max(candidate.detail for candidate in found)
        found = [c for c in found if c.detail >= _LEAST_DETAIL * best]
        found = sorted(found, key=lambda c: -c.detail)[:_MOST_CANDIDATES]
        ways: tuple[EditKind, ...] = ("detail", "surface")
        found += [self._candidate(Edit(way, found[0].edit.region), shown) for way in ways]
        return [dataclasses.replace(c, detail=c.detail / max(best, 1e-12)) for c in found]

    def _around(self, edits: Sequence[Edit]) -> Box:
        """Return what is shown of the picture: all regions and something round them."""
        corners = np.concatenate([np.array(edit.region) for edit in edits])
        left, top = np.floor(corners.min(axis=0)).astype(int) - _AROUND_PX
        right, bottom = np.ceil(corners.max(axis=0)).astype(int) + _AROUND_PX
        return self._inside(top, left, bottom - top + 1, right - left + 1)

    def _border(
        self,
        now: FloatArray,
        patch: FloatArray,
        wide: Box,
        place: tuple[float, float],
        sizes: Sequence[float],
    ) -> tuple[tuple[float, float], ...]:
        """Return the region whose border shows least, of the sizes allowed, in the picture."""
        centre = place[0] - wide[1], place[1] - wide[0]
        regions = [find_region(now, patch, centre, size) for size in sizes]
        seen = [_difference_along(now, patch, region) for region in regions]
        # The smallest whose border hardly shows more than the best one's.
        chosen = next(k for k, value in enumerate(seen) if value <= 1.3 * min(seen) + 1e-4)
        return tuple((px + wide[1], py + wide[0]) for px, py in regions[chosen])

    def _candidate(self, edit: Edit, wide: Box) -> Candidate:
        box = affected_box(edit, self.shape)
        assert box is not None
        pixels, valid = self.frames.patch(edit, box)
        before = self.current[_area(box)]
        joined = join_patch(before, pixels, edit, box, valid)
        mask = np.zeros(box[2:], np.uint8)
        corners = np.rint(np.array(edit.region) - (box[1], box[0])).astype(np.int32)
        cv2.fillPoly(mask, [corners], 1)
        inside = mask > 0
        change = np.abs(joined.astype(np.float32) - before)[inside].mean() / 65535
        shown = self.current[_area(wide)].copy()
        row, column = max(box[0], wide[0]), max(box[1], wide[1])
        bottom = min(box[0] + box[2], wide[0] + wide[2])
        right = min(box[1] + box[3], wide[1] + wide[3])
        shown[row - wide[0] : bottom - wide[0], column - wide[1] : right - wide[1]] = joined[
            row - box[0] : bottom - box[0], column - box[1] : right - box[1]
        ]
        return Candidate(
            edit,
            _name_of(edit),
            wide,
            screen_pixels(shown.astype(np.float32) / np.float32(65535), self.source),
            _detail(pixels, inside),
            float(change),
        )

    def _inside(self, top: int, left: int, height: int, width: int) -> Box:
        """Return a box cut to the picture."""
        bottom, right = min(top + height, self.shape[0]), min(left + width, self.shape[1])
        top, left = max(top, 0), max(left, 0)
        if bottom <= top or right <= left:
            raise MergeError("That place lies outside the picture.")
        return int(top), int(left), int(bottom - top), int(right - left)


def _name_of(edit: Edit) -> str:
    return edit.frame if edit.kind == "frame" else f"merged by {edit.kind}"


def _detail(pixels: FloatArray, inside: NDArray[np.bool_]) -> float:
    """Return the mean square of the fine detail of a region."""
    grey = pixels.mean(axis=2)
    fine, coarse = (cv2.GaussianBlur(grey, (0, 0), sigma) for sigma in _DETAIL_SIGMAS_PX)
    return float(np.square(fine - coarse)[inside].mean()) if inside.any() else 0.0


def _difference_along(
    one: FloatArray, other: FloatArray, region: Sequence[tuple[float, float]]
) -> float:
    points = np.rint(np.array(region)).astype(int)
    rows = np.clip(points[:, 1], 0, one.shape[0] - 1)
    columns = np.clip(points[:, 0], 0, one.shape[1] - 1)
    return float(np.abs(one[rows, columns] - other[rows, columns]).max(axis=1).mean())


def _area(box: Box) -> tuple[slice, slice]:
    return np.s_[box[0] : box[0] + box[2], box[1] : box[1] + box[3]]


def _touch(one: Box, other: Box) -> bool:
    return (
        one[0] < other[0] + other[2]
        and other[0] < one[0] + one[2]
        and one[1] < other[1] + other[3]
        and other[1] < one[1] + one[3]
    )


def _view_depth(result: MergeResult) -> DepthMap:
    """Return the depth map at about the size that it was measured with."""
    assert result.depth is not None, "a review merges by depth"
    step = measure_reduction(result.pixels.shape[:2])
    start = step // 2
    return DepthMap(
        np.ascontiguousarray(result.depth.position[start::step, start::step]),
        np.ascontiguousarray(result.depth.confidence[start::step, start::step]),
    )
