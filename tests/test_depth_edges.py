"""Places beside a depth edge go to the surface that they belong to."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import cv2
import numpy as np
import pytest
from scipy.ndimage import binary_dilation, binary_erosion
from thin_lens import render_focus

from merge.depth import (
    FocusComposite,
    first_is_near,
    locate_depth,
    measure_detail,
    refine_occlusion_edges,
)
from merge.encoding import encode
from merge.model import DepthMap
from merge.scratch import ScratchStack

FRAMES, STEP_PX, NEAR, FAR = 9, 4.0, 1, 7
SIDE = 120


def ball_on_a_stalk() -> np.ndarray:
    shape = np.zeros((SIDE, SIDE), np.uint8)
    cv2.circle(shape, (60, 60), 24, 1, -1)
    cv2.rectangle(shape, (55, 0), (64, 60), 1, -1)
    return shape > 0


def two_layers(
    near_colour: tuple[float, float, float],
    seed: int = 3,
    front: np.ndarray | None = None,
    contrast: float = 0.12,
) -> tuple[list[np.ndarray], np.ndarray]:
    """Return sRGB frames of an even near shape before a textured wall, and the true depth."""
    rng = np.random.default_rng(seed)
    light = np.empty((SIDE, SIDE, 3), np.float32)
    light[:] = 0.35
    texture = cv2.GaussianBlur(rng.standard_normal((SIDE, SIDE)).astype(np.float32), (0, 0), 1.0)
    light += (contrast * texture / texture.std())[..., None]
    front = ball_on_a_stalk() if front is None else front
    light[front] = near_colour
    light = np.clip(light, 0.01, 1)
    position = np.where(front, NEAR, FAR).astype(np.float32)
    return rendered(light, position, rng), position


def rendered(light: np.ndarray, position: np.ndarray, rng: np.random.Generator) -> list[np.ndarray]:
    """Return frames as the mean of pinhole views over the aperture, with true occlusion."""
    focus = np.arange(FRAMES) * STEP_PX
    return [
        encode(np.clip(seen + 0.002 * rng.standard_normal(seen.shape), 0, 1), "srgb")
        for seen in render_focus(light, position * np.float32(STEP_PX), focus, rng)
    ]


@contextmanager
def stacks(frames: list[np.ndarray]) -> Iterator[tuple[ScratchStack, ScratchStack]]:
    """Yield what is kept of frames: their measures of detail, and themselves."""
    shape = frames[0].shape
    with (
        ScratchStack(len(frames), shape[:2], np.float16, memory_bytes=1 << 30) as measures,
        ScratchStack(len(frames), shape, np.float16, memory_bytes=1 << 30) as pictures,
    ):
        for frame in frames:
            measures.append(measure_detail(frame.mean(axis=2), 1))
            pictures.append(frame)
        yield measures, pictures


def settled(
    position: np.ndarray, frames: list[np.ndarray], *, near_first: bool = True
) -> np.ndarray:
    confidence = np.random.default_rng(1).random(position.shape, np.float32)
    with stacks(frames) as (measures, pictures):
        depth = refine_occlusion_edges(
            DepthMap(position, confidence, position + np.float32(0.25)),
            measures,
            pictures,
            np.arange(len(frames)) * STEP_PX,
            transfer="srgb",
            near_first=near_first,
        )
    np.testing.assert_array_equal(depth.confidence, confidence)
    same = depth.position == position
    np.testing.assert_array_equal(depth.exact[same], position[same] + 0.25)
    np.testing.assert_array_equal(depth.exact[~same], depth.position[~same])
    return depth.position


def spoilt(position: np.ndarray) -> np.ndarray:
    """Return a depth map with the errors of a focus measure: a wide rim, and holes in front."""
    front = position == NEAR
    wide = binary_dilation(front, iterations=3)
    out = np.where(wide, NEAR, FAR).astype(np.float32)
    cv2.circle(out, (80, 60), 5, FAR, -1)
    out[20:24, 55:65] = FAR
    return out


def wrong_share(found: np.ndarray, true: np.ndarray, place: np.ndarray) -> float:
    place = place.copy()
    place[:8], place[-8:], place[:, :8], place[:, -8:] = False, False, False, False
    assert place.sum() > 50
    return float((np.abs(found - true) > 1)[place].mean())


def test_holes_in_a_nearer_surface_are_filled():
    frames, true = two_layers((0.02, 0.02, 0.6))
    first = spoilt(true)
    hole = (first == FAR) & (true == NEAR)
    assert wrong_share(settled(first, frames), true, hole) < 0.1


def test_a_rim_of_the_background_goes_back_to_it():
    """Not all of it: where the front's veil spoils what is known of the background it may stay."""
    frames, true = two_layers((0.25, 0.6, 0.3))
    first = spoilt(true)
    rim = (first == NEAR) & (true == FAR)
    assert wrong_share(first, true, rim) == 1
    assert wrong_share(settled(first, frames), true, rim) < 0.4


