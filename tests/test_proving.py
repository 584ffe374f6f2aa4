"""The proving brackets: complete, true to what they record, and what the product makes of them.

Truth is checked without the renderer and without the product: positions by the shift that explains
a frame's difference from the truth, blur by comparing with disk-blurred truth, diffraction by the
share of light inside the first dark ring.
"""

from __future__ import annotations

import sys
from pathlib import Path

import cv2
import numpy as np
import proving_data
import pytest
from PIL import Image
from proving_data import PROVING, ProvingBracket
from scenes import blur
from thin_lens import to_coded, to_light

LIMIT_BYTES = 45 * 1024 * 1024
# What each half must hold, each as the beginning of a property's name.
PROPERTIES = (
    "unit breathing", "partial breathing", "no breathing", "normal lens", "macro 1:2", "macro 1:1",
    "macro 3:1", "rail", "diffraction", "soft rims", "bright rims", "cat's eye", "field curvature",
    "focus-dependent distortion", "falloff changes", "bristles before near", "bristles before far",
    "foliage", "rock to horizon", "metal and glass", "clipped highlights", "print", "fabric",
    "low texture", "transparent wing", "beyond", "backdrop smooth", "backdrop textured", "sky",
    "small rotations", "knock", "sinking", "hand-held sway", "moving stalk", "person passes",
    "flicker", "cloud 0.5 EV", "colour shift", "raw", "uneven steps", "two frames", "60 thin",
)  # fmt: skip


def frame(bracket: ProvingBracket, index: int) -> np.ndarray:
    with Image.open(bracket.paths[index]) as picture:
        return np.asarray(picture, np.float32) / 255


def placed(bracket: ProvingBracket, index: int) -> np.ndarray:
    """Return a frame in the reference's geometry and exposure, by the truth."""
    place = bracket.places_in(index).astype(np.float32)
    moved = cv2.remap(frame(bracket, index), place[..., 0], place[..., 1], cv2.INTER_CUBIC)
    return to_coded(to_light(np.clip(moved, 0, 1)) / bracket.gains[index])


def in_focus(bracket: ProvingBracket, index: int) -> np.ndarray:
    """Return where a frame is sharp, nothing nearer spreads over it and nothing moves."""
    signed = bracket.blur_px(index)
    veiled = cv2.dilate(bracket.moving.astype(np.uint8), np.ones((9, 9), np.uint8))
    for diameter in (2, 4, 8, 16, 24):
        disk = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * diameter + 5,) * 2)
        veiled |= cv2.dilate((signed > diameter / 2 + 1).astype(np.uint8), disk)
    sharp = (np.abs(signed) < 0.8) & (veiled == 0)
    x, y = np.moveaxis(bracket.places_in(index), -1, 0)
    height, width = sharp.shape
    return sharp & (x > 8) & (y > 8) & (x < width - 9) & (y < height - 9)


def remaining_shift_px(bracket: ProvingBracket, index: int) -> np.ndarray:
    """Return the (x, y) shift that best explains a frame's difference from the truth."""
    place = in_focus(bracket, index)
    assert place.sum() > 5000
    grey = bracket.truth.mean(axis=2)
    change = (placed(bracket, index).mean(axis=2) - grey)[place]
    slopes = [cv2.Sobel(grey, cv2.CV_32F, *axis, scale=1 / 8)[place] for axis in ((1, 0), (0, 1))]
    return -np.linalg.lstsq(np.stack(slopes, axis=1), change, rcond=None)[0]


def test_all_brackets_are_there_and_small():
    assert len(proving_data.names()) >= 16
    total = sum(p.stat().st_size for p in PROVING.rglob("*") if p.is_file())
    assert total < LIMIT_BYTES
    for name in proving_data.names():
        bracket = proving_data.load(name)
        assert all(path.exists() for path in bracket.paths)
        files = {p for p in bracket.folder.iterdir() if p.is_file()}
        assert files == set(bracket.paths)
        assert bracket.truth.shape == (*bracket.inverse_depth.shape, 3)


