"""Time and memory of the depth map's stages.

PYTHONPATH=.:tests python tests/benchmarks/bench_depth.py [megapixels] [frames]

Synthetic: a textured plane that rises from the first frame to the last, one edge across it; for
`settle_edges` the photograph scene, 20 frames, enlarged to the reduced size. That is the size at
which a merge of so many megapixels measures.
"""

from __future__ import annotations

import sys

import cv2
import numpy as np
from bench_helpers import best_of, describe_machine, kept_results, peak_mib, print_row
from scenes import photograph_stack, warp_exact

from merge.depth import (
    locate_depth,
    measure_detail,
    measure_reduction,
    settle_edges,
    settle_smooth_places,
    weigh_evidence,
)
from merge.model import DepthMap
from merge.resizing import reduced_shape
from merge.scratch import ScratchStack


def make_measures(shape: tuple[int, int], frames: int) -> tuple[ScratchStack, np.ndarray]:
    """Return measures of ``frames`` frames, and the guide picture."""
    rng = np.random.default_rng(3)
    guide = rng.random((*shape, 3), np.float32) * 0.2 + 0.3
    guide[:, shape[1] // 2 :] += 0.3
    place = np.linspace(0, frames - 1, shape[1], dtype=np.float32)
    texture = (0.02 + 0.1 * rng.random(shape, np.float32)).astype(np.float32)
    measures = ScratchStack(frames, shape, np.float16, memory_bytes=1 << 32)
    for k in range(frames):
        measures.append(texture * np.exp(-((k - place) ** 2) / 4) + np.float32(0.003))
    return measures, guide


def locate(shape: tuple[int, int], frames: int) -> None:
    """Locate depth once, for the peak of memory."""
    measures, guide = make_measures(shape, frames)
    locate_depth(measures, guide)


def photograph_at(shape: tuple[int, int]) -> tuple[DepthMap, ScratchStack, np.ndarray]:
    """Return depth, aligned frames and focus axis of the photograph scene at a size."""
    scene = photograph_stack()
    scale = shape[1] / scene.depth.shape[1]
    size = (shape[1], round(scene.depth.shape[0] * scale))
    pictures = ScratchStack(20, (*size[::-1], 3), np.float16, memory_bytes=1 << 32)
    for frame, matrix in zip(scene.frames, scene.transforms, strict=True):
        pictures.append(cv2.resize(warp_exact(frame, matrix), size))
    position = cv2.resize(scene.depth, size, interpolation=cv2.INTER_NEAREST)
    wide = cv2.erode(position, np.ones((7, 7), np.uint8))
    return DepthMap(wide, np.ones_like(wide)), pictures, scene.positions_px * scale


def main() -> None:
    megapixels = float(sys.argv[1]) if len(sys.argv) > 1 else 24
    frames = int(sys.argv[2]) if len(sys.argv) > 2 else 20
    width = round((megapixels * 1.5e6) ** 0.5)
    shape = (round(megapixels * 1e6 / width), width)
    reduction = measure_reduction(shape)
    small = reduced_shape(shape, reduction)
    print(describe_machine())
    print(f"{shape[1]} x {shape[0]} px, measured at {small[1]} x {small[0]}, {frames} frames")
    luminance = np.random.default_rng(1).random(shape, np.float32)
    measure_detail(luminance[:64, :64].copy(), reduction)
    print_row("measure_detail, a frame", best_of(lambda: measure_detail(luminance, reduction)))
    measures, guide = make_measures(small, frames)
    locate_depth(measures, guide)
    seconds = best_of(lambda: locate_depth(measures, guide))
    added = peak_mib(locate, small, frames) - peak_mib(make_measures, small, frames)
    print_row("locate_depth, a frame", seconds / frames, added, "memory: all frames")
    depth, pictures, axis = photograph_at(small)
    seconds = best_of(lambda: settle_edges(depth, measures, pictures, axis, transfer="srgb"))
    print_row("settle_edges, a frame", seconds / 20)
    evidence = weigh_evidence(measures, depth)
    print_row("weigh_evidence, a frame", best_of(lambda: weigh_evidence(measures, depth)) / frames)
    seconds = best_of(
        lambda: settle_smooth_places(depth, evidence, measures, pictures, guide, axis)
    )
    print_row("settle_smooth_places, a frame", seconds / 20)


if __name__ == "__main__":
    with kept_results(__file__):
        main()
