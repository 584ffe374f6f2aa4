"""Reduced maps at full size."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.transform import resize

from merge.resizing import enlarge_part, enlarge_position, reduce_map


@pytest.mark.parametrize("reduction", [1, 2, 3])
def test_parts_are_cut_from_what_opencv_makes_of_the_whole(reduction):
    values = np.random.default_rng(1).random((20, 31, 3), np.float32)
    size = (31 * reduction, 20 * reduction)
    whole = cv2.resize(values, size, interpolation=cv2.INTER_LINEAR)
    for box in ((0, 0, 20, 31), (3, 5, 7, 11), (13, 20, 7, 11)):
        part = np.s_[box[0] : box[0] + box[2], box[1] : box[1] + box[3]]
        np.testing.assert_allclose(enlarge_part(values, box, reduction), whole[part], atol=1e-6)


def test_a_single_channel_stays_one():
    """Grey pictures have one; OpenCV drops it."""
    grey = np.random.default_rng(2).random((6, 7, 1)).astype(np.float32)
    found = enlarge_part(grey, (1, 2, 9, 10), 2)
    assert found.shape == (9, 10, 1)
    assert np.array_equal(found[..., 0], enlarge_part(grey[..., 0], (1, 2, 9, 10), 2))


@pytest.mark.parametrize("reduction", [2, 3])
def test_enlarged_map_agrees_with_scikit_image(reduction):
    """Linear interpolation between block centres."""
    small = np.random.default_rng(4).random((20, 31), np.float32)
    whole = (20 * reduction, 31 * reduction)
    expected = resize(small, whole, order=1, mode="edge", anti_aliasing=False)
    found = enlarge_part(small, (0, 0, whole[0] - 1, whole[1]), reduction)
    np.testing.assert_allclose(found, expected[:-1], atol=1e-5)


@pytest.mark.parametrize("reduction", [1, 2, 3])
def test_position_of_a_smooth_surface_is_linear_in_between(reduction):
    rows, columns = np.indices((20, 31)).astype(np.float32)
    position = 0.05 * rows + 0.03 * columns
    box = (4, 6, 12, 19)
    wanted = enlarge_part(position, box, reduction)
    np.testing.assert_allclose(enlarge_position(position, box, reduction), wanted, atol=1e-5)


@pytest.mark.parametrize("reduction", [2, 3, 5])
def test_no_depth_lies_between_the_sides_of_a_step(reduction):
    """A step of 10 frames: linear interpolation would name frames that focus on neither side."""
    position = np.zeros((20, 31), np.float32)
    position[:, 14:], position[10:] = 10, 10
    found = enlarge_position(position, (0, 0, 20 * reduction, 31 * reduction), reduction)
    assert set(np.unique(found)) == {0.0, 10.0}
    np.testing.assert_array_equal(found, position.repeat(reduction, 0).repeat(reduction, 1))


def test_fewer_rows_than_a_block_are_dropped_to_none():
    values = np.ones((3, 9, 2), np.float32)
    assert reduce_map(values, 4, incomplete="drop").shape == (0, 2, 2)
    assert reduce_map(values, 3, incomplete="drop").shape == (1, 3, 2)
