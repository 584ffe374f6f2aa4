"""Joining aligned frames by local energy and by depth; the pipeline's three methods as a whole."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pytest
from io_samples import write_png
from marks import slow
from scenes import SceneStack, photograph, photograph_stack
from scenes import disk_kernel as drawn_disk
from skimage.color import rgb2ycbcr
from skimage.metrics import peak_signal_noise_ratio
from small_brackets import small_bracket

from merge.blend import (
    DetailBlend,
    SurfaceBlend,
    mixing_position,
    mixing_reach,
    mixing_variance,
    restore_detail,
    within,
)
from merge.encoding import encode, linearize
from merge.model import MergeOptions
from merge.pipeline.merging import MergeResult, merge_stack
from merge.pyramid import build_gaussian, build_laplacian, collapse_pyramid
from merge.read import find_frames
from merge.samples import luminance

METHODS = ["auto", "detail", "surface"]
SHAPE = (70, 93, 3)


def picture_of(seed: int, shape: tuple[int, ...] = SHAPE) -> np.ndarray:
    return np.random.default_rng(seed).random(shape, np.float32)


def surface_of(frames: list[np.ndarray], position: np.ndarray, reach: float = 1.0) -> np.ndarray:
    position = position.astype(np.float32)
    everywhere = np.full_like(position, reach)
    blend = SurfaceBlend(position, everywhere, frames[0].shape, len(frames))
    for index, frame in enumerate(frames):
        blend.add(frame, index)
    out = np.full(frames[0].shape, np.nan, np.float32)
    for part in blend.parts:
        pixels = blend.take(part)[within(part.inner, part.core)]
        out[within(part.inner, (0, 0, *out.shape[:2]))] = pixels
    return out


def detail_of(frames: list[np.ndarray], masks: list[np.ndarray | None] | None = None) -> np.ndarray:
    blend = DetailBlend(frames[0].shape)
    for frame, mask in zip(frames, masks or [None] * len(frames), strict=True):
        blend.add(frame, mask)
    out = np.full(frames[0].shape, np.nan, np.float32)
    for part in blend.parts:
        out[within(part.inner, (0, 0, *out.shape[:2]))] = blend.take(part)
    return out


# --- luma -------------------------------------------------------------------------------------


def test_detail_takes_the_sharp_side_of_each_frame_where_only_colours_differ():
    """Red and green of equal luma (ITU-R BT.601-7, 2.5.1); noise of one step of 8 bits."""
    rng = np.random.default_rng(2)
    sharp = np.empty((96, 160, 3), np.float32)
    sharp[:] = [0.7, 0.3, 0.2]
    sharp[np.indices(sharp.shape[:2])[0] // 12 % 2 == 0] = [0.2, 0.5547, 0.2]
    soft, frames = cv2.GaussianBlur(sharp, (0, 0), 3), []
    for side in (np.s_[:, :80], np.s_[:, 80:]):
        frame = soft.copy()
        frame[side] = sharp[side]
        frames.append(frame + np.float32(1 / 255) * rng.standard_normal(frame.shape, np.float32))
    merged, off_seam = detail_of(frames), np.abs(np.arange(160) - 79.5) > 24
    assert peak_signal_noise_ratio(sharp[:, off_seam], merged[:, off_seam], data_range=1) > 40


def test_luminance_is_the_luma_of_bt_601():
    """ITU-R BT.601-7, 2.5.1; scikit-image's Y' runs from 16 to 235."""
    pixels = picture_of(1)
    expected = (rgb2ycbcr(pixels)[..., 0] - 16) / 219
    np.testing.assert_allclose(luminance(pixels), expected, atol=1e-4)


def test_luminance_of_a_grey_picture_is_the_picture():
    pixels = picture_of(1, (20, 30, 1))
    np.testing.assert_array_equal(luminance(pixels), pixels[..., 0])


# --- detail and surface -----------------------------------------------------------------------


@pytest.mark.parametrize("shape", [SHAPE, (71, 40, 1), (9, 9, 3)])
def test_copies_of_one_frame_come_back(shape):
    """To rounding, whatever the depth."""
    frame = picture_of(2, shape)
    position = picture_of(3, shape[:2]) * 3
    np.testing.assert_allclose(detail_of([frame] * 4), frame, atol=1e-5)
    np.testing.assert_allclose(surface_of([frame] * 4, position), frame, atol=1e-5)
    np.testing.assert_allclose(surface_of([frame] * 4, position, reach=3.0), frame, atol=1e-5)


def test_detail_takes_the_sharp_half_of_each_frame():
    sharp = picture_of(4, (96, 128, 3)) * 0.5 + 0.25
    soft = cv2.GaussianBlur(sharp, (0, 0), 3)
    left, right = soft.copy(), soft.copy()
    left[:, :64], right[:, 64:] = sharp[:, :64], sharp[:, 64:]
    merged = detail_of([left, right])
    away = np.r_[8:56, 72:120]
    assert np.abs(merged - sharp)[:, away].max() < 0.05
    assert peak_signal_noise_ratio(sharp, merged, data_range=1.0) > 35


def test_detail_does_not_depend_on_the_order_of_frames():
    frames = [picture_of(seed) for seed in (5, 6, 7)]
    np.testing.assert_allclose(detail_of(frames), detail_of(frames[::-1]), atol=1e-5)


def test_surface_takes_the_frame_that_the_depth_names():
    frames = [picture_of(seed) for seed in (5, 6, 7)]
    for index, frame in enumerate(frames):
        merged = surface_of(frames, np.full(SHAPE[:2], index))
        np.testing.assert_allclose(merged, frame, atol=1e-5)


@pytest.mark.parametrize("fraction", [0.25, 0.5, 0.8])
def test_surface_mixes_neighbours_by_the_fraction_between_them(fraction):
    one, two, third = (picture_of(seed) for seed in (5, 6, 7))
    merged = surface_of([one, two, third], np.full(SHAPE[:2], fraction))
    np.testing.assert_allclose(merged, (1 - fraction) * one + fraction * two, atol=1e-5)


def test_surface_in_small_parts_is_the_surface_as_a_whole(monkeypatch):
    """Twenty parts, and one; sides that no part's divides."""
    frames = [picture_of(seed, (131, 157, 3)) for seed in (5, 6, 7, 8)]
    position = cv2.resize(picture_of(3, (8, 9)), (157, 131)) * 3
    whole = surface_of(frames, position)
    monkeypatch.setattr("merge.blend.surface.PART_PX", 36)
    np.testing.assert_allclose(surface_of(frames, position), whole, atol=1e-6)


