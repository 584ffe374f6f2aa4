"""Rims of blur beside bright things are not taken for detail."""

from __future__ import annotations

import numpy as np
import pytest
from depth_stacks import measured_stack
from scenes import blur

from merge.depth import locate_depth, settle_rims, weigh_evidence
from merge.encoding import encode

AXIS_PX = 3.0 * np.arange(8)
NOISE = 1 / 255
SIZE = (160, 240)


def bright_shape(shape: str) -> np.ndarray:
    """Return linear light, (H, W), of something bright before black."""
    rows, columns = np.indices(SIZE)
    light = np.full(SIZE, 0.001, np.float32)
    if shape == "spots":
        rng = np.random.default_rng(2)
        spots = np.zeros(SIZE, np.float32)
        spots[rng.integers(5, 155, 12), rng.integers(5, 235, 12)] = 9
        return light + blur(spots, 2)
    inside = columns > 120 if shape == "edge" else np.hypot(rows - 80, columns - 120) > 40
    return np.where(inside, np.float32(0.9), light)


def frames_of(light: np.ndarray, own: np.ndarray) -> list[np.ndarray]:
    """Return encoded frames of places that lie in the frames ``own`` (two of them at most)."""
    rng = np.random.default_rng(4)
    frames = []
    for place in AXIS_PX:
        seen = np.zeros(SIZE, np.float32)
        for frame in np.unique(own):
            seen += blur(light * (own == frame), abs(AXIS_PX[frame] - place))
        stored = encode(np.clip(seen, 0, 1), "srgb")[..., None] * np.ones(3, np.float32)
        frames.append((stored + NOISE * rng.standard_normal(stored.shape)).astype(np.float32))
    return frames


@pytest.mark.parametrize("shape", ["edge", "hole", "spots"])
def test_the_rim_of_blur_beside_a_bright_thing_is_no_detail(shape):
    own = np.full(SIZE, 2)
    with measured_stack(frames_of(bright_shape(shape), own)) as (measures, _, sharpest):
        found = locate_depth(measures, sharpest, axis_px=AXIS_PX)
        evidence = weigh_evidence(measures, found)
        settled, kept = settle_rims(found, evidence, sharpest, AXIS_PX, "srgb")
    wrong = evidence.sure & (np.abs(found.position - 2) > 1.5)
    assert wrong.sum() > 0.1 * evidence.sure.sum()  # or it tests nothing
    assert (kept.sure & wrong).sum() < 0.1 * wrong.sum()
    right = evidence.sure & (np.abs(found.position - 2) < 1)
    assert kept.sure[right].mean() > 0.99
    rims = evidence.sure & ~kept.sure
    assert not settled.confidence[rims].any()
    np.testing.assert_array_equal(settled.position[~rims], found.position[~rims])


def test_detail_behind_a_bright_edge_stays():
    """Fainter than the edge by far, and reached by its blur, but not where that ends."""
    rng = np.random.default_rng(5)
    light = bright_shape("edge")
    behind = np.indices(SIZE)[1] <= 120
    light[behind] = 0.1 * rng.uniform(0.5, 1.5, behind.sum())
    own = np.where(behind, 6, 1)
    with measured_stack(frames_of(light, own)) as (measures, _, sharpest):
        found = locate_depth(measures, sharpest, axis_px=AXIS_PX)
        evidence = weigh_evidence(measures, found)
        _, kept = settle_rims(found, evidence, sharpest, AXIS_PX, "srgb")
    columns = np.indices(SIZE)[1]
    rim = 120 - (AXIS_PX[6] - AXIS_PX[1]) / 2
    texture = evidence.sure & (columns < 116) & (np.abs(columns - rim) > 3.5)
    assert texture.mean() > 0.4
    assert kept.sure[texture].mean() > 0.995


def test_a_point_far_brighter_than_noise_is_detail():
    """Its blur's rims are known by it."""
    light, points = np.full(SIZE, 0.001, np.float32), np.zeros(SIZE, bool)
    points[20::40, 20::40] = True
    light[points] = 0.5
    with measured_stack(frames_of(light, np.full(SIZE, 2))) as (measures, _, sharpest):
        found = locate_depth(measures, sharpest, axis_px=AXIS_PX)
        evidence = weigh_evidence(measures, found)
        _, kept = settle_rims(found, evidence, sharpest, AXIS_PX, "srgb")
    assert kept.sure[points].all()
    assert (np.abs(found.position - 2) < 1)[kept.sure].mean() > 0.95
