"""The audit command on files: one pass, text, JSON, picture, exit codes."""

import json
import shutil
from functools import lru_cache

import cv2
import numpy as np
import pytest
from blurred_scenes import slanted_stack
from click.testing import CliRunner
from fixture_data import FIXTURES, load_fixture
from io_samples import D65_XYZ, camera_colours, coded, mosaic_of, write_dng

from merge.cli import main
from merge.errors import MergeError, ReadError, RegistrationError
from merge.model import AuditOptions
from merge.pipeline import auditing
from merge.pipeline.auditing import audit_stack
from merge.plan.reshoot import plan_reshoot
from merge.read import find_frames
from merge.report.audit import audit_record, audit_text


def write_frames(folder, frames, quality=97):
    paths = []
    for i, light in enumerate(frames):
        path = folder / f"IMG_{i + 1:04d}.jpg"
        cv2.imwrite(str(path), cv2.merge([coded(light)] * 3), [cv2.IMWRITE_JPEG_QUALITY, quality])
        paths.append(path)
    return paths


@lru_cache(maxsize=1)
def slanted():
    """Return a bracket that an audit takes a second for."""
    return slanted_stack(8, step_px=3.0, shape=(288, 384))


@pytest.fixture
def whole(tmp_path):
    write_frames(tmp_path, slanted().frames)
    return tmp_path


def run(*arguments):
    return CliRunner().invoke(main, ["audit", *map(str, arguments)])


def test_a_whole_bracket_misses_nothing_says_the_margin_and_stays_as_it_is(whole):
    before = {p.name: p.read_bytes() for p in whole.iterdir()}
    result = run(whole)
    assert {p.name: p.read_bytes() for p in whole.iterdir()} == before
    assert result.exit_code == 0, result.output
    assert "Nothing missed: between planes blur reaches 1." in result.stdout
    assert "to spare" in result.stdout
    assert len(result.stdout.splitlines()) <= 24


def test_a_missing_slice_fails_on_request_and_goes_on_to_the_plan(whole):
    (whole / "IMG_0005.jpg").unlink()
    result = run(whole, "--json", "--fail-on", "warning")
    assert result.exit_code == 3, result.output
    record = json.loads(result.stdout)
    assert record["schema"] == "depthweld audit 1"
    gap = next(f for f in record["findings"] if f["kind"] == "gap")
    assert gap["frames"] == [3, 4]
    reshoot = plan_reshoot(record)
    assert [frame.between for frame in reshoot.frames] == [(3, 4)]


@pytest.mark.slow
def test_fail_on_lets_lesser_findings_pass(whole, monkeypatch):
    result = audit_stack(find_frames(whole), AuditOptions(tolerance="6px"))
    assert {f.severity for f in result.findings} == {"note"}
    monkeypatch.setattr("merge.cli.audit.audit_stack", lambda *_given, **_more: result)
    assert run(whole, "--fail-on", "warning").exit_code == 0
    assert run(whole, "--fail-on", "note").exit_code == 3


@pytest.mark.slow
def test_a_frame_of_another_size_is_named_not_fatal(whole):
    small = np.full((100, 120, 3), 90, np.uint8)
    cv2.imwrite(str(whole / "IMG_0003_b.jpg"), small)
    result = run(*sorted(whole.iterdir())[:5])
    assert result.exit_code == 0, result.output
    assert "IMG_0003_b.jpg could not be aligned: 120 x 100 px" in result.stdout


def test_ctrl_c_judges_the_frames_seen(whole):
    asked = []
    result = audit_stack(find_frames(whole), stop=lambda: len(asked) > 4 or asked.append(1))
    assert result.interrupted
    assert 4 <= len(result.stack) < 8
    assert len(result.axis.positions_px) == len(result.stack)
    assert "stopped early" in audit_text(result)


@pytest.mark.slow
def test_the_picture_marks_the_hole(whole, tmp_path):
    for number in (5, 6):
        (whole / f"IMG_{number:04d}.jpg").unlink()
    target = tmp_path / "out" / "weak.png"
    target.parent.mkdir()
    target.write_bytes(b"another")
    assert run(whole, "--picture", target).exit_code == 1
    assert target.read_bytes() == b"another"
    result = run(whole, "--picture", target, "--overwrite")
    assert result.exit_code == 0, result.output
    picture = cv2.imread(str(target)).astype(int)
    tinted = (picture[..., 2] - picture[..., 0]) > 60
    depth = slanted().depth_px
    hole = (depth > 11) & (depth < 16)  # between planes at 9 and 18 px
    hole = cv2.resize(hole.astype(np.uint8), tinted.shape[::-1]).astype(bool)
    assert tinted[hole].mean() > 0.5
    assert tinted[~hole].mean() < 0.25


