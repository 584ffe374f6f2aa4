"""Depth of places without fine detail: backdrops beyond the last frame, smooth surfaces."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import pytest
from depth_stacks import measured_stack
from scenes import blur

from merge.blend import SurfaceBlend, mixing_reach, within
from merge.depth import (
    Evidence,
    FocusComposite,
    coarse,
    find_flat_areas,
    locate_depth,
    mark_ends,
    measure_detail,
    settle_smooth_places,
    weigh_evidence,
)
from merge.model import DepthMap
from merge.scratch import ScratchStack

FRAMES, STEP_PX, BEYOND_PX, SIZE = 9, 4.0, 30.0, (200, 300)
AXIS_PX = STEP_PX * np.arange(FRAMES)
NOISE = 0.005


@lru_cache(maxsize=2)
def bar_before_a_backdrop(
    *, fence: bool = False
) -> tuple[list[np.ndarray], np.ndarray, np.ndarray]:
    """Return frames (H, W, 3), where the bar is, and the backdrop as the last frame shows it.

    A textured bar at frame 3 and a thin hair at frame 1 stand before a painted backdrop that no
    frame focuses. With a fence more hairs stand beside these: their blur
    leaves no place between them free.
    """
    rng = np.random.default_rng(5)
    height, width = SIZE
    backdrop = np.full((height, width, 3), 0.3, np.float32)
    for _ in range(60):
        place = int(rng.uniform(0, width)), int(rng.uniform(0, height))
        shade = tuple(float(v) for v in rng.uniform(0.1, 0.6, 3))
        cv2.circle(backdrop, place, int(rng.uniform(8, 30)), shade, -1)
    bar = np.zeros(SIZE, np.float32)
    bar[:, 130:170] = 1
    hair = np.zeros(SIZE, np.float32)
    hair[:, 60:62] = 1
    if fence:
        hair[:, 24:180:36] = 1
        hair[:, 25:180:36] = 1
    texture = np.repeat(rng.uniform(0.2, 0.8, (*SIZE, 1)).astype(np.float32), 3, axis=2)
    frames = []
    for place in AXIS_PX:
        seen = blur(backdrop, AXIS_PX[-1] + BEYOND_PX - place)
        for mask, colour, own in ((bar, texture, 3), (hair, np.float32(0.9), 1)):
            spread = abs(AXIS_PX[own] - place)
            cover = blur(mask, spread)[..., None]
            light = blur(mask[..., None] * colour * np.ones(3, np.float32), spread)
            seen = seen * (1 - cover) + light
        frames.append((seen + NOISE * rng.standard_normal(seen.shape)).astype(np.float32))
    return frames, (bar + hair) > 0, blur(backdrop, BEYOND_PX)


def depths(frames: list[np.ndarray], *, near_first: bool = True) -> tuple[DepthMap, DepthMap]:
    """Return the depth that fine detail tells, and with smooth places settled."""
    with measured_stack(frames) as (measures, pictures, sharpest):
        fine = locate_depth(measures, sharpest)
        evidence = weigh_evidence(measures, fine)
        settled, _ = settle_smooth_places(
            fine, evidence, measures, pictures, sharpest, AXIS_PX, near_first=near_first
        )
        return fine, mark_ends(settled, evidence, measures, AXIS_PX)


def error_of(
    frames: list[np.ndarray], position: np.ndarray, truth: np.ndarray, places: np.ndarray
) -> float:
    """Return the root mean square error of the nearest frames' light at some places."""
    rows, columns = np.indices(SIZE)
    chosen = np.stack(frames)[np.rint(position).astype(int), rows, columns]
    return float(np.sqrt(((chosen - truth)[places] ** 2).mean()))


def far_from(thing: np.ndarray, distance: int) -> np.ndarray:
    return cv2.distanceTransform((~thing).astype(np.uint8), cv2.DIST_L2, 5) > distance


