"""Charts of the report pages: what they draw is what was measured, and they are sound SVG."""

import itertools
import math
import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import aperture_scenes
import numpy as np
import pytest
from click.testing import CliRunner
from test_apertures import save
from test_plan import HALF_SIZE, LANDSCAPE, MACRO

from merge.apertures import EdgeResponse
from merge.cli import main
from merge.diagnose import SliceLimits, measure_coverage
from merge.diagnose.coverage import find_gaps, find_uncovered_ends
from merge.model import (
    Finding,
    FocusAxis,
    FrameQuality,
    FrameRegistration,
    FrameTransform,
    Registration,
)
from merge.pipeline.apertures import assess_apertures
from merge.plan import plan_bracket
from merge.report.page.charts import (
    contrast_chart,
    coverage_chart,
    edge_chart,
    focus_chart,
    frame_trends_chart,
    limits_chart,
    plan_contrast_chart,
    region_chart,
    where_key,
    where_map,
)
from merge.report.page.charts import svg as drawing

SVG = "{http://www.w3.org/2000/svg}"
TOLERANCE = 2.0
HOSTILE = "<b>&\"'</svg><script>x</script>.jpg"


def axis_of(positions, tiles, *, detail=None):
    """Return an axis over a row of tiles of 12 px at given positions."""
    places = np.array([tiles], float)
    weight = np.ones_like(places) if detail is None else np.array([detail], float)
    whole, unknown = np.ones(len(positions)), np.full(len(positions), np.nan)
    quality = FrameQuality(whole, unknown, unknown, unknown, 0 * whole, whole, unknown, unknown)
    steps = np.diff(positions)
    return FocusAxis(np.array(positions, float), steps, steps, places, weight, 12, quality)


def gappy():
    """Return an axis with planes at 0, 3, 6, 14, 17 px and even detail from 0 to 24 px."""
    return axis_of([0, 3, 6, 14, 17], np.linspace(0, 24, 97))


def coverage(axis, *, names=None, aligned=None):
    count = len(axis.positions_px)
    names = names or [f"FRM_{i + 1}.jpg" for i in range(count)]
    aligned = aligned or list(range(count))
    found = [
        *find_gaps(axis, TOLERANCE, names, [None] * count),
        *find_uncovered_ends(axis, TOLERANCE, names),
    ]
    found = [replace(f, frames=tuple(aligned[i] for i in f.frames)) for f in found]
    text = coverage_chart(axis, found, tolerance_px=TOLERANCE, names=names, aligned=aligned)
    return ET.fromstring(text), found


def marks(root):
    return [g for g in root.iter(f"{SVG}g") if g.get("class") == "mark"]


def percent(text):
    return float(text.removesuffix("%"))


def test_every_frame_and_every_hole_is_a_mark_that_says_where():
    root, found = coverage(gappy())
    labels = [m.get("aria-label") for m in marks(root)]
    assert len(labels) == len(found) + 5 == 7
    assert {(f.kind, m.get("data-box")) for f, m in zip(found, marks(root), strict=False)} == {
        (f.kind, ",".join(map(str, f.box))) for f in found
    }
    assert "Gap between frames 3 and 4: 4.0 px of blur midway" in labels[0]
    assert marks(root)[0].get("data-frame") == "2 3"
    assert all(m.get("tabindex") == "0" and m.get("role") == "img" for m in marks(root))


def test_the_place_of_a_frame_is_where_its_tiles_are():
    axis = axis_of([0, 3, 6], np.linspace(-2, 8, 101))
    root, _ = coverage(axis)
    frame = next(m for m in marks(root) if m.get("data-frame") == "1")
    row, column, height, width = map(int, frame.get("data-box").split(","))
    # Tile k lies at k/10 - 2 px: within 2 px of 3 px are 30 … 70, the middle 90 % 32 … 68.
    assert (row, height) == (0, 12)
    assert column == pytest.approx(32 * 12, abs=12)
    assert width == pytest.approx(37 * 12, abs=24)
    assert "41 % of the detail" in frame.get("aria-label")


