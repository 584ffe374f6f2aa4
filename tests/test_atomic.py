"""Outputs: whole or not at all, together, never in the place of an input, no leftovers."""

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from click.testing import CliRunner
from small_brackets import write_bracket

from merge.atomic import (
    check_target,
    write_json,
    written_path,
    written_together,
)
from merge.cli import main
from merge.errors import WriteError
from merge.read import find_frames
from merge.write import default_output

ROOT = Path(__file__).parents[1]
posix = pytest.mark.skipif(os.name != "posix", reason="links and signals of POSIX")


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


# A source frame is never replaced, by whatever option of whatever command.


def outputs_of_commands(frames, output):
    return {
        "merge": ["merge", *frames, "-o", output, "--overwrite"],
        "depth": ["merge", *frames, "-o", frames[0].parent / "o.tif", "--depth", output],
        "record": ["merge", *frames, "-o", frames[0].parent / "o.tif", "--record", output],
        "mesh": ["merge", *frames, "-o", frames[0].parent / "o.tif", "--mesh", output],
        "page": ["merge", *frames, "-o", frames[0].parent / "o.tif", "--report", output],
        "picture": ["audit", *frames, "--picture", output],
        "audit page": ["audit", *frames, "--report", output],
        "plot": ["apertures", *frames, "--plot", output],
        "crops": ["apertures", *frames, "--crops", output],
        "apertures page": ["apertures", *frames, "--report", output],
        "plan plot": ["plan", "--frame", frames[0], "--plot", output],
        "plan page": ["plan", "--frame", frames[0], "--report", output],
    }


@pytest.mark.parametrize("what", outputs_of_commands([Path("a")], Path("b")))
@pytest.mark.parametrize("way", ["itself", "hard link", "symbolic link"])
def test_no_output_replaces_an_input(tmp_path, what, way):
    suffix = ".png" if what in {"plot", "crops", "plan plot", "picture"} else ".tif"
    frames = write_bracket(tmp_path, suffix=suffix)
    if "page" in what:
        # What a file is its content tells: a frame may bear the name of a page.
        suffix, frames[0] = ".html", frames[0].rename(frames[0].with_suffix(".html"))
    output = frames[0]
    if way != "itself":
        output = tmp_path / f"other{suffix}"
        (os.link if way == "hard link" else os.symlink)(frames[0], output)
    before = {path: path.read_bytes() for path in frames}
    arguments = outputs_of_commands(frames, output)[what]
    result = run(*arguments, *([] if "--overwrite" in arguments else ["--overwrite"]))
    assert result.exit_code == 1, result.output
    assert "source files are never changed" in result.stderr
    assert {path: path.read_bytes() for path in frames} == before


def test_the_jpeg_beside_a_raw_file_is_an_input_too(tmp_path):
    frames = write_bracket(tmp_path, suffix=".tif")
    companion = frames[0].with_suffix(".jpg")
    companion.write_bytes(write_bracket(tmp_path / "j", suffix=".jpg")[0].read_bytes())
    stack = find_frames([tmp_path])
    assert stack.companions == (companion,)
    before = companion.read_bytes()
    result = run("merge", tmp_path, "-o", companion, "--overwrite")
    assert result.exit_code == 1
    assert "source files are never changed" in result.stderr
    assert companion.read_bytes() == before


@posix
def test_a_link_planted_at_the_temporary_name_is_not_written_through(tmp_path, monkeypatch):
    """The name is random; even one who guessed it gains nothing."""
    victim = tmp_path / "victim"
    victim.write_text("mine")
    monkeypatch.setattr("merge.atomic.secrets.token_hex", lambda count: "0" * 16)
    partial = tmp_path / f".partial-{os.getpid()}-{'0' * 16}"
    partial.symlink_to(victim)
    with pytest.raises(WriteError):
        write_json(tmp_path / "out.json", {})
    assert victim.read_text() == "mine"
    assert partial.is_symlink()


@posix
def test_a_dangling_link_counts_as_an_existing_output(tmp_path):
    (tmp_path / "out.json").symlink_to(tmp_path / "nowhere")
    with pytest.raises(WriteError, match="exists already"):
        check_target(tmp_path / "out.json", overwrite=False)


