"""Pyramids of P. J. Burt and E. H. Adelson, IEEE Trans. Commun. 31(4), 532-540 (1983)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import correlate1d

from merge.pyramid import build_gaussian, build_laplacian, collapse_pyramid

# Their kernel 1/4 - a/2, 1/4, a, 1/4, 1/4 - a/2 with a = 3/8, the binomial weights.
KERNEL = np.array([1, 4, 6, 4, 1]) / 16
SHAPES = [(1, 1), (2, 3), (37, 50), (64, 64), (101, 67, 1), (55, 34, 3)]


def picture_of(shape: tuple[int, ...]) -> np.ndarray:
    return np.random.default_rng(3).random(shape, np.float32)


def reduce_slowly(picture: np.ndarray) -> np.ndarray:
    """REDUCE, equation 1, by scipy."""
    for axis in (0, 1):
        picture = correlate1d(picture.astype(np.float64), KERNEL, axis=axis, mode="mirror")
    return picture[::2, ::2]


def expand_slowly(picture: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """EXPAND, equation 2, by scipy; right but for two pixels at the border."""
    spread = np.zeros(shape)
    spread[::2, ::2] = picture
    for axis in (0, 1):
        spread = correlate1d(spread, 2 * KERNEL, axis=axis, mode="mirror")
    return spread


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("levels", [0, 1, 4])
def test_collapse_pyramid_returns_the_picture_exactly(shape, levels):
    picture = picture_of(shape)
    pyramid = build_laplacian(picture, levels)
    assert len(pyramid) == levels + 1
    np.testing.assert_allclose(collapse_pyramid(pyramid), picture, atol=1e-6)


@pytest.mark.parametrize("shape", [(64, 48), (37, 51)])
def test_gaussian_level_is_the_binomial_average_of_the_one_before(shape):
    picture = picture_of(shape)
    pyramid = build_gaussian(picture, 2)
    first = reduce_slowly(picture)
    np.testing.assert_allclose(pyramid[1], first, atol=1e-6)
    np.testing.assert_allclose(pyramid[2], reduce_slowly(first), atol=1e-6)


@pytest.mark.parametrize("shape", [(64, 48), (37, 51)])
def test_laplacian_level_is_the_picture_less_the_expanded_next_level(shape):
    picture = picture_of(shape)
    band = build_laplacian(picture, 1)[0]
    expected = picture - expand_slowly(reduce_slowly(picture), shape)
    inside = np.s_[2:-2, 2:-2]
    np.testing.assert_allclose(band[inside], expected[inside], atol=1e-6)


def test_every_pixel_has_the_same_weight_in_the_next_level():
    """Their constraint of equal contribution: a quarter in two dimensions, wherever it lies."""
    for row, column in [(16, 16), (16, 17), (17, 16), (17, 17)]:
        impulse = np.zeros((33, 33), np.float32)
        impulse[row, column] = 1
        assert build_gaussian(impulse, 1)[1].sum() == pytest.approx(0.25, abs=1e-6)


@pytest.mark.parametrize("shape", [(61, 40), (64, 64, 3)])
def test_even_picture_has_no_detail_on_any_level(shape):
    *bands, rest = build_laplacian(np.full(shape, 0.7, np.float32), 4)
    assert max(np.abs(band).max() for band in bands) < 1e-6
    np.testing.assert_allclose(rest, 0.7, atol=1e-6)


def test_pyramid_of_a_sum_is_the_sum_of_pyramids():
    one, two = picture_of((45, 62)), picture_of((45, 62))[::-1].copy()
    together = build_laplacian(one + two, 3)
    apart = zip(build_laplacian(one, 3), build_laplacian(two, 3), strict=True)
    for level, (first, second) in zip(together, apart, strict=True):
        np.testing.assert_allclose(level, first + second, atol=1e-6)


def test_build_laplacian_leaves_the_picture_alone():
    picture = picture_of((20, 30, 3))
    before = picture.copy()
    build_laplacian(picture, 2)
    np.testing.assert_array_equal(picture, before)
