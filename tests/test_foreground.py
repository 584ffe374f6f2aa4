"""Taking a blurred foreground off what lies behind it, on scenes whose parts are known.

The scenes are two flat layers seen through many points of a lens: every point sees the foreground
shifted against the background and hides what lies behind it; a frame is the mean of these views in
linear light. Nothing of it comes from the code under test.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import cv2
import numpy as np
import pytest
from scipy.special import j1
from skimage.metrics import peak_signal_noise_ratio

from merge.blend import (
    ForegroundBlur,
    OcclusionScene,
    find_foreground_blur,
    observed_range,
    remove_foreground_blur,
)
from merge.disks import disk_kernel
from merge.encoding import encode, linearize

SHAPE = (150, 200)
STEP_PX = 3.0
FRAMES = 5
POSITIONS_PX = STEP_PX * np.arange(FRAMES)
LENS_POINTS = 400


@dataclass(frozen=True, eq=False)
class TwoLayers:
    """Frames of a near layer (in focus in frame 0) before a far one (in focus in the last)."""

    frames: list[np.ndarray]  # sRGB-coded, (H, W, 3)
    sharp: np.ndarray  # sRGB-coded
    behind: np.ndarray  # the far layer alone, sRGB-coded
    near: np.ndarray  # (H, W) bool
    distance: np.ndarray  # px from the near layer

    @property
    def position(self) -> np.ndarray:
        """True depth in frames."""
        return np.where(self.near, 0, FRAMES - 1).astype(np.float32)

    def scene(self, *, exchanged: bool = False) -> OcclusionScene:
        """Return what the merge would know, with near and far as they are or exchanged."""
        position = self.position
        light = [linearize(frame, "srgb") for frame in self.frames]
        low, high = observed_range(light, reach=1)
        sign = -1.0 if exchanged else 1.0
        return OcclusionScene(position, choose(light, position), low, high, sign * POSITIONS_PX)


def choose(pictures: list[np.ndarray], position: np.ndarray) -> np.ndarray:
    rows, columns = np.indices(position.shape)
    return np.stack(pictures)[np.rint(position).astype(int), rows, columns]


def texture(seed: int, low: float, high: float) -> np.ndarray:
    """Return linear light between two levels with detail of all sizes."""
    rng = np.random.default_rng(seed)
    total = np.zeros((*SHAPE, 3), np.float32)
    for octave in range(5):
        small = (SHAPE[0] >> octave, SHAPE[1] >> octave, 3)
        layer = rng.standard_normal(small).astype(np.float32)
        total += cv2.resize(layer, SHAPE[::-1], interpolation=cv2.INTER_CUBIC)
    return low + (high - low) * (0.5 + total / 6).clip(0, 1)


def through_lens(near: np.ndarray, cover: np.ndarray, far: np.ndarray, focus: float) -> np.ndarray:
    """Return the mean over evenly spread lens points, (H, W, 3) linear light."""
    turn = np.pi * (3 - np.sqrt(5)) * np.arange(LENS_POINTS)
    radius = np.sqrt((np.arange(LENS_POINTS) + 0.5) / LENS_POINTS) / 2
    points = np.stack([radius * np.cos(turn), radius * np.sin(turn)], axis=1)
    total = np.zeros_like(far)
    veiled = np.dstack([near * cover[..., None], cover])
    for point in points:
        front = shifted(veiled, point * (POSITIONS_PX[0] - focus))
        back = shifted(far, point * (POSITIONS_PX[-1] - focus))
        total += front[..., :3] + (1 - front[..., 3:]) * back
    return total / LENS_POINTS


def shifted(picture: np.ndarray, shift: np.ndarray) -> np.ndarray:
    matrix = np.array([[1, 0, shift[0]], [0, 1, shift[1]]])
    return cv2.warpAffine(
        picture, matrix, SHAPE[::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT
    )


def two_layers(*, brightness: float = 0.85, noise: float = 0.004) -> TwoLayers:
    rng = np.random.default_rng(21)
    far = texture(1, 0.02, 0.3)
    near = texture(2, 0.8 * brightness, brightness)
    y, x = np.indices(SHAPE)
    mask = x < 80 + 12 * np.sin(y / 14)
    cover = mask.astype(np.float32)
    frames = []
    for focus in POSITIONS_PX:
        coded = encode(through_lens(near, cover, far, focus), "srgb")
        noisy = coded + noise * rng.standard_normal(coded.shape)
        frames.append(noisy.clip(0, 1).astype(np.float32))
    sharp = encode(np.where(mask[..., None], near, far), "srgb")
    distance = cv2.distanceTransform((~mask).astype(np.uint8), cv2.DIST_L2, 5)
    return TwoLayers(frames, sharp, encode(far, "srgb"), mask, distance)


@pytest.fixture(scope="module")
def bright() -> TwoLayers:
    return two_layers()


LAST = FRAMES - 1


def beside(layers: TwoLayers, reach: float = 6.0) -> np.ndarray:
    """Return where the far layer lies within ``reach`` px of the near one."""
    inner = np.zeros(SHAPE, bool)
    inner[10:-10, 10:-10] = True
    return (layers.distance > 0) & (layers.distance <= reach) & inner


def psnr(picture: np.ndarray, truth: np.ndarray, where: np.ndarray) -> float:
    return peak_signal_noise_ratio(truth[where], picture[where], data_range=1.0)


# --- disk -------------------------------------------------------------------------------------


def disk_transfer(frequency: np.ndarray, diameter: float) -> np.ndarray:
    """Return 2 J1(π f D) / (π f D), the transfer of a disk.

    J. W. Goodman, *Introduction to Fourier Optics*, geometrical limit of a defocused round pupil
    (from memory).
    """
    argument = np.pi * np.abs(frequency) * diameter
    return 2 * j1(argument) / argument


@pytest.mark.parametrize(
    ("diameter", "error"), [(1.0, 0.001), (2.0, 0.026), (3.7, 0.012), (6.0, 0.006), (9.0, 0.003)]
)
def test_disk_kernel_has_the_transfer_of_a_disk(diameter, error):
    """The rim is counted in shares of pixels: a sinc; sampled at pixels: its repeats add up.

    The rim is cut from eighths of pixels, so that a disk of 2 px, the worst, comes out as 2.03.
    """
    kernel = disk_kernel(diameter)
    along = kernel.sum(axis=0, dtype=np.float64)
    x = np.arange(len(along)) - len(along) // 2
    for frequency in np.arange(0.02, 0.5, 0.04):
        found = (along * np.cos(2 * np.pi * frequency * x)).sum()
        repeats = frequency + np.arange(-40, 41)
        expected = (disk_transfer(repeats, diameter) * np.sinc(repeats)).sum()
        assert found == pytest.approx(expected, abs=error)


@pytest.mark.parametrize("diameter", [0.5, 1.0, 2.0, 7.3])
def test_disk_kernel_sums_to_one_and_is_even(diameter):
    kernel = disk_kernel(diameter)
    assert kernel.sum() == pytest.approx(1, abs=1e-6)
    np.testing.assert_allclose(kernel, kernel[::-1, ::-1], atol=1e-7)
    np.testing.assert_allclose(kernel, kernel.T, atol=1e-7)


@pytest.mark.parametrize("diameter", [4.0, 8.0])
def test_disk_kernel_has_the_variance_of_a_disk(diameter):
    """D²/16 along one axis (moment of area of a disk), plus 1/12 for the pixels' own width."""
    kernel = disk_kernel(diameter)
    x = np.arange(kernel.shape[1]) - kernel.shape[1] // 2
    found = (kernel.sum(axis=0) * x**2).sum()
    assert found == pytest.approx(diameter**2 / 16 + 1 / 12, rel=0.05)


