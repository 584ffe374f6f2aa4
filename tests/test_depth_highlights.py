"""A highlight brighter than white is as large in a merge as in the frame that is focused on it."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scenes import blur

from merge.depth import (
    FocusComposite,
    locate_depth,
    measure_detail,
    settle_highlights,
)
from merge.encoding import encode
from merge.model import DepthMap
from merge.scratch import ScratchStack

FRAMES, STEP_PX, FOCUS, SIZE, RADIUS = 9, 2.0, 3, (90, 120), 6


def frames_of(light: np.ndarray) -> list[np.ndarray]:
    """Return sRGB-coded frames of linear light at one depth, clipped where it is above 1."""
    rng = np.random.default_rng(4)
    return [
        np.clip(
            encode(np.clip(blur(light, STEP_PX * abs(k - FOCUS)), 0, 1), "srgb")
            + 0.004 * rng.standard_normal(light.shape),
            0,
            1,
        ).astype(np.float32)
        for k in range(FRAMES)
    ]


def settled(frames: list[np.ndarray]) -> tuple[DepthMap, DepthMap]:
    shape = frames[0].shape
    guide = FocusComposite(shape)
    with (
        ScratchStack(FRAMES, shape[:2], np.float16, memory_bytes=1 << 30) as measures,
        ScratchStack(FRAMES, shape, np.float16, memory_bytes=1 << 30) as pictures,
    ):
        for frame in frames:
            measures.append(measure_detail(frame.mean(axis=2), 1))
            pictures.append(frame)
            guide.add(measures[len(measures) - 1].astype(np.float32), frame)
        depth = locate_depth(measures, guide.pixels)
        return depth, settle_highlights(depth, pictures)


def white_area(frames: list[np.ndarray], depth: DepthMap) -> int:
    """Return how many pixels of the choice by a depth map are white."""
    rows, columns = np.indices(depth.position.shape)
    chosen = np.stack(frames)[np.rint(depth.position).astype(int), rows, columns]
    return int((chosen.min(axis=2) > 0.97).sum())


def scene(radiance: float) -> np.ndarray:
    light = np.full((*SIZE, 3), 0.15, np.float32)
    cv2.circle(light, (60, 45), RADIUS, (radiance,) * 3, -1, cv2.LINE_AA)
    return light


@pytest.mark.parametrize("channels", [1, 3])
def test_a_highlight_does_not_grow(channels):
    frames = [f[..., :channels] for f in frames_of(scene(30.0))]
    before, after = settled(frames)
    own = int((frames[FOCUS].min(axis=2) > 0.97).sum())
    assert own == pytest.approx(np.pi * RADIUS**2, rel=0.3)
    assert white_area(frames, before) > 1.3 * own
    assert white_area(frames, after) == pytest.approx(own, rel=0.1)


@pytest.mark.parametrize("radiance", [0.9, 1.2])
def test_what_hardly_clips_keeps_its_depth(radiance):
    before, after = settled(frames_of(scene(radiance)))
    np.testing.assert_array_equal(after.position, before.position)


def test_a_bright_place_crossed_by_hairs_keeps_its_depths():
    light = scene(30.0)
    for row in range(40, 52, 4):
        cv2.line(light, (50, row), (70, row + 5), (0.02,) * 3, 1, cv2.LINE_AA)
    before, after = settled(frames_of(light))
    changed = after.position != before.position
    assert not (changed & (after.position != FOCUS)).any()


def test_a_bright_wire_that_runs_through_depth_keeps_its_depths():
    rng, frames, ends = np.random.default_rng(4), [], (FOCUS - 2, FOCUS + 4)
    pieces = np.array_split(np.arange(20, 100), 40)
    for k in range(FRAMES):
        light = np.full((*SIZE, 3), 0.15, np.float32)
        for piece, depth in zip(pieces, np.linspace(*ends, len(pieces)), strict=True):
            part = np.zeros_like(light)
            part[43:48, piece] = 30.0
            light += blur(part, STEP_PX * abs(k - depth))
        coded = encode(np.clip(light, 0, 1), "srgb")
        coded += 0.004 * rng.standard_normal(light.shape)
        frames.append(np.clip(coded, 0, 1).astype(np.float32))
    _, after = settled(frames)
    wire = after.position[45, 22:98]
    np.testing.assert_allclose(wire, np.linspace(*ends, len(wire)), atol=1.0)


def test_coloured_checks_that_hardly_clip_keep_their_depths():
    """Where blue and green mix, the largest channel is below that of either."""
    row, column = np.indices(SIZE) // 24
    blue, green = (0.04, 0.1, 0.97), (0.35, 0.93, 0.07)
    light = np.where(((row + column) % 2)[..., None], blue, green).astype(np.float32)
    before, after = settled(frames_of(light))
    np.testing.assert_array_equal(after.position, before.position)
