"""Hot pixels and dust: found where they are, nothing else touched, frames restored."""

from __future__ import annotations

import dataclasses
from functools import lru_cache
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import pytest
from defect_search import find_sensor_defects
from fixture_data import load_fixture
from io_samples import WHITE, faulty_mosaic, mosaic_of, write_dng
from marks import slow
from scenes import (
    Faults,
    SceneStack,
    blur,
    photograph_stack,
    sensor_faults,
    similarity,
    warp_exact,
    with_faults,
)
from scipy.ndimage import maximum_filter

from merge.defects import (
    DefectSearch,
    DustSpot,
    SensorDefects,
    choose_sample,
    defects_finding,
    find_hot_photosites,
    reduce_defects,
    repair_frame,
    repair_measure,
)
from merge.defects.evidence import PictureMotion
from merge.defects.hot import judge_spikes
from merge.defects.search import turn_upright
from merge.defects.spikes import SpikeSearch
from merge.depth import REACH_WIDE, measure_detail
from merge.encoding import encode, linearize
from merge.errors import FrameMismatchError
from merge.model import FrameTransform
from merge.read import probe_frame, read_frame
from merge.read.orientation import apply_orientation
from merge.read.raw import read_mosaic


@lru_cache(maxsize=1)
def bracket() -> SceneStack:
    return photograph_stack(7, step_px=6, scale=0.7)


def search(frames, stack: SceneStack, *, axis: bool = True) -> SensorDefects:
    return find_sensor_defects(
        frames,
        [FrameTransform(matrix) for matrix in stack.transforms],
        positions_px=list(stack.positions_px) if axis else None,
    )


def as_jpeg(frame: np.ndarray, seed: int = 0) -> np.ndarray:
    """Return a frame with noise of 1.5/255, through an 8-bit JPEG of quality 92, 4:2:0."""
    noise = np.random.default_rng(seed).standard_normal(frame.shape) * (1.5 / 255)
    coded = np.rint(np.clip(frame + noise, 0, 1) * 255).astype(np.uint8)
    jpeg = imagecodecs.jpeg8_encode(coded, level=92, subsampling="420")
    return imagecodecs.jpeg8_decode(jpeg).astype(np.float32) / 255


def hot_found(defects: SensorDefects, faults: Faults) -> int:
    reached = {tuple(place) for place in defects.pixels.tolist()}
    return sum(tuple(place) in reached for place in faults.hot.tolist())


def far_from_hot(defects: SensorDefects, faults: Faults) -> int:
    """Count pixels farther from a hot one than JPEG spreads it.

    With colour at half size its blocks are 16 x 16 pixels (ITU-T T.81 (1992), A.2.3).
    """
    away = np.abs(defects.pixels[:, None] - faults.hot[None]).max(axis=2).min(axis=1)
    return int((away > 15).sum())


def psnr(picture: np.ndarray, truth: np.ndarray) -> float:
    return float(-10 * np.log10(((picture - truth) ** 2).mean()))


@pytest.mark.slow
@pytest.mark.parametrize(("store", "least"), [(lambda f, i: f, 0.9), (as_jpeg, 0.75)])
def test_hot_pixels_of_developed_frames_are_found_and_nothing_else(store, least):
    stack = bracket()
    faults = sensor_faults(stack.truth.shape, hot=60, dust=0)
    found = search([store(with_faults(f, faults), i) for i, f in enumerate(stack.frames)], stack)
    assert hot_found(found, faults) >= least * len(faults.hot)
    assert far_from_hot(found, faults) == 0
    assert found.dust == ()


def test_hot_pixels_are_found_by_the_pictures_motion_alone():
    stack = bracket()
    faults = sensor_faults(stack.truth.shape, hot=60, dust=0)
    found = search([with_faults(f, faults) for f in stack.frames], stack, axis=False)
    assert hot_found(found, faults) >= 0.7 * len(faults.hot)
    assert far_from_hot(found, faults) == 0


@pytest.mark.parametrize("store", [lambda f, i: f, as_jpeg])
@pytest.mark.parametrize("axis", [True, False])
def test_clean_frames_have_no_defects_and_stay_as_they_are(store, axis):
    stack = bracket()
    frames = [store(f, i) for i, f in enumerate(stack.frames)]
    found = search(frames, stack, axis=axis)
    assert (found.spots, len(found.pixels), found.dust) == (0, 0, ())
    repaired = repair_frame(frames[0].copy(), found, "srgb")
    assert np.array_equal(repaired, frames[0])


