"""Output and messages reach whatever they are connected to, and nothing else does."""

import json
import os
import shutil
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from click.testing import CliRunner
from marks import slow
from small_brackets import write_bracket

from merge.cli import main
from merge.printable import printable, printable_json, printable_name

ROOT = Path(__file__).parents[1]
ENVIRONMENT = os.environ | {"PYTHONPATH": str(ROOT)}
PLAN = ("plan", "--pixel-pitch", "3.76um", "--magnification", "1:1", "--depth", "5mm")
SMALL = {"suffix": ".jpg", "height": 96, "width": 128}
ALL_CLOSED = ">&- 2>&- <&-"
full_device = pytest.mark.skipif(not Path("/dev/full").exists(), reason="/dev/full is of Linux")
posix = pytest.mark.skipif(os.name != "posix", reason="shells and pipes of POSIX")


def run(*arguments, cwd=None, **options):
    options = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | options
    environment = ENVIRONMENT | options.pop("env", {})
    command = [sys.executable, "-m", "merge", *map(os.fsencode, arguments)]
    return subprocess.run(command, timeout=240, cwd=cwd, env=environment, **options)


@full_device
@pytest.mark.parametrize("arguments", [PLAN, (*PLAN, "--json"), ("--help",), ("plan", "--help")])
def test_a_full_stdout_is_told_in_one_line(arguments):
    with open("/dev/full", "wb") as full:
        result = run(*arguments, stdout=full)
    assert result.returncode == 1
    assert b"Traceback" not in result.stderr
    assert result.stderr.count(b"\n") == 1
    assert b"No space left" in result.stderr


@full_device
def test_a_full_stderr_leaves_the_exit_code():
    with open("/dev/full", "wb") as full:
        assert run("merge", "nowhere.jpg", stderr=full).returncode == 1


@posix
def test_a_reader_that_leaves_ends_the_command_quietly():
    shell = f"{sys.executable} -m merge {' '.join(PLAN)} --json | true; exit ${{PIPESTATUS[0]}}"
    result = subprocess.run(["bash", "-c", shell], capture_output=True, env=ENVIRONMENT)
    assert result.stderr == b""
    assert result.returncode in {0, 141}, "it may have printed all before the reader left"


@pytest.mark.parametrize("encoding", ["cp437", "ascii", "cp1252"])
def test_a_narrow_terminal_shows_escapes(encoding):
    result = run(*PLAN, env={"PYTHONIOENCODING": encoding})
    assert (result.returncode, result.stderr) == (0, b"")
    # click takes a terminal that says ASCII for one not set up, and writes UTF-8.
    assert result.stdout.decode("utf-8" if encoding == "ascii" else encoding)
    result = run(*PLAN, "--json", env={"PYTHONIOENCODING": encoding})
    assert json.loads(result.stdout.decode(encoding))["mode"] == "rail"


@posix
@pytest.mark.parametrize("closed", [slow("2>&-"), slow(">&-"), slow("<&-"), ALL_CLOSED])
def test_closed_streams_change_neither_work_nor_exit_code(tmp_path, closed):
    """Else the next file opened gets the number 2, and libraries write their remarks into it."""
    frames = write_bracket(tmp_path, **SMALL)
    given = f"merge {tmp_path} -o {tmp_path}/out.tif --method detail"
    code = f"exec {sys.executable} -m merge {given} {closed}"
    result = subprocess.run(["bash", "-c", code], capture_output=True, env=ENVIRONMENT)
    assert (result.returncode, result.stderr) == (0, b"")
    assert (tmp_path / "out.tif").exists()
    if closed != ALL_CLOSED:
        return
    frames[0].write_bytes(b"broken")
    result = subprocess.run(["bash", "-c", code], capture_output=True, env=ENVIRONMENT)
    assert result.returncode == 1
    assert b"Traceback" not in result.stderr + result.stdout


def test_remarks_of_decoders_do_not_reach_the_screen(tmp_path):
    """The PNG library says of an interlaced file, on stderr, how it wants to be called."""
    values = np.random.default_rng(0).integers(0, 255, (160, 240, 3), np.uint8)
    (tmp_path / "1.png").write_bytes(imagecodecs.png_encode(values))
    (tmp_path / "0.png").write_bytes(interlaced(values))
    result = run("audit", tmp_path)
    assert b"libpng" not in result.stderr