# --- veil -------------------------------------------------------------------------------------


def cleared_of(
    frame: np.ndarray, index: int, scene: OcclusionScene, reduction: int = 1
) -> np.ndarray:
    """Return a whole frame without its veil."""
    veil = find_foreground_blur(index, scene)
    if veil is None:
        return frame
    return remove_foreground_blur(
        frame.copy(), (0, 0, *frame.shape[:2]), veil, scene, reduction, "srgb"
    )


def test_parts_of_a_frame_are_cleared_as_the_whole_is(bright):
    scene, frame = bright.scene(), bright.frames[LAST]
    whole = cleared_of(frame, LAST, scene)
    veil = find_foreground_blur(LAST, scene)
    for row, column in ((0, 0), (40, 70), (100, 30)):
        part = np.s_[row : row + 50, column : column + 60]
        found = remove_foreground_blur(
            frame[part].copy(), (row, column, 50, 60), veil, scene, 1, "srgb"
        )
        np.testing.assert_array_equal(found, whole[part])


def test_background_beside_a_bright_edge_comes_nearer_to_the_truth(bright):
    frame, near_edge = bright.frames[LAST], beside(bright)
    before = psnr(frame, bright.behind, near_edge)
    cleared = cleared_of(frame, LAST, bright.scene())
    after = psnr(cleared, bright.behind, near_edge)
    print(f"veiled {before:.2f} dB, unveiled {after:.2f} dB")
    assert after > before + 6


def test_nothing_changes_where_no_veil_lies(bright):
    """Beyond the blur's reach, and on the near layer itself."""
    frame = bright.frames[LAST]
    cleared = cleared_of(frame, LAST, bright.scene())
    reach = (POSITIONS_PX[-1] - POSITIONS_PX[0]) / 2 + 3
    untouched = (bright.distance > reach) | bright.near
    np.testing.assert_array_equal(cleared[untouched], frame[untouched])
    assert (cleared != frame).any()


def test_frame_focused_on_the_foreground_comes_back_itself(bright):
    frame = bright.frames[0]
    assert cleared_of(frame, 0, bright.scene()) is frame


