"""Whatever a person can get wrong: one line that names the file and says what to do.

Every case goes through the real command; a few in a process of their own, to see the exit code
and the streams as a shell sees them.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner, Result
from io_samples import exif_bytes, mosaic_of, smooth_picture, write_dng, write_jpeg, write_tiff
from PIL import Image
from small_brackets import small_bracket, write_bracket, write_frame

from merge.cli import main
from merge.errors import ReadError
from merge.read import find_frames, read_frame
from merge.read.arrays import stack_arrays
from merge.read.blank import BlankRows


def merge(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["merge", *map(str, arguments)])


def contents(folder: Path) -> dict[str, str]:
    """Return the hash of every file below a folder, hidden ones too."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def assert_one_line(result: Result, *words: str, code: int = 1) -> None:
    assert result.exit_code == code, result.output
    assert result.stdout == ""
    lines = result.stderr.splitlines()
    assert len(lines) == 1, result.stderr
    assert lines[0].startswith("depthweld merge: ")
    for word in words:
        assert word in lines[0]


def text(path: Path) -> None:
    path.with_suffix(".jpg").write_text("a note, not a picture\n" * 20, encoding="utf-8")


def nothing(path: Path) -> None:
    path.with_suffix(".jpg").write_bytes(b"")


def cut_jpeg(path: Path) -> None:
    whole = write_frame(path.with_suffix(".jpg"), small_bracket()[0][0])
    whole.write_bytes(whole.read_bytes()[:-4000])


def cut_tiff(path: Path) -> None:
    # Written in the order table, pixels: what is cut off is pixels.
    whole = write_tiff(
        path.with_suffix(".tif"), np.rint(small_bracket()[0][0] * 65535).astype("u2")
    )
    whole.write_bytes(whole.read_bytes()[:-30_000])


def cut_raw(path: Path) -> None:
    whole = write_dng(path.with_suffix(".dng"), mosaic_of(smooth_picture(160, 240, dtype="f8")))
    whole.write_bytes(whole.read_bytes()[:-30_000])


def smaller(path: Path) -> None:
    write_frame(path.with_suffix(".jpg"), small_bracket(height=150)[0][0], 9)


def upright(path: Path) -> None:
    picture = np.ascontiguousarray(small_bracket()[0][0].swapaxes(0, 1))
    write_frame(path.with_suffix(".jpg"), picture, 9)


def turned(path: Path) -> None:
    pixels = np.rint(small_bracket()[0][0] * 255).astype(np.uint8)
    write_jpeg(path.with_suffix(".jpg"), pixels, exif=exif_bytes(orientation=6))


def other_camera(path: Path) -> None:
    pixels = np.rint(small_bracket()[0][0] * 255).astype(np.uint8)
    other = exif_bytes(main={271: "Sample", 272: "Pocket Two"})
    write_jpeg(path.with_suffix(".jpg"), pixels, exif=other)


def grey(path: Path) -> None:
    pixels = np.rint(small_bracket()[0][0][..., 1] * 255).astype(np.uint8)
    write_jpeg(path.with_suffix(".jpg"), pixels)


def cmyk_jpeg(path: Path) -> None:
    Image.new("CMYK", (240, 160), (10, 20, 30, 40)).save(path.with_suffix(".jpg"), "JPEG")


# Among good frames of which ending, and what the line says; `test_read.py` has more.
ODD_FRAMES: list[tuple[str, Callable[[Path], None], tuple[str, ...]]] = [
    (".jpg", text, ("odd.jpg", "not a picture", "expected JPEG", "leave it out")),
    (".jpg", nothing, ("odd.jpg", "0 bytes", "copy it again")),
    (".jpg", cut_jpeg, ("odd.jpg", "cut off", "copy it again")),
    (".jpg", smaller, ("odd.jpg", "240 x 150 px", "240 x 160 px", "leave this frame out")),
    (".jpg", upright, ("odd.jpg", "160 x 240 px", "240 x 160 px", "turn all frames alike")),
    (".jpg", other_camera, ("odd.jpg", "Sample Pocket Two", "Example Field One", "one camera")),
    (".jpg", grey, ("odd.jpg", "grey", "colour", "alike")),
    (".jpg", cmyk_jpeg, ("odd.jpg", "CMYK", "expected", "export")),
    (".jpg", cut_raw, ("odd.dng", "cut off", "copy it again")),
    (".tif", cut_tiff, ("odd.tif", "copy it again")),
]


@pytest.mark.parametrize(
    ("suffix", "make", "words"), ODD_FRAMES, ids=lambda value: getattr(value, "__name__", "")
)
def test_an_odd_frame_among_good_ones_stops_the_merge_with_one_line(tmp_path, suffix, make, words):
    folder = tmp_path / "bracket"
    write_bracket(folder, suffix=suffix)
    make(folder / "odd")
    before = contents(tmp_path)
    assert_one_line(merge(folder, "-o", tmp_path / "out.tif"), *words)
    assert contents(tmp_path) == before


