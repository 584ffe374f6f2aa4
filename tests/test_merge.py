"""The merged picture against the truth, and against what a reference library makes of the frames.

Yardsticks: PSNR and SSIM of scikit-image (Z. Wang et al., IEEE Trans. Image Process. 13(4),
600-612 (2004)) after one gain for the whole picture; the sharpest single frame; OpenCV's exposure
fusion with contrast weight alone (T. Mertens et al., Pacific Graphics 2007), which gets the frames
aligned by the true transforms; and the choice, pixel by pixel, of the frame that the TRUE depth
names: what a perfect depth map could give without looking behind blurred edges.

The bar is 6 dB above the best frame and the fusion. The photograph's bracket reaches it. The
landscape does not: its three frames lie 12 px of blur apart, and even the choice by true depth
gains no more than 2.9 dB over its best frame; its floors are what is reached. Deep subjects close
up: `test_proving_bounds.py`.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import pytest
from fixture_data import load_fixture
from io_samples import write_tiff
from PIL import Image, ImageCms
from scenes import photograph_stack
from skimage.metrics import peak_signal_noise_ratio, structural_similarity
from small_brackets import small_bracket, write_bracket

from merge.model import MergeOptions
from merge.pipeline.merging import MergeResult, merge_stack
from merge.pipeline.saving import OutputFiles, merge_to_files, write_picture
from merge.read import find_frames


@dataclass(frozen=True, eq=False)
class Compared:
    """A merge beside truth and the other ways, all cut to the merge's area."""

    result: MergeResult
    truth: np.ndarray
    counted: np.ndarray  # (H, W) bool: where it is compared
    frames: list[np.ndarray]  # aligned by the true transforms
    by_depth: np.ndarray  # of these the one in focus by true depth, pixel by pixel

    def psnr(self, picture: np.ndarray) -> float:
        """Return the PSNR in dB of the counted pixels after one gain."""
        found, truth = picture[self.counted], self.truth[self.counted]
        gain = (found * truth).sum() / (found * found).sum()
        return peak_signal_noise_ratio(truth, found * gain, data_range=1.0)

    def ssim(self, picture: np.ndarray) -> float:
        """Return the mean SSIM of the counted pixels' luma, on which it is defined."""
        truth, found = (
            cv2.cvtColor(p.astype(np.float32), cv2.COLOR_RGB2GRAY) for p in (self.truth, picture)
        )
        _, everywhere = structural_similarity(truth, found, data_range=1.0, full=True)
        return float(everywhere[self.counted].mean())

    @cached_property
    def fusion(self) -> np.ndarray:
        """Return OpenCV's exposure fusion by contrast alone."""
        coded = [np.rint(frame.clip(0, 1) * 255).astype(np.uint8) for frame in self.frames]
        return cv2.createMergeMertens(1, 0, 0).process(coded)


def compare(
    stack_frames: list[np.ndarray],
    transforms: list[np.ndarray],
    truth: np.ndarray,
    nearest: np.ndarray,
    result: MergeResult,
    counted: np.ndarray,
) -> Compared:
    """Cut everything to the merge's area; ``nearest`` is the frame in focus at each pixel."""
    height, width = truth.shape[:2]
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    aligned = [
        cv2.warpPerspective(frame, matrix, (width, height), flags=flags,
                            borderMode=cv2.BORDER_REFLECT)
        for frame, matrix in zip(stack_frames, transforms, strict=True)
    ]  # fmt: skip
    rows, columns = np.indices((height, width))
    chosen = np.stack(aligned)[nearest, rows, columns]
    (top, left), (h, w) = result.origin, result.pixels.shape[:2]
    area = np.s_[top : top + h, left : left + w]
    frames = [frame[area] for frame in aligned]
    return Compared(result, truth[area], counted[area], frames, chosen[area])


@pytest.fixture(scope="module")
def landscape() -> Compared:
    bracket = load_fixture("landscape")
    gap = np.abs(bracket.pixel_positions_px[..., None] - bracket.positions_px)
    frames = [bracket.frame(i) for i in range(len(bracket.paths))]
    result = merge_stack(find_frames(bracket.folder))
    transforms = list(bracket.transforms)
    return compare(frames, transforms, bracket.truth, gap.argmin(axis=-1), result, bracket.covered)


@pytest.fixture(scope="module")
def photograph(tmp_path_factory) -> Compared:
    gains = [1, 1.03, 0.98, 1, 1.02, 1, 1, 0.97, 1, 1.01]
    scene = photograph_stack(10, gains=gains, part=np.s_[60:440, :480])
    folder = tmp_path_factory.mktemp("photograph")
    for i, frame in enumerate(scene.frames):
        write_tiff(folder / f"frame_{i}.tif", np.rint(frame * 65535).astype(np.uint16))
    nearest = np.rint(scene.depth).astype(int)
    result = merge_stack(find_frames(folder))
    everywhere = np.ones(nearest.shape, bool)
    return compare(scene.frames, scene.transforms, scene.truth, nearest, result, everywhere)