def test_a_backdrop_that_no_frame_focuses_lies_beyond_the_last_one():
    frames, things, _ = bar_before_a_backdrop()
    fine, settled = depths(frames)
    backdrop = far_from(things, 8)
    assert (np.abs(fine.position - (FRAMES - 1)) < 1)[backdrop].mean() < 0.5  # a guess before
    assert (settled.beyond == 1)[backdrop].mean() > 0.97
    assert np.quantile(settled.position[backdrop], 0.02) > FRAMES - 3


def test_a_backdrop_that_blur_reaches_everywhere_is_no_random_patchwork():
    """Its light is nearer to the truth than the last frame, over which the hairs' blur lies."""
    frames, things, truth = bar_before_a_backdrop(fence=True)
    fine, settled = depths(frames)
    between = far_from(things, 7)
    between[:, 170:] = False
    error, guess, last = (
        error_of(frames, position, truth, between)
        for position in (settled.position, fine.position, np.full(SIZE, FRAMES - 1.0))
    )
    assert error < 0.86 * last < guess


def test_the_backdrop_comes_from_the_frames_that_show_most_of_it():
    """The choice of the nearest frame is as near to the truth as the last frame itself."""
    frames, things, truth = bar_before_a_backdrop()
    _, settled = depths(frames)
    backdrop = far_from(things, 20)
    error = error_of(frames, settled.position, truth, backdrop)
    last = error_of(frames, np.full(SIZE, FRAMES - 1.0), truth, backdrop)
    assert error < 1.15 * last


def test_what_has_fine_detail_keeps_its_depth():
    frames, _, _ = bar_before_a_backdrop()
    fine, settled = depths(frames)
    for columns in (slice(133, 167), slice(60, 62)):
        np.testing.assert_array_equal(settled.position[:, columns], fine.position[:, columns])
        assert not settled.beyond[:, columns].any()


def test_shot_the_other_way_round_the_backdrop_lies_before_the_first_frame():
    frames, things, _ = bar_before_a_backdrop()
    _, settled = depths(frames[::-1], near_first=False)
    assert (settled.beyond == -1)[far_from(things, 8)].mean() > 0.97


@pytest.mark.parametrize("brighter", [0.0, 0.3])
def test_a_smooth_spot_of_a_textured_surface_keeps_the_depth_around_it(brighter):
    """A highlight or a smooth cell within texture is no hole that shows a backdrop."""
    rng = np.random.default_rng(9)
    surface = rng.uniform(0.2, 0.6, SIZE).astype(np.float32)
    cv2.circle(surface, (150, 100), 12, 0.4 + brighter, -1)
    frames = []
    for place in AXIS_PX:
        seen = blur(surface, abs(AXIS_PX[4] - place))[..., None] * np.ones(3, np.float32)
        frames.append((seen + NOISE * rng.standard_normal(seen.shape)).astype(np.float32))
    _, settled = depths(frames)
    assert np.abs(settled.position - 4)[70:130, 120:180].max() < 1
    assert not settled.beyond[70:130, 120:180].any()


def test_flat_areas_are_those_with_nothing_but_noise():
    """Also a backdrop out of focus everywhere; not texture, hairs and what is beside them."""
    frames, things, _ = bar_before_a_backdrop()
    shape = frames[0].shape
    with ScratchStack(FRAMES, shape[:2], np.float16, memory_bytes=1 << 30) as measures:
        guide = FocusComposite(shape)
        for frame in frames:
            measures.append(measure_detail(frame.mean(axis=2), 1))
            guide.add(measures[len(measures) - 1].astype(np.float32), frame)
        flat = find_flat_areas(weigh_evidence(measures, locate_depth(measures, guide.pixels)))
    assert flat[far_from(things, 16)].mean() > 0.9
    assert flat[things].max() == 0
    assert flat[cv2.dilate(things.astype(np.uint8), np.ones((3, 3))) > 0].max() == 0
    assert (flat.min(), flat.max()) == (0, 1)


def gradient(picture: np.ndarray) -> np.ndarray:
    soft = cv2.GaussianBlur(picture.mean(axis=2), (0, 0), 1.5)
    return np.hypot(
        cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=1 / 8),
        cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=1 / 8),
    )


