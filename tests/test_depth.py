"""Which frame is sharpest where: maps of detail, their filter, and the depth that they give."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
import pytest
from scenes import photograph_stack, warp_exact
from scipy.ndimage import gaussian_filter, uniform_filter
from scipy.special import j1
from skimage.measure import block_reduce

from merge.depth import (
    detail_of,
    locate_depth,
    locating,
    measure_detail,
    measure_reduction,
    measure_samples,
)
from merge.depth.filtering import FILTER_RADIUS_PX, FILTER_VARIANCE, EdgeFilter, padding_px
from merge.depth.locating import cut_tile
from merge.depth.measuring import (
    REACH_WIDE,
    SIGMA_NARROW,
    SIGMA_WIDE,
    WINDOW_SIGMA_PX,
    white_noise_power,
)
from merge.model import DepthMap
from merge.resizing import reduce_map, reduced_shape
from merge.samples import luminance
from merge.scratch import ScratchStack

# ITU-R BT.601-7, 2.5.1.
LUMA = np.array([0.299, 0.587, 0.114], np.float32)


def located(measures: Sequence[np.ndarray], guide: np.ndarray, **options: Any) -> DepthMap:
    with ScratchStack(len(measures), guide.shape[:2], np.float16, memory_bytes=1 << 30) as stack:
        for measure in measures:
            stack.append(measure)
        return locate_depth(stack, guide, **options)


def peaks_at(position: np.ndarray, frames: int, width: float = 1.0) -> list[np.ndarray]:
    """Return measures that fall off from ``position`` as a normal curve."""
    return [np.exp(-((k - position) ** 2) / (2 * width**2)) for k in range(frames)]


# --- maps -------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", [(40, 60), (41, 61), (42, 59)])
@pytest.mark.parametrize("reduction", [1, 2, 3])
def test_reduce_map_gives_block_means(shape, reduction):
    """Against scikit-image's block means; an incomplete block repeats its last pixel."""
    values = np.random.default_rng(2).random(shape, np.float32)
    missing = [(0, -side % reduction) for side in shape]
    expected = block_reduce(np.pad(values, missing, mode="edge"), reduction, np.mean)
    found = reduce_map(values, reduction)
    assert found.shape == reduced_shape(shape, reduction)
    np.testing.assert_allclose(found, expected, atol=1e-6)


def test_measures_stay_below_four_million_values():
    """The memory that a frame's measure takes is bounded by the reduction."""
    for height, width in [(100, 100), (2000, 2000), (4000, 6000), (6336, 9504)]:
        rows, columns = reduced_shape((height, width), measure_reduction((height, width, 3)))
        assert rows * columns <= 4_000_000 * 1.01
    assert measure_reduction((2000, 2000, 3)) == 1


def passed_by_normal_curve(sigma: float, frequency: float) -> float:
    """Return how much of a sine a normal curve sampled at whole pixels passes."""
    x = np.arange(-20, 21)
    weight = np.exp(-(x**2) / (2 * sigma**2))
    return float((weight * np.cos(2 * np.pi * frequency * x)).sum() / weight.sum())


@pytest.mark.parametrize("frequency", [0.05, 0.15, 0.3, 0.45])
def test_measure_detail_of_a_sine_is_its_root_mean_square_in_the_band(frequency):
    sine = 0.5 + 0.2 * np.sin(2 * np.pi * frequency * np.arange(400))
    picture = np.broadcast_to(sine.astype(np.float32), (60, 400)).copy()
    passed = passed_by_normal_curve(SIGMA_NARROW, frequency)
    passed -= passed_by_normal_curve(SIGMA_WIDE, frequency)
    measure = measure_detail(picture, 1)[20:40, 40:360]
    assert np.sqrt((measure**2).mean()) == pytest.approx(0.2 * passed / np.sqrt(2), rel=0.01)


def test_measure_detail_of_an_even_picture_is_nothing_and_of_a_softer_one_less():
    assert measure_detail(np.full((50, 60), 0.6, np.float32), 2).max() < 1e-6
    sharp = np.random.default_rng(1).random((80, 90), np.float32)
    soft = cv2.GaussianBlur(sharp, (0, 0), 1.0)
    assert (measure_detail(soft, 1) < measure_detail(sharp, 1)).mean() > 0.99


