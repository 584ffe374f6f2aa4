"""The inspection that an audit and a merge share: the same findings, each once."""

import html
import json
import re
from pathlib import Path

import numpy as np
import pytest
from align_scenes import handheld_landscape
from blurred_scenes import slanted_stack
from click.testing import CliRunner, Result
from io_samples import coded, write_png
from marks import slow
from small_brackets import write_bracket

from merge.cli import main
from merge.model import AuditOptions, Finding, MergeOptions
from merge.pipeline.auditing import audit_stack
from merge.pipeline.merging import merge_stack
from merge.pipeline.saving import OutputFiles, merge_to_files
from merge.read import find_frames
from merge.report.findings import sum_up_findings
from merge.report.merge import merge_text


@pytest.fixture(scope="module")
def holed(tmp_path_factory) -> Path:
    """Write a bracket of even steps of 3 px without its fifth slice."""
    folder = tmp_path_factory.mktemp("holed")
    for i, light in enumerate(slanted_stack(10, step_px=3.0, shape=(288, 384)).frames):
        if i != 4:
            write_png(folder / f"frame_{i + 1:02d}.png", coded(light, np.uint16))
    return folder


@pytest.fixture(scope="module")
def audited(holed) -> tuple[Finding, ...]:
    return audit_stack(find_frames(holed)).findings


def merge(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["merge", *map(str, arguments)])


@pytest.mark.slow
@pytest.mark.parametrize("method", ["auto", "detail"])
def test_a_merge_finds_what_the_audit_finds(holed, audited, method):
    merged = merge_stack(find_frames(holed), MergeOptions(method=method)).findings
    assert {(f.kind, f.frames) for f in merged} == {("gap", (3, 4)), ("dropped slice", (3, 4))}
    assert [(f.kind, f.severity) for f in merged] == [(f.kind, f.severity) for f in audited]
    # The hole is 6 px wide: 3 px of blur midway; bar of a step 15 %.
    (gap,) = [f for f in merged if f.kind == "gap"]
    assert gap.value == pytest.approx(3.0, rel=0.15)


@pytest.mark.slow
def test_pages_and_the_plan_follow_the_audit_s_findings(holed, tmp_path):
    """Both pages tell the audit's findings, as one, and no others; the plan fills the gap."""
    audit_page, merge_page, record = (tmp_path / n for n in ("audit.html", "merge.html", "a.json"))
    audited = CliRunner().invoke(main, ["audit", str(holed), "--json", "--report", str(audit_page)])
    record.write_text(audited.stdout, encoding="utf-8")
    findings = json.loads(audited.stdout)["findings"]
    assert [f["frames"] for f in findings] == [[3, 4], [3, 4]]
    by_kind = {f["kind"]: f["message"] for f in findings}
    merge(holed, "-o", tmp_path / "out.tif", "--method", "detail", "--report", merge_page)
    for page in (audit_page, merge_page):
        text = page.read_text(encoding="utf-8")
        told = re.findall(r'<p class="message">(.*?)</p>|<li><p><span.*?</span> (.*?)</p>', text)
        assert [html.unescape("".join(t)) for t in told] == [
            f"{by_kind['gap']} {by_kind['dropped slice']}"
        ]
    planned = CliRunner().invoke(main, ["plan", "--from", str(record), "--json"])
    (frame,) = json.loads(planned.stdout)["frames"]
    assert (frame["between"], frame["share"]) == ([3, 4], pytest.approx(0.5))


def test_a_missing_slice_of_a_merge_fails_on_request(holed, tmp_path):
    outputs = ("-o", tmp_path / "out.tif", "--method", "detail")
    result = merge(holed, *outputs, "--fail-on", "warning")
    assert result.exit_code == 3
    assert "Gap between frame_04.png and frame_06.png" in result.stdout
    assert (tmp_path / "out.tif").is_file()