def test_detail_in_small_parts_is_the_detail_as_a_whole(monkeypatch):
    frames = [cv2.GaussianBlur(picture_of(k, (150, 187, 3)), (0, 0), s)
              for k, s in ((5, 0.8), (6, 1.5), (7, 3.0))]  # fmt: skip
    whole = detail_of(frames)
    monkeypatch.setattr("merge.blend.detail.DETAIL_PART_PX", 32)
    np.testing.assert_allclose(detail_of(frames), whole, atol=1e-6)


def test_surface_is_the_sum_of_weighted_pyramids():
    """The same by whole pictures, straight from the definition."""
    frames = [picture_of(seed) for seed in (5, 6, 7)]
    position = cv2.resize(picture_of(3, (7, 9)), SHAPE[1::-1]) * 2
    wanted = np.zeros(SHAPE, np.float32)
    for index, frame in enumerate(frames):
        weight = np.maximum(1 - np.abs(position - index), 0)
        bands, shares = build_laplacian(frame, 2), build_gaussian(weight, 2)
        wanted += collapse_pyramid([b * w[..., None] for b, w in zip(bands, shares, strict=True)])
    np.testing.assert_allclose(surface_of(frames, position), wanted, atol=1e-5)


def test_detail_is_not_taken_where_a_frame_has_no_pixels():
    good, cut = picture_of(5), picture_of(5)
    mask = np.ones(SHAPE[:2], bool)
    mask[:, 60:] = False
    cut[~mask] = 0
    merged = detail_of([good, cut], [np.ones_like(mask), mask])
    assert np.abs(merged - good)[:, :60].max() < 0.05
    assert np.abs(merged - good)[:, 60:].max() < 0.05