def interlaced(values):
    """Return an 8-bit RGB PNG whose passes are those of Adam7 (PNG, third edition, 8.2)."""
    raw = b""
    for left, top, right, down in (
        (0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2),
        (0, 1, 1, 2),
    ):  # fmt: skip
        part = values[top::down, left::right]
        raw += b"".join(b"\0" + row.tobytes() for row in part)

    def chunk(kind, body):
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    height, width = values.shape[:2]
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 1)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(raw))
        + chunk(b"IEND", b"")
    )  # fmt: skip


@pytest.mark.parametrize(("more", "told"), [((), b""), (("-v",), b"note: a library warned: odd\n")])
def test_a_warning_of_a_library_is_a_note_for_those_who_ask(more, told):
    code = (
        "import sys, warnings, merge.cli, merge.cli.plan as plan\n"
        "before = plan.print_text\n"
        "plan.print_text = lambda text: (warnings.warn('odd', stacklevel=1), before(text))\n"
        f"sys.argv = ['depthweld', *{(*PLAN, *more)!r}]\n"
        "merge.cli.main()"
    )
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, env=ENVIRONMENT)
    assert (result.returncode, result.stderr) == (0, told)


@pytest.mark.slow
@posix
def test_a_pipe_named_as_a_frame_is_refused(tmp_path):
    frames = write_bracket(tmp_path, **SMALL)
    os.mkfifo(tmp_path / "pipe.jpg")
    pipe = tmp_path / "pipe.jpg"
    # In a process of its own, which ends in time even where a pipe is opened and nothing comes.
    result = run("merge", *frames, pipe)
    assert result.returncode == 1
    assert b"pipe.jpg: no ordinary file" in result.stderr
    for arguments in (("audit", pipe), ("plan", "--frame", pipe, "--near", "1m")):
        here = CliRunner().invoke(main, [*map(str, arguments)])
        assert here.exit_code == 1
        assert "pipe.jpg: no ordinary file" in here.stderr


HOSTILE = ("\x1b[31mred", "two\nlines", "\x9b2J", "‮gpj", "[/bold]", "<b>", "'\"&;$(x)")


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="such names exist on Linux only")
def test_names_no_terminal_should_see_are_escaped_and_found_again(tmp_path):
    day = tmp_path / "day"
    frames = write_bracket(day, **SMALL)
    for path, name in zip(frames, (b"a\xff1.jpg", b"a\x1b[31m2.jpg", b"a\n3.jpg"), strict=True):
        os.rename(path, os.fsencode(day) + b"/" + name)
    groups = tmp_path / "groups"
    for arguments in (
        ("sort", day, "--into", groups),
        ("audit", "--each", groups),
        ("merge", "--each", groups, "-o", tmp_path / "out", "--method", "detail"),
    ):
        here = CliRunner().invoke(main, [*map(str, arguments)])
        assert isinstance(here.exception, SystemExit | None), here.exception
        assert "\x1b" not in here.output
        assert "damaged record" not in here.output
        assert groups.exists()
    outputs = ("-o", "o.tif", "--record", "r.json", "--report", "p.html", "--depth", "d.tif")
    result = run("merge", day, *outputs, cwd=tmp_path)
    assert (result.returncode, result.stderr) == (0, b"")
    assert b"\x1b" not in result.stdout
    record = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    assert sorted(Path(frame["path"]) for frame in record["frames"]) == sorted(day.iterdir())
    (tmp_path / "p.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_becomes_one_harmless_line(name):
    shown = printable_name(name)
    assert len(shown.splitlines()) == 1
    assert not any(c in shown for c in "\x1b\x9b\u202e\n")
    assert printable(name).count("\n") == name.count("\n")
    assert json.loads(printable_json(json.dumps(name, ensure_ascii=False))) == name


def test_nothing_but_the_streams_module_prints():
    for path in (ROOT / "merge").rglob("*.py"):
        if path.name != "streams.py":
            source = path.read_text(encoding="utf-8")
            assert "click.echo" not in source, path
            assert "\n    print(" not in source, path


@pytest.mark.skipif(shutil.which("script") is None, reason="needs script(1) for a terminal")
def test_a_group_named_like_markup_does_not_stop_the_progress_bar(tmp_path):
    day = tmp_path / "[" / "bold]"
    write_bracket(day, **SMALL)
    code = f"{sys.executable} -m merge audit '{day}'"
    result = subprocess.run(
        ["script", "-qec", code, os.devnull], capture_output=True, env=ENVIRONMENT, timeout=240
    )
    assert result.returncode == 0, result.stdout[-2000:]