# Floors in dB above the best frame, above the fusion, and above the choice by true depth.
FLOORS = {
    "photograph": (10.0, 6.0, 1.5),
    "landscape": (3.2, 2.3, 0.4),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", FLOORS)
def test_merged_picture_is_nearer_to_the_truth_than_frames_and_reference_fusion(name, request):
    """In level and in structure: both of one merge."""
    compared: Compared = request.getfixturevalue(name)
    above_frame, above_fusion, above_depth = FLOORS[name]
    merged = compared.psnr(compared.result.pixels)
    best = max(compared.psnr(frame) for frame in compared.frames)
    fusion, by_depth = compared.psnr(compared.fusion), compared.psnr(compared.by_depth)
    print(
        f"{name}: merged {merged:.2f}, frame {best:.2f}, fusion {fusion:.2f}, depth {by_depth:.2f}"
    )
    assert merged >= best + above_frame
    assert merged >= fusion + above_fusion
    assert merged >= by_depth + above_depth
    structure = compared.ssim(compared.result.pixels)
    others = [compared.ssim(picture) for picture in (*compared.frames, compared.fusion)]
    print(f"{name}: structure {structure:.4f}, best other {max(others):.4f}")
    assert structure > max(others) + 0.02


@pytest.mark.parametrize("method", ["auto", "detail", "surface"])
def test_merging_copies_of_one_frame_gives_it_back(tmp_path, method):
    _, truth = small_bracket()
    for i in range(4):
        write_tiff(tmp_path / f"copy_{i}.tif", np.rint(truth * 65535).astype(np.uint16))
    result = merge_stack(find_frames(tmp_path), MergeOptions(method=method, motion="none"))
    # An eighth of an 8-bit step: what the spline of the one resampling leaves.
    np.testing.assert_allclose(result.pixels, truth, atol=0.0005)


def test_extent_of_the_reference_keeps_its_whole_area(tmp_path):
    pictures, _ = small_bracket(3, height=240, width=360)
    for i, picture in enumerate(pictures):
        moved = np.roll(picture, 6 * i, axis=1)[:, 20:-20]
        write_tiff(tmp_path / f"f_{i}.tif", np.rint(moved * 65535).astype(np.uint16))
    stack = find_frames(tmp_path)
    common = merge_stack(stack, MergeOptions(motion="shift"))
    whole = merge_stack(stack, MergeOptions(motion="shift", extent="reference"))
    assert whole.pixels.shape[:2] == (240, 320)
    assert whole.origin == (0, 0)
    assert common.pixels.shape[1] == pytest.approx(320 - 12, abs=3)
    (top, left), (height, width) = common.origin, common.pixels.shape[:2]
    inside = whole.pixels[top : top + height, left : left + width]
    # Away from the border, where the extra columns spread over a few pyramid levels.
    middle = np.s_[40:-40, 60:-60]
    assert np.abs(inside[middle] - common.pixels[middle]).mean() < 0.01


PROFILES = {
    "adobergb": lambda: imagecodecs.cms_profile("adobergb"),
    "wide linear": lambda: imagecodecs.cms_profile(
        "rgb",
        whitepoint=(0.3127, 0.3290, 1.0),
        primaries=[0.708, 0.292, 1, 0.170, 0.797, 1, 0.131, 0.046, 1],  # ITU-R BT.2020-2, table 3
        gamma=1.0,
    ),
}


@pytest.mark.parametrize("name", PROFILES)
def test_colours_are_the_frames_colours_to_a_colour_management_library(tmp_path, name):
    """LittleCMS, through Pillow, turns frame and result into Lab: delta E 1976 (CIE 15)."""
    profile = PROFILES[name]()
    paths = write_bracket(tmp_path / "in")
    for path in paths:
        pixels = imagecodecs.tiff_decode(path.read_bytes())
        write_tiff(path, pixels, iccprofile=profile)
    frame = lab(Image.fromarray((pixels >> 8).astype(np.uint8)), profile)
    result = merge_stack(find_frames(paths), MergeOptions(motion="none"))
    for suffix in (".tif", ".png", ".jpg"):
        with Image.open(write_picture(tmp_path / f"out{suffix}", result)) as picture:
            assert picture.info["icc_profile"] == profile
            merged = lab(picture.convert("RGB"), profile)
        difference = np.linalg.norm(merged.mean(axis=(0, 1)) - frame.mean(axis=(0, 1)))
        assert difference < 1.0


def lab(picture: Image.Image, profile: bytes) -> np.ndarray:
    """Return CIE L*a*b* of an 8-bit RGB picture, (H, W, 3)."""
    source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
    turned = ImageCms.profileToProfile(
        picture, source, ImageCms.createProfile("LAB"), outputMode="LAB"
    )
    values = np.asarray(turned, np.float64)
    values[..., 1:] = np.where(values[..., 1:] > 127, values[..., 1:] - 256, values[..., 1:])
    return values * (100 / 255, 1, 1)


def test_source_files_are_never_touched(tmp_path):
    paths = write_bracket(tmp_path / "in", suffix=".jpg")
    before = [(path.read_bytes(), path.stat().st_mtime_ns) for path in paths]
    merge_to_files(find_frames(tmp_path / "in"), OutputFiles(Path(tmp_path / "out.tif")))
    assert [(path.read_bytes(), path.stat().st_mtime_ns) for path in paths] == before
