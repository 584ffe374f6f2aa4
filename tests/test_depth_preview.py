"""The depth map as a picture for looking at."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import imagecodecs
import matplotlib
import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab

from merge.errors import ReadError, WriteError
from merge.model import DepthMap
from merge.read import find_frames
from merge.write import write_depth_preview


def ramp(height: int, width: int, first: float = 0.0, last: float = 11.0) -> DepthMap:
    position = np.broadcast_to(np.linspace(first, last, width, dtype=np.float32), (height, width))
    return DepthMap(position.copy(), np.ones((height, width), np.float32))


def preview(path: Path, depth: DepthMap, **options: bool) -> np.ndarray:
    return imagecodecs.png_decode(write_depth_preview(path, depth, **options).read_bytes())


def test_preview_colours_are_those_of_matplotlibs_table(tmp_path):
    """Viridis as matplotlib carries it; S. van der Walt and N. Smith, SciPy 2015."""
    picture = preview(tmp_path / "d.png", ramp(40, 512))
    expected = matplotlib.colormaps["viridis"](np.linspace(0, 1, 512))[:, :3] * 255
    assert picture.dtype == np.uint8
    assert np.abs(picture[20] - expected).max() <= 4  # half a step of the table of 256 colours


def test_equal_steps_of_depth_look_equal(tmp_path):
    """CIEDE2000 (ISO/CIE 11664-6), and lightness grows from one end to the other."""
    picture = preview(tmp_path / "d.png", ramp(40, 512))
    lab = rgb2lab(picture[20, ::32][None])[0]
    steps = deltaE_ciede2000(lab[:-1], lab[1:])
    assert (np.diff(lab[:, 0]) > 2).all()
    assert steps.max() < 2 * steps.min()


def test_preview_of_a_large_map_is_shrunk_and_a_small_one_keeps_its_pixels(tmp_path):
    large = preview(tmp_path / "large.png", ramp(600, 4000))
    assert large.shape[1] == 2000
    assert 300 < large.shape[0] < 450
    small = preview(tmp_path / "small.png", replace(ramp(8, 8), near_first=False))
    assert (small[:8, :8, 1].astype(int) == small[0, :8, 1]).all()
    assert small.shape[1] == 320


def test_the_scale_tells_which_end_is_near_only_where_that_is_known(tmp_path):
    pictures = [
        preview(tmp_path / f"{k}.png", replace(ramp(40, 400), near_first=near))
        for k, near in enumerate((None, True, False))
    ]
    scales = [p[40:] for p in pictures]
    assert all((p[:40] == pictures[0][:40]).all() for p in pictures)
    assert not (scales[0] == scales[1]).all()
    assert not (scales[1] == scales[2]).all()


def test_a_flat_depth_map_has_one_colour(tmp_path):
    flat = np.full((8, 400), 3.0, np.float32)
    picture = preview(tmp_path / "d.png", DepthMap(flat, flat))
    assert (picture[:8] == picture[0, 0]).all()


def test_preview_is_never_a_frame_and_never_replaces_without_leave(tmp_path):
    path = write_depth_preview(tmp_path / "d.png", ramp(40, 400))
    with pytest.raises(ReadError, match="depth map"):
        find_frames([path])
    with pytest.raises(WriteError, match="exists already"):
        write_depth_preview(path, ramp(40, 400))
    write_depth_preview(path, ramp(40, 400), overwrite=True)
    with pytest.raises(WriteError, match=r"written as \.png"):
        write_depth_preview(tmp_path / "d.tif", ramp(40, 400))
    assert [p.name for p in tmp_path.iterdir()] == ["d.png"]
