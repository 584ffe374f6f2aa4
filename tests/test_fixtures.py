"""The rendered brackets are complete and their recorded truth is true.

The checks do not use the renderer: positions of in-focus detail are measured by cross
correlation (`skimage.registration.phase_cross_correlation`: M. Guizar-Sicairos et al., Opt.
Lett. 33, 156 (2008)), blur by comparing each frame with a disk-blurred truth.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from fixture_data import FIXTURES, FixtureBracket, load_fixture
from marks import slow
from PIL import Image
from skimage.registration import phase_cross_correlation

from merge.encoding import encode, linearize
from merge.read import find_frames

NAMES = ["macro", "landscape"]
LIMIT_BYTES = 25 * 1024 * 1024


def warp_to_reference(bracket: FixtureBracket, index: int) -> np.ndarray:
    height, width = bracket.truth.shape[:2]
    return cv2.warpPerspective(
        bracket.frame(index),
        bracket.transforms[index],
        (width, height),
        flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP,
    )


def flat_tiles(
    bracket: FixtureBracket, position: float, near: float, size: int, share: float
) -> list[tuple[slice, slice]]:
    """Return the 12 most detailed tiles with a share of pixels within ``near`` of a position."""
    here = np.abs(bracket.pixel_positions_px - position) < near
    grey = bracket.truth.mean(axis=2)
    found = []
    for row in range(24, grey.shape[0] - size - 24, size):
        for column in range(24, grey.shape[1] - size - 24, size):
            tile = np.s_[row : row + size, column : column + size]
            if here[tile].mean() > share:
                found.append((float(cv2.Laplacian(grey[tile], cv2.CV_32F).std()), tile))
    found.sort(key=lambda item: -item[0])
    return [tile for _, tile in found[:12]]


def test_all_files_are_there_and_small():
    total = sum(p.stat().st_size for p in FIXTURES.rglob("*") if p.is_file())
    assert total < LIMIT_BYTES
    for name, count in (("macro", 12), ("landscape", 3)):
        bracket = load_fixture(name)
        assert len(bracket.paths) == count
        assert {p.name for p in (bracket.folder / "truth").iterdir()} == {
            "truth.png", "truth.json", "inverse_depth.png",
        }  # fmt: skip
        for path in bracket.paths:
            with Image.open(path) as picture:
                assert picture.size == bracket.truth.shape[1::-1]
        assert bracket.inverse_depth.shape == bracket.truth.shape[:2]


@pytest.mark.parametrize("name", NAMES)
def test_a_bracket_folder_given_as_input_holds_its_frames_alone(name):
    bracket = load_fixture(name)
    stack = find_frames([bracket.folder])
    assert tuple(source.path for source in stack.sources) == bracket.paths
    assert not stack.skipped


@pytest.mark.parametrize("name", NAMES)
def test_positions_follow_the_thin_lens(name):
    """Disk diameter of a thin lens: aperture diameter × image distance × |1/f - 1/z|."""
    bracket = load_fixture(name)
    record = bracket.record
    pupil = record["focal_length_mm"] / record["f_number"] / record["unit_mm"]
    focal_px = record["focal_px"][bracket.reference]
    near = 1 / np.array(record["focus_distances"])
    np.testing.assert_allclose(bracket.positions_px, pupil * focal_px * (near[0] - near), atol=1e-6)
    assert np.array_equal(bracket.transforms[bracket.reference], np.eye(3))
    zoom = bracket.transforms[0, 0, 0] / bracket.transforms[-1, 0, 0] - 1
    assert 0.015 < zoom < 0.05


@pytest.mark.parametrize("name", NAMES)
def test_header_agrees_with_the_record(name):
    bracket = load_fixture(name)
    times = []
    for index, path in enumerate(bracket.paths):
        with Image.open(path) as picture:
            exif = picture.getexif().get_ifd(0x8769)
        assert float(exif[33437]) == pytest.approx(bracket.record["f_number"])
        assert float(exif[37386]) == pytest.approx(bracket.record["focal_length_mm"])
        assert exif[41488] == 3  # centimetres
        assert 1e4 / float(exif[41486]) == pytest.approx(bracket.record["pixel_pitch_um"], rel=1e-4)
        focus_m = bracket.record["focus_distances"][index] * bracket.record["unit_mm"] / 1000
        assert float(exif[37382]) == pytest.approx(focus_m, abs=6e-6)
        times.append((exif[36867], exif[37521]))
    assert times == sorted(set(times))


@pytest.mark.parametrize(("name", "least"), [slow("macro", 9), ("landscape", 3)])
def test_recorded_transforms_put_sharp_detail_on_the_truth(name, least):
    """The outermost macro frames have too little in focus to be measured on.

    Plain cross-correlation: whitened, it gives the fine detail that a slightly blurred tile
    lacks as much weight as the rest, and strays by 0.16 px. A forgotten tripod shift costs 0.4 to
    2 px, forgotten breathing far more.
    """
    bracket = load_fixture(name)
    truth = bracket.truth.mean(axis=2)
    window = np.outer(np.hanning(48), np.hanning(48))
    measured = {}
    for index, position in enumerate(bracket.positions_px):
        warped = warp_to_reference(bracket, index).mean(axis=2)
        shifts = []
        for tile in flat_tiles(bracket, position, 4.0, 48, 0.5):
            pair = [(image[tile] - image[tile].mean()) * window for image in (truth, warped)]
            shift = phase_cross_correlation(*pair, upsample_factor=50, normalization=None)[0]
            shifts.append(shift)
        if len(shifts) >= 4:
            measured[index] = np.median(shifts, axis=0)
    assert len(measured) >= least
    for index, shift in measured.items():
        assert np.abs(shift).max() <= 0.1, f"frame {index}: off by {shift} px"


@pytest.mark.parametrize(("name", "least"), [slow("macro", 5), ("landscape", 2)])
def test_recorded_gains_match_the_light_of_the_frames(name, least):
    bracket = load_fixture(name)
    truth = linearize(bracket.truth, "srgb").mean(axis=2)
    measured = {}
    for index, position in enumerate(bracket.positions_px):
        light = linearize(warp_to_reference(bracket, index), "srgb").mean(axis=2)
        tiles = flat_tiles(bracket, position, 6.0, 64, 0.8)
        ratios = [
            light[tile].sum() / truth[tile].sum()
            for tile in tiles
            if bracket.truth[tile].max() < 0.97
        ]
        if len(ratios) >= 3:
            measured[index] = float(np.median(ratios))
    assert len(measured) >= least
    for index, ratio in measured.items():
        assert ratio == pytest.approx(bracket.gains[index], abs=0.01), f"frame {index}"


def disk(diameter: float) -> np.ndarray:
    """Return a disk's area on a pixel grid, by 9-fold sampling."""
    half = int(np.ceil(diameter / 2 + 0.5))
    fine = (np.arange((2 * half + 1) * 9) + 0.5) / 9 - half - 0.5
    inside = (fine[:, None] ** 2 + fine[None, :] ** 2) <= (diameter / 2) ** 2
    kernel = inside.reshape(2 * half + 1, 9, 2 * half + 1, 9).sum(axis=(1, 3)).astype(float)
    kernel[half, half] += 1e-9  # a diameter under one sample is no blur
    return kernel / kernel.sum()


