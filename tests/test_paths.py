"""Paths as a file manager or a terminal pastes them, and folders of folders."""

import os
from pathlib import Path

import pytest
from click.testing import CliRunner
from small_brackets import small_bracket, write_bracket, write_frame

from merge.cli import main
from merge.cli.paths import clean_path
from merge.errors import ReadError
from merge.read import find_frames


def run(*arguments):
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture
def pond(tmp_path) -> Path:
    folder = tmp_path / "pond (3) & co"
    write_bracket(folder, suffix=".jpg")
    return folder


@pytest.mark.parametrize(
    "paste",
    [
        lambda p: f"'{p}'",
        lambda p: f'"{p}"',
        lambda p: f" {p} ",
        lambda p: str(p).replace(" ", "\\ ").replace("(", "\\(").replace("&", "\\&"),
        lambda p: p.as_uri(),
        lambda p: f"'{p.as_uri()}'",
        lambda p: "file://localhost" + p.as_uri().removeprefix("file://"),
        lambda p: f"\u201c{p}\u201d",
    ],
    ids=["quoted", "double", "spaces", "backslashes", "address", "quoted address", "host", "curly"],
)
@pytest.mark.skipif(os.sep != "/", reason="backslashes separate folders there")
def test_a_pasted_path_is_found(pond, paste):
    assert clean_path(paste(pond)) == str(pond)
    result = run("sort", paste(pond))
    assert result.exit_code == 0, result.stderr
    assert "3 files" in result.stdout


def test_several_addresses_pasted_at_once_are_frames(pond):
    text = "\n".join(path.as_uri() for path in sorted(pond.iterdir()))
    result = run("merge", text, "-o", pond.parent / "out.tif", "-q")
    assert result.exit_code == 0, result.stderr


def test_a_file_whose_name_holds_a_backslash_or_quotes_is_itself(tmp_path):
    for name in ("a\\ b.jpg", "'c'.jpg", "file:d.jpg"):
        (tmp_path / name).write_bytes(b"x")
        assert clean_path(str(tmp_path / name)) == str(tmp_path / name)


def test_an_address_on_another_computer_is_refused():
    result = run("sort", "file://server/card")
    assert result.exit_code == 2
    assert "on another computer" in result.stderr


@pytest.mark.parametrize("command", ["merge", "audit", "sort", "apertures"])
def test_a_name_torn_at_its_spaces_gets_a_hint(pond, command):
    result = run(command, *str(pond).split(" "))
    assert (result.exit_code, result.stdout) == (2, "")
    assert f"'{pond}' is one: put quotes around" in result.stderr


def test_a_folder_of_folders_says_what_is_in_them(tmp_path):
    write_bracket(tmp_path / "DCIM" / "100CARD", suffix=".jpg")
    write_frame(tmp_path / "DCIM" / "one.jpg", small_bracket()[0][0])
    with pytest.raises(ReadError, match=r"DCIM \(1 picture\), DCIM/100CARD \(3 pictures\)"):
        find_frames(tmp_path)
    result = run("merge", tmp_path)
    assert result.exit_code == 1
    assert "depthweld sort" in result.stderr


@pytest.mark.parametrize("made", [True, False], ids=["existing", "missing"])
def test_an_output_that_is_a_folder_takes_the_default_name(pond, tmp_path, made):
    if made:
        (tmp_path / "out").mkdir()
    result = run("merge", pond, "-o", f"{tmp_path / 'out'}/", "-q")
    assert result.exit_code == 0, result.stderr
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["frame_1-frame_3-merged.tif"]


def test_raw_and_jpeg_that_are_links_into_two_folders_are_one_picture(tmp_path):
    """A bracket's folder may hold links to raw files on one card and JPEGs on another."""
    from card_generator import write_dng

    frames = small_bracket()[0][:2]
    bracket = tmp_path / "bracket"
    bracket.mkdir()
    for i, frame in enumerate(frames):
        raw, jpeg = tmp_path / "raw" / f"F_{i}.dng", tmp_path / "jpeg" / f"F_{i}.jpg"
        raw.parent.mkdir(exist_ok=True)
        jpeg.parent.mkdir(exist_ok=True)
        pixels = (frame * 255).clip(0, 255).astype("uint8")
        write_dng(raw, pixels, f"2031:05:06 07:08:{2 * i:02d}", ("Sample", "One"))
        write_frame(jpeg, frame, i)
        for file in (raw, jpeg):
            (bracket / file.name).symlink_to(file)
    stack = find_frames(bracket)
    assert [s.name for s in stack.sources] == ["F_0.dng", "F_1.dng"]
    assert "F_0.jpg: the same picture as F_0.dng" in stack.skipped


@pytest.mark.parametrize("command", ["merge", "audit", "apertures", "sort"])
def test_an_empty_name_is_not_the_folder_that_the_program_runs_in(pond, monkeypatch, command):
    monkeypatch.chdir(pond)
    result = run(command, "")
    assert result.exit_code == 2
    assert "an empty name; give a file or folder" in result.stderr
