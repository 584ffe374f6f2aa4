"""The last pass over the frames: every one read once more, only its needed parts resampled."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from merge.align import needed_area, valid_area, warp_frame, warp_part
from merge.blend import (
    DetailBlend,
    Part,
    SurfaceBlend,
    Veil,
    find_veil,
    mixing_reach,
    mixing_variance,
    remove_veil,
    restore_detail,
)
from merge.enlarging import enlarge_part, enlarge_position
from merge.model import BoolArray, FloatArray, MergeOptions, Stack
from merge.pipeline.aligning import Alignment, Progress, read_ahead
from merge.pipeline.measuring import Measured, covered, equalize_exposure, veil_scene
from merge.read import read_frame, read_samples

Box = tuple[int, int, int, int]

_THREADS = 2
# Side of the pieces that are finished at a time, and what `restore_detail` sees around them.
_PIECE_PX, _HALO_PX = 256, 4


@dataclass(frozen=True, eq=False)
class Blending:
    """What every way of blending needs to know.

    Attributes
    ----------
    stack : Stack
    alignment : Alignment
    box : (row, column, height, width)
        Of the output in the reference frame.
    options : MergeOptions
    report : callable
        Progress.
    """

    stack: Stack
    alignment: Alignment
    box: Box
    options: MergeOptions
    report: Progress

    @property
    def transfer(self) -> str:
        """Encoding of the frames."""
        return self.stack.sources[self.alignment.registration.reference].transfer

    @property
    def shape(self) -> tuple[int, int, int]:
        """(H, W, C) of the output."""
        return self.box[2], self.box[3], self.stack.sources[0].shape[2]


def blend_detail(job: Blending) -> FloatArray:
    """Merge by local energy, in one pass; return shape (H, W, C)."""
    blend = DetailBlend(job.shape)

    def read(index: int) -> tuple[FloatArray, BoolArray | None]:
        source, frame = job.stack.sources[index], job.alignment.registration.frames[index]
        assert frame.transform is not None
        pixels = read_frame(source, white_balance=job.stack.white_balance).pixels
        if job.options.equalize_exposure:
            pixels = equalize_exposure(pixels, frame, job.transfer)
        warped = warp_frame(pixels, frame.transform, box=job.box)
        if job.options.extent == "common":
            return warped, None
        valid = valid_area(frame.transform, pixels.shape[:2], job.box)
        valid &= ~np.isnan(warped[..., 0])
        return np.nan_to_num(warped, copy=False), valid

    used = list(job.alignment.used)
    for slot, (pixels, valid) in enumerate(read_ahead(read, used)):
        blend.add(pixels, valid)
        job.report("Merging", slot + 1, len(used))
    return blend.result()


def blend_by_depth(job: Blending, measured: Measured) -> FloatArray:
    """Merge by a depth map; return shape (H, W, C)."""
    registration, reduction = job.alignment.registration, measured.reduction
    used = list(job.alignment.used)
    scene = None
    if job.options.method == "auto":
        scene = veil_scene(measured, job.stack, job.alignment)

    def coverage(slot: int, box: Box) -> BoolArray | None:
        return covered(registration.frames[used[slot]], registration.shape, _inside(job.box, box))

    blend = SurfaceBlend(
        measured.depth.position,
        mixing_reach(measured.evenness),
        job.shape,
        len(used),
        reduction=reduction,
        coverage=None if job.options.extent == "common" else coverage,
    )

    def read(slot: int) -> tuple[_PartSampler, Veil | None]:
        source = job.stack.sources[used[slot]]
        samples, white = read_samples(source, white_balance=job.stack.white_balance)
        veil = None
        if scene is not None:
            small = measured.pictures[slot].astype(np.float32)
            veil = find_veil(small, slot, scene, job.transfer)
        return _PartSampler(job, used[slot], samples, white), veil

    with ThreadPoolExecutor(_THREADS) as pool:
        for slot, (sampler, veil) in enumerate(read_ahead(read, list(range(len(used))))):

            def add(
                part: Part, slot: int = slot, sampler: Any = sampler, veil: Veil | None = veil
            ) -> None:
                share = blend.share_of(slot, part)
                if share is None:
                    return
                pixels = sampler(share.box)
                if veil is not None and scene is not None:
                    pixels = remove_veil(pixels, share.box, veil, scene, reduction, job.transfer)
                blend.add_share(share, pixels)

            list(pool.map(add, blend.parts(slot)))
            job.report("Merging", slot + 1, len(used))
    return _finished(job, measured, blend.result())


class _PartSampler:
    """One frame's pixels in the output's geometry, part by part."""

    def __init__(self, job: Blending, index: int, samples: NDArray[Any], white: float) -> None:
        self._job, self._samples, self._scale = job, samples, np.float32(1 / white)
        self._frame = job.alignment.registration.frames[index]

    def __call__(self, box: Box) -> FloatArray:
        """Return shape (height, width, C) of a box of the output; the border goes on outside."""
        job, frame = self._job, self._frame
        assert frame.transform is not None
        box = _inside(job.box, box)
        rows, columns = needed_area(frame.transform, box, self._samples.shape)
        area = np.multiply(self._samples[rows, columns], self._scale, dtype=np.float32)
        origin = rows.start, columns.start
        if job.options.equalize_exposure:
            area = equalize_exposure(
                area, frame, job.transfer, origin=origin, shape=self._samples.shape
            )
        return warp_part(area, frame.transform, origin=origin, box=box, extend=True)


def _inside(output: Box, box: Box) -> Box:
    """Return a box of the output as one of the reference frame."""
    return output[0] + box[0], output[1] + box[1], box[2], box[3]


def _finished(job: Blending, measured: Measured, blended: FloatArray) -> FloatArray:
    """Return the picture with the blur between frames undone, in [0, 1]."""
    positions = job.alignment.positions_px
    if positions is None:
        return np.clip(blended, 0, 1, out=blended)
    height, width = blended.shape[:2]
    out = np.empty_like(blended)

    def finish(corner: tuple[int, int]) -> None:
        top, left = corner
        bottom, right = min(top + _PIECE_PX, height), min(left + _PIECE_PX, width)
        first, start = max(top - _HALO_PX, 0), max(left - _HALO_PX, 0)
        last, end = min(bottom + _HALO_PX, height), min(right + _HALO_PX, width)
        box = first, start, last - first, end - start
        position = enlarge_position(measured.depth.position, box, measured.reduction)
        even = enlarge_part(measured.evenness, box, measured.reduction)
        variance = mixing_variance(position, positions) * (1 - even)
        piece = restore_detail(blended[first:last, start:end], variance, job.transfer)
        out[top:bottom, left:right] = piece[
            top - first : bottom - first, left - start : right - start
        ]

    corners = [(r, c) for r in range(0, height, _PIECE_PX) for c in range(0, width, _PIECE_PX)]
    with ThreadPoolExecutor(_THREADS) as pool:
        list(pool.map(finish, corners))
    return out