@pytest.mark.parametrize("half", proving_data.HALVES)
def test_every_property_is_in_each_half(half):
    has = [p for name in proving_data.names(half) for p in proving_data.load(name).record["has"]]
    assert [wanted for wanted in PROPERTIES if not any(p.startswith(wanted) for p in has)] == []


@pytest.mark.parametrize("half", proving_data.HALVES)
def test_each_half_goes_from_iso_100_to_6400_and_from_jpeg_85_to_raw(half):
    records = [proving_data.load(name).record for name in proving_data.names(half)]
    assert {100, 6400} <= {record["iso"] for record in records}
    assert {0, 85, 95} <= {record["quality"] for record in records}


def test_no_scene_is_in_both_halves():
    words = [{n.split("-")[0] for n in proving_data.names(h)} for h in proving_data.HALVES]
    assert not words[0] & words[1]


@pytest.mark.parametrize(
    ("name", "index"),
    [
        ("rocky-shore-24mm", 6),  # turned and knocked
        ("snowfield-18mm", 1),  # distortion that changes
        ("garden-50mm", 7),  # parallax
        ("coins-1to1", 3),  # breathing and diffraction
        ("ridge-meadow-20mm", 5),
        ("watchworks-1to1", 5),  # field curvature
    ],
)
def test_frames_lie_where_the_truth_says(name, index):
    shift = remaining_shift_px(proving_data.load(name), index)
    assert np.abs(shift).max() < 0.08


def test_far_places_are_blurred_by_the_recorded_diameter():
    """The horizon in the first frame against the truth blurred by a disk."""
    bracket = proving_data.load("rocky-shore-24mm")
    expected = float(np.abs(bracket.blur_px(0)[bracket.inverse_depth < 0.02].mean()))
    far = bracket.inverse_depth < 0.02
    far = cv2.erode(far.astype(np.uint8), np.ones((41, 41), np.uint8)) > 0
    # The cat's eye narrows the disk towards the corners: the middle of the picture only.
    far[:, :250] = far[:, -250:] = False
    seen = placed(bracket, 0)
    light = to_light(bracket.truth)
    errors = {}
    for diameter in np.arange(0.6, 1.45, 0.05) * expected:
        made = to_coded(blur(light, float(diameter)))
        errors[float(diameter)] = float(((made - seen)[far] ** 2).mean())
    assert far.sum() > 2000
    assert min(errors, key=errors.get) == pytest.approx(expected, rel=0.12)


def test_diffraction_puts_84_percent_inside_the_first_dark_ring(monkeypatch):
    """M. Born, E. Wolf, Principles of Optics, 8.5.2: 83.8 % at r = 1.22 wavelengths times f/N."""
    monkeypatch.syspath_prepend(str(Path(__file__).parents[1] / "fixtures"))
    monkeypatch.delitem(sys.modules, "proving_files", raising=False)
    from proving_files import airy_kernel

    number, pitch, wavelength = 44.0, 1.5, 0.54
    kernel = airy_kernel(number, pitch, wavelength)
    y, x = np.indices(kernel.shape) - len(kernel) // 2
    inside = np.hypot(x, y) * pitch <= 1.22 * wavelength * number
    # The kernel ends at five rings' distance, which holds 97 % of the light (same source).
    assert kernel[inside].sum() == pytest.approx(0.838 / 0.97, abs=0.02)


def test_faults_that_are_recorded_are_in_the_frames():
    for name in proving_data.names():
        bracket = proving_data.load(name)
        for fault in bracket.record["faults"]:
            if fault["kind"] == "exposure jump":
                assert np.abs(np.log2(bracket.gains)).max() > 0.1
            if fault["kind"] == "bumped frame":
                knocked = fault["frames"][0]
                size = (bracket.record["width"], bracket.record["height"])
                middle = np.array([size[0] / 2, size[1] / 2, 1.0])
                at = np.stack([t @ middle for t in bracket.transforms])
                at = at[:, :2] / at[:, 2:]
                steps = np.linalg.norm(np.diff(at, axis=0), axis=1)
                assert steps[knocked - 1] > 3 * np.median(steps)
