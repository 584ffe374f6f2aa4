"""Registration error beside general-purpose libraries, and time and memory at 24 MP.

Run: ``PYTHONPATH=.:tests python tests/benchmarks/bench_align.py [--quick]``. Every method gets the
same linear-light luminance. The libraries compare neighbours, coarse to fine where they can, and
are chained to the reference frame; phase correlation knows shifts only. Error: worst of the four
corners and the centre against truth, in px.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from align_scenes import (
    MovedStack,
    breathing_maps,
    bumped_stack,
    focus_views,
    handheld_landscape,
    move_views,
    worst_error_px,
)
from bench_helpers import best_of, describe_machine, kept_results, peak_mib, print_row

from merge.align import analysis_reduction, register_pair, register_stack
from merge.encoding import linearize
from merge.model import MotionModel

Pair = Callable[[np.ndarray, np.ndarray], np.ndarray]


def by_ours(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    return register_pair(first, second).matrix


def by_opencv(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """OpenCV's enhanced correlation maximiser, affine, coarse to fine."""
    matrix = np.eye(2, 3, dtype=np.float32)
    for level in (3, 2, 1, 0):
        a, b = first, second
        for _ in range(level):
            a, b = cv2.pyrDown(a), cv2.pyrDown(b)
        start = matrix.copy()
        start[:, 2] /= 2**level
        criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 100, 1e-6)
        try:
            _, found = cv2.findTransformECC(a, b, start, cv2.MOTION_AFFINE, criteria, None, 1)
        except cv2.error:  # did not converge
            continue
        matrix = np.array(found, np.float32)
        matrix[:, 2] *= 2**level
    return np.vstack([matrix, [0, 0, 1]]).astype(float)