def twig() -> np.ndarray:
    front = np.zeros((SIDE, SIDE), np.uint8)
    cv2.polylines(front, [np.array([[20, 0], [35, 50], [90, 70], [100, 119]])], False, 1, 3)
    return front > 0


@pytest.mark.parametrize("near_first", [True, False])
def test_a_twig_that_a_sharper_wall_outshines_is_found_again(near_first):
    """In the wall's frame the twig is next to nothing; only its own frame shows it."""
    front = twig()
    frames, true = two_layers((0.5, 0.45, 0.5), front=front)
    lost = np.full(true.shape, FAR, np.float32)
    if near_first:
        found = settled(lost, frames)
    else:
        found = FRAMES - 1 - settled(FRAMES - 1 - lost, frames[::-1], near_first=False)
    assert wrong_share(found, true, front) < 0.35
    beside = binary_dilation(front, iterations=6) & ~front
    assert wrong_share(found, true, beside) < 0.08
    assert wrong_share(found, true, ~binary_dilation(front, iterations=6)) == 0


def test_a_wall_of_noise_and_texture_alone_keeps_its_depth():
    frames, true = two_layers((0.5, 0.45, 0.5), front=np.zeros((SIDE, SIDE), bool))
    np.testing.assert_array_equal(settled(true, frames), true)


def test_the_border_of_a_smooth_leaf_takes_no_labels_of_the_wall():
    """Its outline alone is seen to be near: a line too thin for a median, broken here and there."""
    frames, true = two_layers((0.12, 0.4, 0.06))
    front = true == NEAR
    outline = front & ~binary_erosion(front) & (np.random.default_rng(5).random(true.shape) < 0.8)
    first = np.where(outline, NEAR, FAR).astype(np.float32)
    border = front & ~binary_erosion(front, iterations=6)
    assert wrong_share(first, true, border) > 0.8
    assert wrong_share(settled(first, frames), true, border) < 0.3


def test_what_was_right_stays_right():
    frames, true = two_layers((0.25, 0.6, 0.3))
    assert wrong_share(settled(true, frames), true, np.ones(true.shape, bool)) < 0.005


def test_a_stack_shot_from_the_far_end_gives_the_mirrored_map():
    frames, true = two_layers((0.02, 0.02, 0.6))
    first = spoilt(true)
    forward = settled(first, frames)
    backward = settled((FRAMES - 1) - first, frames[::-1], near_first=False)
    np.testing.assert_allclose((FRAMES - 1) - backward, forward, atol=1e-5)


def test_surfaces_of_one_colour_are_left_as_they_were():
    frames, true = two_layers((0.35, 0.35, 0.35))
    first = spoilt(true)
    assert (settled(first, frames) != first).mean() < 0.005


