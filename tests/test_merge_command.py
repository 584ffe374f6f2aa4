"""The merge command: what it prints, writes and returns."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import io
import json
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import numpy as np
import pytest
import tifffile
from click.testing import CliRunner, Result
from io_samples import camera_colours, mosaic_of, write_dng
from marks import slow
from skimage.io import imread
from small_brackets import (
    group_record,
    small_bracket,
    write_bracket,
    write_frame,
    write_sorted,
)

from merge.cli import main
from merge.cli.each import Telling, run_brackets
from merge.cli.progress import show_progress
from merge.encoding import encode, linearize
from merge.model import Finding, MergeOptions, Stack, worst_first
from merge.pipeline import saving
from merge.pipeline.each import BracketJob, chosen_groups, results_folder
from merge.pipeline.merging import MergeResult, merge_stack
from merge.pipeline.sorting import load_groups
from merge.read import find_frames
from merge.report.sort import outcome_line

ROOT = Path(__file__).parents[1]


def merge(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["merge", *map(str, arguments)])


@pytest.fixture(scope="module")
def merged(tmp_path_factory) -> MergeResult:
    """Return a merge of such frames as `bracket` writes."""
    folder = tmp_path_factory.mktemp("merged")
    return merge_stack(find_frames(write_bracket(folder, suffix=".jpg")))


def without_work(monkeypatch: pytest.MonkeyPatch, merged: MergeResult, *findings: Finding) -> None:
    """Let every merge end at once, with these findings."""
    inspection = dataclasses.replace(merged.inspection, findings=worst_first(findings))

    def merge_at_once(stack: Stack, options: MergeOptions, **_more: Any) -> MergeResult:
        return dataclasses.replace(merged, options=options, inspection=inspection)

    monkeypatch.setattr(saving, "merge_stack", merge_at_once)


@pytest.fixture
def bracket(tmp_path) -> Path:
    write_bracket(tmp_path / "in", suffix=".jpg")
    return tmp_path / "in"


def test_the_summary_names_what_was_done_on_one_screen(bracket, tmp_path):
    result = merge(bracket, "-o", tmp_path / "out.tif")
    assert (result.exit_code, result.stderr) == (0, "")
    lines = result.stdout.splitlines()
    assert len(lines) <= 24
    assert all(len(line) <= 120 for line in lines if not line.startswith(("Written", "  ")))
    shown = dict(line.split(maxsplit=1) for line in lines)
    assert shown["Frames"] == "3, frame_1.jpg to frame_3.jpg, in order of capture time"
    assert shown["Aligned"] == "to frame_2.jpg (frame 2), by similarity"
    assert re.fullmatch(
        r"shift up to 0\.\d px, magnification 0\.\d\d %(, rotation up to 0\.0\d°)?, "
        r"exposure \d\.\d % \(0\.\d\d EV\)",
        shown["Measured"],
    )
    height, width = tifffile.imread(tmp_path / "out.tif").shape[:2]
    assert f"by auto to {width} x {height} px" in shown["Merged"]
    # Blurred by 1.2 px of Gaussian, like a disk of 4.8 px (equal variance): 2.4 px midway.
    assert re.search(r"at the limit: midway 2\.[2-6] px of the 2 px allowed", result.stdout)
    assert re.match(r"\d+\.\d s \(aligning \d", shown["Time"])
    assert shown["Written"].startswith(f"{tmp_path / 'out.tif'} (16-bit TIFF")


def test_known_shift_magnification_and_exposure_are_reported(tmp_path):
    """Truth is made with scikit-image's warp: a shift of (3, 4) px, 1 % smaller, 20 % darker."""
    from skimage.transform import SimilarityTransform, warp

    pictures, _ = small_bracket(height=400, width=600)
    centre = np.array([299.5, 199.5])
    move = SimilarityTransform(scale=1.01, translation=(3, 4) - centre * 0.01)
    moved = warp(pictures[2].astype(np.float64), move, order=3, mode="reflect")
    pictures[2] = encode(np.maximum(linearize(moved, "srgb"), 0) * 0.8, "srgb")
    for i, picture in enumerate(pictures):
        write_frame(tmp_path / f"frame_{i}.tif", picture)
    record = json.loads(merge(tmp_path, "--json").stdout)
    measured = record["measured"]
    # The map of scikit-image takes output to input: what lies at p in the frame is at move(p).
    assert measured["shift_px"] == pytest.approx(np.hypot(3, 4) / 1.01, abs=0.15)
    assert measured["magnification_range"] == pytest.approx(1.01, abs=0.001)
    assert measured["exposure_range_ev"] == pytest.approx(np.log2(1 / 0.8), abs=0.03)


