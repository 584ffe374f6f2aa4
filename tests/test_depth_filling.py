"""Places whose depth is a guess, and what they take from their neighbours."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scenes import photograph_stack, warp_exact
from scipy.linalg import solve

from merge.depth import locate_depth, measure_detail
from merge.depth.filling import AGREE_FRAMES, fill_guesses, spread_along_links
from merge.model import DepthMap
from merge.scratch import ScratchStack

# ITU-R BT.601-7, 2.5.1.
LUMA = np.array([0.299, 0.587, 0.114], np.float32)


@pytest.mark.parametrize(("reduction", "reach"), [(1, 3), (3, 1)])
def test_confidence_falls_to_the_share_of_neighbours_within_a_frame(reduction, reach):
    position = np.random.default_rng(1).random((40, 51), np.float32) * 6
    guide = np.full((40, 51, 3), 0.5, np.float32)
    filled = fill_guesses(DepthMap(position, np.ones_like(position)), guide, reduction)
    for row, column in [(12, 12), (20, 30), (27, 38)]:
        rows, columns = (slice(place - reach, place + reach + 1) for place in (row, column))
        near = np.abs(position[rows, columns] - position[row, column]) < AGREE_FRAMES
        assert filled.confidence[row, column] == pytest.approx(near.mean(), abs=1e-5)
    np.testing.assert_array_equal(filled.position, position)


def test_blobs_of_noise_are_guesses_though_neighbours_agree():
    """Depths of noise that a filter has smoothed, beside a surface that is faint but even."""
    rng = np.random.default_rng(6)
    noise = cv2.GaussianBlur(rng.random((120, 160), np.float32), (0, 0), 5)
    position = np.full((120, 240), 4, np.float32)
    position[:, :160] = np.clip((noise - noise.mean()) / noise.std() * 4 + 5, 0, 11)
    position[:, 160:] += np.linspace(0, 1, 80, dtype=np.float32)
    confidence = np.full((120, 240), 0.2, np.float32)
    guide = np.full((120, 240, 3), 0.5, np.float32)
    filled = fill_guesses(DepthMap(position, confidence), guide).confidence == 0
    assert filled[:, :150].mean() > 0.6
    assert not filled[:, 175:].any()


def test_values_spread_as_the_least_squares_systems_of_a_linear_algebra_library():
    """Rounds of Min et al. 2014 (see `fill_guesses`), eq. 17 from memory, along a single row."""
    rng = np.random.default_rng(2)
    values, weight = (rng.random((1, 50), np.float32) for _ in range(2))
    links = rng.random((1, 49), np.float32)
    found, around = spread_along_links(values, weight, links, np.zeros((50, 0), np.float32), 90)
    sums = np.array([values[0] * weight[0], weight[0]], np.float64)
    for done in range(3):
        system = np.eye(50)
        for k, link in enumerate(1.5 * 4 ** (2 - done) / (4**3 - 1) * 90 * links[0] + 1e-4):
            system[k : k + 2, k : k + 2] += link * np.array([[1, -1], [-1, 1]])
        sums = np.array([solve(system, total, assume_a="pos") for total in sums])
    np.testing.assert_allclose(around[0], sums[1], rtol=1e-4)
    np.testing.assert_allclose(found[0], sums[0] / sums[1], rtol=1e-4)


def test_guesses_take_the_depth_of_their_side_of_an_edge():
    rng = np.random.default_rng(3)
    guide = np.full((80, 100, 3), 0.3, np.float32)
    guide[:, 50:] = 0.6
    guide += 0.003 * rng.standard_normal(guide.shape).astype(np.float32)
    true = np.where(np.arange(100) < 50, 1.0, 5.0) * np.ones((80, 1))
    position, confidence = true.astype(np.float32), np.full((80, 100), 0.8, np.float32)
    unknown = np.zeros((80, 100), bool)
    unknown[25:55, 20:80] = True
    position[unknown] = 7 * rng.random(unknown.sum(), np.float32)
    confidence[unknown] = 0.1
    depth = fill_guesses(DepthMap(position, confidence, position + np.float32(0.1)), guide)
    error = np.abs(depth.position - true)
    assert (np.abs(position - true)[unknown] > 1).mean() > 0.6
    assert (error[unknown] > 1).mean() < 0.05
    assert (depth.confidence[unknown] == 0).mean() > 0.9
    apart = cv2.dilate(unknown.astype(np.uint8), np.ones((9, 9), np.uint8)) == 0
    apart[:, 46:54] = False
    np.testing.assert_array_equal(depth.position[apart], position[apart])
    np.testing.assert_allclose(depth.confidence[apart], 0.8, atol=1e-5)
    np.testing.assert_array_equal(depth.exact[apart], position[apart] + np.float32(0.1))


def test_where_nothing_is_sure_nothing_is_filled():
    position = np.random.default_rng(4).random((40, 50), np.float32) * 90
    nothing = np.full((40, 50), 0.01, np.float32)
    depth = fill_guesses(DepthMap(position, nothing), np.full((40, 50, 3), 0.5, np.float32))
    np.testing.assert_array_equal(depth.position, position)
    assert depth.exact is None
    assert depth.confidence.max() <= 0.01


@pytest.mark.slow
def test_confidence_tells_right_depths_from_wrong_ones():
    """Photograph scene with measured depth (scenes.py): wrong is more than a frame."""
    scene = photograph_stack(8, scale=0.6)
    aligned = [
        warp_exact(frame, matrix)
        for frame, matrix in zip(scene.frames, scene.transforms, strict=True)
    ]
    shape = aligned[0].shape[:2]
    with ScratchStack(8, shape, np.float16, memory_bytes=1 << 30) as measures:
        for frame in aligned:
            measures.append(measure_detail(np.ascontiguousarray(frame @ LUMA), 1))
        sharpest = np.argmax(
            [cv2.GaussianBlur(m.astype(np.float32), (0, 0), 2) for m in measures], 0
        )
        rows, columns = np.indices(shape)
        depth = locate_depth(measures, np.stack(aligned)[sharpest, rows, columns])
    wrong = np.abs(depth.exact - scene.depth) > 1
    around = np.ones((3, 3), np.uint8)
    step = cv2.dilate(scene.depth, around) - cv2.erode(scene.depth, around) > 0.5
    off_edges = cv2.distanceTransform((~step).astype(np.uint8), cv2.DIST_L2, 5) > 10
    off_edges[:20], off_edges[-20:], off_edges[:, :20], off_edges[:, -20:] = (False,) * 4
    inside = np.zeros(wrong.shape, bool)
    inside[20:-20, 20:-20] = True
    unsure = wrong[inside & (depth.confidence < 0.1)].mean()
    sure = wrong[inside & (depth.confidence > 0.4)].mean()
    sure_off_edges = wrong[off_edges & (depth.confidence > 0.4)].mean()
    print(
        f"wrong: {unsure:.1%} of the unsure, {sure:.1%} of the sure, {sure_off_edges:.2%} off edges"
    )
    assert unsure > 2 * sure
    assert sure_off_edges < 0.002