def test_frames_lie_to_scale():
    root, _ = coverage(gappy())
    planes = {}
    for mark in marks(root):
        if mark.get("aria-label").startswith("Frame"):
            planes[int(mark.get("data-frame"))] = percent(mark.find(f"{SVG}line").get("x1"))
    drawn = np.diff([planes[i] for i in range(5)])
    assert drawn / drawn[0] == pytest.approx(np.array([3, 3, 8, 3]) / 3, rel=0.01)


def test_hatched_and_plain_detail_share_as_coverage_does():
    """The areas drawn agree with `measure_coverage`, which counts tiles."""
    rng = np.random.default_rng(8)
    axis = axis_of([0, 3, 6, 14, 17], rng.uniform(-1.5, 18.5, 4000))
    root, _ = coverage(axis)
    held = next(p for p in root.iter(f"{SVG}path") if "--accent" in (p.get("style") or ""))
    cut = next(root.iter(f"{SVG}clipPath")).find(f"{SVG}path")
    areas = [
        sum(
            float(tall) * float(wide)
            for tall, wide in re.findall(r"v-([\d.]+)h([\d.]+)", p.get("d"))
        )
        for p in (held, cut)
    ]
    share = measure_coverage(axis, TOLERANCE).outside_share
    assert share > 0.1
    assert areas[1] / sum(areas) == pytest.approx(share, abs=0.02)


def test_a_reversed_bracket_and_one_with_a_frame_left_out_are_drawn():
    axis = axis_of([0, -3, -6, -14], np.linspace(-20, 1, 80))
    root, found = coverage(axis, names=list("abcde"), aligned=[0, 1, 3, 4])
    gap = next(f for f in found if f.kind == "gap")
    assert set(gap.frames) == {3, 4}
    labels = [m.get("aria-label") for m in marks(root) if m.get("data-frame") == "4"]
    assert any(label.startswith("Frame 5, e: at -14.0 px") for label in labels)


def test_detail_without_any_tile_is_no_error():
    root, found = coverage(axis_of([0, 3], [math.nan, math.nan], detail=[0, 0]))
    assert len(marks(root)) == 2
    assert found == []


def registration(shifts, gains):
    frames = tuple(
        FrameRegistration(FrameTransform(np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]])), gain=g)
        for (x, y), g in zip(shifts, gains, strict=True)
    )
    return Registration(frames, 0, "shift", (100, 200))


def test_trends_tell_every_number_and_mark_the_outlier():
    moved = registration([(0, 0), (1.5, -0.25), (9, 4), (3, 0)], [1, 1, 1, 2])
    bump = Finding("bumped frame", "warning", "x", frames=(2,))
    text = frame_trends_chart(
        moved, axis_of([0, 3, 6, 9], [1.0, 2.0]), [bump], names=list("abcd"), aligned=range(4)
    )
    root = ET.fromstring(text)
    labels = [m.get("aria-label") for m in marks(root)]
    assert "shift 1.5 / −0.2 px" in labels[1]
    assert "exposure 1.00 EV" in labels[3]
    assert "sharpness 100 %" in labels[0]
    assert "shift 9.0 / 4.0 px (stands out)" in labels[2]
    assert sum("stands out" in label for label in labels) == 1
    # Every panel has a scale: round values on lines of their own.
    said = [t.text for t in root.iter(f"{SVG}text")]
    for value in ("0", "5", "0.5", "100"):
        assert value in said
    # At the left edge no scale's number lies in a title, whatever round values come.
    for span in (0.01, 0.7, 1.9, 3.6, 11.0):
        shifts = [(0, 0), (span, 0), (0, span), (span, span)]
        drawn = frame_trends_chart(
            registration(shifts, [1, 1 + span / 9, 1, 1]), None, [], names=list("abcd"),
            aligned=range(4),
        )  # fmt: skip
        left = [t for t in ET.fromstring(drawn).findall(f"{SVG}text") if t.get("x") == "0%"]
        heights = sorted(float(t.get("y")) for t in left)
        assert len(heights) > 6
        assert min(b - a for a, b in itertools.pairwise(heights)) >= 11
    # Columns lie above a strip of even thumbnails.
    columns = [m.find(f"{SVG}rect") for m in marks(root)]
    assert [percent(c.get("x")) for c in columns] == [0, 25, 50, 75]


