"""The last pass over the frames: every one read once more, only its needed parts resampled."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from merge.align import rescale_transform
from merge.allocator import return_freed_memory, zeros_apart
from merge.blend import (
    Contenders,
    Coverage,
    DetailBlend,
    ForegroundBlur,
    OcclusionScene,
    Part,
    SurfaceBlend,
    find_foreground_blur,
    lend_light,
    mixing_position,
    mixing_reach,
    mixing_variance,
    remove_foreground_blur,
    restore_detail,
    within,
)
from merge.model import BoolArray, Box, FloatArray, MergeOptions, Progress
from merge.pipeline.deep import OutputDepth
from merge.pipeline.first_pass import FirstPassResult
from merge.pipeline.measuring import SceneEstimate, occlusion_scene, small_warp, stored_factor
from merge.pipeline.memory import MemoryPlan
from merge.pipeline.sampling import FrameSampler, covered
from merge.read import read_samples
from merge.resizing import enlarge_part, enlarge_position, reduce_map, reduced_shape
from merge.scratch import ScratchPicture, as_floats
from merge.threads import FRAMES_AT_ONCE, map_threads, work_ahead

# Rows of the reduced picture that are in work together where light is lent.
_LENT_ROWS = 64


@dataclass(frozen=True, eq=False)
class BlendJob:
    """What every way of blending needs to know.

    Attributes
    ----------
    first : FirstPassResult
    box : (row, column, height, width)
        Of the output in the reference frame.
    options : MergeOptions
    report : callable
        Progress.
    depth : OutputDepth or None
        Where frames see near and far shifted differently.
    """

    first: FirstPassResult
    box: Box
    options: MergeOptions
    report: Progress
    depth: OutputDepth | None = None

    @property
    def shape(self) -> tuple[int, int, int]:
        """(H, W, C) of the output."""
        return self.box[2], self.box[3], self.first.stack.sources[0].shape[2]

    @property
    def whole(self) -> Box:
        """The output as a box of itself."""
        return 0, 0, self.box[2], self.box[3]


def blend_detail(job: BlendJob, plan: MemoryPlan) -> FloatArray:
    """Merge by local energy; return shape (H, W, C), in [0, 1]."""
    return_freed_memory()
    scratch = ScratchPicture(job.shape, np.float32) if plan.on_disk else None
    out = zeros_apart(job.shape) if scratch is None else scratch.values
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


def _add_details(job: BlendJob, blend: DetailBlend, band: tuple[int, int]) -> None:
    """Read every frame and add it."""
    used, coverage = job.first.aligned, _coverage_of(job)
    contenders = None if coverage is not None else _contenders_of(job)
    counts = {part: contenders.of(part.core) for part in blend.parts} if contenders else {}

    def read(slot: int) -> tuple[FrameSampler, FrameSampler | None]:
        sampler = _sampler_of(job, used[slot])
        everywhere = all(counting[slot] for counting in counts.values())
        return sampler, None if everywhere else sampler.reduced(blend.reduction, job.box)

    def add(slot: int, sampler: FrameSampler, reduced: FrameSampler | None) -> None:
        def add_part(part: Part) -> None:
            if reduced is not None and not counts[part][slot]:
                blend.add_coarse(part, reduced.sample(blend.inner_reduced(part)))
                return
            valid = None if coverage is None else coverage(slot, part.box)
            blend.add_part(part, sampler.sample(_inside(job.box, part.box)), valid)
            if counts and not counts[part][slot + 1 :].any():
                blend.settle(part)

        map_threads(add_part, blend.parts)
        blend.end_frame()

    samplers = work_ahead(read, range(len(used)), threads=_readers(job))
    for slot in range(len(used)):
        add(slot, *next(samplers))  # without a name: not held while the next one is read
        return_freed_memory()
        job.report("Merging", band[0] * len(used) + slot + 1, band[1] * len(used))


def _contenders_of(job: BlendJob) -> Contenders | None:
    """Return what tells in which parts of the output a frame's fine detail counts."""
    strengths, side = [], 0
    for index in job.first.aligned:
        frame, (strength, side) = job.first.registration.frames[index], job.first.strengths[index]
        assert frame.transform is not None
        if job.options.equalize_exposure:
            strength = strength * np.float32(stored_factor(frame.gain, job.first.transfer) ** 2)
        origin = job.box[1] / side, job.box[0] / side
        transform = rescale_transform(frame.transform, 1 / side, origin)
        depth = None if job.depth is None else job.depth.reduced(side).small_px
        warp = small_warp(transform, reduced_shape(job.box[2:], side), depth)
        strengths.append(warp(strength, cv2.INTER_NEAREST))
    return Contenders(np.stack(strengths), side)


def blend_by_depth(job: BlendJob, measured: SceneEstimate, plan: MemoryPlan) -> FloatArray:
    """Merge by a depth map; return shape (H, W, C), in [0, 1]."""
    scene = None
    if job.options.method == "auto":
        scene = occlusion_scene(measured, job.first)
    return_freed_memory()
    scratch = ScratchPicture(job.shape, np.float32) if plan.on_disk else None
    out = zeros_apart(job.shape) if scratch is None else scratch.values

    def fill(rows: tuple[int, int], done: int) -> None:
        blend = _blend_of(job, measured, rows)
        _add_frames(job, measured, scene, blend, (done, len(plan.bands)), out)

    for done, rows in enumerate(plan.bands):
        fill(rows, done)  # a function, so that one band is gone before the next one is begun
        if scratch is not None:
            scratch.release()
    return_freed_memory()
    if scene is not None and measured.guessed is not None and measured.guessed.any():
        _lend_light(measured, measured.guessed, out)
    return out