@pytest.mark.parametrize("method", ["auto", "detail"])
def test_frames_too_small_to_measure_are_merged_and_that_is_said(tmp_path, method):
    write_bracket(tmp_path, height=60, width=200)
    result = merge(tmp_path, "-o", tmp_path / "out.tif", "--method", method)
    assert result.exit_code == 0, result.stderr
    assert "note: The focus steps could not be measured, so gaps were not looked" in result.stdout


@pytest.mark.slow
def test_a_long_run_of_one_kind_does_not_hide_the_others(tmp_path):
    """Seven bands, each blurred like a disk of 4.8 px or more in all frames but its own."""
    write_bracket(tmp_path, 7, height=200, width=840, suffix=".jpg")
    options = MergeOptions(audit=AuditOptions(tolerance="1.2px"))
    saved = merge_to_files(find_frames(tmp_path), OutputFiles(tmp_path / "out.tif"), options)
    lines = merge_text(saved).splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("Findings"))
    told, summed = (int(number) for number in re.findall(r"\d+", lines[at]))
    assert summed == 6
    assert any("All 6 steps are wider" in line for line in lines[at:])  # one for all the gaps
    assert not any("Gap between" in line for line in lines[at:])
    full = merge_text(saved, verbose=True).splitlines()
    assert (
        sum(line.startswith(("  problem", "  warning", "  note")) for line in full) == told + summed
    )
    assert sum("Gap between" in line for line in full) == 6


def test_findings_of_one_kind_are_summed_up_beyond_four():
    gaps = [Finding("gap", "warning", f"gap {i}", value=2.5, frames=(i, i + 1)) for i in range(7)]
    shown = sum_up_findings([*gaps, Finding("diffraction", "note", "diffraction")])
    assert [f.kind for f in shown] == ["gap"] * 4 + ["diffraction"]
    assert shown[3].message == "4 more of the kind “gap” (frames 4-8)."
    usual = Finding("wide steps", "problem", "all", value=2.4)
    gaps[3] = Finding("gap", "problem", "worst", value=4.9, frames=(3, 4))
    assert [f.message for f in sum_up_findings([*gaps, usual])] == ["worst", "all"]


@pytest.mark.slow
@pytest.mark.parametrize(("motion", "found"), [("similarity", True), ("auto", False)])
def test_a_merge_says_where_frames_are_not_followed(tmp_path, motion, found):
    """A rendered landscape held by hand: several per cent of shift, with perspective."""
    for i, picture in enumerate(handheld_landscape().pictures):
        part = picture[150:730, 180:1080]
        write_png(tmp_path / f"frame_{i}.png", np.rint(part * 65535).astype(np.uint16))
    findings = merge_stack(find_frames(tmp_path), MergeOptions("detail", motion)).findings
    told = [f for f in findings if f.kind == "motion not followed"]
    assert len(told) == found
    for finding in told:
        assert "leave --motion out" in finding.advice
        assert finding.value > 1
        assert finding.box is not None


@pytest.mark.parametrize("drawn", [slow(False), True])
def test_merge_and_audit_tell_what_blur_mixed(drawn, tmp_path):
    """Pictures that are drawn or simulated are mostly blurred in their stored values."""
    write_bracket(tmp_path / "in", 6, width=480, coded=drawn)
    looked: list[int] = []
    audit = audit_stack(tmp_path / "in", progress=lambda _, done, total: looked.append(done))
    assert audit.registration.blurred_coded == drawn
    # The first four frames tell it, then all are read as stored values.
    assert looked == ([1, 2, 3, 4] if drawn else []) + [1, 2, 3, 4, 5, 6]
    outputs = ("-o", tmp_path / "out.tif", "--record", tmp_path / "out.json")
    told = merge(tmp_path / "in", *outputs, "--method", "detail")
    assert ("stored values taken as light" in told.output) == drawn
    record = json.loads((tmp_path / "out.json").read_text(encoding="utf-8"))
    assert record["blurred_coded"] == drawn
