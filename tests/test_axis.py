"""The focus axis on scenes whose focus steps are known."""

import dataclasses
from functools import lru_cache

import cv2
import numpy as np
import pytest
from blurred_scenes import slanted_stack
from fixture_data import load_fixture
from marks import slow
from random_brackets import bricks_far_apart, surface, texture
from scenes import blur
from scipy.special import j1

from merge import focus
from merge.axis import fit_focus_axis
from merge.axis.ordering import order_frames
from merge.axis.transfer import blur_tables
from merge.diagnose import leads_back
from merge.encoding import linearize
from merge.errors import RegistrationError
from merge.focus import measure_tiles
from merge.model import FrameTransform
from merge.significance import proof_limit

# Smaller than the scene's usual size: what is asserted holds on fewer tiles, too.
SHAPE = (252, 336)


def slanted(frames=12, step_px=3.0, margin=0.5, lens="disk"):
    return _slanted(frames, step_px, margin, lens)  # one key for one scene


@lru_cache(maxsize=16)
def _slanted(frames, step_px, margin, lens):
    return slanted_stack(frames, step_px=step_px, margin=margin, lens=lens, shape=SHAPE)


def axis_of(frames):
    return fit_focus_axis([measure_tiles(f) for f in frames])


@lru_cache(maxsize=4)
def even_axis(frames, step_px):
    return axis_of(slanted(frames, step_px).frames)


def fixture_tiles(name):
    bracket = load_fixture(name)
    tiles = []
    for i, matrix in enumerate(bracket.transforms):
        light = linearize(bracket.frame(i), "srgb") @ np.float32([0.299, 0.587, 0.114])
        tiles.append(measure_tiles(np.ascontiguousarray(light), FrameTransform(np.array(matrix))))
    return tiles, np.array(bracket.positions_px)


def test_blurred_share_matches_numeric_integral_of_the_airy_type_disk():
    """2 J1(x) / x by scipy.special; band and 1/f^2 power integrated on a plain grid."""
    sigma, diameter = 1.0, 5.0
    f = np.linspace(1e-4, 1.2, 20001)
    band = (np.exp(-2 * (np.pi * f) ** 2) - np.exp(-8 * (np.pi * f) ** 2)) ** 2 / f
    x = np.pi * f * diameter
    expected = (band * (2 * j1(x) / x) ** 2).sum() / band.sum()
    tables = blur_tables([sigma])
    share = tables.share[16, round(diameter / sigma * tables.per_unit)]  # row 16: slope 0
    assert share == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(("diameter", "wave"), [(2.0, 1.0), (5.0, 1.0), (12.0, 2.5), (40.0, 0.6)])
def test_blurred_share_with_diffraction_matches_a_numeric_pupil(diameter, wave):
    """Transfer of a defocused round pupil as its autocorrelation, on a grid of 512 samples."""
    sigma = 1.0
    y, x = (np.mgrid[0:512, 0:512] - 256) / 128
    rr = x**2 + y**2

    def transfer(blur):
        pupil = (rr <= 1) * np.exp(2j * np.pi * blur / (8 * wave) * rr)
        spread = np.abs(np.fft.fft2(pupil)) ** 2
        line = np.fft.ifft2(spread)[0, :257].real
        return line / line[0]  # at frequencies of j / 128 pupil radii: cut-off at 2 radii

    f = np.arange(1, 257) / 256 / wave
    band = (np.exp(-2 * (np.pi * f) ** 2) - np.exp(-8 * (np.pi * f) ** 2)) ** 2 / f
    expected = (band * transfer(diameter)[1:] ** 2).sum() / (band * transfer(0.0)[1:] ** 2).sum()
    tables = blur_tables([sigma], diffraction_scale_px=wave)
    share = tables.share[16, round(diameter / sigma * tables.per_unit)]
    assert share == pytest.approx(expected, rel=0.03, abs=0.002)