@posix
def test_a_device_is_no_output(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(WriteError, match="no ordinary file"):
        check_target(tmp_path / "pipe", overwrite=True)


# Together, or not at all.


def write_two(folder, second="2.json", meanwhile=lambda: None):
    with written_together():
        write_json(folder / "1.json", {})
        write_json(folder / second, {})
        meanwhile()


def test_outputs_of_one_block_appear_together(tmp_path):
    first, second = tmp_path / "1.json", tmp_path / "2.json"
    with written_together():
        write_json(first, {"a": 1})
        write_json(second, {"b": 2})
        assert not first.exists()
        assert written_path(first).read_text() == '{\n  "a": 1\n}\n'
    assert names(tmp_path) == ["1.json", "2.json"]


def test_a_failure_after_the_first_output_leaves_none(tmp_path):
    with pytest.raises(WriteError, match="make it first"):
        write_two(tmp_path, "nowhere/2.json")
    assert names(tmp_path) == []


def test_an_output_that_comes_into_being_meanwhile_is_kept(tmp_path):
    with pytest.raises(WriteError, match="exists already"):
        write_two(tmp_path, meanwhile=lambda: (tmp_path / "2.json").write_text("another's"))
    assert names(tmp_path) == ["2.json"]
    assert (tmp_path / "2.json").read_text() == "another's"


def test_a_failing_rename_takes_the_new_names_back(tmp_path, monkeypatch):
    """The system names the first file, then no other, by whatever call."""
    link = os.link

    def fail(*_paths):
        raise OSError(5, "Input/output error")

    def link_once(*paths):
        link(*paths)
        monkeypatch.setattr(os, "link", fail)

    monkeypatch.setattr(os, "link", link_once)
    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(WriteError, match="Input/output error"):
        write_two(tmp_path)
    assert names(tmp_path) == []


def test_one_name_for_two_outputs_is_refused(tmp_path):
    with pytest.raises(WriteError, match="asked for twice"):
        write_two(tmp_path, "./1.json")
    assert names(tmp_path) == []


# Kills.

KILLED = """
import sys, time
from pathlib import Path
from merge.atomic import replace_atomically, write_json, written_together
folder = Path(sys.argv[1])
with written_together():
    write_json(folder / "1.json", {})
    with replace_atomically(folder / "2.json", overwrite=False) as file:
        file.write(b"half")
        file.flush()
        print("ready", flush=True)
        time.sleep(60)
"""


@pytest.fixture
def half_written(tmp_path):
    """Return a running process with one output waiting and one half written."""
    process = subprocess.Popen(
        [sys.executable, "-c", KILLED, str(tmp_path)], cwd=ROOT, stdout=subprocess.PIPE
    )
    assert process.stdout.readline() == b"ready\n"
    yield process
    process.kill()
    process.wait()
    process.stdout.close()


@posix
def test_what_a_killed_run_left_is_removed_by_the_next(tmp_path, half_written):
    half_written.send_signal(signal.SIGKILL)
    half_written.wait()
    assert len(names(tmp_path)) == 2
    assert all(name.startswith(".partial-") for name in names(tmp_path))
    write_json(tmp_path / "out.json", {})
    assert names(tmp_path) == ["out.json"]


@posix
def test_what_a_running_process_writes_is_left_alone(tmp_path, half_written):
    for path in tmp_path.iterdir():  # as after a long merge
        os.utime(path, (time.time() - 3600,) * 2)
    before = names(tmp_path)
    write_json(tmp_path / "out.json", {})
    assert names(tmp_path) == [*before, "out.json"]


@posix
def test_a_partial_file_whose_number_another_process_has_now_is_removed(tmp_path):
    left = tmp_path / f".partial-{os.getppid()}-{'a' * 16}"
    left.write_bytes(b"half")
    write_json(tmp_path / "1.json", {})
    assert left.exists(), "it may be a process that has just begun"
    os.utime(left, (time.time() - 3600,) * 2)
    write_json(tmp_path / "2.json", {})
    assert names(tmp_path) == ["1.json", "2.json"]


@posix
def test_no_link_or_other_file_is_taken_for_a_leftover(tmp_path):
    (tmp_path / "victim").write_text("mine")
    (tmp_path / f".partial-999999999-{'a' * 16}").symlink_to(tmp_path / "victim")
    (tmp_path / ".partial-notes").write_text("mine")
    before = names(tmp_path)
    write_json(tmp_path / "out.json", {})
    assert names(tmp_path) == [*before[:2], "out.json", "victim"]


def test_a_name_too_long_is_told_as_such(tmp_path):
    with pytest.raises(WriteError, match="shorter name"):
        write_json(tmp_path / ("n" * 300), {})


def test_long_names_of_frames_make_names_that_can_be_written(tmp_path):
    day = tmp_path / "day"
    frames = write_bracket(day, suffix=".jpg")
    for i, path in enumerate(frames):
        path.rename(day / (chr(0x00E9) * 110 + f"{i}.jpg"))
    result = run("sort", day, "--into", tmp_path / "groups")
    assert result.exit_code == 0, result.stderr
    stack = find_frames([day])
    write_json(default_output(stack), {})


WRITES = re.compile(
    r"write_text|write_bytes|imwrite|os\.(?:replace|rename)|mkstemp|NamedTemporaryFile"
    r"|open\([^)]*[\"'][rb]*[wxa]|\.open\([\"'][^\"']*[wxa]"
)
# The writer itself, the cache of compiled loops, and the streams.
MAY_WRITE = {"atomic.py", "compiled.py", "streams.py"}


def test_nothing_else_in_the_package_opens_a_file_for_writing():
    for path in (ROOT / "merge").rglob("*.py"):
        if path.name not in MAY_WRITE:
            found = WRITES.search(path.read_text(encoding="utf-8"))
            assert found is None, f"{path}: {found[0]}; write through merge.atomic"


@pytest.mark.slow
def test_the_picture_of_an_audit_is_no_frame_of_the_next_run(tmp_path):
    frames = write_bracket(tmp_path, suffix=".tif")
    output = tmp_path / "weak.png"
    assert run("audit", tmp_path, "--picture", output).exit_code == 0
    assert run("audit", tmp_path, "--picture", output, "--overwrite").exit_code == 0
    assert [source.path for source in find_frames([tmp_path]).sources] == frames