def test_a_frame_that_alone_tells_another_orientation_is_turned_as_the_others(tmp_path):
    """Cameras that point down mistake how they are held (common practice, no source)."""
    folder = tmp_path / "bracket"
    write_bracket(folder, suffix=".jpg")
    turned(folder / "odd")
    stack = find_frames(folder)
    assert stack.turned == ("odd.jpg",)
    assert {source.shape for source in stack.sources} == {(160, 240, 3)}
    odd = next(source for source in stack.sources if source.name == "odd.jpg")
    with Image.open(folder / "odd.jpg") as stored:
        np.testing.assert_allclose(read_frame(odd).pixels * 255, np.asarray(stored), atol=2)
    run = merge(folder, "-o", tmp_path / "out.tif")
    assert run.exit_code == 0
    assert "turned as most frames, not as it tells: odd.jpg" in run.stdout


def test_frames_of_which_half_are_turned_stop_the_merge_with_one_line(tmp_path):
    folder = tmp_path / "bracket"
    write_bracket(folder, 1, suffix=".jpg")
    turned(folder / "odd")
    assert_one_line(merge(folder, "-o", tmp_path / "out.tif"), "turned by 90°", "is upright")


def test_a_link_to_a_picture_that_is_gone_stops_the_merge_with_one_line(tmp_path):
    """A sorted folder holds links; a card that is taken out leaves them without their frames."""
    folder = tmp_path / "bracket"
    write_bracket(folder, suffix=".jpg")
    (folder / "odd.jpg").symlink_to(tmp_path / "card" / "odd.jpg")
    assert_one_line(merge(folder, "-o", tmp_path / "out.tif"), "odd.jpg", "a link to", "connect")


def written_in_part(path: Path, share: float = 0.6) -> None:
    """Zero the end of an uncompressed file, as where disk space was set aside but not filled."""
    content = path.read_bytes()
    kept = int(len(content) * share)
    path.write_bytes(content[:kept] + bytes(len(content) - kept))


@pytest.mark.parametrize("command", ["merge", "audit"])
@pytest.mark.parametrize("turned", [False, True])
def test_a_frame_whose_lower_part_was_never_written_is_refused(tmp_path, command, turned):
    pictures, _ = small_bracket()
    options = {"extratags": [(274, 3, 1, 6, True)]} if turned else {}
    for i, picture in enumerate(pictures):
        values = np.rint(picture * 65535).astype(np.uint16)
        tifffile.imwrite(tmp_path / f"frame_{i}.tif", values, photometric="rgb", **options)
    written_in_part(tmp_path / "frame_1.tif")
    result = CliRunner().invoke(main, [command, str(tmp_path)])
    assert result.exit_code == 1
    (line,) = result.stderr.splitlines()
    words = "frame_1.tif: columns 1 to " if turned else "frame_1.tif: rows "
    assert words in line
    assert "copy it again" in line


def check_blank(frames) -> None:
    blank = BlankRows()
    for frame in frames:
        blank.add(frame)
    blank.check(stack_arrays(list(frames)).sources)


def test_true_black_is_no_lost_part():
    """A night below a skyline; what blur carries into it; a frame with the lens cap on."""
    night = np.zeros((320, 240), np.float32)
    night[:150] = np.random.default_rng(1).uniform(0.1, 0.6, (150, 240))
    soft = cv2.blur(night, (31, 31))
    check_blank([night, night * 0.9, soft])
    check_blank([soft, night, soft])
    check_blank([night, 0 * night, night])
    unlit = np.where(night > 0.598, night / 100, 0) * (np.arange(320) >= 120)[:, None]
    check_blank([night, unlit, night])  # a flash that did not fire
    with pytest.raises(ReadError, match="frame 3: rows 1 to 120 of 320 are zero"):
        check_blank([night, soft, night * (np.arange(320) >= 120)[:, None]])
    with pytest.raises(ReadError, match="columns 121 to 240 of 240 are zero"):
        check_blank([night, night * (np.arange(240) < 120), soft, night])


def test_frames_of_8_and_16_bits_are_merged_together(tmp_path):
    pictures, _ = small_bracket()
    for i, picture in enumerate(pictures):
        write_frame(tmp_path / f"frame_{i}.tif", picture, bits=8 if i == 1 else 16)
    result = merge(tmp_path, "-o", tmp_path / "out.tif")
    assert result.exit_code == 0, result.stderr
    assert tifffile.imread(tmp_path / "out.tif").dtype == np.uint16


def test_half_precision_frames_are_merged(tmp_path):
    pictures, _ = small_bracket()
    for i, picture in enumerate(pictures):
        write_tiff(tmp_path / f"frame_{i}.tif", (picture**2.2).astype(np.float16))
    result = merge(tmp_path, "-o", tmp_path / "out.tif")
    assert result.exit_code == 0, result.output
    assert tifffile.imread(tmp_path / "out.tif").shape[2] == 3