def test_frame_is_not_modified(bright):
    before = bright.frames[LAST].copy()
    cleared_of(bright.frames[LAST], LAST, bright.scene())
    np.testing.assert_array_equal(bright.frames[LAST], before)


def test_result_stays_within_what_the_frames_saw(bright):
    scene = bright.scene()
    light = linearize(cleared_of(bright.frames[LAST], LAST, scene), "srgb")
    assert (light >= scene.low - 1e-5).all()
    assert (light <= scene.high + 1e-5).all()


def test_exchanged_ends_do_bounded_harm(bright):
    """Taken for near, the far layer is subtracted from the near one beside the edge.

    What the frames saw bounds the harm; that the ends are told apart prevents it.
    """
    frame = bright.frames[0]
    depth_inside = cv2.distanceTransform(bright.near.astype(np.uint8), cv2.DIST_L2, 5)
    zone = (depth_inside > 0) & (depth_inside <= 6)
    zone[:10], zone[-10:] = False, False
    exchanged = bright.scene(exchanged=True)
    unbounded = dataclasses.replace(
        exchanged, low=np.zeros_like(exchanged.low), high=np.ones_like(exchanged.high)
    )
    before = psnr(frame, bright.sharp, zone)
    after = psnr(cleared_of(frame, 0, exchanged), bright.sharp, zone)
    worse = psnr(cleared_of(frame, 0, unbounded), bright.sharp, zone)
    print(f"exchanged: {before:.2f} dB before, {after:.2f} dB after, {worse:.2f} dB unbounded")
    assert after > 30
    assert after > worse


def test_scene_at_half_size_does_nearly_as_well(bright):
    whole = bright.scene()
    half = OcclusionScene(
        whole.position[::2, ::2].copy(),
        *(cv2.resize(v, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
          for v in (whole.light, whole.low, whole.high)),
        whole.positions_px / 2,
    )  # fmt: skip
    frame, near_edge = bright.frames[LAST], beside(bright)
    before = psnr(frame, bright.behind, near_edge)
    after = psnr(cleared_of(frame, LAST, half, 2), bright.behind, near_edge)
    print(f"half-size scene: veiled {before:.2f} dB, unveiled {after:.2f} dB")
    assert after > before + 3


def test_tiles_do_not_show(bright, monkeypatch):
    frame = bright.frames[LAST]
    whole = cleared_of(frame, LAST, bright.scene())
    monkeypatch.setattr("merge.blend.foreground.FOREGROUND_TILE_PX", 40)
    tiled = cleared_of(frame, LAST, bright.scene())
    np.testing.assert_allclose(tiled, whole, atol=2e-3)


def uncovered(seen: np.ndarray, noise: float, cover: float = 0.6) -> np.ndarray:
    """Return linear light (h, w, 1) from behind a dark veil of one coverage."""
    shape = seen.shape[:2]
    flat = np.zeros(seen.shape, np.float32)
    scene = OcclusionScene(np.zeros(shape, np.float32), flat, flat, flat + 1, POSITIONS_PX, noise)
    maps = np.dstack([np.ones(shape), np.full(shape, cover), np.zeros(shape)]).astype(np.float32)
    out = remove_foreground_blur(
        encode(seen, "srgb"), (0, 0, *shape), ForegroundBlur(maps), scene, 1, "srgb"
    )
    return linearize(out, "srgb")[8:-8, 8:-8]


def test_noise_is_not_brought_up_with_the_light_behind_a_veil():
    """Divided by 1 - a, noise grows 2.5 times; detail far above the noise does so alone."""
    rng = np.random.default_rng(12)
    level = encode(np.full((90, 120, 1), 0.1, np.float32), "srgb")
    sigma = 0.01
    noise = sigma * rng.standard_normal(level.shape).astype(np.float32)
    light = linearize(level + noise, "srgb")
    assert uncovered(light, 0.0).std() == pytest.approx(2.5 * light.std(), rel=0.05)
    assert uncovered(light, 0.67 * sigma).std() < 1.3 * light.std()
    sine = 0.15 * np.sin(2 * np.pi * 0.25 * np.arange(120, dtype=np.float32))[None, :, None]
    detailed = linearize(level + sine + noise, "srgb")
    kept = uncovered(detailed, 0.67 * sigma).std() / uncovered(detailed, 0.0).std()
    assert kept > 0.97


# --- what the scene is made of ----------------------------------------------------------------


@pytest.mark.parametrize("channels", [1, 3])
def test_observed_range_spans_all_frames_and_neighbours(channels):
    rng = np.random.default_rng(3)
    pictures = [rng.random((20, 30, channels), np.float32) for _ in range(4)]
    low, high = observed_range(iter(pictures), reach=1)
    stack = np.stack(pictures)
    for row, column in [(0, 0), (7, 11), (19, 29)]:
        seen = stack[:, max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2]
        np.testing.assert_array_equal(low[row, column], seen.min(axis=(0, 1, 2)))
        np.testing.assert_array_equal(high[row, column], seen.max(axis=(0, 1, 2)))
    assert low.shape == high.shape == (20, 30, channels)
