"""Sensor dust and hot pixels: what they cost a merge, what repairing them leaves, and the time.

PYTHONPATH=.:tests python tests/benchmarks/bench_defects.py [merges] [found] [time]

`merges` merges the bracket of the open stereo photograph by every method: clean, and with dust and
hot pixels on its sensor, not repaired and as usual, stored as 16-bit PNG and as 8-bit JPEG of
quality 92. PSNR in dB as in bench_blend.py. `found` counts what is found on six sensors, and false
alarms on clean brackets. `time` is for a sample of eight frames of 24 MP.
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from unittest import mock

import cv2
import imagecodecs
import numpy as np
from bench_blend import METHODS, Scene
from bench_helpers import kept_results
from defect_search import find_sensor_defects
from io_samples import write_png
from scenes import Faults, photograph, photograph_stack, sensor_faults, similarity, with_faults

from merge.defects import (
    DefectSearch,
    DustSpot,
    SensorDefects,
    choose_sample,
    repair_frame,
)
from merge.model import FrameTransform, MergeOptions
from merge.pipeline import repairing
from merge.pipeline.merging import merge_stack
from merge.read import find_frames

SEEDS = range(11, 17)


def write_frame(path: Path, frame: np.ndarray) -> None:
    if path.suffix == ".png":
        write_png(path, np.rint(frame * 65535).astype(np.uint16))
    else:
        coded = np.rint(frame * 255).astype(np.uint8)
        path.write_bytes(imagecodecs.jpeg8_encode(coded, level=92, subsampling="420"))


@contextlib.contextmanager
def scene(known: Any, faults: Faults | None, suffix: str, name: str) -> Iterator[Scene]:
    """Yield the bracket on disk as a sensor with faults gives it."""
    with tempfile.TemporaryDirectory() as folder:
        frames = [f if faults is None else with_faults(f, faults) for f in known.frames]
        for i, frame in enumerate(frames):
            write_frame(Path(folder) / f"frame_{i:02d}{suffix}", frame)
        yield Scene(
            name, find_frames(folder), frames, known.transforms, known.gains, known.positions_px,
            known.reference, known.truth, known.depth, np.ones(known.depth.shape, bool),
        )  # fmt: skip


def not_repairing() -> Any:
    """Make merges look at no frame for defects."""
    return mock.patch.object(repairing, "choose_sample", return_value=())


def print_merges() -> None:
    print("| scene | way | all | edges | elsewhere | SSIM | halo |\n|---|---|---|---|---|---|---|")
    known = photograph_stack()
    faults = sensor_faults(known.truth.shape)
    for suffix in (".png", ".jpg"):
        for label, present, repair in (
            ("clean", None, True), ("faulty, not repaired", faults, False),
            ("faulty", faults, True),
        ):  # fmt: skip
            with scene(known, present, suffix, f"photograph {suffix}") as here:
                for method in METHODS:
                    options = MergeOptions(method=method, reference=here.reference)
                    with contextlib.nullcontext() if repair else not_repairing():
                        result = merge_stack(here.stack, options)
                    here.print_row(f"{label}, {method}", result.pixels, result.origin)


def as_jpeg(frame: np.ndarray, seed: int) -> np.ndarray:
    """Return a frame with noise of 2/255, through an 8-bit JPEG of quality 92, 4:2:0."""
    noise = np.random.default_rng(seed).standard_normal(frame.shape) * (2 / 255)
    coded = np.rint(np.clip(frame + noise, 0, 1) * 255).astype(np.uint8)
    jpeg = imagecodecs.jpeg8_encode(coded, level=92, subsampling="420")
    return imagecodecs.jpeg8_decode(jpeg).astype(np.float32) / 255


def print_found() -> None:
    known = photograph_stack()
    sample = choose_sample(range(len(known.frames)))
    transforms = [FrameTransform(known.transforms[i]) for i in sample]
    for label, store in (("plain", lambda f, i: f), ("JPEG", as_jpeg)):
        hot = dust = false = all_hot = all_dust = 0
        errors = []
        for seed in SEEDS:
            faults = sensor_faults(known.truth.shape, seed=seed)
            frames = (store(with_faults(known.frames[i], faults), i) for i in sample)
            found = find_sensor_defects(
                frames, transforms, positions_px=known.positions_px[list(sample)]
            )
            reached = {tuple(p) for p in found.pixels.tolist()}
            hot += sum(tuple(p) in reached for p in faults.hot.tolist())
            all_hot, all_dust = all_hot + len(faults.hot), all_dust + len(faults.dust)
            for spot in found.dust:
                away = np.hypot(*(faults.dust[:, :2] - (spot.row, spot.column)).T)
                if away.min() > 4:
                    false += 1
                else:
                    dust += 1
                    errors.append(1 - spot.transmission[0] - faults.dust[away.argmin(), 3])
        print(
            f"{label}: hot {hot} of {all_hot}, dust {dust} of {all_dust}, false dust {false}, "
            f"share of light lost within {np.abs(errors).max():.3f}, "
            f"median {np.median(np.abs(errors)):.3f}"
        )


def print_time() -> None:
    """Print wall-clock and processor seconds on the photograph, enlarged to 24 MP, with noise."""
    picture, rng = photograph()[0], np.random.default_rng(1)
    large = cv2.resize(picture, (6000, 4000), interpolation=cv2.INTER_CUBIC) * 255
    noise = rng.standard_normal((4000, 6000)).astype(np.float32)[..., None] * 1.5
    frame = np.clip(large + noise, 0, 255).astype(np.uint8)
    shape = frame.shape
    transforms = [FrameTransform(similarity(shape, magnification=1 + 0.004 * i)) for i in range(8)]
    moved = [
        cv2.warpPerspective(frame, t.matrix, shape[1::-1], borderMode=cv2.BORDER_REFLECT)
        for t in transforms
    ]
    for _ in range(2):
        search = DefectSearch(8, "srgb")
        with timed("add, each of 8 frames", 8):
            for samples in moved:
                search.add(samples, 255.0)
        with timed("finish, in all"):
            defects = search.finish(transforms, None)
    places = rng.integers(5, 3995, (1000, 2)).astype(np.int32)
    spots = tuple(DustSpot(r, c, 4.0, (0.8,) * 8 + (1.0,)) for r, c in places[:20].tolist())
    defects = SensorDefects(shape[:2], 1000, places, spots)
    for _ in range(2):
        with timed("repair of 1000 pixels and 20 dust spots, a frame"):
            repair_frame(frame, defects, "srgb", white=255.0)


@contextlib.contextmanager
def timed(label: str, parts: int = 1) -> Iterator[None]:
    wall, processor = time.perf_counter(), time.process_time()
    yield
    wall, processor = time.perf_counter() - wall, time.process_time() - processor
    print(f"{label}: {wall / parts:.3f} s, processor {processor / parts:.3f} s")


def main(names: list[str]) -> None:
    for name in names:
        {"merges": print_merges, "found": print_found, "time": print_time}[name]()


if __name__ == "__main__":
    with kept_results(__file__):
        main(sys.argv[1:] or ["found", "time", "merges"])