def test_a_frame_that_is_not_aligned_breaks_the_trend():
    moved = registration([(0, 0), (1, 0), (2, 0)], [1, 1, 1])
    lost = replace(moved, frames=(moved.frames[0], FrameRegistration(None), moved.frames[2]))
    root = ET.fromstring(frame_trends_chart(lost, None, [], names=list("abc"), aligned=[0, 2]))
    assert marks(root)[1].get("aria-label") == "Frame 2, b: not aligned"
    path = next(p for p in root.iter(f"{SVG}path") if p.get("class") == "line")
    assert path.get("d").count("M") == 2
    assert "nan" not in ET.tostring(root, "unicode")


def slice_of(frame, **known):
    values = {
        "limit": "unknown", "f_number": 8.0, "effective_f_number": 8.0, "known_by": "",
        "airy_diameter_px": 1.0, "diffraction_contrast": None, "pixel_contrast": 0.9,
        "step_contrast": None, "seen_contrast": None, "lost_to_reference": None, "lost": None,
    }  # fmt: skip
    return SliceLimits(frame=frame, **(values | known))


def test_a_column_is_as_tall_as_what_is_lost_and_its_tallest_part_limits():
    """Contrasts multiply: what is left of all terms is their product."""
    slices = [
        slice_of(0, limit="step", diffraction_contrast=0.8, step_contrast=0.5, seen_contrast=0.95),
        slice_of(1),
    ]
    root = ET.fromstring(limits_chart(slices, names=["a", "b"]))
    label = marks(root)[0].get("aria-label")
    left = 0.8 * 0.9 * 0.5 * 0.95
    assert f"{100 * left:.0f} % of contrast left; limited by the focus step" in label
    parts = [float(r.get("height")) for r in marks(root)[0].findall(f"{SVG}rect")][1:]
    whole = 150.0
    assert parts[-1] == pytest.approx(left * whole, abs=0.02)
    assert sum(parts) == pytest.approx(whole, abs=0.05)
    assert parts[:-1].index(max(parts[:-1])) == 2
    assert "diffraction not known" in marks(root)[1].get("aria-label")
    assert "limit not known" in marks(root)[1].get("aria-label")


def test_names_with_html_in_them_stay_text():
    names = [HOSTILE] * 5
    root, _ = coverage(gappy(), names=names)
    assert any(HOSTILE in m.get("aria-label") for m in marks(root))
    assert not list(root.iter(f"{SVG}script"))
    ET.fromstring(limits_chart([slice_of(0)], names=[HOSTILE]))


@pytest.fixture(scope="module")
def series(tmp_path_factory):
    f_numbers = [4.0, 5.6, 8.0, 11.0, 16.0]
    shakes = [(0.0, 0.0)] * 3 + [(2.5, 1.0)] + [(0.0, 0.0)]
    shot = aperture_scenes.photograph_series(
        "gravel", f_numbers, lens=aperture_scenes.Lens(widest=4.0), shakes=shakes
    )
    folder = tmp_path_factory.mktemp("series")
    return assess_apertures(save(folder, shot.frames, f_numbers))


def test_contrast_is_drawn_where_it_was_measured(series):
    root = ET.fromstring(contrast_chart(series.report))
    heights = []
    for mark, frame in zip(marks(root), series.report.frames, strict=True):
        assert f"{100 * frame.contrast:.0f} %" in mark.get("aria-label")
        if not frame.fault:
            heights.append(float(mark.find(f"{SVG}circle").get("cy")))
    values = [f.contrast for f in series.report.frames if not f.fault]
    slope = np.polyfit(values, heights, 1)
    assert slope[0] < 0
    assert np.polyval(slope, values) == pytest.approx(heights, abs=0.05)
    assert "shaken" in marks(root)[3].get("aria-label")


def test_parts_and_places_of_a_series_are_sound(series):
    for region in series.report.regions:
        assert ET.fromstring(region_chart(series.report, region)) is not None
    key = where_key(series.report)
    assert sum(share for *_, share in key) == pytest.approx(1)
    root = ET.fromstring(where_map(series.report, "data:,", (448, 448)))
    dots = list(root.iter(f"{SVG}circle"))
    assert len(dots) == np.isfinite(series.report.winners).sum()
    assert edge_chart(replace(series.report, edges=())) == ""