@pytest.mark.parametrize("shape", [(70, 90), (41, 62), (5, 9)])
@pytest.mark.parametrize("reduction", [1, 2, 3])
def test_measure_detail_agrees_with_whole_pictures_blurred_by_scipy(shape, reduction):
    picture = np.random.default_rng(14).random(shape, np.float32)
    narrow, wide = (
        gaussian_filter(picture.astype(np.float64), sigma, mode="mirror", radius=radius)
        for sigma, radius in ((SIGMA_NARROW, 2), (SIGMA_WIDE, REACH_WIDE))
    )
    missing = [(0, -side % reduction) for side in shape]
    power = block_reduce(np.pad((narrow - wide) ** 2, missing, mode="edge"), reduction, np.mean)
    # A window is as wide in pixels of the picture, and a block has a variance of its own.
    left = WINDOW_SIGMA_PX**2 - (reduction**2 - 1) / 12
    if left > 0:
        power = gaussian_filter(power, np.sqrt(left) / reduction, mode="mirror", radius=3)
    expected = np.sqrt(power)
    np.testing.assert_allclose(measure_detail(picture, reduction), expected, atol=1e-6)


@pytest.mark.parametrize(("kind", "white"), [(np.uint8, 255), (np.uint16, 65535), (np.float32, 1)])
@pytest.mark.parametrize("shape", [(500, 41, 3), (37, 50, 1), (9, 8, 3)])
@pytest.mark.parametrize(("reduction", "light_reduction"), [(1, 1), (2, 1), (3, 2), (4, 4)])
def test_one_passage_gives_detail_colours_and_light(kind, white, shape, reduction, light_reduction):
    """What OpenCV's filters and block means give of the same, incomplete blocks too."""
    grey = (np.random.default_rng(6).random((*shape[:2], 1)) * white / 2).astype(kind)
    tint = (np.array([0.1, 0.4, 0.2])[: shape[2]] * white).astype(kind)
    samples = grey + tint  # one tint all over: it shows in the colours alone
    told = measure_samples(samples, white, reduction=reduction, light_reduction=light_reduction)
    stored = samples.astype(np.float32) / np.float32(white)
    light = luminance(stored)
    np.testing.assert_allclose(
        told.light, reduce_map(light, light_reduction, incomplete="drop"), atol=1e-6
    )
    np.testing.assert_allclose(told.colours, reduce_map(stored, reduction), atol=1e-6)
    measure = detail_of(told.power, reduction)
    np.testing.assert_allclose(measure, measure_detail(light, reduction), atol=1e-6)


