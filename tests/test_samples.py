"""Luminance and small colours of stored values, against scikit-image and OpenCV."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from skimage.color import rgb2ycbcr

from merge.samples import luminance, reduce_samples

TYPES = [(np.uint8, 255), (np.uint16, 65535), (np.float32, 1)]


@pytest.mark.parametrize(("kind", "white"), TYPES)
@pytest.mark.parametrize("reduction", [1, 2, 3])
def test_luminance_is_that_of_bt_601_and_colours_are_block_means(kind, white, reduction):
    """ITU-R BT.601-7, 2.5.1; scikit-image's Y' runs from 16 to 235. Means by OpenCV."""
    values = np.random.default_rng(4).random((36, 54, 3))
    samples = (values * white).astype(kind)
    colours = reduce_samples(samples, white, reduction)
    stored = samples.astype(np.float32) / white
    np.testing.assert_allclose(luminance(stored), (rgb2ycbcr(stored)[..., 0] - 16) / 219, atol=1e-4)
    size = (54 // reduction, 36 // reduction)
    means = cv2.resize(stored, size, interpolation=cv2.INTER_AREA)
    np.testing.assert_allclose(colours, means, atol=1e-6)


def test_last_row_and_column_stand_for_what_their_blocks_lack():
    samples = np.random.default_rng(4).integers(0, 255, (10, 11, 3), dtype=np.uint8)
    colours = reduce_samples(samples, 255, 4)
    padded = np.pad(samples, ((0, 2), (0, 1), (0, 0)), mode="edge") / 255
    means = padded.reshape(3, 4, 3, 4, 3).mean(axis=(1, 3))
    np.testing.assert_allclose(colours, means, atol=1e-6)


def test_grey_frames_are_their_own_luminance():
    samples = np.random.default_rng(4).integers(0, 65535, (12, 9, 1), dtype=np.uint16)
    grey = reduce_samples(samples, 65535, 3)
    stored = samples.astype(np.float32) / 65535
    np.testing.assert_array_equal(luminance(stored), stored[..., 0])
    means = (samples[..., 0] / 65535).reshape(4, 3, 3, 3).mean(axis=(1, 3))
    np.testing.assert_allclose(grey[..., 0], means, atol=1e-6)
