"""Sensor defects in a whole merge, against the same merge that looks for none."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np
import pytest
from io_samples import camera_colours, faulty_mosaic, mosaic_of, write_dng, write_png
from scenes import SceneStack, photograph_stack, sensor_faults, with_faults
from skimage.metrics import peak_signal_noise_ratio
from small_brackets import small_bracket

from merge.model import MergeOptions
from merge.pipeline import repairing
from merge.pipeline.merging import MergeResult, merge_stack
from merge.read import find_frames


@pytest.fixture(scope="module")
def scene() -> SceneStack:
    return photograph_stack(8, scale=0.5)


def merged(folder: Path, frames: Sequence[np.ndarray], reference: int | None) -> MergeResult:
    folder.mkdir(exist_ok=True)
    for i, frame in enumerate(frames):
        write_png(folder / f"frame_{i:02d}.png", np.rint(frame * 65535).astype(np.uint16))
    return merge_stack(find_frames(folder), MergeOptions(reference=reference))


def psnr(result: MergeResult, truth: np.ndarray, border: int = 12) -> float:
    (top, left), (height, width) = result.origin, result.pixels.shape[:2]
    inside = np.s_[border : height - border, border : width - border]
    wanted = truth[top : top + height, left : left + width][inside]
    return peak_signal_noise_ratio(wanted, result.pixels[inside], data_range=1.0)


def kinds(result: MergeResult) -> list[str]:
    return [finding.kind for finding in result.findings]


@pytest.mark.slow
def test_hot_pixels_draw_no_trails(scene, tmp_path, monkeypatch):
    """Sixty on the sensor: within 0.2 dB of the clean frames' merge, and clearly more without."""
    faults = sensor_faults(scene.truth.shape, dust=0)
    faulty = [with_faults(frame, faults) for frame in scene.frames]
    clean = merged(tmp_path / "clean", scene.frames, scene.reference)
    repaired = merged(tmp_path / "faulty", faulty, scene.reference)
    monkeypatch.setattr(repairing, "choose_sample", lambda usable: ())
    left = merged(tmp_path / "faulty", faulty, scene.reference)
    figures = [psnr(result, scene.truth) for result in (clean, repaired, left)]
    print("clean {:.2f}, repaired {:.2f}, not repaired {:.2f} dB".format(*figures))
    assert figures[1] > figures[0] - 0.2
    assert figures[2] < figures[1] - 0.2
    assert "sensor defects" in kinds(repaired)
    assert "sensor defects" not in kinds(clean)


@pytest.mark.slow
def test_raw_brackets_are_merged_without_their_hot_photosites(tmp_path, monkeypatch):
    """A textured plane that grows over six frames; the sensor's hot photosites stay."""
    _, plane = small_bracket(1, height=240, width=320)
    rng = np.random.default_rng(5)
    hot = np.unique(rng.integers(6, (234, 314), (60, 2)), axis=0)
    levels = rng.uniform(2000, 9000, len(hot))
    clean, faulty = tmp_path / "clean", tmp_path / "faulty"
    for folder in (clean, faulty):
        folder.mkdir()
    for i in range(6):
        matrix = cv2.getRotationMatrix2D((160, 120), 0, 1.15 + 0.025 * i)
        frame = cv2.warpAffine(plane, matrix, (320, 240), flags=cv2.INTER_AREA)
        mosaic = mosaic_of(camera_colours(0.8 * frame))
        write_dng(clean / f"r{i}.dng", mosaic)
        write_dng(faulty / f"r{i}.dng", faulty_mosaic(mosaic, hot=hot, levels=levels))
    wanted, found = (merge_stack(find_frames(folder)) for folder in (clean, faulty))
    monkeypatch.setattr(repairing, "choose_sample", lambda usable: ())
    left = merge_stack(find_frames(faulty))
    figures = [
        peak_signal_noise_ratio(wanted.pixels, result.pixels, data_range=1.0)
        for result in (found, left)
    ]
    print("from the clean merge: repaired {:.1f}, not repaired {:.1f} dB".format(*figures))
    assert figures[0] > figures[1] + 2
    assert "sensor defects" in kinds(found)
    assert "sensor defects" not in kinds(wanted)