@pytest.mark.parametrize("reduction", [1, 2, 3])
def test_detail_shows_where_colours_of_one_luminance_meet(reduction):
    """Red and green of equal luma (ITU-R BT.601-7, 2.5.1)."""
    rows = np.indices((120, 240))[0]
    red, green = np.array([0.7, 0.3, 0.2]), np.array([0.2, 0.5547, 0.2])
    assert red @ LUMA == pytest.approx(green @ LUMA, abs=1e-4)
    sharp = np.where((rows // 17 % 2 == 0)[..., None], red, green).astype(np.float32)
    powers = []
    for sigma in (0.0, 1.0, 2.0, 4.0):
        frame = cv2.GaussianBlur(sharp, (0, 0), sigma) if sigma else sharp
        frame = frame + np.float32(0.002) * np.random.default_rng(3).standard_normal(frame.shape)
        told = measure_samples(
            frame.astype(np.float32), 1.0, reduction=reduction, light_reduction=1
        )
        powers.append(float(told.power.mean()))
    assert powers[0] > 1.5 * powers[1] > 3 * powers[2] > 6 * powers[3]


@pytest.mark.parametrize("reduction", [1, 2, 3])
def test_noise_of_colours_adds_little_to_that_of_luminance(reduction):
    noise = 0.05 * np.random.default_rng(3).standard_normal((300, 300, 3)).astype(np.float32)
    told = measure_samples(0.5 + noise, 1.0, reduction=reduction, light_reduction=1)
    own = float((measure_detail(luminance(noise), reduction) ** 2).mean())
    assert float(told.power.mean()) == pytest.approx(own, rel=0.25)


def test_power_of_white_noise_is_that_of_its_measure():
    noise = np.random.default_rng(1).standard_normal((512, 512)).astype(np.float32)
    measured = float((measure_detail(noise, 1) ** 2).mean())
    assert white_noise_power() == pytest.approx(measured, rel=0.01)


# --- edge-aware filter ------------------------------------------------------------------------


def guided_slowly(values: np.ndarray, guide: np.ndarray, radius: int, ridge: float) -> np.ndarray:
    """Return the mean over all windows of each window's own ridge fit; NaN near the border.

    K. He, J. Sun and X. Tang, IEEE Trans. Pattern Anal. Mach. Intell. 35(6), 1397-1409 (2013),
    equation 5: minimise, over a window, the squares of a · guide + b - values, plus ridge · a² a
    pixel. Solved as plain least squares with the ridge as additional rows.
    """
    height, width, channels = guide.shape
    total = np.zeros((height, width))
    count = np.zeros((height, width))
    side = 2 * radius + 1
    extra = np.hstack([np.sqrt(ridge * side**2) * np.eye(channels), np.zeros((channels, 1))])
    for row in range(height - side + 1):
        for column in range(width - side + 1):
            window = np.s_[row : row + side, column : column + side]
            colours = guide[window].reshape(-1, channels).astype(np.float64)
            system = np.hstack([colours, np.ones((side**2, 1))])
            aim = np.concatenate([values[window].ravel(), np.zeros(channels)])
            solved = np.linalg.lstsq(np.vstack([system, extra]), aim, rcond=None)[0]
            total[window] += (system @ solved).reshape(side, side)
            count[window] += 1
    return np.where(count == side**2, total / np.maximum(count, 1), np.nan)


def filtered(values: np.ndarray, guide: np.ndarray, reduction: int) -> np.ndarray:
    """Return ``values`` filtered by the compiled filter, as one tile."""
    box = np.s_[0 : values.shape[0], 0 : values.shape[1]]
    pad = padding_px(reduction)
    edges = EdgeFilter(cut_tile(guide, box, pad), pad)
    return edges.apply(cut_tile(values, box, pad))


@pytest.mark.parametrize(
    ("channels", "reduction", "radius"), [(1, 1, 4), (3, 1, 4), (3, 2, 2), (3, 4, 2)]
)
def test_edge_filter_is_the_mean_of_least_squares_fits_in_all_windows(channels, reduction, radius):
    """Windows span as much of the picture at any size of the measure, but 5 px of it at least."""
    rng = np.random.default_rng(6)
    guide = rng.random((26, 24, channels), np.float32) * 0.1 + 0.4
    guide[:, 12:] += 0.3
    values = rng.random((26, 24), np.float32)
    expected = guided_slowly(values, guide, radius, FILTER_VARIANCE)
    inside = np.isfinite(expected)
    assert inside.sum() >= 50
    np.testing.assert_allclose(
        filtered(values, guide, reduction)[inside], expected[inside], atol=2e-4
    )


# --- depth ------------------------------------------------------------------------------------


@pytest.mark.parametrize("place", [1.0, 2.3, 3.5, 4.9])
def test_locate_depth_finds_the_peak_of_a_normal_curve_between_frames(place):
    """The logarithm of a normal curve is a parabola: only half precision is left as error."""
    guide = np.random.default_rng(5).random((40, 50, 3), np.float32)
    depth = located(peaks_at(np.full((40, 50), place), 7), guide)
    np.testing.assert_allclose(depth.position, place, atol=0.02)
    assert depth.position.shape == depth.confidence.shape == (40, 50)


@pytest.mark.parametrize("place", [1.0, 2.3, 3.5, 4.9])
@pytest.mark.parametrize("step_px", [2.0, 3.0, 5.0])
def test_exact_depth_is_that_of_a_blur_disk(place, step_px):
    """Measures of an even spectrum behind the transfer of the geometric disk, 2 J1(x) / x.

    H. H. Hopkins, Proc. R. Soc. A 231, 91-103 (1955), geometrical approximation (from memory).
    """
    frequency = np.linspace(0.05, 0.3, 40)
    measures = []
    for k in range(7):
        x = np.pi * frequency * max(abs(k - place) * step_px, 1e-6)
        passed = np.sqrt(np.mean((2 * j1(x) / x) ** 2))
        measures.append(np.full((40, 50), passed))
    guide = np.random.default_rng(5).random((40, 50, 3), np.float32)
    depth = located(measures, guide)
    np.testing.assert_allclose(depth.exact, place, atol=0.05)
    if step_px > 2:  # below, both are within 0.02
        assert np.abs(depth.exact - place).max() <= np.abs(depth.position - place).max() + 0.001


def seen_on_a_slope(texture: np.ndarray, place: np.ndarray, focus: float) -> np.ndarray:
    """Return a texture behind exact geometric disks, their diameters |place - focus| of columns."""
    cycles = np.hypot(
        np.fft.fftfreq(len(texture))[:, None], np.fft.rfftfreq(texture.shape[1])
    ).clip(1e-9)
    diameters, spectrum = np.abs(place - focus), np.fft.rfft2(texture)
    out, levels = np.zeros(texture.shape), np.arange(0, diameters.max() + 0.3, 0.25)
    for level in levels:  # straight lines between
        share = np.clip(1 - np.abs(diameters - level) / 0.25, 0, 1)
        x = np.pi * cycles * max(level, 1e-6)
        out += share * np.fft.irfft2(spectrum * 2 * j1(x) / x, texture.shape)
    return out.astype(np.float32)


@pytest.mark.parametrize("band", [(0.19, 0.21), (0.02, 0.5)], ids=["one", "many"])
def test_exact_depth_follows_how_a_texture_blurs(band):
    """One frequency falls as a normal curve at first, many as a power of the disk's diameter.

    On a slope through six frames 4.5 px of blur apart; disks as in the test above.
    """
    rng, place = np.random.default_rng(5), np.linspace(1, 6, 480, dtype=np.float32)
    shape, step_px = (128, 480), 4.5
    frequency = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1]))
    inside = (frequency >= band[0]) & (frequency <= band[1])
    texture = np.fft.rfft2(rng.standard_normal(shape)) * inside / frequency.clip(0.02) ** 1.5
    texture = np.fft.irfft2(texture, shape)
    texture *= 0.05 / texture.std()
    frames = [0.5 + seen_on_a_slope(texture, place * step_px, k * step_px) for k in range(8)]
    nearest = np.broadcast_to(np.rint(place).astype(int), shape)
    guide = np.take_along_axis(np.stack(frames), nearest[None], axis=0)[0]
    measures = [measure_detail(frame, 1) for frame in frames]
    depth = located(measures, guide[..., None], axis_px=np.arange(8) * step_px)
    error, mixing = (
        np.median(np.abs(found - place)[20:-20, 40:-40]) for found in (depth.exact, depth.position)
    )
    print(f"median {error:.3f} of a frame, of logarithms {mixing:.3f}")
    assert error < 0.045


