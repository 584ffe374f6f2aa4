"""Moving parts: what is found, and what holding them still does to merges, as Markdown tables.

PYTHONPATH=.:tests python tests/benchmarks/bench_moving.py [leaf passing large water still macro
landscape speed] [--pictures FOLDER]

Moving scenes: PSNR in dB within the area where anything moves, against the truth as in the one
frame that fits best ("one frame"), and the same with the best frame chosen for every block of 16 px
("blocks"; the bar for water, which is new in every frame); and of all the rest of the picture.
Still scenes: PSNR of the whole picture, and how many parts were found in it by mistake. All merges
are `auto` with estimated alignment. Speed: the search alone on pictures of the size that a 24 MP
bracket is measured at.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path
from typing import Any
from unittest import mock

import cv2
import numpy as np
from bench_blend import BORDER_PX, Scene, fixture_scene, photograph_scene
from bench_helpers import kept_results
from io_samples import write_png
from scenes import MovingScene, moving_photograph_stack, sway

from merge.model import DepthMap, MergeOptions, Stack
from merge.moving import MovingParts, find_moving_parts
from merge.moving.parts import nothing_moved
from merge.pipeline import measuring, merging
from merge.pipeline.merging import MergeResult
from merge.read import find_frames

BLOCK_PX = 16
MOVING: dict[str, dict[str, Any]] = {
    "leaf": {},
    "passing": {
        "leaf_at": (0.13, 0.55, 0.72),
        "leaf_px": 50,
        "leaf_shifts": [(0, 12 * (i - 8) - 60) if 10 <= i <= 18 else None for i in range(20)],
    },
    "large": {
        "leaf_at": (0.3, 0.35, 0.35),
        "leaf_px": 230,
        "leaf_shifts": sway(20, 24),
    },
    "water": {"leaf_at": None, "water": (0.65, 0.1, 0.95, 0.6)},
}


def merge(stack: Stack, reference: int, *, held: bool) -> tuple[MergeResult, MovingParts]:
    """Merge with moving parts held still or not; return what was found, too."""
    found: list[MovingParts] = []

    def find(pictures: Any, depth: DepthMap, *given: Any, **options: Any) -> MovingParts:
        found.append(find_moving_parts(pictures, depth, *given, **options))
        return found[0] if held else nothing_moved(depth.position.shape)

    with mock.patch.object(measuring, "find_moving_parts", find):
        result = merging.merge_stack(stack, MergeOptions(reference=reference))
    return result, found[0]


def psnr(error: np.ndarray, where: np.ndarray) -> float:
    return float(-10 * np.log10(error[where].mean()))


def squared_error(result: MergeResult, truth: np.ndarray) -> np.ndarray:
    top, left = result.origin
    height, width = result.pixels.shape[:2]
    reference = truth[top : top + height, left : left + width].astype(np.float64)
    gain = (result.pixels * reference).sum() / (result.pixels.astype(np.float64) ** 2).sum()
    return ((result.pixels * gain - reference) ** 2).mean(axis=2)


def print_moving(name: str, scene: MovingScene, folder: Path | None) -> None:
    """Print one row without and one with moving parts held still."""
    truths = [scene.truth_as_in(i) for i in range(len(scene.painted))]
    with tempfile.TemporaryDirectory() as files:
        for i, frame in enumerate(scene.stack.frames):
            write_png(Path(files) / f"frame_{i:02d}.png", np.rint(frame * 65535).astype(np.uint16))
        stack = find_frames(files)
        for held in (False, True):
            result, parts = merge(stack, scene.stack.reference, held=held)
            top, left = result.origin
            height, width = result.pixels.shape[:2]
            moving = cv2.dilate(scene.moving.astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
            moving = moving[top : top + height, left : left + width]
            errors = [squared_error(result, truth) for truth in truths]
            best = int(np.argmin([error[moving].mean() for error in errors]))
            size = (-(-width // BLOCK_PX), -(-height // BLOCK_PX))
            blocks = np.min([cv2.resize(e, size, interpolation=cv2.INTER_AREA) for e in errors], 0)
            per_block = cv2.resize(blocks, (width, height), interpolation=cv2.INTER_NEAREST)
            inner = np.zeros_like(moving)
            inner[BORDER_PX:-BORDER_PX, BORDER_PX:-BORDER_PX] = True
            figures = (
                f"{psnr(errors[best], moving):.1f} (frame {best + 1})",
                f"{psnr(per_block, moving):.1f}",
                f"{psnr(errors[best], inner & ~moving):.1f}",
                str(len(parts.parts)),
            )
            way = "held" if held else "not held"
            print(f"| {name} | {way} | " + " | ".join(figures) + " |", flush=True)
            if held:
                tell(result)
            if folder is not None:
                save(folder / f"{name}_{'held' if held else 'not_held'}.png", result.pixels, moving)
        save(folder / f"{name}_truth.png", truths[best][top:, left:], moving) if folder else None


def tell(result: MergeResult) -> None:
    for finding in result.findings:
        if finding.kind == "moving parts":
            print(f"<!-- {finding.severity}: {finding.message} -->", flush=True)


def save(path: Path, pixels: np.ndarray, around: np.ndarray) -> None:
    rows, columns = np.flatnonzero(around.any(1)), np.flatnonzero(around.any(0))
    area = np.s_[max(rows[0] - 24, 0) : rows[-1] + 24, max(columns[0] - 24, 0) : columns[-1] + 24]
    write_png(path, np.rint(np.clip(pixels[area], 0, 1) * 255).astype(np.uint8))


def print_still(scene: Scene) -> None:
    """Print what holding parts still costs where nothing moves."""
    counted = scene.counted.copy()
    for held in (False, True):
        result, parts = merge(scene.stack, scene.reference, held=held)
        top, left = result.origin
        height, width = result.pixels.shape[:2]
        where = np.zeros((height, width), bool)
        where[BORDER_PX:-BORDER_PX, BORDER_PX:-BORDER_PX] = True
        where &= counted[top : top + height, left : left + width]
        figure = psnr(squared_error(result, scene.truth), where)
        count = len(parts.parts)
        print(f"| {scene.name} | {'held' if held else 'not held'} | {figure:.2f} | {count} |")
        if held:
            tell(result)


def print_speed(frames: int = 12, shape: tuple[int, int] = (1336, 2000)) -> None:
    """Print how long the search takes with something moving, and without."""
    rng = np.random.default_rng(1)
    base = cv2.GaussianBlur(rng.random((*shape, 3), np.float32), (0, 0), 1.5)
    position = np.tile(np.linspace(0, frames - 1, shape[0], dtype=np.float32)[:, None], shape[1])
    depth = DepthMap(position, np.ones(shape, np.float32))
    steps_px = np.arange(frames) * 3.0
    for moves in (False, True):
        pictures = []
        for k in range(frames):
            picture = base.copy()
            if moves:
                moved = np.roll(base[::-1], 12 * k, axis=1)
                picture[600:760, 800:1000] = moved[600:760, 800:1000]
            pictures.append(picture.astype(np.float16))
        find_moving_parts(pictures[:3], depth, steps_px[:3], reduction=3)
        began, worked = time.perf_counter(), time.process_time()
        parts = find_moving_parts(pictures, depth, steps_px, reduction=3)
        each = (time.perf_counter() - began) / frames * 1000
        work = (time.process_time() - worked) / frames * 1000
        count = len(parts.parts)
        size = f"{shape[1]} x {shape[0]}, {frames} frames, {count} parts"
        print(f"{size}: {each:.0f} ms a frame, {work:.0f} ms of processor time")


def main(names: list[str]) -> None:
    folder = None
    if "--pictures" in names:
        folder = Path(names.pop(names.index("--pictures") + 1))
        names.remove("--pictures")
        folder.mkdir(parents=True, exist_ok=True)
    names = names or [*MOVING, "still", "macro", "landscape", "speed"]
    print("| scene | merge | one frame | blocks | the rest | parts |\n|---|---|---|---|---|---|")
    for name in (n for n in names if n in MOVING):
        print_moving(name, moving_photograph_stack(20, **MOVING[name]), folder)
    print("\n| scene | merge | all | parts |\n|---|---|---|---|")
    for name in (n for n in names if n in ("still", "macro", "landscape")):
        with photograph_scene() if name == "still" else fixture_scene(name) as scene:
            print_still(scene)
    if "speed" in names:
        print_speed()


if __name__ == "__main__":
    with kept_results(__file__):
        main(sys.argv[1:])
