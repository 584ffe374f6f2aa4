"""Light of places whose depth is a guess."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from depth_stacks import measured_stack
from scenes import blur

from merge.blend import lend_light
from merge.depth import (
    locate_depth,
    settle_smooth_places,
    weigh_evidence,
)

SIZE, STEP_PX, FRAMES, NOISE = (160, 240), 5.0, 9, 0.003
AXIS_PX = STEP_PX * np.arange(FRAMES)
NEARER_PX = 12.0  # the ground lies so much before the first frame


def ground_before_the_first_frame() -> tuple[list[np.ndarray], np.ndarray, np.ndarray]:
    """Return frames (H, W, 3), the picture to be had, and where the ground lies.

    Many sharp hairs, of all depths, stand before a backdrop; ground before the first frame covers
    their lower ends, so that their blur leaves no place of it free.
    """
    rng = np.random.default_rng(3)
    rows, columns = np.indices(SIZE)
    ground = (rows > 118).astype(np.float32)
    spots = cv2.GaussianBlur(rng.standard_normal(SIZE).astype(np.float32), (0, 0), 6.0)
    stones = np.repeat((0.4 + 0.12 * spots / spots.std())[..., None], 3, axis=2).clip(0.05, 0.9)
    hairs = []
    for k, left in enumerate(range(6, SIZE[1], 13)):
        cover = ((columns >= left) & (columns < left + 3)).astype(np.float32)
        hairs.append((cover, float(AXIS_PX[(3 * k) % FRAMES]), 0.1 + 0.7 * (k % 2)))

    def seen(focus: float | None) -> np.ndarray:
        light = np.full((*SIZE, 3), 0.55, np.float32)
        for cover, place, shade in sorted(hairs, key=lambda hair: -hair[1]):
            share = blur(cover, 0 if focus is None else abs(place - focus))[..., None]
            light = light * (1 - share) + share * np.float32(shade)
        spread = NEARER_PX + (focus or 0)
        share = blur(ground, spread)[..., None]
        return light * (1 - share) + blur(stones * ground[..., None], spread)

    frames = [
        (seen(place) + NOISE * rng.standard_normal((*SIZE, 3))).astype(np.float32)
        for place in AXIS_PX
    ]
    return frames, seen(None), ground > 0


def chosen_by_depth(frames: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Return each place from the frame that its depth tells, and whether that is a guess."""
    with measured_stack(frames) as (measures, pictures, sharpest):
        fine = locate_depth(measures, sharpest)
        evidence = weigh_evidence(measures, fine)
        depth, guessed = settle_smooth_places(fine, evidence, measures, pictures, sharpest, AXIS_PX)
    rows, columns = np.indices(SIZE)
    return np.stack(frames)[np.rint(depth.position).astype(int), rows, columns], guessed


def test_light_of_guesses_comes_nearer_to_the_truth():
    """Against the picture drawn; the ground's edge lets sharp hairs through, which no guess is."""
    frames, truth, ground = ground_before_the_first_frame()
    picture, guessed = chosen_by_depth(frames)
    assert guessed[ground].mean() > 0.5
    mended = picture + lend_light(picture, frames, guessed.astype(np.float32), NOISE)
    off, left = (cv2.GaussianBlur(p - truth, (0, 0), 2.0) for p in (picture, mended))
    for place in (ground, guessed):
        before, after = (np.sqrt((error[place] ** 2).mean()) for error in (off, left))
        assert before > 3 * NOISE  # the depth map alone errs there
        assert after < 0.92 * before
    fine_before, fine_after = (
        (p - cv2.GaussianBlur(p, (0, 0), 1.5))[guessed].std() for p in (picture, mended)
    )
    assert fine_after < 1.05 * fine_before  # no noise comes with it


def test_light_is_lent_to_guesses_alone_and_within_noise_not_at_all():
    frames, _, _ = ground_before_the_first_frame()
    nothing = np.zeros(SIZE, np.float32)
    assert not lend_light(frames[-1], frames, nothing, NOISE).any()
    guess = nothing + 1
    assert np.abs(lend_light(frames[-1], frames, guess, NOISE)).max() > 10 * NOISE
    assert not lend_light(frames[-1], frames, guess, 1.0).any()
    even = np.full((*SIZE, 3), 0.5, np.float32)
    noisy = [even + NOISE * np.random.default_rng(k).standard_normal(even.shape) for k in range(5)]
    noisy = [frame.astype(np.float32) for frame in noisy]
    assert np.abs(lend_light(noisy[0], noisy, guess, NOISE)).max() == pytest.approx(0, abs=NOISE)