def test_a_depth_map_without_edges_comes_back_unchanged():
    slope = np.broadcast_to(np.linspace(0, 8, SIDE, dtype=np.float32), (SIDE, SIDE)).copy()
    rng = np.random.default_rng(3)
    light = np.repeat(rng.uniform(0.1, 0.6, (SIDE, SIDE, 1)).astype(np.float32), 3, axis=2)
    frames = rendered(light, slope, rng)
    np.testing.assert_array_equal(settled(slope, frames), slope)


@pytest.mark.parametrize("height", [SIDE, 117])
def test_grey_pictures_and_odd_sizes_are_settled_too(height):
    frames, true = two_layers((0.02, 0.02, 0.02))
    grey = [f[:height, :, 1:2] for f in frames]
    first = spoilt(true)[:height]
    after = settled(first, grey)
    hole = (first == FAR) & (true[:height] == NEAR)
    assert wrong_share(after, true[:height], hole) < 0.1


@pytest.mark.parametrize("near_colour", [(0.02, 0.02, 0.6), (0.9, 0.9, 0.6)])
def test_outlines_tell_which_end_is_near(near_colour):
    frames, _ = two_layers(near_colour)
    for order, expected in ((frames, True), (frames[::-1], False)):
        assert is_first_near(order) is expected


def is_first_near(frames: list[np.ndarray]) -> bool | None:
    shape, guide = frames[0].shape, FocusComposite(frames[0].shape)
    with ScratchStack(len(frames), shape[:2], np.float16, memory_bytes=1 << 30) as measures:
        for frame in frames:
            measures.append(measure_detail(frame.mean(axis=2), 1))
            guide.add(measures[len(measures) - 1].astype(np.float32), frame)
        depth = locate_depth(measures, guide.pixels)
        return first_is_near(depth, measures, np.arange(len(frames)) * STEP_PX)


@pytest.mark.parametrize("near_first", [True, False])
def test_a_contrasty_outline_tells_more_than_long_faint_rims(near_first):
    """A fifth of the rim is a thing's outline; the rest the filter spread over a backdrop."""
    position = np.full((400, 100), 4, np.float32)
    position[:, 30:60] = 0
    frames = [np.full(position.shape, 0.010, np.float16) for _ in range(5)]
    frames[0][:80, 28:62] = 0.2
    frames[4][80:] = 0.012
    if not near_first:
        frames, position = frames[::-1], 4 - position
    depth = DepthMap(position, np.ones_like(position))
    with ScratchStack(5, position.shape, np.float16, memory_bytes=1 << 30) as measures:
        for frame in frames:
            measures.append(frame)
        assert first_is_near(depth, measures, np.arange(5) * STEP_PX) is near_first


def test_without_depth_steps_nothing_tells_which_end_is_near():
    flat = [np.full((40, 40, 3), 0.5, np.float32)] * 4
    assert is_first_near(flat) is None


@pytest.mark.parametrize("seen", [True, False])
def test_a_line_stays_before_a_backdrop_that_was_only_guessed_to_be_nearer(seen):
    """Only what was seen to be nearer may take a line that one frame shows sharp."""
    line = np.zeros((SIDE, SIDE), np.float32)
    line[:, 58:60] = 1  # narrower than the median sees
    frames = []
    for k in range(FRAMES):
        blurred = cv2.GaussianBlur(line, (0, 0), 0.25 * abs(k - FAR) * STEP_PX + 0.3)
        frames.append(np.repeat(0.3 + 0.65 * blurred[..., None], 3, axis=2).astype(np.float32))
    position = np.where(line > 0, FAR, NEAR).astype(np.float32)
    confidence = np.where(position == FAR, 1, float(seen)).astype(np.float32)
    with stacks(frames) as (measures, pictures):
        depth = refine_occlusion_edges(
            DepthMap(position, confidence),
            measures,
            pictures,
            np.arange(FRAMES) * STEP_PX,
            transfer="srgb",
        )
    kept = (depth.position[line > 0] == FAR).mean()
    assert kept == 1 if not seen else kept < 0.5