def test_a_bracket_without_anything_to_align_by_is_refused(tmp_path):
    for i in range(3):
        write_frame(tmp_path / f"frame_{i}.png", np.full((160, 240, 3), 0.5, np.float32))
    before = contents(tmp_path)
    assert_one_line(merge(tmp_path), "could be aligned", "show one scene")
    assert contents(tmp_path) == before


def test_an_unreadable_frame_is_refused(tmp_path, monkeypatch):
    paths = write_bracket(tmp_path, suffix=".jpg")
    if os.geteuid() != 0:
        paths[1].chmod(0)
    else:  # who may read everything is refused by hand
        opened = Path.open

        def refuse(path: Path, *arguments, **options):
            if path.name == paths[1].name:
                raise PermissionError(13, "Permission denied", str(path))
            return opened(path, *arguments, **options)

        monkeypatch.setattr(Path, "open", refuse)
    assert_one_line(merge(tmp_path), paths[1].name, "no permission to read")


def test_an_unwritable_output_folder_is_refused_before_the_work(tmp_path, monkeypatch):
    write_bracket(tmp_path / "in")
    out = tmp_path / "out"
    out.mkdir(mode=0o555)
    if os.geteuid() == 0:
        monkeypatch.setattr(os, "access", lambda path, mode: Path(path) != out)
    monkeypatch.setattr("merge.pipeline.saving.merge_stack", must_not_start)
    assert_one_line(merge(tmp_path / "in", "-o", out / "x.tif"), "x.tif", "no permission to write")


def must_not_start(*arguments, **options):
    raise AssertionError("the work started")


@pytest.mark.parametrize(
    ("output", "words"),
    [
        ("nowhere/out.tif", ("does not exist", "make it first")),
        ("out.bmp", ("'.bmp'", "expected .tif, .png or .jpg")),
        ("out", ("no ending", "expected .tif")),
        ("in/frame_2.tif", ("is the input frame_2.tif", "choose another name")),
    ],
)
def test_an_impossible_output_is_refused_before_the_work(tmp_path, monkeypatch, output, words):
    write_bracket(tmp_path / "in")
    before = contents(tmp_path)
    monkeypatch.setattr("merge.pipeline.saving.merge_stack", must_not_start)
    assert_one_line(merge(tmp_path / "in", "-o", tmp_path / output), *words)
    assert contents(tmp_path) == before


@pytest.mark.parametrize("option", ["-o", "--depth"])
def test_a_frame_is_never_overwritten(tmp_path, option):
    paths = write_bracket(tmp_path)
    before = contents(tmp_path)
    arguments = {"-o": tmp_path / "out.tif"} | {option: paths[1]}
    flat = [item for pair in arguments.items() for item in pair]
    assert_one_line(merge(*paths, *flat, "--overwrite"), paths[1].name, "source files are never")
    assert contents(tmp_path) == before


@pytest.mark.slow
def test_an_output_in_the_input_folder_is_no_frame_of_the_next_run(tmp_path):
    write_bracket(tmp_path)
    first = merge(tmp_path, "-o", tmp_path / "result.tif", "--depth", tmp_path / "depth.tif")
    assert first.exit_code == 0, first.stderr
    second = merge(tmp_path, "-o", tmp_path / "again.png")
    assert second.exit_code == 0, second.stderr
    assert second.stdout.startswith("Frames     3, frame_1.tif to frame_3.tif")
    assert "passed over: result.tif: an earlier result" in second.stdout
    assert "passed over: depth.tif: a depth map" in second.stdout
    third = merge(tmp_path, "-o", tmp_path / "result.tif", "--overwrite")
    assert third.stdout.startswith("Frames     3, frame_1.tif to frame_3.tif"), third.stderr


def test_a_process_ends_with_one_line_and_code_1(tmp_path):
    write_bracket(tmp_path, suffix=".jpg")
    text(tmp_path / "odd")
    command = [sys.executable, "-m", "merge", "merge", str(tmp_path)]
    done = subprocess.run(command, cwd=Path(__file__).parents[1], capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (1, "")
    assert len(done.stderr.splitlines()) == 1
    assert done.stderr.startswith("depthweld merge: odd.jpg: not a picture")


def test_wrong_usage_ends_with_one_line_and_code_2(tmp_path):
    for arguments, words in (
        ((), "no frames"),
        ((tmp_path, "--metod", "detail"), "--metod"),
        ((tmp_path, "--method", "best"), "'detail'"),
        ((tmp_path, "--memory", "lots"), "2GB"),
        ((tmp_path, "--report", tmp_path / "page.txt"), "a page is written as .html or .htm"),
        ((tmp_path, "--pixel-pitch", "3.76mm"), "3.76um"),
        ((tmp_path, "--magnification", "-1"), "above 0 such as 0.5, 1:2"),
        ((tmp_path, "--each", tmp_path), "leave FRAMES out"),
    ):
        assert_one_line(merge(*arguments), words, "depthweld merge --help", code=2)