@pytest.mark.parametrize("method", ["detail", "surface", "auto"])
def test_copies_moved_aside_fill_the_whole_reference(tmp_path, method):
    """Three cuts of one picture 9 px apart: every border of a frame lies within the result."""
    _, truth = small_bracket(5, height=220, width=360)
    frames = [truth[20:200, 20 + shift : 320 + shift] for shift in (0, 9, 18)]
    result = merge_frames(
        tmp_path / "in", frames, method=method, motion="shift", extent="reference", reference=1,
        equalize_exposure=False,
    )  # fmt: skip
    off = np.abs(result.pixels - frames[1]).max(axis=(0, 2))
    print(f"{method}: worst column {off.max():.3f}")
    assert off.max() < 0.01


def test_mixing_reach_grows_from_detail_to_flat_areas():
    reach = mixing_reach(np.array([[0.0, 0.5, 1.0]], np.float32))
    np.testing.assert_allclose(reach, [[1, 2, 3]])


# --- blur of lying between two frames ---------------------------------------------------------


@pytest.mark.parametrize("fraction", [0.1, 0.3, 0.5, 0.75])
@pytest.mark.parametrize("step_px", [1.5, 3.0])
def test_mixing_variance_is_that_of_two_mixed_disks(fraction, step_px):
    """The mix is drawn 20 times too large and its second moment summed."""
    scale = 20
    near = drawn_disk(fraction * step_px * scale)
    far = drawn_disk((1 - fraction) * step_px * scale)
    variance = 0.0
    for kernel, weight in ((near, 1 - fraction), (far, fraction)):
        x = np.arange(kernel.shape[1]) - kernel.shape[1] // 2
        variance += weight * float((kernel.sum(axis=0, dtype=np.float64) * x**2).sum())
    found = mixing_variance(np.array([[1 + fraction]], np.float32), np.array([0, 1, 1 + step_px]))
    assert found[0, 0] == pytest.approx(variance / scale**2, rel=0.01)


def test_mixing_variance_is_nothing_at_a_frame():
    position = np.arange(5, dtype=np.float32)[None]
    assert mixing_variance(position, np.array([0, 3, 6, 9, 12])).max() == 0


@pytest.mark.parametrize("step_px", [0.5, 3.0, 6.0, 8.0, 12.0, 60.0])
def test_mixing_variance_is_never_more_than_geometry_says_and_bounded(step_px):
    """Midway between frames; a disk 3.1 px wide has 0.6 px²."""
    found = mixing_variance(np.array([[0.5]], np.float32), np.array([0.0, step_px]))[0, 0]
    assert 0 <= found <= min(step_px**2 / 64, 0.6) + 1e-6


@pytest.mark.parametrize("step_px", [8.0, 12.0])
@pytest.mark.parametrize("fraction", [0.2, 0.35, 0.45])
def test_between_frames_far_apart_the_nearer_one_counts_more(step_px, fraction):
    """A texture blurred by the two disks: nearer to the sharp one than the even mix is."""
    rng = np.random.default_rng(5)
    sharp = cv2.GaussianBlur(rng.random((96, 96), np.float32), (0, 0), 0.8)
    near, far = (
        cv2.filter2D(sharp, -1, drawn_disk(max(share * step_px, 1)))
        for share in (fraction, 1 - fraction)
    )
    position = np.array([[fraction]], np.float32)
    share = float(mixing_position(position, np.array([0.0, step_px]))[0, 0])
    mixed, even = ((1 - w) * near + w * far for w in (share, fraction))
    assert np.abs(mixed - sharp).mean() < np.abs(even - sharp).mean()


def test_mixing_is_even_between_frames_near_each_other_and_midway():
    close, apart = np.array([0.0, 4.0, 10.0]), np.array([0.0, 9.0, 20.0])
    position = np.linspace(0, 2, 9, dtype=np.float32)[None]
    np.testing.assert_array_equal(mixing_position(position, close), position)
    found = mixing_position(position, apart)
    np.testing.assert_array_equal(found[0, ::4], [0, 1, 2])
    np.testing.assert_allclose(found[0, [2, 6]], [0.5, 1.5])
    assert (np.diff(found[0]) >= 0).all()


