"""Moving parts: what is found, and what holding them still does to merges, as Markdown tables.

PYTHONPATH=.:tests python tests/benchmarks/bench_moving.py [leaf passing water still macro landscape
speed] [--pictures FOLDER]

Moving scenes: PSNR in dB within the area where anything moves, against the truth as in the one
frame that fits best ("one frame"), and the same with the best frame chosen for every block of 16 px
("blocks"; the bar for water, which is new in every frame); and of all the rest of the picture.
Still scenes: PSNR of the whole picture, and how many parts were found in it by mistake. All merges
are `auto` with estimated alignment. Speed: the search alone on pictures of the size that a 24 MP
bracket is measured at.
"""

from __future__ import annotations

import contextlib
import dataclasses
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unittest import mock

import cv2
import numpy as np
from bench_blend import BORDER_PX, Scene, fixture_scene, photograph_scene
from io_samples import write_png
from scenes import MovingScene, moving_photograph_stack

from merge.model import DepthMap, MergeOptions, MergeResult, Stack
from merge.moving import MovingParts, find_moving_parts, hold_still, moving_findings
from merge.pipeline import merging
from merge.read import find_frames

BLOCK_PX = 16
MOVING: dict[str, dict[str, Any]] = {
    "leaf": {},
    "passing": {
        "leaf_at": (0.13, 0.55, 0.72),
        "leaf_px": 50,
        "leaf_shifts": [(0, 12 * (i - 8) - 60) if 10 <= i <= 18 else None for i in range(20)],
    },
    "water": {"leaf_at": None, "water": (0.65, 0.1, 0.95, 0.6)},
}


def merge(stack: Stack, reference: int, *, held: bool) -> tuple[MergeResult, MovingParts | None]:
    """Merge with moving parts held still or not."""
    found: list[MovingParts] = []
    measure = merging.measured_scene

    @contextlib.contextmanager
    def measure_and_hold(kept: Any, frames: Stack, alignment: Any, *rest: Any) -> Iterator[Any]:
        with measure(kept, frames, alignment, *rest) as measured:
            parts = find_moving_parts(
                measured.pictures,
                measured.depth,
                alignment.positions_px,
                reduction=measured.reduction,
            )
            found.append(parts)
            position = hold_still(measured.depth.position, parts)
            yield dataclasses.replace(
                measured,
                depth=DepthMap(position, measured.depth.confidence),
                evenness=np.where(parts.labels > 0, 0, measured.evenness).astype(np.float32),
            )

    options = MergeOptions(reference=reference)
    with mock.patch.object(merging, "measured_scene", measure_and_hold if held else measure):
        result = merging.merge_stack(stack, options)
    return result, found[0] if found else None


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
            figures = f"{psnr(errors[best], moving):.1f} (frame {best + 1})"
            figures += (
                f" | {psnr(per_block, moving):.1f} | {psnr(errors[best], inner & ~moving):.1f}"
            )
            count = len(parts.parts) if parts else "-"
            print(
                f"| {name} | {'held' if held else 'as before'} | {figures} | {count} |", flush=True
            )
            if parts is not None:
                names = [source.name for source in stack.sources]
                tell(parts, names, result.origin)
            if folder is not None:
                save(folder / f"{name}_{'held' if held else 'before'}.png", result.pixels, moving)
        save(folder / f"{name}_truth.png", truths[best][top:, left:], moving) if folder else None


def tell(parts: MovingParts, names: list[str], origin: tuple[int, int]) -> None:
    frames = range(len(names))
    for finding in moving_findings(parts, frames=frames, names=names, origin=origin, reduction=1):
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
        count = len(parts.parts) if parts else "-"
        print(f"| {scene.name} | {'held' if held else 'as before'} | {figure:.2f} | {count} |")
        if parts is not None:
            tell(parts, [s.name for s in scene.stack.sources], result.origin)


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
        began = time.perf_counter()
        parts = find_moving_parts(pictures, depth, steps_px, reduction=3)
        each = (time.perf_counter() - began) / frames * 1000
        print(
            f"{shape[1]} x {shape[0]}, {frames} frames, {len(parts.parts)} parts: {each:.0f} ms each"
        )


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
    main(sys.argv[1:])