@pytest.mark.parametrize(("name", "index", "other"), [("macro", 5, 8), ("landscape", 1, 0)])
def test_blur_of_tiles_away_from_focus_is_the_recorded_one(name, index, other):
    """Blurring the truth by a disk reproduces frame ``other`` best at the recorded diameter."""
    bracket = load_fixture(name)
    truth = linearize(bracket.truth, "srgb").mean(axis=2)
    light = linearize(warp_to_reference(bracket, other), "srgb").mean(axis=2)
    light = encode(light / bracket.gains[other], "srgb")
    found, expected = [], []
    for tile in flat_tiles(bracket, bracket.positions_px[index], 3.0, 64, 0.8)[:7]:
        rows, columns = tile
        around = np.s_[rows.start - 20 : rows.stop + 20, columns.start - 20 : columns.stop + 20]
        distance = np.median(bracket.pixel_positions_px[tile]) - bracket.positions_px[other]
        expected.append(abs(float(distance)))
        diameters = np.arange(1.0, 28.0, 0.5)
        errors = []
        for diameter in diameters:
            blurred = encode(cv2.filter2D(truth[around], -1, disk(diameter)), "srgb")
            errors.append(np.square(blurred[28:-28, 28:-28] - light[tile][8:-8, 8:-8]).mean())
        found.append(float(diameters[int(np.argmin(errors))]))
    assert len(found) >= 3
    assert np.median(np.array(found) / expected) == pytest.approx(1.0, abs=0.08)
