"""The one resampling: exact positions, contrast kept, edges without ringing."""

from __future__ import annotations

import numpy as np
import pytest
from scenes import similarity
from scipy.ndimage import map_coordinates

from merge.align import find_places, rescale_transform, warp_frame
from merge.model import FrameTransform, SmoothField


def shifted(x: float, y: float = 0.0) -> FrameTransform:
    return FrameTransform(np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]]))


def test_warp_frame_returns_the_reference_frame_unchanged():
    pixels = np.random.default_rng(0).random((31, 44, 3)).astype(np.float32)
    np.testing.assert_array_equal(warp_frame(pixels, shifted(0.0)), pixels)


@pytest.mark.parametrize(("x", "y"), [(3, -2), (-5, 4), (40, 0), (0, -31), (100, 100)])
def test_warp_frame_moves_whole_pixels_exactly_and_marks_the_rest(x, y):
    pixels = np.random.default_rng(0).random((31, 44, 3)).astype(np.float32)
    moved = warp_frame(pixels, shifted(x, y), box=(2, 3, 20, 30))
    rows, columns = np.arange(20)[:, None] + 2 + y, np.arange(30) + 3 + x
    inside = (rows >= 0) & (rows < 31) & (columns >= 0) & (columns < 44)
    wanted = pixels[np.clip(rows, 0, 30), np.clip(columns, 0, 43)]
    np.testing.assert_array_equal(np.isnan(moved[..., 0]), ~inside)
    np.testing.assert_array_equal(moved[inside], wanted[inside])


@pytest.mark.parametrize("axis", ["x", "y"])
def test_warp_frame_hits_positions_exactly_in_steps_of_a_hundredth_pixel(axis):
    """A ramp shows the position: a grid of 1/32 px would be off by up to 0.0156 px."""
    ramp = np.tile(np.arange(64, dtype=np.float32), (64, 1))
    picture = (ramp if axis == "x" else ramp.T)[..., None].repeat(3, axis=2).copy()
    inner = np.s_[12:52, 12:52]
    for step in range(101):
        shift = step / 100
        found = warp_frame(picture, shifted(shift) if axis == "x" else shifted(0.0, shift))
        np.testing.assert_allclose(found[inner], picture[inner] + shift, atol=1e-4)


def test_warp_frame_samples_a_ramp_exactly_under_rotation_scale_and_perspective():
    rows, columns = np.indices((80, 90)).astype(np.float64)
    picture = np.stack([columns, rows, columns + rows], axis=-1).astype(np.float32)
    matrix = similarity((80, 90), magnification=1.03, rotation_deg=1.7, shift=(0.37, -0.81))
    matrix[2, :2] = 1e-5, -2e-5
    moved = matrix @ np.stack([columns.ravel(), rows.ravel(), np.ones(columns.size)])
    x, y = (moved[:2] / moved[2]).reshape(2, 80, 90)
    found = warp_frame(picture, FrameTransform(matrix))
    inner = np.s_[12:-12, 12:-12]
    np.testing.assert_allclose(found[inner][..., 0], x[inner], atol=5e-5)
    np.testing.assert_allclose(found[inner][..., 1], y[inner], atol=5e-5)


def test_warp_frame_follows_parallax_distortion_and_a_field_as_the_transform_says():
    """A ramp holds its own places, so every pixel tells where it was sampled."""
    shape = (80, 90)
    rows, columns = np.indices(shape).astype(np.float64)
    picture = np.stack([columns, rows, columns + rows], axis=-1).astype(np.float32)
    transform = FrameTransform(
        similarity(shape, magnification=1.02, shift=(1.3, -0.4)),
        parallax=np.array([0.4, -0.25, 1e-3]),
        plane_px=3.0,
        radial=2e-6,
        centre=(44.5, 39.5),
        field=SmoothField.over(np.random.default_rng(1).normal(0, 0.6, (2, 10)), shape),
    )
    position = (3 + 4 * np.sin(columns / 9) * np.cos(rows / 7)).astype(np.float32)
    expected = transform.apply(np.stack([columns, rows], -1), position)
    found = warp_frame(picture, transform, position=position)
    inner = np.s_[14:-14, 14:-14]
    np.testing.assert_allclose(found[inner][..., :2], expected[inner], atol=1e-4)
    np.testing.assert_allclose(find_places(transform, shape, position), expected, atol=1e-4)
    flat = warp_frame(picture, transform, position=np.full(shape, 5.0, np.float32))
    plane = warp_frame(picture, transform.at_position(5.0))
    np.testing.assert_allclose(flat[inner], plane[inner], atol=1e-4)


