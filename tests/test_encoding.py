"""Curves between stored values and linear light."""

from __future__ import annotations

import imagecodecs
import numpy as np
import pytest
from skimage.color import rgb2xyz

from merge.encoding import encode, light_slope, linearize, parse_transfer, scale_light

CURVES = ["srgb", "linear", "gamma:1.8", "gamma:2.2"]


def test_srgb_curve_bends_where_the_standard_says():
    """IEC 61966-2-1:1999, clause 5.2: stored 0.04045 is linear 0.0031308."""
    assert linearize(np.array([0.04045]), "srgb")[0] == pytest.approx(0.0031308, abs=5e-8)
    assert encode(np.array([0.0031308]), "srgb")[0] == pytest.approx(0.04045, abs=5e-6)


@pytest.mark.parametrize(
    ("stored", "light"),
    [(10, 0.00304), (11, 0.00335), (118, 0.18116), (128, 0.21586), (188, 0.50289)],
)
def test_srgb_curve_gives_printed_values(stored, light):
    """8-bit sRGB values and their light, as tables of the curve print them (from memory)."""
    found = linearize(np.array([stored / 255]), "srgb")[0]
    assert found == pytest.approx(light, abs=5e-6)


@pytest.mark.parametrize("transfer", CURVES)
def test_slope_of_light_is_that_between_neighbouring_stored_values(transfer):
    """Differences of `linearize`; sRGB's own slope jumps by 2 % where its curve bends."""
    stored = np.linspace(0.01, 0.99, 50)[None, :, None]
    after, before = (linearize(stored + step, transfer).astype(float) for step in (1e-3, -1e-3))
    found = light_slope(linearize(stored, transfer), transfer)
    np.testing.assert_allclose(found, (after - before) / 2e-3, rtol=0.03, atol=2e-3)


def test_srgb_curve_agrees_with_two_reference_libraries():
    """LittleCMS turns sRGB into a linear profile of its primaries; scikit-image into XYZ."""
    stored = np.linspace(0, 1, 256, dtype=np.float32)
    grey = np.ascontiguousarray(np.broadcast_to(stored[:, None, None], (256, 1, 3)))
    red_green_blue = [0.64, 0.33, 1, 0.30, 0.60, 1, 0.15, 0.06, 1]
    linear = imagecodecs.cms_profile(
        "rgb", whitepoint=(0.3127, 0.3290, 1.0), primaries=red_green_blue, gamma=1.0
    )
    light = imagecodecs.cms_transform(
        grey, imagecodecs.cms_profile("srgb"), linear, colorspace="rgb", outcolorspace="rgb"
    )
    ours = linearize(stored, "srgb")
    np.testing.assert_allclose(ours, light[:, 0, 1], atol=2e-5)
    np.testing.assert_allclose(ours, rgb2xyz(grey)[:, 0, 1], atol=2e-6)


@pytest.mark.parametrize("transfer", CURVES)
def test_encode_undoes_linearize(transfer):
    stored = np.linspace(-0.2, 1.3, 3000, dtype=np.float32).reshape(3, -1)
    there_and_back = encode(linearize(stored, transfer), transfer)
    assert there_and_back.dtype == np.float32
    np.testing.assert_allclose(there_and_back, stored, atol=2e-6)


def test_gamma_curve_is_a_power_of_the_stored_value():
    stored = np.linspace(0, 1, 101)
    np.testing.assert_allclose(linearize(stored, "gamma:2.2"), stored**2.2, atol=1e-6)


@pytest.mark.parametrize("transfer", CURVES)
def test_linearize_grows_with_the_stored_value(transfer):
    """Also across the two parts of the sRGB curve."""
    light = linearize(np.linspace(-1, 1, 4001), transfer)
    assert (np.diff(light) > 0).all()


def test_linearize_leaves_its_argument_alone():
    stored = np.full((2, 3, 3), 0.5, np.float32)
    linearize(stored, "linear")[:] = 0
    encode(stored, "linear")[:] = 0
    assert (stored == 0.5).all()


@pytest.mark.parametrize("transfer", CURVES)
@pytest.mark.parametrize("factor", [0.1, 0.8, 0.97, 1.25, 8.0])
def test_scale_light_multiplies_linear_light(transfer, factor):
    """Against the way over linear light."""
    stored = np.linspace(0, 1, 2001, dtype=np.float32).reshape(-1, 1, 1)
    expected = encode(linearize(stored, transfer) * factor, transfer)
    np.testing.assert_allclose(scale_light(stored, factor, transfer), expected, atol=1e-5)
    by_row = np.linspace(factor, 1, 2001, dtype=np.float32).reshape(-1, 1, 1)
    expected = encode(linearize(stored, transfer) * by_row, transfer)
    np.testing.assert_allclose(scale_light(stored, by_row, transfer), expected, atol=1e-5)


@pytest.mark.parametrize("transfer", ["sRGB", "gamma", "gamma:0", "gamma:-2", "gamma:x", ""])
def test_unknown_curve_is_refused_with_the_known_ones(transfer):
    with pytest.raises(ValueError, match=r"expected 'srgb', 'linear' or 'gamma:<exponent>'"):
        parse_transfer(transfer)