def rims(frames: list[np.ndarray], depth: DepthMap) -> np.ndarray:
    """Return by how much a merge is steeper than any frame around, where all frames are smooth."""
    shape = frames[0].shape
    blend = SurfaceBlend(
        depth.position, mixing_reach(np.zeros(SIZE, np.float32)), shape, len(frames)
    )
    for k, frame in enumerate(frames):
        blend.add(frame, k)
    out = np.zeros(shape, np.float32)
    for part in blend.parts:
        out[within(part.inner, (0, 0, *SIZE))] = blend.take(part)[within(part.inner, part.core)]
    steepest = cv2.dilate(np.max([gradient(f) for f in frames], axis=0), np.ones((9, 9)))
    smooth = steepest < 0.01
    smooth[:12], smooth[-12:], smooth[:, :12], smooth[:, -12:] = False, False, False, False
    assert smooth.mean() > 0.1
    return np.maximum(gradient(out) - steepest, 0)[smooth]


def test_no_rim_is_drawn_into_a_place_that_is_smooth_in_every_frame():
    """A merge by the guesses of fine detail alone draws some."""
    frames, _, _ = bar_before_a_backdrop()
    fine, settled = depths(frames)
    guessed, found = rims(frames, fine), rims(frames, settled)
    print(f"rims: {(guessed > 0).mean():.4f} worst {guessed.max():.4f}; "
          f"settled {(found > 0).mean():.4f} worst {found.max():.4f}")  # fmt: skip
    assert (found > 0).mean() < 0.2 * (guessed > 0).mean()
    assert found.max() < 0.5 * guessed.max()
    assert found.max() < NOISE / 10


def test_a_frame_that_shows_less_of_a_soft_stalk_does_not_replace_the_one_that_focuses_it():
    """The stalk has no fine detail; of the backdrop beside it the last frame shows most."""
    rng = np.random.default_rng(3)
    stalk = np.zeros(SIZE, np.float32)
    stalk[:, 140:158] = 1
    stalk = cv2.GaussianBlur(stalk, (0, 0), 2.5)
    frames = []
    for place in AXIS_PX:
        cover = blur(stalk, abs(AXIS_PX[2] - place))[..., None]
        seen = 0.4 * (1 - cover) + 0.6 * cover * np.ones(3, np.float32)
        frames.append((seen + NOISE * rng.standard_normal(seen.shape)).astype(np.float32))
    evidence = Evidence(np.zeros(SIZE, bool), NOISE * 0.67, np.zeros(SIZE, np.float32))
    last, second = (np.full(SIZE, k, np.float32) for k in (FRAMES - 1, 2))
    with measured_stack(frames) as (measures, pictures, _):
        kept = coarse.shows_less(pictures, measures, evidence, last, second)
        given = coarse.shows_less(pictures, measures, evidence, second, last)
    assert kept[20:-20, 140:158].mean() > 0.95
    assert not given.any()
    assert not kept[:, :80].any()


@pytest.mark.parametrize("way", [1, -1])
def test_texture_beyond_an_end_is_told_from_texture_in_focus_there(way):
    """Left half in focus in an outer frame, right half 10 px of blur beyond it."""
    rng = np.random.default_rng(8)
    grain = sum(
        2.0**k * cv2.resize(rng.standard_normal([n >> k for n in SIZE]), SIZE[::-1])
        for k in range(3)
    )
    grey = (0.4 + 0.05 * grain).clip(0, 1).astype(np.float32)
    texture = np.repeat(grey[..., None], 3, axis=2)
    frames = []
    for place in AXIS_PX:
        seen = blur(texture, place)
        seen[:, 150:] = blur(texture, place + 10)[:, 150:]
        frames.append((seen + NOISE * rng.standard_normal(seen.shape)).astype(np.float32))
    _, settled = depths(frames[::way])
    near, far = settled.beyond[12:-12, 12:130], settled.beyond[12:-12, 170:-12]
    assert (near == 0).mean() > 0.98
    assert (far == -way).mean() > 0.6
