"""Focus steps on known brackets, and the speed of the measure and the fit.

Run: ``PYTHONPATH=.:tests python tests/benchmarks/bench_axis.py [--photograph]``. With
``--photograph`` brackets of the stereo photograph are rendered first (about half a minute each).
"""

from __future__ import annotations

import sys
import time

import numpy as np
from bench_helpers import kept_results
from blurred_scenes import LENSES, slanted_stack
from fixture_data import load_fixture
from scenes import photograph_stack

from merge.axis import fit_focus_axis
from merge.encoding import linearize
from merge.focus import measure_cells, measure_tiles
from merge.model import FrameTransform, TileEnergies

WEIGHTS = np.float32([0.299, 0.587, 0.114])
PHOTOGRAPHS = {
    "2 px": {"frames": 20, "step_px": 2.0},
    "4 px": {"frames": 14, "step_px": 4.0},
    "6 px": {"frames": 12, "step_px": 6.0},
    "9 px": {"frames": 8, "step_px": 9.0},
    "12 px": {"frames": 7, "step_px": 12.0},
    "3 px, one dropped": {"frames": 16, "step_px": 3.0, "drop": (7,)},
    "uneven": {"frames": 14, "step_px": [2, 2, 3, 3, 4, 4, 5, 5, 6, 6, 4, 3, 2]},
    "3 px, noise 0.02": {"frames": 16, "step_px": 3.0, "noise": 0.02},
}


def report(
    name: str, tiles: list[TileEnergies], positions: np.ndarray, wave_px: float | None = None
) -> None:
    start = time.perf_counter()
    axis = fit_focus_axis(tiles, wave_px=wave_px)
    seconds = time.perf_counter() - start
    truth = np.diff(positions)
    ratio = np.diff(axis.positions_px) / truth
    inside = (axis.step_low_px <= truth) & (axis.step_high_px >= truth)
    print(
        f"{name:28} median {np.median(ratio):.3f}  worst {np.abs(ratio - 1).max():.3f}  "
        f"90 % interval holds {100 * inside.mean():3.0f} %  fit {seconds:.2f} s",
        flush=True,
    )


def colour_tiles(frames: list[np.ndarray], transforms: list[np.ndarray]) -> list[TileEnergies]:
    return [
        measure_tiles(np.ascontiguousarray(linearize(f, "srgb") @ WEIGHTS), FrameTransform(m))
        for f, m in zip(frames, transforms, strict=True)
    ]


def main() -> None:
    for step, frames in (
        (0.5, 24),
        (1.0, 20),
        (2.0, 14),
        (3.0, 12),
        (6.0, 8),
        (12.0, 4),
        (20.0, 4),
    ):
        scene = slanted_stack(frames, step_px=step)
        report(f"slanted {step:g} px", [measure_tiles(f) for f in scene.frames], scene.positions_px)
    for lens in LENSES[2:]:
        scene = slanted_stack(12, step_px=3.0, lens=lens)
        report(lens, [measure_tiles(f) for f in scene.frames], scene.positions_px)
    for spread in (0.6, 1.0, 1.6, 2.5):
        scene = slanted_stack(12, step_px=3.0, lens="diffraction", wave_f_px=spread)
        name = f"diffraction, λN = {spread} px"
        tiles = [measure_tiles(f) for f in scene.frames]
        report(f"{name}, unknown", tiles, scene.positions_px)
        report(f"{name}, known", tiles, scene.positions_px, spread)
    for name in ("macro", "landscape"):
        bracket = load_fixture(name)
        frames = [bracket.frame(i) for i in range(len(bracket.paths))]
        report(
            f"path-traced {name}",
            colour_tiles(frames, list(bracket.transforms)),
            bracket.positions_px,
        )
    if "--photograph" in sys.argv:
        for name, how in PHOTOGRAPHS.items():
            stack = photograph_stack(**how)
            report(
                f"photograph {name}",
                colour_tiles(stack.frames, stack.transforms),
                stack.positions_px,
            )
    picture = np.random.default_rng(0).random((2000, 3000), dtype=np.float32)
    times = []
    for _ in range(5):
        start = time.perf_counter()
        measure_cells(picture, scale=0.5)
        times.append(time.perf_counter() - start)
    print(f"measure of 6 megapixels: {min(times):.3f} s (best of {len(times)})")


if __name__ == "__main__":
    with kept_results(__file__):
        main()