@pytest.mark.parametrize("end", [0, 6])
@pytest.mark.parametrize("inside", [0.1, 0.3, 0.45])
@pytest.mark.parametrize("axis_px", [None, np.arange(7) * 1.4], ids=["next", "farther apart"])
def test_places_just_inside_the_ends_lie_there(end, inside, axis_px):
    """One side of a normal curve tells its peak."""
    place = abs(end - inside)
    guide = np.random.default_rng(5).random((40, 50, 3), np.float32)
    depth = located(peaks_at(np.full((40, 50), place), 7, width=2.0), guide, axis_px=axis_px)
    np.testing.assert_allclose(depth.position, place, atol=0.03)


@pytest.mark.parametrize("end", [0, 6])
def test_places_beyond_the_ends_stay_in_them(end):
    place = -1.0 if end == 0 else 7.0
    guide = np.random.default_rng(5).random((40, 50, 3), np.float32)
    depth = located(peaks_at(np.full((40, 50), place), 7, width=2.0), guide)
    np.testing.assert_array_equal(depth.position, end)
    np.testing.assert_array_equal(depth.exact, end)


def test_fine_steps_are_told_from_frames_farther_apart():
    """Frames 1 px of blur apart differ by little more than noise; the curve is normal."""
    rng, place = np.random.default_rng(3), np.broadcast_to(np.linspace(4, 12, 300), (40, 300))
    curves = (np.exp(-(((k - place) / 5.0) ** 2) / 2) for k in range(17))
    measures = [np.abs(curve + 0.1 * rng.standard_normal(curve.shape)) for curve in curves]
    guide = rng.random((40, 300, 3), np.float32)

    def error(**options: Any) -> float:
        return float(np.median(np.abs(located(measures, guide, **options).exact - place)))

    fine, next_ones = error(axis_px=np.arange(17.0)), error()
    print(f"median {fine:.3f} of a frame, from the next frames {next_ones:.3f}")
    assert fine < 0.6 * next_ones