def by_simpleitk(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """SimpleITK's similarity registration: correlation, gradient descent, three levels."""
    import SimpleITK as itk

    fixed, moving = itk.GetImageFromArray(first), itk.GetImageFromArray(second)
    method = itk.ImageRegistrationMethod()
    method.SetMetricAsCorrelation()
    method.SetInterpolator(itk.sitkLinear)
    method.SetShrinkFactorsPerLevel([4, 2, 1])
    method.SetSmoothingSigmasPerLevel([2.0, 1.0, 0.0])
    method.SetOptimizerAsRegularStepGradientDescent(1.0, 1e-4, 200)
    method.SetOptimizerScalesFromPhysicalShift()
    start = itk.CenteredTransformInitializer(
        fixed, moving, itk.Similarity2DTransform(), itk.CenteredTransformInitializerFilter.GEOMETRY
    )
    method.SetInitialTransform(start, inPlace=True)
    method.Execute(fixed, moving)
    scale, angle, dx, dy = start.GetParameters()
    a, b = scale * np.cos(angle), scale * np.sin(angle)
    cx, cy = start.GetFixedParameters()[:2]
    return np.array(
        [[a, -b, cx - a * cx + b * cy + dx], [b, a, cy - b * cx - a * cy + dy], [0, 0, 1]]
    )


def by_skimage(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """scikit-image's phase correlation to 1/100 px."""
    from skimage.registration import phase_cross_correlation

    (dy, dx), _, _ = phase_cross_correlation(first, second, upsample_factor=100)
    return np.array([[1, 0, -dx], [0, 1, -dy], [0, 0, 1.0]])


METHODS: dict[str, Pair] = {
    "ours": by_ours,
    "OpenCV ECC affine": by_opencv,
    "SimpleITK similarity": by_simpleitk,
    "scikit-image phase": by_skimage,
}


def pair_errors(stack: MovedStack, method: Pair) -> list[float]:
    light = [linearize(p, "srgb") for p in stack.pictures]
    return [
        worst_error_px(method(a, b), stack.between(i, i + 1), stack.shape)
        for i, (a, b) in enumerate(pairwise(light))
    ]


def stack_errors(stack: MovedStack, name: str, model: MotionModel = "similarity") -> list[float]:
    """Return every frame's error; ours by the whole-stack solution, others chained."""
    if name == "ours":
        frames = register_stack(
            stack.pictures, shape=stack.shape, reference=stack.reference, model=model
        ).frames
        found = [np.full((3, 3), np.nan) if f.transform is None else f.transform.matrix
                 for f in frames]  # fmt: skip
    else:
        light = [linearize(p, "srgb") for p in stack.pictures]
        steps = [METHODS[name](a, b) for a, b in pairwise(light)]
        found = [np.eye(3)]
        for step in steps:
            found.append(step @ found[-1])
        back = np.linalg.inv(found[stack.reference])
        found = [f @ back for f in found]
    return [
        worst_error_px(f / f[2, 2], t, stack.shape)
        for f, t in zip(found, stack.transforms, strict=True)
    ]


def compare(quick: bool) -> None:
    frames = 8 if quick else 20
    views = focus_views(frames)
    shape = views[0].shape
    normal = move_views(views, breathing_maps(shape, frames, breathing=0.03, shift_px=1.5))
    strong = breathing_maps(shape, frames, breathing=0.2, shift_px=40, rotation_deg=2)
    light = 2 ** np.random.default_rng(1).uniform(-0.5, 0.5, frames)
    wide = move_views(views, strong, gains=light)
    bumped = bumped_stack(frames, frames // 2 - 2)
    handheld = handheld_landscape()
    rows: dict[str, tuple[str, list[str]]] = {
        "neighbouring pairs, median / 95 %": ("0.10 / 0.25", []),
        "whole stack, worst": ("0.35", []),
        "20 % breathing, ±40 px, ±2°, worst": ("0.50", []),
        "handheld landscape, perspective, worst": ("0.60", []),
        "one frame bumped by 15 px, 4 px of shake, worst": ("0.35", []),
    }
    cells = [row[1] for row in rows.values()]
    for name, method in METHODS.items():
        errors = pair_errors(normal, method)
        cells[0].append(f"{np.median(errors):.2f} / {np.percentile(errors, 95):.2f}")
        cells[1].append(f"{max(stack_errors(normal, name)):.2f}")
        cells[2].append(f"{max(stack_errors(wide, name)):.2f}")
        cells[3].append(f"{max(stack_errors(handheld, name, 'perspective')):.2f}")
        cells[4].append(f"{max(stack_errors(bumped, name)):.2f}")
    jumps = [f.jump_px for f in register_stack(bumped.pictures, shape=bumped.shape).frames]
    own = jumps.pop(frames // 2 - 2)
    print(f"bumped frame: jump {own:.1f} px, largest other {max(jumps):.1f} px")
    print("| case | bar | " + " | ".join(METHODS) + " |")
    print("|---" * (len(METHODS) + 2) + "|")
    for case, (bar, results) in rows.items():
        print(f"| {case} | {bar} | " + " | ".join(results) + " |")


def large_frames(count: int) -> list[np.ndarray]:
    """Return analysis pictures of 24 MP frames: the photograph enlarged, fine texture added."""
    rng = np.random.default_rng(0)
    view = focus_views(8)[4][..., 0]
    reduction = analysis_reduction((4000, 6000))
    size = (6000 // reduction, 4000 // reduction)
    fine = cv2.GaussianBlur(rng.standard_normal(size[::-1]).astype(np.float32), (0, 0), 1.0)
    scene = np.sqrt(np.maximum(cv2.resize(view, size, interpolation=cv2.INTER_CUBIC), 0))
    scene += 0.05 * fine
    out = []
    for i in range(count):
        scale = 1 + 0.0015 * i
        matrix = np.array([[scale, 0, 1.3 * i], [0, scale, -0.7 * i]])
        seen = cv2.GaussianBlur(scene, (0, 0), 0.5 + 0.7 * abs(i - count // 2))
        out.append(cv2.warpAffine(seen, matrix, size, borderMode=cv2.BORDER_REFLECT))
    return out


def register_large(pictures: list[np.ndarray]) -> None:
    register_stack(pictures, shape=(4000, 6000), reduction=analysis_reduction((4000, 6000)))


def register_small(pictures: list[np.ndarray]) -> None:
    register_stack(pictures, shape=pictures[0].shape)


def measure_large() -> None:
    pictures = large_frames(7)
    register_large(pictures[:2])  # compile, warm up
    few = best_of(lambda: register_large(pictures[:3]))
    many = best_of(lambda: register_large(pictures))
    picture_mib = pictures[0].nbytes / 2**20
    # Compiled code is not the pictures' doing.
    memory = peak_mib(register_large, pictures) - peak_mib(
        register_small, [np.ascontiguousarray(p[:400, :600]) for p in pictures]
    )
    print_row("one more frame of 24 MP, both its pairs", (many - few) / 4)
    note = f"{memory / picture_mib:.1f} analysis pictures of {picture_mib:.0f} MiB"
    print_row("seven frames of 24 MP", many, memory, note)


def main() -> None:
    cv2.setNumThreads(2)
    print(describe_machine())
    start = time.perf_counter()
    measure_large()
    compare("--quick" in sys.argv)
    print(f"all: {time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    with kept_results(__file__):
        main()