@pytest.mark.slow
def test_tolerance_on_the_sensor_needs_the_pixel_pitch(whole):
    result = run(whole, "--tolerance", "0.03mm")
    assert result.exit_code == 1
    assert "--pixel-pitch" in result.stderr
    few = sorted(whole.iterdir())[:3]
    result = run(*few, "--tolerance", "0.03mm", "--pixel-pitch", "6", "--json")
    assert json.loads(result.stdout)["tolerance_px"] == pytest.approx(5.0)
    with pytest.raises(MergeError, match="expected for example"):
        audit_stack(find_frames(whole), AuditOptions(tolerance="wide"))


def test_one_picture_is_refused_in_one_line(whole):
    result = run(whole / "IMG_0001.jpg")
    assert result.exit_code == 1
    assert len(result.stderr.strip().splitlines()) == 1
    with pytest.raises(ReadError, match="fewer than two frames"):
        audit_stack(find_frames(whole / "IMG_0001.jpg"))


def test_wrong_numbers_are_usage_errors(whole):
    assert run(whole, "--magnification", "0").exit_code == 2
    assert run(whole, "--fail-on", "nothing").exit_code == 2


def test_path_traced_landscape_tells_its_steps_and_hole(tmp_path):
    """Independent pictures with breathing and 6 % more light in the last frame."""
    bracket = load_fixture("landscape")
    ends = [shutil.copy(p, tmp_path) for p in (bracket.paths[0], bracket.paths[2])]
    result = audit_stack(find_frames(ends))
    record = audit_record(result)
    gap = next(f for f in record["findings"] if f["kind"] == "gap")
    width = bracket.positions_px[2]
    assert gap["severity"] == "problem"
    assert gap["value"] == pytest.approx(width / 2, rel=0.3)


@pytest.mark.slow
def test_path_traced_macro_tells_its_steps_and_what_to_do():
    """Estimated transforms. Known shortfall: the last step, where few tiles peak, reads 20 % low.

    No diffraction was rendered, but the files tell f/6.3, which makes steps read 3 % wider.
    """
    result = audit_stack(find_frames(FIXTURES / "macro"))
    truth = np.diff(load_fixture("macro").positions_px)
    ratio = np.diff(result.axis.positions_px) / truth
    assert np.abs(ratio[:-1] - 1).max() < 0.15
    assert ratio[-1] == pytest.approx(1, abs=0.25)
    assert np.median(ratio) == pytest.approx(1, abs=0.06)
    kinds = [f.kind for f in result.findings]
    assert not {"dropped slice", "shaken frame", "soft frame"} & set(kinds)
    text = audit_text(result)
    assert "All 11 steps are wider than 2 px of blur allow" in text
    assert "Next time take 16 frames" in text or "Next time take 15 frames" in text
    assert "Gap between" not in text
    assert sum(f["kind"] == "gap" for f in audit_record(result)["findings"]) >= 10


def test_measured_distances_stand_beside_the_recorded_ones():
    """Thin lens of 28 mm; distances count from the lens in these files, 29 mm nearer."""
    result = audit_stack(find_frames(FIXTURES / "landscape"))
    text = audit_text(result)
    assert "recorded: 0.48 m to 4.48 m" in text
    places = audit_record(result)["focus_axis"]["places"]
    assert [p["recorded_m"] for p in places] == [0.48, 0.896, 4.48]
    assert [p["measured_m"] for p in places] == pytest.approx([0.48, 0.896, 4.48], rel=0.15)
    # 13 px of 20.8 µm at f/2.8 (1 + 0.03): 0.78 mm behind the lens.
    assert places[1]["sensor_mm"] == pytest.approx(0.78, rel=0.06)
    assert "focus distances" not in [f.kind for f in result.findings]