def test_locate_depth_steps_where_the_picture_does():
    """Noisy measures of two flat surfaces: within two pixels of the edge both are right."""
    rng = np.random.default_rng(9)
    guide = np.full((80, 100, 3), 0.3, np.float32)
    guide[:, 50:] = 0.7
    guide += 0.01 * rng.standard_normal(guide.shape).astype(np.float32)
    true = np.where(np.arange(100) < 50, 1.0, 5.0) * np.ones((80, 1))
    measures = [m * np.exp(0.2 * rng.standard_normal(true.shape)) for m in peaks_at(true, 7)]
    error = np.abs(located(measures, guide).position - true)
    away = np.abs(np.arange(100) - 49.5) > 2
    assert error[:, away].max() < 0.5
    assert np.median(error) < 0.1


def test_reversed_frames_give_the_mirrored_depth():
    rng = np.random.default_rng(10)
    true = cv2.resize(rng.random((4, 5)), (50, 40), interpolation=cv2.INTER_LINEAR) * 6
    guide = rng.random((40, 50, 3), np.float32)
    measures = peaks_at(true, 7)
    forward, backward = located(measures, guide), located(measures[::-1], guide)
    np.testing.assert_allclose(6 - backward.position, forward.position, atol=1e-3)
    np.testing.assert_allclose(backward.confidence, forward.confidence, atol=1e-5)


@pytest.mark.parametrize("end", [-1.5, 8.0])
def test_depth_beyond_the_ends_is_the_end_frame(end):
    guide = np.random.default_rng(5).random((30, 30, 3), np.float32)
    depth = located(peaks_at(np.full((30, 30), end), 7, width=2.0), guide)
    np.testing.assert_array_equal(depth.position, np.clip(end, 0, 6))


def test_confidence_is_low_where_no_frame_shows_detail():
    rng = np.random.default_rng(12)
    guide = rng.random((60, 80, 3), np.float32)
    measures = peaks_at(np.full((60, 80), 3.0), 7)
    for measure in measures:
        measure[:, 40:] = 0.001 * (1 + 0.1 * rng.random((60, 40)))
    confidence = located(measures, guide).confidence
    assert confidence[:, :36].min() > 0.5
    assert confidence[:, 44:].max() < 0.1
    assert confidence.min() >= 0
    assert confidence.max() <= 1


def test_two_frames_are_enough_for_a_depth():
    guide = np.random.default_rng(5).random((30, 30, 3), np.float32)
    near = np.where(np.arange(30) < 15, 1.0, 0.1) * np.ones((30, 1))
    position = located([near, near[:, ::-1]], guide).position
    assert (position[:, :10] == 0).all()
    assert (position[:, -10:] == 1).all()


