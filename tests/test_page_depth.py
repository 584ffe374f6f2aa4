"""The depth map that pages show is the one that a merge measures."""

import numpy as np
import pytest
from blurred_scenes import slanted_stack

from merge import MergeResult, merge_stack, stack_arrays
from merge.pipeline.page_pictures import locate_sharpest


@pytest.fixture(scope="module")
def merged() -> MergeResult:
    scene = slanted_stack(11, step_px=1.2, noise=0.01, shape=(160, 220), seed=3)
    stack = stack_arrays([np.clip(frame, 0, 1) for frame in scene.frames], transfer="linear")
    return merge_stack(stack, motion="none", keep_depth=True)


def test_the_depth_map_of_an_audit_comes_near_that_of_a_merge(merged):
    """Fine steps, told from frames farther apart as the axis has it."""
    found = locate_sharpest(merged.stack, merged.registration, merged.axis)
    plain = locate_sharpest(merged.stack, merged.registration, None)
    row, column = merged.origin
    height, width = merged.depth.position.shape
    area = np.s_[row : row + height, column : column + width]
    apart, plainly = (
        np.median(np.abs(depth.position[area] - merged.depth.position)) for depth in (found, plain)
    )
    print(f"median {apart:.3f} of a frame from the merge's, without the axis {plainly:.3f}")
    assert apart < 0.1
    assert apart < 0.6 * plainly


def test_the_depth_map_of_a_merge_is_what_its_page_shows(merged):
    small = merged.small_depth()
    np.testing.assert_array_equal(small.position, merged.depth.position)


def test_without_a_depth_map_there_is_none_to_show(merged):
    flat = merge_stack(merged.stack, method="detail", motion="none")
    with pytest.raises(ValueError, match="keep_depth"):
        flat.small_depth()