def test_verbose_lists_every_frame(bracket, tmp_path):
    result = merge(bracket, "-o", tmp_path / "out.tif", "-v")
    rows = [x for x in result.stdout.splitlines() if re.match(r" +\d .* px .*frame_\d\.jpg$", x)]
    assert len(rows) == 3
    assert result.stderr.startswith("Aligning: 3 of 3, ")


def test_verbose_states_no_uncertainty_where_nothing_was_moved(bracket, tmp_path):
    result = merge(bracket, "-o", tmp_path / "out.tif", "-v", "--motion", "none", "--anyway")
    assert result.exit_code == 0, result.output
    rows = [line for line in result.stdout.splitlines() if re.match(r"  +\d+  ", line)]
    assert len(rows) == 3
    assert all(re.search(r"%  +-  ", row) for row in rows), result.stdout


def test_quiet_prints_the_written_name_alone(bracket, merged, monkeypatch, tmp_path):
    without_work(monkeypatch, merged)
    result = merge(bracket, "-o", tmp_path / "out.tif", "-q")
    assert (result.stdout, result.stderr) == (f"{tmp_path / 'out.tif'}\n", "")


def test_the_default_output_lies_beside_the_frames(bracket, merged, monkeypatch):
    without_work(monkeypatch, merged)
    result = merge(bracket)
    assert result.exit_code == 0
    assert (bracket / "frame_1-frame_3-merged.tif").is_file()


def test_an_existing_output_is_kept_without_overwrite(bracket, merged, monkeypatch, tmp_path):
    without_work(monkeypatch, merged)
    out = tmp_path / "out.tif"
    out.write_bytes(b"precious")
    result = merge(bracket, "-o", out)
    assert result.exit_code == 1
    assert "exists already" in result.stderr
    assert out.read_bytes() == b"precious"
    assert merge(bracket, "-o", out, "--overwrite").exit_code == 0
    assert tifffile.imread(out).ndim == 3


@pytest.mark.parametrize("suffix", [".tif", ".png", ".jpg"])
def test_every_format_carries_capture_settings_and_provenance(
    bracket, merged, monkeypatch, tmp_path, suffix
):
    """Read back with exiv2, which shares no code with the writer."""
    without_work(monkeypatch, merged)
    exiv2 = pytest.importorskip("exiv2")
    out = tmp_path / f"out{suffix}"
    assert merge(bracket, "-o", out, "--method", "detail").exit_code == 0
    image = exiv2.ImageFactory.open(str(out))
    image.readMetadata()
    exif = {d.key(): d.toString() for d in image.exifData()}
    assert exif["Exif.Image.Model"] == "Field One"
    assert exif["Exif.Image.Artist"] == "An Invented Name"
    assert exif["Exif.Photo.FNumber"] in {"56/10", "28/5", "5600000/1000000"}
    # That of the reference frame, the second.
    assert exif["Exif.Photo.DateTimeOriginal"] == "2031:05:06 07:08:04"
    xmp = {d.key(): d.toString() for d in image.xmpData()}
    assert xmp["Xmp.weld.Frames"] == "frame_1.jpg, frame_2.jpg, frame_3.jpg"
    provenance = json.loads(xmp["Xmp.weld.Settings"])
    assert provenance["options"]["method"] == "detail"
    assert provenance["reference"] == "frame_2.jpg"
    assert str(bracket) not in image.xmpPacket()  # no folders of the maker