def guided_plainly(values: np.ndarray, guide: np.ndarray) -> np.ndarray:
    """Return the guided filter of K. He et al. (2013), equations 14 to 16, in double precision."""
    side = 2 * FILTER_RADIUS_PX + 1

    def mean(values: np.ndarray) -> np.ndarray:
        return uniform_filter(values, (side, side, *[1] * (values.ndim - 2)), mode="mirror")

    colour = mean(guide)
    spread = (
        mean(guide[..., :, None] * guide[..., None, :])
        - colour[..., :, None] * colour[..., None, :]
    )
    spread += FILTER_VARIANCE * np.eye(guide.shape[2])
    shared = mean(guide * values[..., None]) - colour * mean(values)[..., None]
    slope = np.linalg.solve(spread, shared[..., None])[..., 0]
    offset = mean(values) - (slope * colour).sum(axis=2)
    return (mean(slope) * guide).sum(axis=2) + mean(offset)


def peaks_plainly(maps: np.ndarray) -> np.ndarray:
    """Return the place of the first maximum along the stack, by a parabola in logarithms."""
    best = maps.argmax(axis=0)
    inside = np.clip(best, 1, len(maps) - 2)
    low, top, high = (
        np.log(np.take_along_axis(maps, (inside + k)[None], axis=0)[0]) for k in (-1, 0, 1)
    )
    offset = np.clip(0.5 * (low - high) / np.minimum(low - 2 * top + high, -1e-6), -0.5, 0.5)
    return best + np.where(best == inside, offset, 0)


