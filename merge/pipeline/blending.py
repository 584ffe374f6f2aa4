"""The last pass over the frames: every one read once more, only its needed parts resampled."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from merge.align import needed_area, warp_part
from merge.blend import (
    DetailBlend,
    Part,
    SurfaceBlend,
    Veil,
    VeilScene,
    find_veil,
    mixing_reach,
    mixing_variance,
    remove_veil,
    restore_detail,
    within,
)
from merge.enlarging import enlarge_part, enlarge_position
from merge.model import BoolArray, FloatArray, MergeOptions, Stack
from merge.pipeline.aligning import Alignment, Progress, read_ahead
from merge.pipeline.measuring import Measured, covered, equalize_exposure, veil_scene
from merge.pipeline.memory import MemoryPlan
from merge.read import read_samples
from merge.scratch import ScratchPicture

Box = tuple[int, int, int, int]

_THREADS = 2


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

    @property
    def whole(self) -> Box:
        """The output as a box of itself."""
        return 0, 0, self.box[2], self.box[3]


def blend_detail(job: Blending, plan: MemoryPlan) -> FloatArray:
    """Merge by local energy; return shape (H, W, C), in [0, 1]."""
    scratch = ScratchPicture(job.shape, np.float32) if plan.on_disk else None
    out = np.empty(job.shape, np.float32) if scratch is None else scratch.values
    coarse: FloatArray | None = None
    for band, rows in enumerate(plan.bands):
        blend = DetailBlend(job.shape, rows=rows, coarse=coarse)
        _add_details(job, blend, (band, len(plan.bands)))
        coarse = blend.coarse_result()
        for part in blend.own_parts:
            np.clip(blend.take(part), 0, 1, out=out[within(part.inner, job.whole)])
        if scratch is not None:
            scratch.release()
    return out


def _add_details(job: Blending, blend: DetailBlend, band: tuple[int, int]) -> None:
    """Read every frame and add it."""
    used = list(job.alignment.used)
    with ThreadPoolExecutor(_THREADS) as pool:
        frames = read_ahead(lambda index: _PartSampler(job, index), used)
        for done, sampler in enumerate(frames, 1):

            def add(part: Part, sampler: _PartSampler = sampler) -> None:
                blend.add_part(part, sampler(part.box), sampler.covered(part.box))

            list(pool.map(add, blend.parts))
            blend.end_frame()
            job.report("Merging", band[0] * len(used) + done, band[1] * len(used))


def blend_by_depth(job: Blending, measured: Measured, plan: MemoryPlan) -> FloatArray:
    """Merge by a depth map; return shape (H, W, C), in [0, 1]."""
    scene = None
    if job.options.method == "auto":
        scene = veil_scene(measured, job.stack, job.alignment)
    scratch = ScratchPicture(job.shape, np.float32) if plan.on_disk else None
    out = np.empty(job.shape, np.float32) if scratch is None else scratch.values
    for done, rows in enumerate(plan.bands):
        blend = _blend_of(job, measured, rows)
        _add_frames(job, measured, scene, blend, (done, len(plan.bands)))
        _finish(job, measured, blend, out)
        if scratch is not None:
            scratch.release()
    return out


def _blend_of(job: Blending, measured: Measured, rows: tuple[int, int]) -> SurfaceBlend:
    """Return the empty blend of some rows of the output."""
    registration, used = job.alignment.registration, job.alignment.used

    def coverage(slot: int, box: Box) -> BoolArray | None:
        return covered(registration.frames[used[slot]], registration.shape, _inside(job.box, box))

    return SurfaceBlend(
        measured.depth.position,
        mixing_reach(measured.evenness),
        job.shape,
        len(used),
        reduction=measured.reduction,
        coverage=None if job.options.extent == "common" else coverage,
        rows=rows,
    )


def _add_frames(
    job: Blending,
    measured: Measured,
    scene: VeilScene | None,
    blend: SurfaceBlend,
    band: tuple[int, int],
) -> None:
    """Read every frame that counts in a blend and add it."""
    used, transfer = job.alignment.used, job.transfer
    slots = [slot for slot in range(len(used)) if blend.parts_with(slot)]

    def read(slot: int) -> tuple[_PartSampler, Veil | None]:
        sampler, veil = _PartSampler(job, used[slot]), None
        if scene is not None:
            small = measured.pictures[slot].astype(np.float32)
            veil = find_veil(small, slot, scene, transfer)
        return sampler, veil

    with ThreadPoolExecutor(_THREADS) as pool:
        for done, (slot, (sampler, veil)) in enumerate(
            zip(slots, read_ahead(read, slots), strict=True), 1
        ):

            def add(
                part: Part,
                slot: int = slot,
                sampler: _PartSampler = sampler,
                veil: Veil | None = veil,
            ) -> None:
                share = blend.share_of(slot, part)
                if share is None:
                    return
                pixels = sampler(share.box)
                if veil is not None and scene is not None:
                    pixels = remove_veil(
                        pixels, share.box, veil, scene, measured.reduction, transfer
                    )
                blend.add_share(share, pixels)

            list(pool.map(add, blend.parts_with(slot)))
            job.report("Merging", band[0] * len(slots) + done, band[1] * len(slots))


def _finish(job: Blending, measured: Measured, blend: SurfaceBlend, out: FloatArray) -> None:
    """Put a blend's parts into ``out``, the blur between frames undone, in [0, 1]."""
    positions = job.alignment.positions_px

    def finish(part: Part) -> None:
        pixels = blend.take(part)
        if positions is not None:
            position = enlarge_position(measured.depth.position, part.core, measured.reduction)
            even = enlarge_part(measured.evenness, part.core, measured.reduction)
            variance = mixing_variance(position, positions) * (1 - even)
            pixels = restore_detail(pixels, variance, job.transfer)
        inner = pixels[within(part.inner, part.core)]
        np.clip(inner, 0, 1, out=out[within(part.inner, job.whole)])

    with ThreadPoolExecutor(_THREADS) as pool:
        list(pool.map(finish, blend.parts))


class _PartSampler:
    """One frame's pixels in the output's geometry, part by part."""

    def __init__(self, job: Blending, index: int) -> None:
        source, balance = job.stack.sources[index], job.stack.white_balance
        samples, white = read_samples(source, white_balance=balance)
        self._samples = job.alignment.repairs.mend(samples, white)
        self._job, self._scale = job, np.float32(1 / white)
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

    def covered(self, box: Box) -> BoolArray | None:
        """Return which pixels of a box of the output the frame has; None for all."""
        job = self._job
        if job.options.extent == "common":
            return None
        return covered(self._frame, job.alignment.registration.shape, _inside(job.box, box))


def _inside(output: Box, box: Box) -> Box:
    """Return a box of the output as one of the reference frame."""
    return output[0] + box[0], output[1] + box[1], box[2], box[3]