def test_rescale_transform_says_the_same_of_larger_pictures():
    transform = FrameTransform(
        similarity((300, 400), magnification=1.01, rotation_deg=0.3, shift=(2.0, -1.0)),
        parallax=np.array([0.4, -0.25, 1e-4]),
        plane_px=3.0,
        radial=2e-8,
        centre=(199.5, 149.5),
        field=SmoothField.over(np.random.default_rng(2).normal(0, 2.0, (2, 10)), (300, 400)),
    )
    points, position = np.array([[10.0, 20.0], [380.0, 250.0]]), np.array([1.0, 9.0])
    large = rescale_transform(transform, 3, (30.0, 60.0))
    moved = large.apply((points + 0.5) * 3 - 0.5 - (30.0, 60.0), position)
    expected = (transform.apply(points, position) + 0.5) * 3 - 0.5
    np.testing.assert_allclose(moved, expected, atol=1e-9)


def mean_transfer(cycles_per_px: float, vertical: bool) -> float:
    """Return amplitude out over in, averaged over sub-pixel phases."""
    position = np.arange(240)
    wave = np.sin(2 * np.pi * cycles_per_px * position)
    picture = np.tile(wave, (240, 1)).astype(np.float32)
    picture = (picture.T if vertical else picture)[..., None].copy()
    inner = slice(20, 220)
    amplitudes = []
    for phase in np.arange(0.05, 1.0, 0.1):
        moved = warp_frame(picture, shifted(0.0, phase) if vertical else shifted(phase))
        line = moved[inner, 120, 0] if vertical else moved[120, inner, 0]
        angle = 2 * np.pi * cycles_per_px * (position[inner] + phase)
        waves = np.stack([np.sin(angle), np.cos(angle)], axis=1)
        fit = np.linalg.lstsq(waves, line, rcond=None)[0]
        assert abs(np.arctan2(fit[1], fit[0])) < 0.04 * 2 * np.pi * cycles_per_px
        amplitudes.append(np.hypot(*fit))
    return float(np.mean(amplitudes))


@pytest.mark.parametrize("vertical", [False, True])
@pytest.mark.parametrize(("cycles_per_px", "least"), [(0.10, 0.995), (0.25, 0.97), (0.35, 0.88)])
def test_warp_frame_keeps_contrast(cycles_per_px, least, vertical):
    assert least <= mean_transfer(cycles_per_px, vertical) <= 1.005


def test_warp_frame_agrees_with_scipy_spline():
    """scipy.ndimage's spline of order 3 solves for the same coefficients recursively."""
    rng = np.random.default_rng(4)
    picture = rng.random((60, 70, 3)).astype(np.float32)
    matrix = similarity((60, 70), magnification=0.97, rotation_deg=3.0, shift=(1.3, 0.4))
    rows, columns = np.indices((60, 70)).astype(np.float64)
    moved = matrix @ np.stack([columns.ravel(), rows.ravel(), np.ones(columns.size)])
    found = warp_frame(picture, FrameTransform(matrix))
    for channel in range(3):
        expected = map_coordinates(picture[..., channel], moved[[1, 0]], order=3, mode="mirror")
        expected = expected.reshape(60, 70)
        inside = ~np.isnan(found[..., channel])
        assert inside.mean() > 0.9
        difference = np.abs(found[..., channel] - expected)[inside]
        assert difference.max() < 2e-4


def test_warp_frame_overshoots_an_edge_by_at_most_eleven_per_cent_and_does_not_ring():
    edge = np.zeros((40, 80, 1), np.float32)
    edge[:, 40:] = 1
    for phase in np.arange(0.0, 1.0, 0.05):
        line = warp_frame(edge, shifted(phase))[20, 10:70, 0]
        assert line.max() - 1 < 0.115
        assert -line.min() < 0.115
        # Four pixels from the edge less than 1 % of its contrast is left.
        far = np.abs(line - np.round(line))[np.r_[0:24, 36:60]]
        assert far.max() < 0.01


def test_warp_frame_box_equals_the_part_of_the_whole():
    picture = np.random.default_rng(2).random((50, 60, 3)).astype(np.float32)
    transform = FrameTransform(similarity((50, 60), rotation_deg=2.0, shift=(0.3, 0.6)))
    whole = warp_frame(picture, transform)
    part = warp_frame(picture, transform, box=(7, 11, 20, 30))
    np.testing.assert_array_equal(part, whole[7:27, 11:41])


def test_warp_frame_leaves_its_input_alone():
    picture = np.random.default_rng(2).random((20, 20, 1)).astype(np.float32)
    before = picture.copy()
    warp_frame(picture, shifted(0.4))
    np.testing.assert_array_equal(picture, before)