def located_plainly(measures: np.ndarray, guide: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return position and confidence with whole arrays and SciPy's filters."""
    mean, peak = measures.mean(axis=0), measures.max(axis=0)
    noise = np.percentile(mean, 2)
    smooth = np.array([guided_plainly(m / (peak + noise), guide) for m in measures])
    smooth = np.maximum(smooth, 1e-6)
    position = peaks_plainly(smooth)
    for end, side in ((0, 1), (len(smooth) - 1, -1)):
        three = np.log(smooth[[end, end + side, end + 2 * side]]).reshape(3, -1)
        bend, slope, _ = np.polyfit([0, 1, 2], three, 2).reshape(3, *mean.shape)
        inward = np.where(bend < 0, np.clip(-slope / (2 * np.minimum(bend, -1e-9)), 0, 0.5), 0)
        position = np.where(smooth.argmax(axis=0) == end, end + side * inward, position)
    wide = [np.sqrt(gaussian_filter(m**2, 1.2, mode="mirror", radius=5)) for m in measures]
    near = [np.where(abs(position - k) <= 1, w, 0) for k, w in enumerate(wide)]
    lost = np.max(near, axis=0) + noise < 0.55 * (np.max(wide, axis=0) + noise)
    contrast = (peak - mean) / (peak + noise) * peak / (peak + 2 * noise)
    return np.where(lost, peaks_plainly(np.array(wide)), position), contrast


@pytest.mark.parametrize(("channels", "group_bytes"), [(3, 1 << 28), (3, 1), (1, 1 << 28)])
def test_locate_depth_in_tiles_agrees_with_whole_arrays(channels, group_bytes, monkeypatch):
    """Many tiles, and as many groups of frames as there are frames, against SciPy's filters."""
    monkeypatch.setattr(locating, "fill_guesses", lambda depth, guide, reduction: depth)
    rng = np.random.default_rng(15)
    guide = rng.random((141, 293, channels), np.float32) * 0.2 + 0.3
    guide[:, 50:] += 0.3
    true = cv2.resize(rng.random((9, 15)), (293, 141), interpolation=cv2.INTER_LINEAR) * 6
    true[60:62, 10:280] = 6 - true[60:62, 10:280]
    texture = 0.01 + 0.1 * rng.random(true.shape)
    measures = np.array([m * texture + 0.002 for m in peaks_at(true, 7)]).astype(np.float16)
    position, confidence = located_plainly(measures.astype(np.float64), guide.astype(np.float64))
    depth = located(measures, guide, group_bytes=group_bytes)
    assert (np.abs(depth.position - position) > 1e-3).mean() < 2e-4  # ties fall either way
    np.testing.assert_allclose(depth.confidence, confidence, atol=1e-5)


@pytest.mark.parametrize("reduction", [2, 3])
def test_hairs_are_found_in_a_map_of_reduced_size(reduction):
    """Rough hairs 6 px wide before a texture: windows as wide in the map lose what is narrow."""
    rng = np.random.default_rng(18)
    far, near = (cv2.GaussianBlur(rng.random((180, 240), np.float32), (0, 0), 0.8) for _ in "ab")
    near *= np.float32(0.5)
    hairs = np.zeros((180, 240), np.float32)
    for column in range(18, 240, 24):
        hairs[:, column : column + 6] = 1
    frames = []
    for blur in (0, 1, 2):
        cover = hairs if blur == 0 else cv2.GaussianBlur(hairs, (0, 0), 1.5 * blur)
        light = hairs * near if blur == 0 else cv2.GaussianBlur(hairs * near, (0, 0), 1.5 * blur)
        behind = far if blur == 2 else cv2.GaussianBlur(far, (0, 0), 1.5 * (2 - blur))
        frames.append((light + (1 - cover) * behind).astype(np.float32))
    measures = [measure_detail(frame, reduction) for frame in frames]
    sharp = np.where(hairs > 0, frames[0], frames[2])
    guide = np.repeat(reduce_map(sharp, reduction)[..., None], 3, axis=2)
    within = reduce_map(hairs, reduction) == 1

    def found(counted_as: int) -> float:
        with ScratchStack(3, guide.shape[:2], np.float16, memory_bytes=1 << 30) as stack:
            for measure in measures:
                stack.append(measure)
            return float((locate_depth(stack, guide, counted_as).position < 1)[within].mean())

    print(f"found {found(reduction):.2f} of the hairs, with windows of the map {found(1):.2f}")
    assert found(reduction) > 0.9
    assert found(reduction) > found(1) + 0.05


# --- accuracy ---------------------------------------------------------------------------------


@pytest.mark.slow
def test_depth_of_a_photograph_is_right_to_a_quarter_of_a_frame():
    """On textured pixels off depth edges, frames aligned by the true transforms.

    Made at twice the size: the scene puts points on whole pixels, so that blur of less than one
    does not show.
    """
    scene = photograph_stack(6, step_px=6.0, noise=0.012)
    size = scene.depth.shape[1] // 2, scene.depth.shape[0] // 2

    def halved(values: np.ndarray) -> np.ndarray:
        even = np.ascontiguousarray(values[: 2 * size[1], : 2 * size[0]])
        return cv2.resize(even, size, interpolation=cv2.INTER_AREA)

    aligned = [
        halved(warp_exact(frame, matrix))
        for frame, matrix in zip(scene.frames, scene.transforms, strict=True)
    ]
    truth, place = halved(scene.truth), halved(scene.depth)
    measures = [measure_detail(np.ascontiguousarray(a @ LUMA), 1) for a in aligned]
    sharpest = np.argmax([cv2.GaussianBlur(m, (0, 0), 2.0) for m in measures], axis=0)
    rows, columns = np.indices(sharpest.shape)
    guide = np.stack(aligned)[sharpest, rows, columns]
    depth = located(measures, guide, axis_px=np.arange(6) * 3.0)
    around = np.ones((3, 3), np.uint8)
    step = cv2.dilate(place, around) - cv2.erode(place, around) > 0.5
    off_edges = cv2.distanceTransform((~step).astype(np.uint8), cv2.DIST_L2, 5) > 10
    texture = measure_detail(np.ascontiguousarray(truth @ LUMA), 1)
    counted = off_edges & (texture > np.median(texture))
    counted[:20], counted[-20:], counted[:, :20], counted[:, -20:] = False, False, False, False
    error = np.abs(depth.exact - place)[counted]
    print(f"median {np.median(error):.3f}, 90 % {np.percentile(error, 90):.3f} of a frame")
    assert counted.sum() > 5000
    assert np.median(error) < 0.04
    assert np.percentile(error, 90) < 0.15