def test_small_frames_are_refused_in_one_line(tmp_path):
    rng = np.random.default_rng(1)
    for i in range(3):
        picture = rng.integers(0, 255, (50, 90, 3)).astype(np.uint8)
        cv2.imwrite(str(tmp_path / f"tiny_{i}.png"), picture)
    result = run(tmp_path)
    assert result.exit_code == 1
    (line,) = result.stderr.strip().splitlines()
    assert "tiny_0.png: 90 x 50 px" in line
    assert "at least 64 px" in line


@pytest.mark.parametrize(
    ("moves", "expected"),
    [({4: (5, 4)}, [(4,)]), ({i: (0, 9) for i in range(5, 8)}, [(4, 5)])],
    ids=["one frame", "for good"],
)
def test_a_knock_is_found_where_it_was(tmp_path, moves, expected):
    frames = [np.roll(f, moves.get(i, (0, 0)), axis=(0, 1)) for i, f in enumerate(slanted().frames)]
    write_frames(tmp_path, frames)
    findings = audit_stack(find_frames(tmp_path)).findings
    bumps = [f for f in findings if f.kind == "bumped frame"]
    assert [f.frames for f in bumps] == expected
    assert all(f.unit == "px" and f.value > f.threshold for f in bumps)
    assert len(findings) == len(bumps)


def test_a_quick_audit_measures_reduced_pictures_and_says_so(tmp_path):
    """Of 1728 px the decoder leaves 7/8; steps are told in pixels of the full size.

    Enlarged frames of 576 px would not do: their texture lacks what is finest, and steps read 10 %
    too wide at either size.
    """
    write_frames(tmp_path, slanted_stack(8, step_px=4.0, shape=(432, 1728)).frames)
    result = audit_stack(find_frames(tmp_path), quick=True)
    steps = np.diff(result.axis.positions_px)
    assert np.median(steps) == pytest.approx(4.0, rel=0.06)
    (note,) = [f for f in result.findings if f.kind == "quick look"]
    assert note.severity == "note"
    assert note.value == pytest.approx(8 / 7, rel=0.01)


def test_quick_finds_a_frame_cut_short(whole):
    path = whole / "IMG_0004.jpg"
    path.write_bytes(path.read_bytes()[:-2000])
    result = run(whole, "--quick")
    assert result.exit_code == 1
    assert "IMG_0004.jpg" in result.stderr


def write_raws(folder, *, preview, content=True):
    """Write the slanted bracket as DNG of twice its size, grey; a preview may hold it, too."""
    paths = []
    for i, light in enumerate(slanted().frames[:5]):
        seen = np.clip(light, 0, 1) if content else np.full_like(light, 0.3)
        large = cv2.resize(seen, None, fx=2, fy=2, interpolation=cv2.INTER_CUBIC)
        mosaic = mosaic_of(camera_colours(np.clip(large, 0, 1)[..., None] * D65_XYZ))
        small = None
        if preview:
            small = np.repeat(coded(light)[..., None], 3, axis=2)[:, :preview]
        paths.append(write_dng(folder / f"raw_{i}.dng", mosaic, preview=small))
    return paths


@pytest.mark.slow
@pytest.mark.parametrize("preview", [384, None, 267])
def test_raw_frames_are_measured_in_full_size_pixels(tmp_path, monkeypatch, preview):
    """Whole preview, none, and one of another crop, which is not used: steps of 2 x 3 px.

    With the whole preview the raw itself is blank, so the steps can come from nowhere else.
    """
    monkeypatch.setattr(auditing, "MEASURED_PIXELS", 116_000)
    write_raws(tmp_path, preview=preview, content=preview != 384)
    result = audit_stack(find_frames(tmp_path))
    steps = np.diff(result.axis.positions_px)
    assert steps == pytest.approx(6, rel=0.15)
    assert np.median(steps) == pytest.approx(6, rel=0.06)
    assert result.registration.shape == (576, 768)


@pytest.mark.slow
def test_a_preview_that_is_too_small_is_not_used(tmp_path, monkeypatch):
    """Blank raws with previews of half of what is measured: there is nothing to see."""
    monkeypatch.setattr(auditing, "MEASURED_PIXELS", 500_000)
    write_raws(tmp_path, preview=384, content=False)
    with pytest.raises(RegistrationError):
        audit_stack(find_frames(tmp_path))