def _lend_light(measured: SceneEstimate, guessed: BoolArray, out: FloatArray) -> None:
    """Mend the coarse light of places whose depth is a guess, at half the size of the map."""
    pictures, scale = measured.pictures, 2 * measured.reduction
    frames = work_ahead(
        lambda k: reduce_map(as_floats(pictures[k]), 2),
        range(len(pictures)),
        threads=FRAMES_AT_ONCE,
    )
    rows = _LENT_ROWS * scale
    strips = [slice(top, top + rows) for top in range(0, len(out), rows)]
    own = np.concatenate([reduce_map(out[strip], scale) for strip in strips])
    lent = lend_light(own, frames, reduce_map(guessed.astype(np.float32), 2), measured.noise)
    for strip in strips:
        part = out[strip]
        part += enlarge_part(lent, (strip.start, 0, *part.shape[:2]), scale)
        np.clip(part, 0, 1, out=part)


def _blend_of(job: BlendJob, measured: SceneEstimate, rows: tuple[int, int]) -> SurfaceBlend:
    """Return the empty blend of some rows of the output."""
    position, positions = measured.depth.position, job.first.positions_px
    return SurfaceBlend(
        position if positions is None else mixing_position(position, positions),
        mixing_reach(measured.flatness),
        job.shape,
        len(job.first.aligned),
        reduction=measured.reduction,
        coverage=_coverage_of(job),
        rows=rows,
    )


def _add_frames(
    job: BlendJob,
    measured: SceneEstimate,
    scene: OcclusionScene | None,
    blend: SurfaceBlend,
    band: tuple[int, int],
    out: FloatArray,
) -> None:
    """Read every frame that counts in a blend and add it; put what is finished into ``out``."""
    used, mixing = job.first.aligned, job.first.mixing
    slots = [slot for slot in range(len(used)) if blend.parts_with(slot)]

    def read(slot: int) -> tuple[FrameSampler, ForegroundBlur | None]:
        sampler = _sampler_of(job, used[slot])
        return sampler, None if scene is None else find_foreground_blur(slot, scene)

    def add(slot: int, sampler: FrameSampler, veil: ForegroundBlur | None) -> None:
        def add_part(part: Part) -> None:
            patch = blend.patch_of(slot, part)
            if patch is None:
                return
            pixels = sampler.sample(_inside(job.box, patch.box))
            if veil is not None and scene is not None:
                pixels = remove_foreground_blur(
                    pixels, patch.box, veil, scene, measured.reduction, mixing
                )
            blend.add_patch(patch, pixels)

        def add_and_finish(part: Part) -> None:
            add_part(part)
            if slot == blend.last_frame(part):  # its sums need not wait for the others
                _finish(job, measured, part, blend.take(part), out)

        map_threads(add_and_finish, blend.parts_with(slot))

    frames = work_ahead(read, slots, threads=_readers(job))
    for done, slot in enumerate(slots, 1):
        add(slot, *next(frames))  # without a name: not held while the next one is read
        return_freed_memory()
        job.report("Merging", band[0] * len(slots) + done, band[1] * len(slots))
    for part in blend.parts:
        if blend.last_frame(part) < 0:  # no frame counts here
            _finish(job, measured, part, blend.take(part), out)


def _readers(job: BlendJob) -> int:
    """Return how many frames to decode at a time.

    Developing a raw file takes longer than all the rest, on one core, and half a gigabyte.
    """
    raw = job.first.stack.sources[0].kind == "raw"
    return 2 if raw and job.options.memory_limit_bytes is None else 1


def _finish(
    job: BlendJob, measured: SceneEstimate, part: Part, pixels: FloatArray, out: FloatArray
) -> None:
    """Put a part's blended pixels into ``out``, the blur between frames undone, in [0, 1]."""
    positions = job.first.positions_px
    if positions is not None:
        position = enlarge_position(measured.depth.position, part.core, measured.reduction)
        flat = enlarge_part(measured.flatness, part.core, measured.reduction)
        variance = mixing_variance(position, positions) * (1 - flat)
        pixels = restore_detail(pixels, variance, job.first.mixing)
    inner = pixels[within(part.inner, part.core)]
    np.clip(inner, 0, 1, out=out[within(part.inner, job.whole)])


def _sampler_of(job: BlendJob, index: int) -> FrameSampler:
    """Return one frame's sampler, without the sensor's defects."""
    samples, white = read_samples(
        job.first.stack.sources[index], white_balance=job.first.stack.white_balance
    )
    return FrameSampler(
        job.first.repairs.mend(samples, white),
        white,
        job.first.registration.frames[index],
        job.first.transfer,
        equalize=job.options.equalize_exposure,
        depth=job.depth,
    )


def _coverage_of(job: BlendJob) -> Coverage | None:
    """Return what tells which pixels of a box of the output a frame has; None if all have all."""
    if job.options.extent == "common":
        return None
    registration, used = job.first.registration, job.first.aligned
    return lambda slot, box: covered(
        registration.frames[used[slot]], registration.shape, _inside(job.box, box)
    )


def _inside(output: Box, box: Box) -> Box:
    """Return a box of the output as one of the reference frame."""
    return output[0] + box[0], output[1] + box[1], box[2], box[3]