@pytest.mark.parametrize("transfer", ["srgb", "linear", "gamma:2.2"])
@pytest.mark.parametrize("diameter", [1.5, 2.5, 3.0])
def test_restore_detail_brings_a_blurred_photograph_nearer_to_the_sharp_one(transfer, diameter):
    """Blurred by a disk in linear light; its variance D²/16 is what is told."""
    light = linearize(photograph(0.5)[0], "srgb")
    soft = cv2.filter2D(light, -1, drawn_disk(diameter))
    sharp, soft = encode(light, transfer), encode(soft, transfer)
    variance = np.full(soft.shape[:2], diameter**2 / 16, np.float32)
    restored = restore_detail(soft, variance, transfer)
    before = peak_signal_noise_ratio(sharp, soft, data_range=1.0)
    after = peak_signal_noise_ratio(sharp, restored, data_range=1.0)
    print(f"{transfer}, disk {diameter}: {before:.2f} dB, restored {after:.2f} dB")
    assert after > before + 0.3


def test_restore_detail_changes_nothing_where_there_is_no_blur():
    pixels = picture_of(8)
    variance = np.zeros(SHAPE[:2], np.float32)
    variance[:, 50:] = 0.3
    restored = restore_detail(pixels, variance, "srgb")
    # The way to linear light and back.
    np.testing.assert_allclose(restored[:, :50], pixels[:, :50], atol=1e-5)
    assert np.abs(restored[:, 50:] - pixels[:, 50:]).mean() > 0.01
    assert restored.min() >= 0
    assert restored.max() <= 1


# --- the pipeline's methods on a photograph ---------------------------------------------------


@dataclass(frozen=True, eq=False)
class Merged:
    """A scene's merges by method."""

    scene: SceneStack
    results: dict[str, MergeResult]

    def beside_truth(self, method: str, border: int = 12) -> tuple[np.ndarray, ...]:
        """Return a method's picture, the truth and the true depth without the border."""
        result = self.results[method]
        (top, left), (height, width) = result.origin, result.pixels.shape[:2]
        area = np.s_[top + border : top + height - border, left + border : left + width - border]
        inside = np.s_[border : height - border, border : width - border]
        return result.pixels[inside], self.scene.truth[area], self.scene.depth[area]


def merge_frames(folder: Path, frames: list[np.ndarray], **options) -> MergeResult:
    folder.mkdir(exist_ok=True)
    for i, frame in enumerate(frames):
        write_png(folder / f"frame_{i:02d}.png", np.rint(frame * 65535).astype(np.uint16))
    return merge_stack(find_frames(folder), MergeOptions(**options))


@pytest.fixture(scope="module")
def merged(tmp_path_factory) -> Merged:
    scene = photograph_stack(8, scale=0.5)
    folder = tmp_path_factory.mktemp("photograph")
    results = {
        method: merge_frames(folder, scene.frames, method=method, reference=scene.reference)
        for method in METHODS
    }
    return Merged(scene, results)


