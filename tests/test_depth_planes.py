"""Planes through what is known of depth."""

import cv2
import numpy as np
import pytest

from merge.depth import Evidence, follow_planes
from merge.model import DepthMap


def followed(place: np.ndarray, sure: np.ndarray | None = None, reduction: int = 1) -> np.ndarray:
    sure = np.ones(place.shape, bool) if sure is None else sure
    depth = DepthMap(np.rint(place), np.full(place.shape, 0.7, np.float32), place)
    found = follow_planes(depth, Evidence(sure, 0.0, np.zeros(sure.shape, np.float32), reduction))
    np.testing.assert_array_equal(found.position, depth.position)
    assert found.exact is not None
    return found.exact


def noise(shape: tuple[int, int], size: float) -> np.ndarray:
    """Return noise as the depth map's windows leave it: alike over some pixels."""
    rough = np.random.default_rng(4).standard_normal(shape).astype(np.float32)
    smooth = cv2.GaussianBlur(rough, (0, 0), 1.5)
    return smooth * np.float32(size / smooth.std())


@pytest.mark.parametrize("slope", [0.0, 0.03, 0.08])
def test_planes_average_noise_along_slopes_up_to_the_border(slope):
    true = np.broadcast_to(5 + slope * np.arange(400, dtype=np.float32), (200, 400))
    place = (true + noise((200, 400), 0.06)).astype(np.float32)
    error = followed(place) - true
    print(
        f"{np.std(place - true):.3f} -> {np.std(error):.3f}, at the border {error[:, :3].std():.3f}"
    )
    assert np.std(error) < 0.65 * np.std(place - true)
    assert abs(error[:, :3].mean()) < 0.02
    assert np.std(error[:, :3]) < np.std((place - true)[:, :3])


@pytest.mark.parametrize("reduction", [1, 3])
def test_steps_and_thin_things_stay(reduction):
    """A step of two frames and a hair two pixels wide a frame before the rest."""
    place = np.full((120, 160), 4.0, np.float32)
    place[:, 80:] = 6.0
    place[:, 30:32] = 3.0
    np.testing.assert_allclose(followed(place, reduction=reduction), place, atol=0.02)


def test_only_sure_places_move():
    place = 4 + noise((100, 150), 0.05)
    sure = np.zeros(place.shape, bool)
    sure[:, 50:] = True
    found = followed(place, sure)
    np.testing.assert_array_equal(found[:, :50], place[:, :50])
    assert (found[:, 60:] != place[:, 60:]).mean() > 0.9