def edge_of(width):
    """Return an edge's response that falls as a Gaussian, None for a frame without one."""
    frequency = np.linspace(0, 1, 129)
    response = np.exp(-((frequency / width) ** 2))
    return EdgeResponse((0, 0, 40, 40), 5.0, frequency, response, width * math.sqrt(math.log(2)))


def test_an_edge_is_drawn_for_every_frame_that_shows_it(series):
    edges = (edge_of(0.2), None, edge_of(0.35), edge_of(0.3), edge_of(0.15))
    root = ET.fromstring(edge_chart(replace(series.report, edges=edges)))
    assert [m.get("data-frame") for m in marks(root)] == ["0", "2", "3", "4"]
    assert "f/8: half contrast at 0.291 cycles a pixel" in marks(root)[1].get("aria-label")
    curve = next(p for p in marks(root)[1].iter(f"{SVG}path") if p.get("class") == "line")
    points = np.array(re.findall(r"[ML]([\d.]+) ([\d.]+)", curve.get("d")), float)
    # One half is reached where the label says, on a scale of 0.5 cycles a pixel.
    x = np.interp(0.291, [0, 0.5], [4.0, 97.0])
    heights = np.interp([x, points[0, 0]], points[:, 0], points[:, 1])
    foot = 264.0
    assert (foot - heights[0]) / (foot - heights[1]) == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize("request_", [LANDSCAPE, MACRO, HALF_SIZE])
def test_a_plan_is_drawn_to_scale(request_):
    plan = plan_bracket(request_)
    root = ET.fromstring(focus_chart(plan))
    found = [percent(m.find(f"{SVG}line").get("x1")) for m in marks(root)]
    assert len(found) == plan.chosen.frames
    mm = np.array([p.focus_mm for p in plan.positions])
    places = mm if plan.mode == "rail" else -1 / mm
    expected = np.interp(places, [places[0], places[-1]], [found[0], found[-1]])
    assert found == pytest.approx(expected, abs=0.02)


def test_the_plan_stands_out_among_the_f_numbers():
    plan = plan_bracket(LANDSCAPE)
    root = ET.fromstring(plan_contrast_chart(plan))
    assert len(marks(root)) == len(plan.options)
    chosen = [m for m in marks(root) if m.find(f"{SVG}circle") is not None]
    assert len(chosen) == 1
    said = f"f/{plan.chosen.f_number:g}: {plan.chosen.frames} frames"
    assert chosen[0].get("aria-label").startswith(said)


def test_labels_that_would_touch_on_a_phone_are_for_wide_pages_only():
    places = list(np.linspace(3, 97, 40))
    shown = drawing.labels(places, [f"{i}00" for i in range(40)], 10)
    narrow = [s for s in shown if " wide" not in s]
    assert 5 <= len(narrow) < len(shown) <= 40


def run(*arguments):
    return CliRunner().invoke(main, [str(a) for a in arguments])


PLAN = ("plan", "--pixel-pitch", 4, "--magnification", "1:1", "--depth", "3mm")


def test_report_refuses_to_replace_before_any_work(tmp_path, monkeypatch):
    page = tmp_path / "page.html"
    page.write_text("mine", encoding="utf-8")

    def work(*_, **__):
        raise AssertionError("work began")

    monkeypatch.setattr("merge.cli.apertures.assess_apertures", work)
    monkeypatch.setattr("merge.cli.plan.plan_bracket", work)
    for command in (("apertures", tmp_path), PLAN):
        result = run(*command, "--report", page)
        assert result.exit_code == 1
        assert "page.html: exists already" in result.stderr
        assert len(result.stderr.splitlines()) == 1
    assert page.read_text(encoding="utf-8") == "mine"


def test_report_never_replaces_what_it_reads(tmp_path):
    audit = tmp_path / "audit.json"
    audit.write_text("{}", encoding="utf-8")
    page = tmp_path / "page.html"
    page.symlink_to(audit)
    result = run("plan", "--from", audit, "--report", page, "--overwrite")
    assert result.exit_code == 1
    assert "is the input audit.json" in result.stderr
    assert audit.read_text(encoding="utf-8") == "{}"