def block_means(values: np.ndarray, side: int = 32) -> np.ndarray:
    """Return the means of square blocks, (rows, columns, C)."""
    rows, columns = (length // side for length in values.shape[:2])
    cut = values[: rows * side, : columns * side].astype(np.float64)
    return cut.reshape(rows, side, columns, side, -1).mean(axis=(1, 3))


# Least share of block colours within one 8-bit step of the truth, and the most that the whole
# picture's mean may be off in such steps. The aim is 99 %: depth edges, which every block of this
# small picture has, keep it from that (choice by true depth: 68 %). `detail` is brighter: its
# lowest frequencies are the mean of all frames, and a blurred frame's coded values are brighter in
# the mean than a sharp one's.
COLOUR_FLOORS = {"auto": (0.80, 0.6), "surface": (0.74, 0.7), "detail": (0.48, 1.0)}


@pytest.mark.parametrize("method", METHODS)
def test_colours_of_blocks_stay_near_the_truth(merged, method):
    picture, truth, _ = merged.beside_truth(method)
    off = np.abs(block_means(picture) - block_means(truth)) * 255
    whole = np.abs((picture - truth).mean(axis=(0, 1))).max() * 255
    print(f"{method}: within 1/255 {np.mean(off <= 1):.3f}, worst {off.max():.2f}, all {whole:.2f}")
    least, most = COLOUR_FLOORS[method]
    assert np.mean(off <= 1) >= least
    assert whole <= most


@pytest.mark.parametrize("method", [slow("auto"), slow("detail"), "surface"])
def test_colours_do_not_shift_without_depth_edges(tmp_path, method):
    """A surface in upright bands, each sharp in its own frame: 99 % within one 8-bit step."""
    frames, truth = small_bracket(6, height=320, width=480)
    result = merge_frames(
        tmp_path / "in", frames, method=method, motion="none", equalize_exposure=False
    )
    off = np.abs(block_means(result.pixels) - block_means(truth)) * 255
    print(f"{method}: within 1/255 {np.mean(off <= 1):.3f}, worst {off.max():.2f}")
    assert np.mean(off <= 1) >= 0.99


@pytest.mark.parametrize("method", ["auto", "surface"])
def test_depth_of_a_merge_is_right_to_a_quarter_of_a_frame(merged, method):
    """Off depth edges, half of all pixels with the most detail; transforms are estimated."""
    result = merged.results[method]
    border = 12
    _, truth, true = merged.beside_truth(method, border)
    found = result.depth.position[border:-border, border:-border]
    around = np.ones((3, 3), np.uint8)
    step = cv2.dilate(true, around) - cv2.erode(true, around) > 0.5
    off_edges = cv2.distanceTransform((~step).astype(np.uint8), cv2.DIST_L2, 5) > 10
    luma = luminance(np.ascontiguousarray(truth))
    band = luma - cv2.GaussianBlur(luma, (0, 0), 1.5)
    detail = cv2.GaussianBlur(band * band, (0, 0), 1.5)
    error = np.abs(found - true)[off_edges & (detail > np.median(detail))]
    print(f"{method}: median {np.median(error):.3f}, 90 % {np.percentile(error, 90):.3f}")
    assert np.median(error) < 0.125
    assert np.percentile(error, 90) < 0.25


@pytest.mark.parametrize("method", [slow("auto"), "detail", slow("surface")])
def test_reversed_sequence_gives_the_same_picture_and_mirrored_depth(merged, tmp_path, method):
    frames = merged.scene.frames
    last = len(frames) - 1
    backward = merge_frames(
        tmp_path / "in", frames[::-1], method=method, reference=last - merged.scene.reference
    )
    forward = merged.results[method]
    rows, columns = (
        slice(max(a, b), min(a + m, b + n))
        for a, b, m, n in zip(
            forward.origin, backward.origin, forward.pixels.shape, backward.pixels.shape,
            strict=False,
        )
    )  # fmt: skip

    def common(result: MergeResult, values: np.ndarray) -> np.ndarray:
        top, left = result.origin
        return values[
            rows.start - top : rows.stop - top, columns.start - left : columns.stop - left
        ]

    one, two = common(forward, forward.pixels), common(backward, backward.pixels)
    same = peak_signal_noise_ratio(one, two, data_range=1.0)
    print(f"{method}: forward against backward {same:.1f} dB")
    assert same > 50
    if forward.depth is not None and backward.depth is not None:
        difference = np.abs(
            common(forward, forward.depth.position)
            + common(backward, backward.depth.position)
            - last
        )
        print(
            f"depth: median {np.median(difference):.4f}, 95 % {np.percentile(difference, 95):.3f}"
        )
        assert np.percentile(difference, 95) < 0.02


@pytest.mark.parametrize(
    ("method", "bar"), [("auto", 0.6), slow("surface", 0.6), slow("detail", 1.15)]
)
def test_noise_of_an_even_place_is_averaged_down(tmp_path, method, bar):
    """A grey card with noise beside a textured strip, in six frames."""
    rng = np.random.default_rng(17)
    frames, _ = small_bracket(6, height=320, width=480)
    for frame in frames:
        frame[:, 200:] = 0.5
        frame += (0.01 * rng.standard_normal(frame.shape)).astype(np.float32)
        frame.clip(0, 1, out=frame)
    result = merge_frames(
        tmp_path / "in", frames, method=method, motion="none", equalize_exposure=False
    )
    card = np.s_[30:-30, 240:-30]
    noise = result.pixels[card].std(axis=(0, 1)).mean() / frames[0][card].std(axis=(0, 1)).mean()
    print(f"{method}: noise {noise:.2f} of one frame's")
    assert noise <= bar
    assert result.pixels[card].mean() == pytest.approx(0.5, abs=0.001)