@pytest.mark.slow
@pytest.mark.parametrize("name", ["macro", "landscape"])
def test_rendered_brackets_have_no_defects(name):
    """Hairs, glints and grass at the size of a pixel, 3 to 8 frames, JPEG."""
    fixture = load_fixture(name)
    sample = choose_sample(range(len(fixture.paths)))
    transforms = [FrameTransform(fixture.transforms[i]) for i in sample]
    for positions in (list(fixture.positions_px[list(sample)]), None):
        found = find_sensor_defects(
            (fixture.frame(i) for i in sample), transforms, positions_px=positions
        )
        assert (found.spots, found.dust) == (0, ())


def moving_wall(
    count: int = 7, *, moved_px: float = 2.0, specks: bool = False, blur_px: float = 0.0
) -> tuple[list[np.ndarray], list[FrameTransform]]:
    """Return frames of a soft wall that moves sideways, and where it lies in each.

    ``specks`` are part of the wall: points as small as a pixel and soft dark spots like dust.
    """
    rng = np.random.default_rng(2)
    wall = 0.5 + 0.02 * rng.standard_normal((160, 220, 3))
    wall = cv2.GaussianBlur(wall.astype(np.float32), (0, 0), 2.0)
    light = linearize(wall, "srgb")
    if specks:
        light *= dust_shadow(light.shape, [(60, 80), (100, 150), (40, 170)])[..., None]
        rows, columns = rng.integers(10, 150, 40), rng.integers(10, 210, 40)
        light[rows, columns] += 0.6
    frames, transforms = [], []
    for i in range(count):
        seen = blur(light, blur_px * i)
        matrix = similarity(wall.shape, shift=(moved_px * (i - count // 2), 0))
        moved = warp_exact(seen, np.linalg.inv(matrix)) if moved_px else seen
        coded = encode(np.maximum(moved, 0), "srgb") + 0.004 * rng.standard_normal(wall.shape)
        frames.append(np.clip(coded, 0, 1).astype(np.float32))
        transforms.append(FrameTransform(matrix))
    return frames, transforms


def dust_shadow(shape, centres, *, diameter: float = 14.0, lost: float = 0.2) -> np.ndarray:
    """Return the share of light that specks let through, (H, W)."""
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]]
    through = np.ones(shape[:2], np.float32)
    for row, column in centres:
        radius = np.hypot(y - row, x - column) / (diameter / 2)
        through *= (1 - lost * (1 - np.clip(2 * radius - 1, 0, 1) ** 2) ** 2).astype(np.float32)
    return through


@pytest.mark.parametrize("moved_px", [0.0, 2.0])
def test_points_and_dark_spots_of_the_subject_are_left_alone(moved_px):
    """Stars and stains: they move with the picture, or nothing tells them from defects."""
    frames, transforms = moving_wall(moved_px=moved_px, specks=True)
    found = find_sensor_defects(frames, transforms)
    assert (found.spots, found.dust) == (0, ())


def test_points_and_dark_spots_of_a_still_subject_are_left_alone_where_they_blur():
    frames, transforms = moving_wall(moved_px=0.0, specks=True, blur_px=12.0)
    positions = [12.0 * i for i in range(len(frames))]
    found = find_sensor_defects(frames, transforms, positions_px=positions)
    assert (found.spots, found.dust) == (0, ())


def test_defects_are_found_in_a_still_picture_whose_points_blur():
    frames, transforms = moving_wall(moved_px=0.0, blur_px=12.0)
    centres = [(60, 80), (100, 150), (40, 170)]
    faults = sensor_faults(frames[0].shape, hot=30, dust=0)
    faults = dataclasses.replace(faults, transmission=dust_shadow(frames[0].shape, centres))
    faulty = [with_faults(f, faults) for f in frames]
    positions = [12.0 * i for i in range(len(frames))]
    found = find_sensor_defects(faulty, transforms, positions_px=positions)
    assert hot_found(found, faults) >= 27
    assert sorted((round(s.row), round(s.column)) for s in found.dust) == sorted(centres)


@pytest.mark.parametrize("lost", [0.04, 0.12, 0.4])
@pytest.mark.parametrize("diameter", [9.0, 24.0])
def test_dust_is_measured_to_a_percent_of_light_and_a_half_on_even_ground(diameter, lost):
    frames, transforms = moving_wall()
    centres = [(60, 80), (100, 150)]
    through = dust_shadow(frames[0].shape, centres, diameter=diameter, lost=lost)
    faulty = [encode(linearize(f, "srgb") * through[..., None], "srgb") for f in frames]
    found = find_sensor_defects(faulty, transforms)
    places = sorted((spot.row, spot.column) for spot in found.dust)
    assert np.allclose(places, sorted(centres), atol=0.5)
    repaired = repair_frame(faulty[3].copy(), found, "srgb")
    ratio = linearize(repaired, "srgb").mean(axis=2) / linearize(frames[3], "srgb").mean(axis=2)
    shaded = through < 1 - lost / 2
    assert abs(ratio[shaded].mean() - 1) < 0.015
    assert np.sqrt(((ratio[shaded] - 1) ** 2).mean()) < 0.2 * lost


@pytest.mark.slow
def test_dust_on_the_photograph_is_mostly_found_where_it_shows_and_nothing_else():
    stack = bracket()
    found_of, false = 0, 0
    for seed in range(4):
        faults = sensor_faults(
            stack.truth.shape, hot=0, dust=6, diameter_px=(8, 16), loss=(0.1, 0.4), seed=seed
        )
        found = search([with_faults(f, faults) for f in stack.frames], stack)
        for spot in found.dust:
            away = np.hypot(*(faults.dust[:, :2] - (spot.row, spot.column)).T)
            found_of += bool(away.min() <= 3)
            false += bool(away.min() > 3)
    assert false == 0
    assert found_of >= 6


def choose_sharpest(frames: list[np.ndarray], stack: SceneStack) -> np.ndarray:
    """Return, at every pixel, the aligned frame with the most fine detail around."""
    best, out = np.zeros(stack.truth.shape[:2], np.float32), np.zeros_like(stack.truth)
    for frame, matrix in zip(frames, stack.transforms, strict=True):
        aligned = warp_exact(frame, matrix)
        fine = cv2.Laplacian(aligned.mean(axis=2), cv2.CV_32F) ** 2
        energy = cv2.GaussianBlur(fine, (0, 0), 2)
        np.copyto(out, aligned, where=(energy > best)[..., None])
        np.maximum(best, energy, out=best)
    return out


@pytest.mark.slow
def test_a_choice_by_sharpness_loses_to_defects_and_gets_it_back_by_repair():
    stack = bracket()
    faults = sensor_faults(stack.truth.shape, hot=120, dust=4)
    faulty = [with_faults(f, faults) for f in stack.frames]
    found = search(faulty, stack)
    repaired = [repair_frame(f.copy(), found, "srgb") for f in faulty]
    clean, spoilt, back = (
        psnr(choose_sharpest(frames, stack), stack.truth)
        for frames in (stack.frames, faulty, repaired)
    )
    assert spoilt < clean - 0.5
    assert back > clean - 0.1


def test_spikes_of_one_frame_are_those_of_a_ring_filter():
    """Independent route: SciPy's maximum filter over the sixteen pixels two steps away."""
    rng = np.random.default_rng(4)
    picture = rng.uniform(0, 0.02, (60, 80, 1)).astype(np.float32)
    picture[rng.integers(3, 57, 20), rng.integers(3, 77, 20)] += 0.5
    picture[30, 10:70] += 0.5  # a line is none
    ring = np.ones((5, 5), bool)
    ring[1:-1, 1:-1] = False
    above = picture[..., 0] - maximum_filter(picture[..., 0], footprint=ring)
    expected = {tuple(p) for p in np.argwhere(above > 0.2).tolist()}
    one = SpikeSearch(1, reach=2)
    one.add(picture, 1.0)
    places, _, windows = one.steady()
    assert {(int(r), int(c)) for r, c, _, sign in places if sign > 0} == expected
    assert len(expected) >= 12
    row, column = places[0, :2]
    assert windows[0, 3, 3] == picture[row, column]


def test_dead_pixels_are_found_and_filled():
    frames, transforms = moving_wall()
    faulty = [f.copy() for f in frames]
    for frame in faulty:
        frame[50, 60] = frame[51, 120] = 0
    found = find_sensor_defects(faulty, transforms)
    assert found.spots == 2
    repaired = repair_frame(faulty[2], found, "srgb")
    assert np.abs(repaired - frames[2]).max() < 0.03


def test_only_the_frames_that_show_a_spike_tell_that_it_did_not_blur():
    """Grain of a still texture is a spike in four of five frames, and blurred away in the fifth."""
    unmoved = [FrameTransform(np.eye(3))] * 5
    motion = PictureMotion.of(unmoved, [0.0, 4.5, 9.0, 13.5, 18.0])
    shown = np.array([[True] * 5, [True] * 4 + [False]])
    found = judge_spikes(np.array([[20, 30], [40, 50]]), shown, motion, reach=2, side=1)
    assert found.tolist() == [True, False]


def test_a_defect_hidden_in_one_frame_is_still_found():
    frames, transforms = moving_wall()
    faulty = [f.copy() for f in frames]
    for i, frame in enumerate(faulty):
        frame[80, 100] = 1 if i != 3 else frame[80, 100]
    assert find_sensor_defects(faulty, transforms).spots == 1


@pytest.mark.parametrize("dtype", [slow(np.uint8), slow(np.uint16), np.float32])
def test_stored_integers_are_searched_and_repaired_like_numbers(dtype):
    frames, transforms = moving_wall()
    faults = sensor_faults(frames[0].shape, hot=20, dust=0)
    faults = dataclasses.replace(faults, transmission=dust_shadow(frames[0].shape, [(60, 80)]))
    white = 1.0 if dtype is np.float32 else float(np.iinfo(dtype).max)
    stored = [(with_faults(f, faults) * white + 0.5 * (white > 1)).astype(dtype) for f in frames]
    one = DefectSearch(len(stored), "srgb")
    for samples in stored:
        one.add(samples, white)
    found = one.finish(transforms)
    assert hot_found(found, faults) >= 18
    assert len(found.dust) == 1
    before = stored[2].copy()
    repaired = repair_frame(stored[2], found, "srgb", white=white)
    assert repaired is stored[2]
    assert repaired.dtype == dtype
    error = repaired / white - frames[2]
    assert np.sqrt((error**2).mean()) < 0.3 * np.sqrt(((before / white - frames[2]) ** 2).mean())


def test_repair_changes_nothing_outside_the_defects():
    rng = np.random.default_rng(0)
    frame = rng.uniform(0, 1, (40, 50, 3)).astype(np.float32)
    spot = DustSpot(20.0, 25.0, 2.0, (0.8, 0.9, 1.0))
    defects = SensorDefects((40, 50), 1, np.array([[5, 6], [5, 7]], np.int32), (spot,))
    repaired = repair_frame(frame.copy(), defects, "srgb")
    changed = np.argwhere((repaired != frame).any(axis=2))
    away = np.hypot(changed[:, 0] - 20, changed[:, 1] - 25)
    listed = (changed == (5, 6)).all(axis=1) | (changed == (5, 7)).all(axis=1)
    assert listed.sum() == 2
    assert (away[~listed] < spot.radius_px).all()
    assert repaired.max() <= 1


def test_a_frame_that_cannot_be_written_to_is_copied():
    frame = np.full((20, 30, 3), 100, np.uint8)
    frame[4, 5] = 255
    frame.flags.writeable = False
    defects = SensorDefects((20, 30), 1, np.array([[4, 5]], np.int32))
    assert repair_frame(frame, defects, "srgb", white=255.0).max() == 100
    assert frame.max() == 255


def test_frames_of_another_size_are_refused():
    defects = SensorDefects((20, 30), 0, np.empty((0, 2), np.int32))
    with pytest.raises(FrameMismatchError, match=r"40 x 20 px.*found on 30 x 20 px"):
        repair_frame(np.zeros((20, 40, 3), np.float32), defects, "srgb")


def test_reduced_frames_and_measures_are_repaired():
    frames, _ = moving_wall(1)
    frame = frames[0][:150, :219]  # the last block of a row stays incomplete
    spot = DustSpot(60.0, 80.0, 1.0, (0.8,) * 9 + (1.0,))
    defects = SensorDefects((150, 219), 1, np.array([[101, 120]], np.int32), (spot,))
    faulty = frame.copy()
    faulty[101, 120] = 1
    y, x = np.mgrid[0:150, 0:219]
    inside = np.hypot(y - 60, x - 80) <= 8
    faulty[inside] = encode(linearize(faulty[inside], "srgb") * 0.8, "srgb")

    def reduce(picture):
        padded = cv2.copyMakeBorder(picture, 0, 0, 0, 1, cv2.BORDER_REPLICATE)
        return cv2.resize(padded, (110, 75), interpolation=cv2.INTER_AREA)

    small = reduce_defects(defects, 2)
    assert small.shape == (75, 110)
    repaired = repair_frame(reduce(faulty), small, "srgb")
    assert np.abs(reduce(faulty) - reduce(frame)).max() > 0.05
    assert np.abs(repaired - reduce(frame)).max() < 0.05  # the rim of the hard-edged spot
    faulty[inside] = frame[inside]
    for side in (1, 2):
        true, seen = (measure_detail(p.mean(axis=2), side) for p in (frame, faulty))
        assert np.abs(seen - true).max() > 0.1
        assert np.abs(repair_measure(seen, defects, side, REACH_WIDE) - true).max() < 0.003


@pytest.mark.parametrize(("count", "expected"), [(2, 0), (3, 3), (8, 8), (200, 8)])
def test_samples_are_small_and_spread_over_the_stack(count, expected):
    sample = choose_sample(range(100, 100 + count))
    assert len(set(sample)) == len(sample) == expected
    if sample:
        assert (sample[0], sample[-1]) == (100, 99 + count)


def test_frames_that_were_not_aligned_do_not_count():
    frames, transforms = moving_wall()
    faulty = [f.copy() for f in frames]
    for frame in faulty:
        frame[80, 100] = 1
    one = DefectSearch(len(faulty), "srgb")
    for frame in faulty:
        one.add(frame)
    assert one.finish([*transforms[:-1], None]).spots == 1
    assert one.finish([*transforms[:2], *[None] * 5]).spots == 0


@lru_cache(maxsize=1)
def mosaics() -> tuple[list[np.ndarray], np.ndarray, np.ndarray]:
    """Return noisy mosaics of the bracket, and hot photosites with the levels they add."""
    stack, rng = bracket(), np.random.default_rng(3)
    height, width = (side // 2 * 2 for side in stack.truth.shape[:2])
    clean = [
        faulty_mosaic(mosaic_of(0.9 * linearize(f[:height, :width], "srgb")), rng=rng)
        for f in stack.frames
    ]
    places = rng.integers(2, (height - 2, width - 2), (120, 2))
    places = np.unique(places, axis=0)
    return clean, places, rng.uniform(0.06, 0.8, len(places)) * WHITE


def test_hot_photosites_are_found_in_raw_mosaics_and_nothing_else():
    clean, places, levels = mosaics()
    stack = bracket()
    transforms = [FrameTransform(matrix) for matrix in stack.transforms]
    faulty = [faulty_mosaic(m, hot=places, levels=levels) for m in clean]
    for frames, least in ((faulty, 0.85 * len(places)), (clean, 0)):
        found = find_hot_photosites(
            frames, transforms, period=2, full_scale=WHITE, positions_px=list(stack.positions_px)
        )
        assert not set(found) - {tuple(p) for p in places.tolist()}
        assert len(found) >= least


def test_raw_files_are_developed_without_their_hot_photosites(tmp_path: Path):
    clean, places, levels = mosaics()
    sound = probe_frame(write_dng(tmp_path / "a.dng", clean[0]))
    faulty = faulty_mosaic(clean[0], hot=places, levels=levels)
    spoilt = probe_frame(write_dng(tmp_path / "b.dng", faulty, orientation=6))
    read = read_mosaic(spoilt)
    assert read is not None
    assert np.array_equal(read[0], faulty)
    assert read[1:] == (2, WHITE)
    known = tuple((int(r), int(c)) for r, c in places)
    repaired = dataclasses.replace(spoilt, hot_photosites=known)
    truth, bad, good = (read_frame(s).pixels for s in (sound, spoilt, repaired))
    assert psnr(np.rot90(bad), truth) < 40
    assert psnr(np.rot90(good), truth) > psnr(np.rot90(bad), truth) + 10


@pytest.mark.parametrize("orientation", range(1, 9))
def test_places_on_the_sensor_turn_like_the_pixels(orientation):
    numbers = np.arange(35, dtype=np.float32).reshape(5, 7)
    upright = apply_orientation(numbers, orientation)
    places = np.argwhere(numbers >= 0)
    turned = turn_upright(places, (5, 7), orientation)
    assert np.array_equal(upright[turned[:, 0], turned[:, 1]], numbers[places[:, 0], places[:, 1]])


def test_finding_counts_and_advises():
    spot = DustSpot(5.0, 6.0, 1.0, (0.82, 1.0))
    defects = SensorDefects((20, 30), 2, np.zeros((3, 2), np.int32), (spot,))
    finding = defects_finding(defects, photosites=1, frames=(0, 4))
    assert finding is not None
    assert finding.kind == "sensor defects"
    assert finding.severity == "note"
    assert "3 hot or dead pixels and 1 dust spot (up to 18% of light lost)" in finding.message
    assert "Clean the sensor" in finding.advice
    assert defects_finding(None) is None
    assert defects_finding(SensorDefects((20, 30), 0, np.empty((0, 2), np.int32))) is None