def test_a_texture_of_known_slope_chooses_its_row():
    tables = blur_tables(0.7 * 2.0 ** np.arange(5))
    slopes = np.array([-2.0, 0.0, 1.5])
    energy = 2.0 ** (np.arange(5)[:, None] * slopes)
    rows = tables.choose_rows(energy) - 33 * np.arange(5)[:, None]
    assert rows[:3].tolist() == [[8, 16, 22]] * 3


@pytest.mark.parametrize(("step", "frames"), [slow(1.0, 16), slow(2.0, 14), (3.0, 12), (6.0, 8)])
def test_even_steps_come_out_within_their_bars(step, frames):
    """Bars: each step within 15 %, the median within 6 %."""
    ratio = np.diff(even_axis(frames, step).positions_px) / step
    assert np.median(ratio) == pytest.approx(1, abs=0.06)
    assert np.abs(ratio - 1).max() < 0.15


@pytest.mark.parametrize("subject", ["spots before black", "white squares"])
def test_black_and_white_subjects_give_their_steps(subject):
    """Pixels at black are no clipped highlights, and what is just white fades out of focus."""
    rng, (height, width), frames, step = np.random.default_rng(3), SHAPE, 8, 3.0
    rows, columns = np.indices(SHAPE)
    if subject == "white squares":
        light = np.where((rows // 24 + columns // 24) % 2, 1, 0.0).astype(np.float32)
    else:
        light = np.zeros(SHAPE, np.float32)
        light[rng.integers(0, height, 600), rng.integers(0, width, 600)] = 6
        light = np.minimum(cv2.GaussianBlur(light, (0, 0), 0.8), 1)
    depth, stack = rows / height * (frames - 1), []
    for k in range(frames):
        seen, diameters = light.copy(), np.rint(2 * step * np.abs(depth - k)) / 2
        for diameter in np.unique(diameters):
            seen[diameters == diameter] = blur(light, diameter)[diameters == diameter]
        seen += 0.002 * rng.standard_normal(SHAPE).astype(np.float32)
        stack.append(np.clip(seen, 0, 1))
    steps = np.diff(axis_of(stack).positions_px)
    assert np.abs(steps / step - 1).max() < 0.15
    assert np.median(steps) == pytest.approx(step, rel=0.1)


def test_wide_steps_of_few_frames_stay_within_fifteen_percent():
    """Four frames 12 px apart read about 7 % too wide: the median bar of 6 % is missed here."""
    ratio = np.diff(axis_of(slanted(4, 12.0).frames).positions_px) / 12
    assert np.abs(ratio - 1).max() < 0.15


def test_uneven_steps_are_told_apart():
    steps = (2.0, 2.0, 3.0, 4.0, 6.0, 8.0, 5.0, 3.0, 2.0, 2.0, 4.0)
    scene = slanted(12, steps)
    ratio = np.diff(axis_of(scene.frames).positions_px) / np.array(steps)
    assert np.abs(ratio - 1).max() < 0.15


def test_confidence_intervals_hold_the_true_steps():
    axis = even_axis(12, 3.0)
    inside = (axis.step_low_px <= 3) & (axis.step_high_px >= 3)
    assert inside.mean() >= 0.8
    assert np.all(axis.step_high_px - axis.step_low_px < 1.5)


def test_a_frame_that_may_lie_elsewhere_is_as_unsure_as_the_surface_is_steep():
    """It shows what lies beside: over a slope of so many px of blur a px of picture."""
    scene, off = slanted(6, 3.0), np.array([0, 0, 0, 20.0, 0, 0])
    tiles = [measure_tiles(f) for f in scene.frames]
    sure, unsure = (fit_focus_axis(tiles, placed_px=px) for px in (None, off))
    more = np.diag(unsure.covariance_px - sure.covariance_px)
    slope = np.hypot(*(np.median(np.diff(scene.depth_px, axis=axis)) for axis in (0, 1)))
    assert np.sqrt(more[3]) == pytest.approx(20 * slope, rel=0.15)
    assert np.delete(more, 3) == pytest.approx(0)
    assert (unsure.step_low_px < sure.step_low_px).tolist() == [False, False, True, True, False]


def test_tile_positions_follow_the_surface():
    scene = slanted()
    axis = even_axis(12, 3.0)
    rows, columns = axis.tile_positions_px.shape
    side = axis.tile_size_px
    crop = scene.depth_px[: rows * side, : columns * side]
    truth = cv2.resize(crop, (columns, rows), interpolation=cv2.INTER_AREA)
    error = np.abs(axis.tile_positions_px - truth)
    assert np.nanmedian(error) < 0.6
    assert np.nanquantile(error, 0.9) < 1.5
    assert np.isfinite(error).mean() > 0.8


def test_two_frames_give_their_gap_within_a_quarter():
    for step in (6.0, 14.0):
        axis = axis_of(slanted(2, step, margin=0.0).frames)
        assert axis.positions_px[1] == pytest.approx(step, rel=0.25)


@pytest.mark.slow
@pytest.mark.parametrize(
    "order", [slow((0, 1, 2, 4, 3, 5, 6, 7, 8, 9, 10, 11)), (7, 3, 1, 10, 0, 5, 2, 8, 6, 11, 4, 9)]
)
def test_frames_in_any_order_are_put_in_their_places(order):
    frames = [slanted().frames[i] for i in order]
    positions = axis_of(frames).positions_px
    rank = np.argsort(np.argsort(positions))
    assert rank.tolist() == list(order) or rank.tolist() == [11 - i for i in order]


@pytest.mark.parametrize(("blocks", "proven"), [(12, True), (1, False)])
def test_another_order_is_proven_by_many_parts_of_the_picture_or_not_at_all(blocks, proven):
    """Every tile is sharp in one frame; in the other parts nothing ever changes."""
    order, side = np.array([0, 1, 4, 3, 2, 5]), 20
    peaks = np.random.default_rng(1).uniform(-1, 6, side * blocks)
    energy = np.ones((6, 2, 12 * side))
    energy[:, :, : len(peaks)] = np.exp(-np.abs(order[:, None] - peaks))[:, None]
    found, score = order_frames(energy, np.arange(12 * side) // side)
    assert found.tolist() == order.tolist()
    assert (score > proof_limit(6)) == proven


@pytest.mark.parametrize("depth", [2.4, 4.0, 6.8])
def test_what_lies_in_one_plane_proves_no_order(depth):
    """By sharpness alone its frames would follow from the sharpest to the most blurred one."""
    rng = np.random.default_rng(2)
    seen = np.exp(-np.abs(np.arange(9) - depth))[:, None, None]
    energy = seen * np.exp(rng.normal(0, 0.1, (9, 2, 240)))
    found, score = order_frames(energy, np.arange(240) // 20)
    assert found.tolist() == list(range(9)) or score <= proof_limit(9)


def test_light_does_not_move_the_steps():
    frames = [f * 2.0 ** (0.4 * (i % 2)) for i, f in enumerate(slanted().frames)]
    brighter = axis_of(frames)
    assert brighter.positions_px == pytest.approx(even_axis(12, 3.0).positions_px, abs=0.15)
    assert brighter.quality.gains[1] / brighter.quality.gains[0] == pytest.approx(2**0.4, rel=0.01)


@pytest.mark.slow
def test_steps_of_a_seventh_of_the_finest_sigma_do_not_go_astray():
    axis = axis_of(slanted(60, 0.1).frames)
    assert np.diff(axis.positions_px) == pytest.approx(0.1, abs=0.05)
    assert axis.positions_px[-1] == pytest.approx(5.9, rel=0.1)


@pytest.mark.slow
def test_a_soft_frame_does_not_move_the_steps_and_is_seen():
    frames = list(slanted_stack(12, shape=(360, 480)).frames)  # a margin that rounding leaves
    frames[5] = cv2.GaussianBlur(frames[5], (0, 0), 1.0)
    axis = axis_of(frames)
    assert np.diff(axis.positions_px) == pytest.approx(3, rel=0.15)
    assert axis.quality.detail_ratio[5] < 0.7
    assert np.nanmin(np.delete(axis.quality.detail_ratio, 5)) > 0.9


@pytest.mark.parametrize(
    ("steps", "soft"),
    [((6, 6, 6, 6), 3), ((6, 6, 9, 3), None), slow((6, 6, 9, 3), 2), slow((8, 8, 8, 8), 1)],
)
def test_a_soft_frame_is_told_from_one_of_another_place(steps, soft):
    """Five frames with wide steps, one of sigma 1.2 px: the others' places alone tell of it.

    As blur it is that of a disk 4 sigma wide, by its variance; what it leaves of the finest band
    where a frame is in focus is less than what the audit says that it could find.
    """
    # In smaller pictures rounding decides between two fits.
    frames = list(slanted_stack(5, step_px=steps, shape=(300, 400)).frames)
    sharp = [measure_tiles(f).energy[0] for f in frames]
    blurred = [measure_tiles(cv2.GaussianBlur(f, (0, 0), 1.2)).energy[0] for f in frames]
    focused = [np.argmax(sharp, axis=0) == k for k in range(5)]
    left = [blurred[k][focused[k]].sum() / sharp[k][focused[k]].sum() for k in range(1, 4)]
    if soft is not None:
        frames[soft] = cv2.GaussianBlur(frames[soft], (0, 0), 1.2)
    axis = axis_of(frames)
    proven = np.flatnonzero(axis.quality.detail_z < -proof_limit(5)).tolist()
    assert proven == ([] if soft is None else [soft])
    assert np.diff(axis.positions_px) == pytest.approx(steps, abs=0.9)
    assert (axis.quality.detail_limit[1:4] > left).all()
    sure = axis.quality.detail_ratio <= axis.quality.detail_limit
    assert set(np.flatnonzero(sure)) <= set(proven)


def test_of_two_planes_nothing_tells_a_soft_frame_from_one_of_another_place():
    """A frame's own blur of its plane is that of a place on either side of it, too."""
    rng = np.random.default_rng(1)
    plane = cv2.GaussianBlur(rng.random(SHAPE, np.float32), (0, 0), 0.8)
    frames = []
    for i in range(8):
        seen = plane + 0.004 * rng.standard_normal(SHAPE, np.float32)
        for half, apart in ((np.s_[:, :168], i), (np.s_[:, 168:], 7 - i)):
            if apart:
                noise = seen[half] - plane[half]
                seen[half] = cv2.GaussianBlur(plane[half], (0, 0), 2.0 * apart) + noise
        frames.append(seen)
    assert np.isnan(axis_of(frames).quality.detail_limit).all()


@pytest.mark.slow
def test_a_frame_of_another_scene_at_an_end_moves_no_other_step():
    """Its own place means nothing, but must not carry the subject's end far away."""
    frames = list(slanted().frames)
    frames[-1] = np.ascontiguousarray(frames[5][::-1, ::-1])
    axis = axis_of(frames)
    steps = np.diff(axis.positions_px)
    assert steps[:-1] == pytest.approx(3, rel=0.15)
    assert abs(steps[-1]) < 5 * 3
    assert np.nanmax(axis.tile_positions_px) < axis.positions_px[-2] + 5 * 3


@pytest.mark.slow
@pytest.mark.parametrize("angle", [slow(0), 45, slow(90)])
def test_shake_is_seen_with_its_direction(angle):
    frames = list(slanted().frames)
    kernel = {0: np.ones((1, 3)), 45: np.eye(3), 90: np.ones((3, 1))}[angle]
    frames[5] = cv2.filter2D(frames[5], -1, (kernel / kernel.sum()).astype(np.float32))
    quality = axis_of(frames).quality
    assert quality.direction_ratio[5] < 0.7  # a frame is called shaken below 0.83
    assert abs((quality.direction_deg[5] - angle + 90) % 180 - 90) <= 15  # directions repeat


def test_shifted_frames_are_read_at_the_tiles_places():
    scene = slanted()
    moved, tiles = [], []
    for i, frame in enumerate(scene.frames):
        dx, dy = 3 * i - 15, 7 - i
        matrix = np.array([[1, 0, dx], [0, 1, dy], [0, 0, 1.0]])
        moved.append(np.roll(frame, (dy, dx), axis=(0, 1)))
        tiles.append(measure_tiles(moved[-1], FrameTransform(matrix)))
    axis = fit_focus_axis(tiles)
    assert np.diff(axis.positions_px) == pytest.approx(3, rel=0.15)
    assert np.isnan(tiles[0].energy).any()


def test_reduced_pictures_give_full_size_pixels():
    scene = slanted(8, 6.0)
    half = [cv2.resize(f, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) for f in scene.frames]
    axis = fit_focus_axis([measure_tiles(f, scale=0.5) for f in half])
    assert np.median(np.diff(axis.positions_px)) == pytest.approx(6, rel=0.08)
    assert axis.tile_size_px == 24


# Median bias measured on the slanted scene (step 3 px), with room for half as much again: what
# users are told. The blur circle is read as the ideal disk that takes away as much detail.
LENS_BIAS = {
    "disk": (-0.03, 0.04),
    "soft rim": (-0.05, 0.04),
    "bright rim": (-0.05, 0.04),
    "cat's eye": (-0.18, -0.06),
    "six blades": (-0.11, -0.02),
}


@pytest.mark.slow
@pytest.mark.parametrize("lens", LENS_BIAS)
def test_bias_of_lenses_that_draw_no_ideal_disk_is_as_stated(lens):
    scene = slanted(12, 3.0, lens=lens)
    bias = np.median(np.diff(axis_of(scene.frames).positions_px)) / 3 - 1
    low, high = LENS_BIAS[lens]
    assert low <= bias <= high


@pytest.mark.slow
@pytest.mark.parametrize(
    ("wave", "unknown"), [(0.6, -0.03), (1.0, -0.07), (1.6, -0.10), (2.5, -0.18)]
)
def test_diffraction_moves_no_step_where_it_is_known(wave, unknown):
    """Frames blurred by numeric pupils; bars 15 and 6 %. Unknown, the bias is as stated."""
    scene = slanted_stack(12, step_px=3.0, lens="diffraction", wave_f_px=wave, shape=SHAPE)
    tiles = [measure_tiles(f) for f in scene.frames]
    ratio = np.diff(fit_focus_axis(tiles, diffraction_scale_px=wave).positions_px) / 3
    assert np.median(ratio) == pytest.approx(1, abs=0.06)
    assert np.abs(ratio - 1).max() < 0.15
    blind = np.diff(fit_focus_axis(tiles).positions_px) / 3
    assert np.median(blind) - 1 == pytest.approx(unknown, abs=0.03)


@pytest.mark.parametrize("name", [slow("macro"), "landscape"])
def test_path_traced_brackets_give_their_steps(name):
    """Independent pictures: path-traced, true transforms. Bars: each 15 %, median 6 %."""
    tiles, positions = fixture_tiles(name)
    ratio = np.diff(fit_focus_axis(tiles).positions_px) / np.diff(positions)
    assert np.abs(ratio - 1).max() < 0.15
    assert np.median(ratio) == pytest.approx(1, abs=0.06)


def test_too_little_in_common_is_refused():
    flat = np.full((200, 300), 0.4, np.float32)
    with pytest.raises(RegistrationError, match="tiles hold detail"):
        axis_of([flat, flat, flat])


def test_one_frame_and_different_grids_are_refused():
    tiles = measure_tiles(slanted().frames[0])
    with pytest.raises(ValueError, match="at least two"):
        fit_focus_axis([tiles])
    other = dataclasses.replace(tiles, energy=tiles.energy[:, :-1])
    with pytest.raises(ValueError, match="one grid"):
        fit_focus_axis([tiles, other])
    with pytest.raises(ValueError, match="64 x 64"):
        measure_tiles(np.zeros((10, 10), np.float32))


@pytest.mark.parametrize("height", [257, 258, 260, 261])
def test_cells_of_a_picture_on_its_side_are_the_same(height):
    """Whether its last row and column fill a cell or not."""
    picture = np.random.default_rng(2).uniform(0, 1, (height, 200)).astype(np.float32)
    upright = focus.measure_cells(picture).maps
    aside = focus.measure_cells(np.ascontiguousarray(picture.T)).maps
    right, down = [5, 8], [6, 9]  # after five bands: slopes along x and y and their product, twice
    for k, one in enumerate(upright):
        other = aside[k + 1 if k in right else k - 1 if k in down else k].T
        np.testing.assert_allclose(one, other, rtol=2e-3, atol=1e-4)  # half precision


def test_copies_of_one_frame_lie_in_one_place():
    """Whatever the texture: tiles midway explain any distance, and none is told."""
    frame = slanted(12).frames[3]
    rounded = np.rint(frame * 65535).astype(np.float32) / 65535  # one shot, developed again
    axis = axis_of([frame, rounded, frame, rounded, frame])
    assert (axis.positions_px == 0).all()
    assert (axis.step_low_px < 0).all()


def test_a_frame_in_which_nothing_is_sharp_stays_between_its_neighbours():
    """It shows only how far from both walls it lies at least; one came out 3000 px away."""
    axis = axis_of(bricks_far_apart(90, 14)[0])
    assert not leads_back(axis, np.arange(14)).any()
    assert axis.positions_px[-1] == pytest.approx(90, rel=0.1)
    assert np.ptp(axis.positions_px) < 100


@pytest.mark.parametrize("smoothing", [slow(0.0), 0.6])
def test_noise_that_fills_the_finest_band_does_not_shorten_steps(smoothing):
    """Noise as at high ISO, white and as raw development leaves it, at a tenth of the texture."""
    rng = np.random.default_rng(4)
    frames = []
    for light in slanted(9, 6.0).frames:
        grain = rng.standard_normal(light.shape).astype(np.float32)
        if smoothing:
            grain = cv2.GaussianBlur(grain, (0, 0), smoothing)
            grain /= grain.std()
        frames.append(light + np.float32(0.03) * grain)
    axis = axis_of(frames)
    steps = np.diff(axis.positions_px)
    assert np.median(steps) == pytest.approx(6.0, rel=0.06)
    inside = (axis.step_low_px <= 6.0) & (axis.step_high_px >= 6.0)
    assert inside.mean() >= 0.75


def disks_at(depth_px, factors):
    """Return frames of overlapping disks, blurred by |factor * depth|, with a little noise."""
    rng = np.random.default_rng(4)
    sharp = texture("disks", rng, depth_px.shape).astype(np.float32)
    seen = (surface(sharp, factor * depth_px, 0.0, coarse=True) for factor in factors)
    return [(s + 0.003 * rng.standard_normal(s.shape)).astype(np.float32) for s in seen]


def test_one_focus_at_several_apertures_is_told_from_focus_planes():
    """Blur falls by the root of 2 a stop (thin lens): five stops, with 12 px at the widest."""
    depth = np.broadcast_to(np.linspace(-4, 12, 504, dtype=np.float32), (378, 504))
    tiles = [measure_tiles(f) for f in disks_at(depth, 2.0 ** (-np.arange(5) / 2))]
    assert fit_focus_axis(tiles, any_aperture=True).one_focus
    assert not fit_focus_axis(tiles).one_focus


def test_focus_planes_are_not_taken_for_apertures():
    """Even where all frames lie beyond the subject, which gets sharper as one, and a burst."""
    flat = np.ones(SHAPE, np.float32)
    slope = np.broadcast_to(np.linspace(1, 24, SHAPE[1], dtype=np.float32), SHAPE)
    beyond = [disks_at(slope + focus, [1.0])[0] for focus in (9.0, 6.0, 3.0, 0.0)]
    for frames in (disks_at(flat, [9, 6, 3, 0]), beyond, disks_at(slope, [1.0] * 4)):
        tiles = [measure_tiles(f) for f in frames]
        assert not fit_focus_axis(tiles, any_aperture=True).one_focus
