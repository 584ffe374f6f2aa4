"""Pictures of odd sizes and values: a result or one line, in every command."""

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from io_samples import write_tiff
from small_brackets import small_bracket, write_frame

from merge import merge_stack
from merge.cli import main
from merge.read import read_preview


@pytest.mark.parametrize(
    ("height", "width"), [(1, 1), (2, 2), (240, 1), (16, 16), (31, 3000), (64, 64), (50, 3000)]
)
def test_a_bracket_of_an_odd_size_gives_a_result_or_one_line(tmp_path, height, width):
    for i, picture in enumerate(small_bracket(height=height, width=width)[0], 1):
        write_frame(tmp_path / f"f{i}.tif", picture)
    out = tmp_path / "out"
    out.mkdir()
    for arguments in (
        ["merge", tmp_path, "-o", out / "o.tif", "--report", out / "o.html"],
        ["audit", tmp_path, "--report", out / "a.html", "--picture", out / "a.png"],
        ["apertures", tmp_path, "--f-numbers", "5.6,8,11", "--plot", out / "p.png"],
        ["sort", tmp_path],
    ):
        result = CliRunner().invoke(main, [str(a) for a in arguments])
        if result.exit_code:
            assert isinstance(result.exception, SystemExit), result.exception
            assert len(result.stderr.splitlines()) == 1


def odd_floats():
    values = np.full((64, 80, 3), 0.5, np.float32)
    one = values.copy()
    one[3, 4] = 1e30
    return {"one huge": one, "thousands": values * 2000, "infinite": values * np.inf}


@pytest.mark.parametrize("values", odd_floats().values(), ids=odd_floats())
def test_floats_that_are_no_picture_are_refused(tmp_path, values):
    for i in range(2):
        write_tiff(tmp_path / f"{i}.tif", values)
    for command in ("merge", "audit"):
        result = CliRunner().invoke(main, [command, str(tmp_path)])
        assert result.exit_code == 1
        assert isinstance(result.exception, SystemExit), result.exception
        assert "expected" in result.stderr
        assert len(result.stderr.splitlines()) == 1


@pytest.mark.parametrize(("height", "width"), [(1, 1700), (1700, 1), (3, 2500)])
def test_a_line_of_pixels_has_a_small_picture(tmp_path, height, width):
    write_tiff(tmp_path / "a.tif", np.full((height, width), 9000, np.uint16))
    luminance, scale = read_preview(tmp_path / "a.tif", min_long_side_px=800)
    assert max(luminance.shape) * scale == pytest.approx(max(height, width), rel=0.1)
    result = CliRunner().invoke(main, ["sort", str(tmp_path)])
    assert result.exit_code == 0, result.exception


@pytest.mark.slow
def test_a_large_picture_may_end_with_a_row_that_fills_no_block():
    """6.5 megapixels and more are compared at half their size, in strips of 120 rows."""
    blocks = np.random.default_rng(0).random((631, 650, 1))
    picture = np.uint8(200 * blocks.repeat(4, 0).repeat(4, 1).repeat(3, 2))[:2521]
    soft = cv2.GaussianBlur(picture, (0, 0), 1.5)
    left = np.arange(picture.shape[1])[:, None] < 1300
    frames = [np.where(left, picture, soft), np.where(left, soft, picture)]
    result = merge_stack(frames, method="detail")
    rows, columns, _ = result.pixels.shape
    assert rows > 2510
    assert columns > 2590
