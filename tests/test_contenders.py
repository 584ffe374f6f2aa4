"""Which frames' fine detail `detail` takes into account, and what stands for the others."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scenes import similarity
from small_brackets import small_bracket

from merge import merge_stack
from merge.blend import Contenders, DetailBlend, block_strength
from merge.depth import measure_samples
from merge.model import FrameRegistration, FrameTransform
from merge.pipeline.sampling import FrameSampler
from merge.pyramid import build_gaussian

SIDE = 240  # of the pictures; their left and right halves are judged


def contenders(frames: list[np.ndarray], reduction: int = 1) -> tuple[list[int], list[int]]:
    """Return which frames count in the left and in the right half."""
    found = []
    for frame in frames:
        samples = frame[..., None].astype(np.float32)
        told = measure_samples(samples, 1.0, reduction=reduction, light_reduction=1)
        found.append(block_strength(told.power, reduction))
    told = Contenders(np.stack([strength for strength, _ in found]), found[0][1])
    half = SIDE // 2 - 48  # blocks beside the middle belong to neither
    boxes = (0, 0, SIDE, half), (0, SIDE - half, SIDE, half)
    left, right = (np.flatnonzero(told.of(box)).tolist() for box in boxes)
    return left, right


def frames_of(sharp: list[slice], contrast: float, noise: float, seed: int = 1) -> list[np.ndarray]:
    """Return frames that are sharp in some columns, elsewhere blurred by 6 px, with noise."""
    rng = np.random.default_rng(seed)
    scene = 0.5 + contrast * cv2.GaussianBlur(rng.standard_normal((SIDE, SIDE)), (0, 0), 0.7)
    soft, frames = cv2.GaussianBlur(scene, (0, 0), 3), []
    for columns in sharp:
        frame = soft.copy()
        frame[:, columns] = scene[:, columns]
        frames.append(frame + noise * rng.standard_normal(frame.shape))
    return frames


LEFT, RIGHT, NOWHERE = slice(0, SIDE // 2), slice(SIDE // 2, SIDE), slice(0, 0)


@pytest.mark.parametrize("reduction", [1, 2, 3])
@pytest.mark.parametrize("noise", [0.0005, 0.01])
def test_contenders_are_the_frames_that_are_sharp_there(reduction, noise):
    frames = frames_of([LEFT, RIGHT, *[NOWHERE] * 8], 0.1, noise)
    assert contenders(frames, reduction) == ([0], [1])


@pytest.mark.parametrize("reduction", [1, 2, 3])
def test_a_thin_thing_before_texture_makes_its_frame_a_contender(reduction):
    """A hair of 2 px, no stronger than the texture behind it, which another frame shows sharp."""
    frames = frames_of([LEFT, NOWHERE, NOWHERE], 0.1, 0.002)
    assert contenders(frames, reduction)[0] == [0]
    frames[1][:, 40:42] += 0.1
    assert contenders(frames, reduction)[0] == [0, 1]


@pytest.mark.parametrize("seed", range(5))
def test_some_frame_counts_where_there_is_nothing_but_noise(seed):
    left, right = contenders(frames_of([NOWHERE] * 20, 0.0, 0.01, seed))
    assert 0 < len(left) < 20
    assert 0 < len(right) < 20


def test_what_stands_for_a_blurred_frame_is_its_pyramids_coarse_level():
    """The same by sampling it whole, then taking the pyramid: rms within 2 % of the contrast."""
    rng = np.random.default_rng(3)
    frame = cv2.GaussianBlur(rng.random((203, 251, 3), np.float32), (0, 0), 4)
    frame = (frame - frame.min()) / np.ptp(frame)
    matrix = similarity(frame.shape, magnification=1.02, rotation_deg=1, shift=(3.3, -2.7))
    registration = FrameRegistration(FrameTransform(matrix), gain=1.1, falloff=0.05)
    sampler = FrameSampler(frame, 1.0, registration, "srgb", equalize=True)
    box = 9, 14, 160, 208
    whole = build_gaussian(sampler.sample(box), 2)[-1]
    reduced = sampler.reduced(4, box).sample((5, 3, 30, 40))
    off = reduced - whole[5:35, 3:43]
    assert np.sqrt(np.mean(off**2)) < 0.02 * whole.std()


def test_detail_of_contenders_is_no_worse_than_that_of_all_frames(monkeypatch):
    frames, truth = small_bracket(7, height=256, width=512)
    monkeypatch.setattr("merge.blend.detail.DETAIL_PART_PX", 64)
    settings = {"method": "detail", "motion": "none", "equalize_exposure": False}
    left_out = []
    put = DetailBlend.add_coarse

    def counted(self, part, reduced):
        left_out.append(part)
        put(self, part, reduced)

    monkeypatch.setattr(DetailBlend, "add_coarse", counted)
    some = merge_stack(frames, **settings)
    assert len(left_out) > 0.3 * 32 * len(frames)
    monkeypatch.setattr(Contenders, "of", lambda self, box: np.ones(len(frames), bool))
    every = merge_stack(frames, **settings)
    errors = [np.mean((result.pixels - truth) ** 2) for result in (some, every)]
    assert 10 * np.log10(errors[0] / errors[1]) < 0.03


def test_all_frames_count_where_their_power_overflows():
    told = Contenders(np.full((3, 2, 2, 2), np.inf, np.float32), 24)
    assert told.of((0, 0, 48, 48)).all()