def test_the_record_tells_everything_and_json_prints_the_same(bracket, tmp_path):
    result = merge(
        bracket, "-o", tmp_path / "out.tif", "--record", tmp_path / "run.json", "--json",
        "--motion", "affine", "--reference", "1", "--extent", "reference",
    )  # fmt: skip
    assert (result.exit_code, result.stderr) == (0, "")
    record = json.loads(result.stdout)
    assert json.loads((tmp_path / "run.json").read_text(encoding="utf-8")) == record
    assert record["options"] == {
        "method": MergeOptions().method, "motion": "affine", "extent": "reference", "reference": 0,
        "equalize_exposure": True, "strict": False, "memory_limit_bytes": None,
        "audit": {
            "tolerance": "2px", "pixel_pitch_um": None, "magnification": None, "pupil_ratio": 1.0,
            "f_number": None, "anyway": False, "quick": False,
        },
    }  # fmt: skip
    assert record["reference"] == 0
    assert record["box_in_reference"] == {"row": 0, "column": 0, "height": 160, "width": 240}
    for i, frame in enumerate(record["frames"], 1):
        path = bracket / f"frame_{i}.jpg"
        assert frame["name"] == path.name
        assert frame["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest()
        assert frame["f_number"] == 5.6
        assert np.array(frame["matrix"]).shape == (3, 3)
        assert frame["gain"] == pytest.approx(1, abs=0.05)
    assert record["frames"][0]["matrix"] == np.eye(3).tolist()
    written = record["written"]["picture"]
    assert written["sha256"] == hashlib.sha256((tmp_path / "out.tif").read_bytes()).hexdigest()
    assert {"align", "blend", "write"} <= set(record["seconds"])
    assert record["program"]["libraries"]["numpy"] == np.__version__


@pytest.mark.parametrize(
    ("text", "index"),
    [("1", 0), ("3", 2), ("frame_1.jpg", 0), ("frame_3", 2), ("in/frame_2.jpg", 1)],
)
def test_the_reference_is_given_by_number_or_name(bracket, merged, monkeypatch, text, index):
    without_work(monkeypatch, merged)
    result = merge(bracket, "--reference", text, "--json")
    assert json.loads(result.stdout)["options"]["reference"] == index


@pytest.mark.parametrize("text", ["0", "4", "frame_9.jpg", "-1"])
def test_an_unknown_reference_is_wrong_usage(bracket, text):
    result = merge(bracket, f"--reference={text}")
    assert result.exit_code == 2
    assert "a number from 1 to 3 or one of frame_1.jpg … frame_3.jpg" in result.stderr


@pytest.mark.parametrize("text", ["2GB", "2gb", "2 GB", "2000MB", "2e9"])
def test_memory_takes_a_size_with_a_unit(bracket, merged, monkeypatch, text):
    without_work(monkeypatch, merged)
    result = merge(bracket, "--memory", text, "--json")
    if text == "2e9":
        assert result.exit_code == 2
    else:
        assert json.loads(result.stdout)["options"]["memory_limit_bytes"] == 2_000_000_000


def test_a_depth_map_is_written_on_request(bracket, tmp_path):
    result = merge(bracket, "-o", tmp_path / "out.tif", "--depth", tmp_path / "depth.tif")
    assert f"Written    {tmp_path / 'depth.tif'} (depth map" in result.stdout
    assert f"Written    {tmp_path / 'depth-view.png'} (depth map in colours" in result.stdout
    assert imread(tmp_path / "depth-view.png").dtype == np.uint8
    depth = tifffile.imread(tmp_path / "depth.tif").astype(float)
    # Each third of the picture is sharp in its own frame, the left one in the first.
    thirds = [np.median(depth[:, part]) for part in np.array_split(np.arange(depth.shape[1]), 3)]
    assert thirds[0] < thirds[1] < thirds[2]


def test_a_depth_map_of_the_method_without_one_is_refused(bracket, tmp_path):
    result = merge(bracket, "--method", "detail", "--depth", tmp_path / "depth.tif")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "no depth map; choose auto or surface" in result.stderr
    assert not (tmp_path / "depth.tif").exists()


NOTE = Finding("gap", "note", "A note.")
PROBLEM = Finding("gap", "problem", "A problem.", "Do this.")


@pytest.mark.parametrize(
    ("findings", "limit", "code"),
    [
        ((NOTE,), None, 0),
        ((NOTE,), "note", 3),
        ((NOTE,), "warning", 0),
        ((NOTE, PROBLEM), "warning", 3),
        ((), "note", 0),
    ],
)
def test_findings_set_the_exit_code_on_request(bracket, merged, monkeypatch, findings, limit, code):
    without_work(monkeypatch, merged, *findings)
    result = merge(bracket, *(("--fail-on", limit) if limit else ()))
    assert result.exit_code == code
    assert (bracket / "frame_1-frame_3-merged.tif").is_file()


def test_the_worst_finding_comes_first(bracket, merged, monkeypatch):
    without_work(monkeypatch, merged, NOTE, PROBLEM)
    lines = merge(bracket).stdout.splitlines()
    at = lines.index("Findings   2")
    assert lines[at + 1 : at + 3] == ["  problem: A problem. Do this.", "  note: A note."]


def test_a_frame_of_another_scene_is_left_out_and_named_once(tmp_path):
    pictures, _ = small_bracket(4, height=320, width=480)
    for i, picture in enumerate(pictures):
        write_frame(tmp_path / f"frame_{i}.tif", picture)
    stranger, _ = small_bracket(2, height=320, width=480, seed=99)
    write_frame(tmp_path / "frame_9.tif", stranger[0])
    outputs = ("-o", tmp_path / "out.tif", "--method", "detail")
    result = merge(tmp_path, *outputs, "--fail-on", "warning")
    assert result.exit_code == 3
    assert result.stdout.splitlines()[0].endswith("in order of file name, 1 of them left out")
    told = [x for x in result.stdout.splitlines() if re.match(r"  \w+: .*frame_9", x)]
    assert len(told) == 1
    assert told[0].startswith("  problem: frame_9.tif could not be aligned: ")
    strict = merge(tmp_path, "-o", tmp_path / "strict.tif", "--strict")
    assert (strict.exit_code, strict.stdout) == (1, "")
    assert "frame_9.tif (frame 5)" in strict.stderr
    assert not (tmp_path / "strict.tif").exists()


def test_a_raw_and_jpeg_pair_counts_once(tmp_path):
    pictures, _ = small_bracket()
    for i, picture in enumerate(pictures):
        write_frame(tmp_path / f"frame_{i}.tif", picture)
        write_frame(tmp_path / f"frame_{i}.jpg", picture, i)
    usual = merge(tmp_path, "-o", tmp_path / "a.tif").stdout
    assert "Frames     3, frame_0.tif to frame_2.tif" in usual
    assert "passed over: frame_0.jpg: the same picture as frame_0.tif" in usual
    preferred = merge(tmp_path, "-o", tmp_path / "b.tif", "--prefer", "jpeg").stdout
    assert "Frames     3, frame_0.jpg to frame_2.jpg" in preferred


def test_camera_raw_becomes_a_16_bit_picture_with_a_profile(tmp_path):
    pictures, _ = small_bracket(3, height=240, width=360)
    for i, picture in enumerate(pictures):
        light = camera_colours(linearize(picture, "srgb"))
        write_dng(tmp_path / f"raw_{i}.dng", mosaic_of(light))
    result = merge(tmp_path, "-o", tmp_path / "out.tif")
    assert result.exit_code == 0, result.stderr
    with tifffile.TiffFile(tmp_path / "out.tif") as file:
        page = file.pages.first
        assert page.dtype == np.uint16
        assert page.iccprofile
        assert len(np.unique(page.asarray())) > 4000  # more than 8 bits can tell apart


def heed_interrupts() -> None:
    """Undo what a shell does to commands that it starts in the background."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def start(
    *arguments: str | Path, before: Callable[[], None] = heed_interrupts
) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "merge", "merge", *map(str, arguments)]
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    return subprocess.Popen(command, cwd=ROOT, text=True, preexec_fn=before, **pipes)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are POSIX")
def test_many_frames_need_few_open_files(tmp_path):
    import resource

    # Too small for focus steps, which copies take long to be looked for in.
    frames = write_bracket(tmp_path / "in", 4, suffix=".jpg", height=60, width=200)
    for i in range(24):
        shutil.copy(frames[i // 8], tmp_path / "in" / f"more_{i:02d}.jpg")
    child = start(
        tmp_path / "in", "-o", tmp_path / "o.tif",
        before=lambda: resource.setrlimit(resource.RLIMIT_NOFILE, (24, 24)),
    )  # fmt: skip
    stdout, stderr = child.communicate()
    assert child.returncode == 0, stderr
    assert stdout.startswith("Frames     28,")


@pytest.fixture
def day(tmp_path) -> Path:
    """Return the JSON of a sort: two brackets, the second with a broken frame, and a single."""
    groups = []
    for name, seed in (("one", 1), ("two", 2), ("three", 3)):
        paths = write_bracket(tmp_path / name, suffix=".jpg", seed=seed)
        groups.append(group_record(name, paths))
    broken = tmp_path / "two" / "frame_2.jpg"
    broken.write_bytes(broken.read_bytes()[:-4000])
    single = write_frame(tmp_path / "single.jpg", small_bracket()[0][0])
    groups.append(group_record("alone", [single], kind="single"))
    return write_sorted(tmp_path, groups)


@pytest.mark.slow
def test_each_goes_on_after_a_failure_and_resumes(day, tmp_path):
    out = tmp_path / "merged"
    first = merge("--each", day, "-o", out, "--method", "detail")
    assert first.exit_code == 1
    assert len(first.stderr.splitlines()) == 1
    assert "frame_2.jpg" in first.stderr
    assert first.stdout.splitlines()[-1] == "3 groups: 2 done, 0 skipped, 1 failed."
    names = ["focus-bracket-frame_1-3.tif", "focus-bracket-frame_1.tif"]
    assert sorted(p.name for p in out.glob("*.tif")) == names
    times = {name: (out / name).stat().st_mtime_ns for name in names}
    write_bracket(tmp_path / "two", suffix=".jpg", seed=2)
    second = merge("--each", day, "-o", out, "--method", "detail")
    assert (second.exit_code, second.stderr) == (0, "")
    assert second.stdout.splitlines()[-1] == "3 groups: 1 done, 2 skipped, 0 failed."
    assert {name: (out / name).stat().st_mtime_ns for name in names} == times


def test_each_writes_into_a_folder_of_its_own_and_says_so_first(day, tmp_path):
    before = {p for p in tmp_path.rglob("*") if p.is_file()}
    result = merge("--each", day, "--method", "detail")
    folder = tmp_path / "merged"
    assert result.stderr.splitlines()[0].startswith(f"3 focus brackets; results go into {folder}/")
    made = {p for p in tmp_path.rglob("*") if p.is_file()} - before
    assert {p.parent for p in made} == {folder}
    assert len(list(folder.glob("*.tif"))) == 2


def test_each_of_a_card_writes_into_the_current_folder(day, tmp_path, monkeypatch):
    """A card is not written to, and its brackets are not among its files."""
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    card = tmp_path / "one"
    for number, path in enumerate(sorted(card.iterdir())):
        path.rename(card / f"IMG_{number + 1:04d}.jpg")
    before = sorted(card.iterdir())
    assert results_folder(card, "merged") == Path("merged")
    result = merge("--each", card, "--method", "detail")
    assert sorted(card.iterdir()) == before
    assert result.exit_code == 0
    assert result.stderr.startswith("1 focus bracket; results go into merged/")
    assert [p.name for p in Path("merged").glob("*.tif")] == ["focus-bracket-IMG_0001.tif"]


@pytest.mark.parametrize("what", [slow("missing"), slow("empty"), "cut"])
def test_each_never_merges_a_bracket_without_one_of_its_frames(day, tmp_path, what):
    write_bracket(tmp_path / "two", suffix=".jpg", seed=2)
    frame = tmp_path / "three" / "frame_2.jpg"
    if what == "missing":
        frame.unlink()
    else:
        frame.write_bytes(b"" if what == "empty" else frame.read_bytes()[:300])
    result = merge("--each", day, "-o", tmp_path / "out", "--method", "detail")
    assert result.exit_code == 1
    assert result.stdout.splitlines()[-1] == "3 groups: 2 done, 0 skipped, 1 failed."
    assert "frame_2.jpg" in result.stderr
    assert len(list((tmp_path / "out").glob("*.tif"))) == 2


def test_each_prints_what_is_done_at_once(day, tmp_path):
    """Lines survive a pipe and an interrupt: each is out before the next bracket begins."""
    write_bracket(tmp_path / "two", suffix=".jpg", seed=2)
    seen = []
    groups = chosen_groups(load_groups(day))

    def work(name, stack, output, progress):
        if len(seen) == 2:
            raise KeyboardInterrupt
        seen.append(name)
        return {"record": {"findings": []}, "picture": None}

    telling = Telling(command="merge", line=outcome_line)
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed), pytest.raises(KeyboardInterrupt):
        run_brackets(day, BracketJob("merged", work, {}), None, telling)
    lines = printed.getvalue().splitlines()
    assert [line.split(":")[0] for line in lines[:2]] == [g.name for g in groups[:2]]
    assert lines[2] == "2 groups: 2 done, 0 skipped, 0 failed."


def test_each_writes_a_page_of_the_day(day, tmp_path):
    """Also into the folder of the results, which the run itself makes."""
    page = tmp_path / "out" / "day.html"
    given = ("--each", day, "-o", tmp_path / "out", "--report", page, "--method", "detail")
    result = merge(*given)
    assert result.exit_code == 1
    text = page.read_text(encoding="utf-8")
    own = sorted(p.name for p in (page.parent / "day-brackets").iterdir())
    assert own == ["focus-bracket-frame_1-3.html", "focus-bracket-frame_1.html"]
    assert all(f'href="day-brackets/{name}"' in text for name in own)
    assert text.count('<img src="data:image/') == 2
    assert "frame_2.jpg" in text
    assert "Could not be worked on" in text
    again = merge(*given, "--overwrite")
    assert again.stdout.splitlines()[-2].startswith("3 groups: 0 done, 2 skipped")
    text = page.read_text(encoding="utf-8")
    assert text.count('<img src="data:image/') == 2


@pytest.mark.parametrize(
    ("option", "ending"), [("--record", ".json"), ("--depth", ".tif"), ("--mesh", ".ply")]
)
def test_every_output_has_the_ending_of_what_it_holds(bracket, tmp_path, option, ending):
    """A record named run.jpg would be taken for a picture by every other program."""
    result = merge(bracket, "-o", tmp_path / "out.tif", option, tmp_path / "other.jpg")
    assert result.exit_code == 1
    assert f"is written as {ending}; choose that ending" in result.stderr
    assert list(tmp_path.iterdir()) == [bracket]


def test_each_prints_the_records_as_json(day, tmp_path):
    result = merge("--each", day, "-o", tmp_path / "merged", "--json", "--method", "detail")
    groups = json.loads(result.stdout)["groups"]
    assert [g["status"] for g in groups] == ["done", "failed", "done"]
    assert groups[0]["record"]["options"]["method"] == "detail"


def test_each_of_something_unsorted_is_refused(tmp_path):
    (tmp_path / "other.json").write_text("{}", encoding="utf-8")
    result = merge("--each", tmp_path / "other.json")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "depthweld sort --json" in result.stderr


class Terminal(io.StringIO):
    """A stream that says it is a terminal and keeps what is written."""

    def isatty(self) -> bool:
        """Return True: colours, movements of the cursor and bars are welcome."""
        return True


@pytest.mark.parametrize("quiet", [False, True])
def test_progress_on_a_terminal_is_a_bar_that_goes_away(monkeypatch, quiet):
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setenv("TERM", "xterm")
    command = click.Context(click.Command("any"))
    command.meta["merge.quiet"] = quiet
    with command, show_progress() as progress:
        for done in (1, 2, 3):
            progress("Aligning", done, 3)
            time.sleep(0.12)
    assert ("3/3" in terminal.getvalue()) is not quiet
    if not quiet:
        assert terminal.getvalue().rstrip("\r").endswith("\x1b[2K")  # the bar's line is erased


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")
@pytest.mark.parametrize(
    ("number", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)], ids=["interrupt", "end"]
)
def test_a_stopped_merge_leaves_nothing_half_written(tmp_path, number, code):
    write_bracket(tmp_path / "in", 5, suffix=".jpg", height=640, width=960)
    child = start(tmp_path / "in", "-o", tmp_path / "out.tif", "-v")
    first = child.stderr.readline()  # the frames are being worked on
    child.send_signal(number)
    stdout, stderr = child.communicate(timeout=60)
    assert first.startswith("Aligning")
    assert (child.returncode, stdout) == (code, "")
    assert [x for x in stderr.splitlines() if not re.match(r"[A-Z]", x)] == (
        ["depthweld merge: interrupted; nothing is left half-written"] if code == 130 else []
    )
    assert sorted(p.name for p in tmp_path.iterdir()) == ["in"]
    assert all(p.suffix == ".jpg" for p in (tmp_path / "in").iterdir())


def test_help_of_the_program_names_every_command():
    result = CliRunner().invoke(main, ["--help"])
    assert result.exit_code == 0
    for name in main.list_commands(click.Context(main)):
        assert re.search(rf"^  {name} +[A-Z].*\.$", result.stdout, re.MULTILINE)
        assert CliRunner().invoke(main, [name, "--help"]).exit_code == 0


def test_an_unknown_command_is_wrong_usage():
    result = CliRunner().invoke(main, ["fuse"])
    assert (result.exit_code, result.stdout) == (2, "")
    assert result.stderr == "depthweld: No such command 'fuse'; see 'depthweld --help'\n"
