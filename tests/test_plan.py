"""Plans, verified by tracing random rays through a lens that knows none of our formulas."""

import itertools
import json
import math
import re
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from PIL.TiffImagePlugin import IFDRational
from test_optics import numeric_otf

from merge import optics
from merge.cli import main
from merge.errors import MergeError, WriteError
from merge.pipeline.demo import write_demo
from merge.plan import (
    REFERENCE_CYCLES_PER_PX,
    PlanRequest,
    plan_bracket,
    plan_reshoot,
    sharpest_f_number,
)
from merge.plan.profile import blur_profile
from merge.report.plan import (
    plan_record,
    plan_text,
    reshoot_record,
    reshoot_text,
    write_plan_plot,
)

LANDSCAPE = PlanRequest(
    pixel_pitch_um=4.0, tolerance_px=2.0, focal_length_mm=24.0, near_mm=700.0, far_mm=math.inf
)
MACRO = PlanRequest(pixel_pitch_um=4.0, tolerance_px=2.0, magnification=1.0, depth_mm=3.0)
NARROW = PlanRequest(
    pixel_pitch_um=6.0, tolerance_px=1.5, focal_length_mm=100.0, near_mm=1500.0, far_mm=2100.0
)
SMALL_SENSOR = PlanRequest(
    pixel_pitch_um=2.4, tolerance_px=3.0, focal_length_mm=8.8, near_mm=300.0, far_mm=20000.0
)
HALF_SIZE = PlanRequest(
    pixel_pitch_um=3.3, tolerance_px=2.0, magnification=0.5, depth_mm=9.0, focal_length_mm=60.0
)
HIGH = PlanRequest(
    pixel_pitch_um=4.4, tolerance_px=2.5, magnification=4.0, depth_mm=0.5, f_number=4.0
)
SCENES = {
    "landscape": LANDSCAPE,
    "macro": MACRO,
    "narrow": NARROW,
    "small sensor": SMALL_SENSOR,
    "half life size": HALF_SIZE,
    "four times": HIGH,
}


class TracedCamera:
    """An ideal thin lens with a round stop, a sensor, and random rays (Snell by Gauss only)."""

    def __init__(self, focal_mm, f_number, *, pupil_ratio=1.0, rays=500, seed=1):
        self.focal, self.ratio = focal_mm, pupil_ratio
        self.stop = focal_mm * (1 - pupil_ratio)  # behind the lens
        rng = np.random.default_rng(seed)
        radius = focal_mm / f_number / 2 * pupil_ratio * np.sqrt(rng.random(rays))
        angle = 2 * np.pi * rng.random(rays)
        # The rim itself too, so that the spread of the hits is the diameter.
        rim = np.linspace(0, 2 * np.pi, 32, endpoint=False)
        rim_radius = focal_mm / f_number / 2 * pupil_ratio
        self.x = np.concatenate([radius * np.cos(angle), rim_radius * np.cos(rim)])

    def hits(self, subject_mm, image_mm, x=None):
        """Return where rays of an axial point, ``subject_mm`` before the lens, meet a plane."""
        # A ray of slope a has height a·u at the lens and a·(u + s - s·u/f) in the stop.
        at_stop = subject_mm + self.stop * (1 - subject_mm / self.focal)
        slope = (self.x if x is None else x) / at_stop
        height = slope * subject_mm
        return height + image_mm * (slope - height / self.focal)

    def blur_um(self, subject_mm, image_mm):
        """Return the spread of the hits."""
        return 1000 * np.ptp(self.hits(subject_mm, image_mm))

    def image_of(self, subject_mm):
        """Return the plane where a rim ray meets the axis, by search."""
        low, high = self.focal, 1e3 * self.focal
        for _ in range(60):
            middle = (low + high) / 2
            crossed = self.hits(subject_mm, middle, x=1.0) < 0
            low, high = (low, middle) if crossed else (middle, high)
        return (low + high) / 2

    def focus_on(self, distance_mm):
        """Return the lens-to-sensor distance that makes a point this far from the sensor sharp."""
        low, high = self.focal, min(2 * self.focal, distance_mm / 2)
        for _ in range(60):
            middle = (low + high) / 2
            sharp_at = self.image_of(distance_mm - middle)
            low, high = (middle, high) if sharp_at > middle else (low, middle)
        return (low + high) / 2


def traced_blur_px(plan, positions, points=160, scene=None):
    """Render points all over the depth in all frames; return each point's least blur in px."""
    request, chosen = plan.request, plan.chosen
    focal = request.focal_length_mm or 60.0
    camera = TracedCamera(focal, chosen.f_number, pupil_ratio=request.pupil_ratio)
    if plan.mode == "rail":
        m = request.magnification
        # Where the lens must stand for that magnification: image m times as large.
        subject = focal * (1 + 1 / m)
        image = camera.image_of(subject)
        assert image / subject == pytest.approx(m, rel=1e-6)
        if scene is None:
            planes = np.array([p.focus_mm for p in positions])
            # Midway between planes, where the blur peaks, besides even places.
            scene = np.append(
                np.linspace(0, request.depth_mm, points), (planes[1:] + planes[:-1]) / 2
            )
        blur = [[camera.blur_um(subject + z - p.focus_mm, image) for p in positions] for z in scene]
    else:
        far = min(request.far_mm, 1e7)
        if scene is None:
            scene = 1 / np.linspace(1 / request.near_mm, 1 / far, points)
        images = [camera.focus_on(p.focus_mm) for p in positions]
        # The sensor stays, the lens moves: subject to lens is what is left of the distance.
        blur = [[camera.blur_um(d - image, image) for image in images] for d in scene]
    return np.min(blur, axis=1) / request.pixel_pitch_um


@pytest.mark.parametrize("name", SCENES)
def test_planned_bracket_rendered_by_rays_holds_the_tolerance(name):
    """Bar: no point blurred beyond the tolerance, within 5 %; and as blurred as the plan says."""
    plan = plan_bracket(SCENES[name])
    assert plan.chosen.frames > 1
    worst = traced_blur_px(plan, plan.positions).max()
    assert worst <= 1.05 * plan.request.tolerance_px
    assert worst == pytest.approx(plan.chosen.blur_px, rel=0.05)


@pytest.mark.parametrize("name", SCENES)
def test_one_frame_fewer_rendered_by_rays_breaks_the_tolerance(name):
    """Both ways: the best plan with one frame fewer, and any frame of the bracket lost."""
    plan = plan_bracket(SCENES[name])
    fewer = plan_bracket(
        replace(SCENES[name], f_number=plan.chosen.f_number, frames=plan.chosen.frames - 1)
    )
    assert traced_blur_px(fewer, fewer.positions).max() > plan.request.tolerance_px
    for lost in {0, plan.chosen.frames // 2, plan.chosen.frames - 1}:
        kept = [p for i, p in enumerate(plan.positions) if i != lost]
        assert traced_blur_px(plan, kept).max() > 1.05 * plan.request.tolerance_px


@pytest.mark.parametrize("pupil_ratio", [0.7, 1.5])
@pytest.mark.parametrize("request_", [HALF_SIZE, NARROW, LANDSCAPE])
def test_unsymmetrical_lens_rendered_by_rays_holds_the_tolerance(request_, pupil_ratio):
    plan = plan_bracket(replace(request_, pupil_ratio=pupil_ratio))
    worst = traced_blur_px(plan, plan.positions).max()
    assert worst == pytest.approx(plan.chosen.blur_px, rel=0.05)
    assert worst <= 1.05 * plan.request.tolerance_px


@pytest.mark.parametrize("request_", [LANDSCAPE, MACRO, HALF_SIZE])
def test_profile_agrees_with_rays(request_):
    """The curve in the plot is the blur that rays show, for focus and for rail."""
    plan = plan_bracket(request_)
    place, blur = blur_profile(
        plan, f_number=plan.chosen.f_number, frames=plan.chosen.frames, samples=100
    )
    traced = traced_blur_px(plan, plan.positions, scene=place)
    np.testing.assert_allclose(blur, traced, atol=0.05 * request_.tolerance_px)


@pytest.mark.parametrize("name", SCENES)
def test_planned_bracket_never_gathers_less_light_than_one_frame(name):
    """Hasinoff & Kutulakos, "Light-Efficient Photography" (ECCV 2008; TPAMI 33(11), 2011).

    The f-number of the single frame is found by rays, light = time x pupil area.
    """
    request = replace(SCENES[name], f_number=None)
    for tolerance in (1.0, 1.7, 2.6, 4.0, 6.5, 9.0):
        plan = plan_bracket(replace(request, tolerance_px=tolerance))
        single = plan_bracket(replace(request, f_number=4.0, frames=1))
        blur_at_f4 = traced_blur_px(single, single.positions, points=3).max()
        single_number = 4.0 * blur_at_f4 / tolerance  # blur goes with the pupil's diameter
        time, area = 1.0, 1.0 / plan.chosen.f_number**2
        bracket = time / plan.chosen.frames * area
        alone = time / single_number**2
        if plan.chosen.frames > 1:
            assert bracket >= 0.99 * alone
            assert plan.chosen.light == pytest.approx(bracket / alone, rel=0.05)


def test_contrast_at_the_worst_place_matches_a_numeric_pupil():
    """Overlap integral of the defocused pupil on a grid, times the pixel's sinc."""
    plan = plan_bracket(MACRO)
    chosen = plan.chosen
    pitch_mm = MACRO.pixel_pitch_um / 1000
    ratio = REFERENCE_CYCLES_PER_PX / pitch_mm * 0.00055 * chosen.effective_f_number
    waves = chosen.blur_px * MACRO.pixel_pitch_um / (8 * chosen.effective_f_number * 0.55)
    pixel = np.sinc(REFERENCE_CYCLES_PER_PX)
    assert chosen.worst_contrast == pytest.approx(numeric_otf(ratio, waves) * pixel, abs=0.002)
    assert chosen.focus_contrast == pytest.approx(numeric_otf(ratio, 0.0) * pixel, abs=0.002)


@pytest.mark.parametrize(
    "request_",
    [LANDSCAPE, MACRO, replace(LANDSCAPE, frames=3), replace(MACRO, frames=6)],
)
def test_no_third_stop_from_the_sharpest_on_beats_the_plan(request_):
    """Every candidate planned by itself: contrast at worst, apart from ties of 0.005."""
    request_ = replace(request_, sharpest=5.6)
    plan = plan_bracket(request_)
    for marked, _ in optics.f_number_series("third", widest=5.6, smallest=22):
        other = plan_bracket(replace(request_, f_number=marked)).chosen
        gathers_less = request_.frames is None and other.frames > 1 and other.light < 1
        assert gathers_less or other.worst_contrast <= plan.chosen.worst_contrast + 0.0051


def test_one_given_frame_takes_an_aperture_between_defocus_and_diffraction():
    """The published optimum for blur (Hansma 1996, from memory) lies within a stop of it."""
    plan = plan_bracket(replace(LANDSCAPE, near_mm=2000.0, frames=1))
    depth = 1000 * 24.0**2 / (2000.0 - 2 * 24.0)
    assert plan.chosen.f_number == pytest.approx(optics.best_f_number(depth, 0.55), rel=0.41)
    wider = plan_bracket(replace(plan.request, f_number=5.6)).chosen
    smaller = plan_bracket(replace(plan.request, f_number=22.0)).chosen
    assert wider.worst_contrast < plan.chosen.worst_contrast > smaller.worst_contrast


def test_lens_is_planned_one_or_two_stops_below_wide_open_unless_told():
    """A lens is usually sharpest one or two stops below wide open: common practice, no source."""
    assert sharpest_f_number(replace(LANDSCAPE, widest=1.8), 0.03) == 3.5
    assert sharpest_f_number(replace(MACRO, widest=2.8), 1.0) == 4.0
    assert plan_bracket(replace(LANDSCAPE, widest=2.0)).chosen.f_number >= 4.0
    assert plan_bracket(replace(LANDSCAPE, sharpest=8.0)).chosen.f_number >= 8.0
    assert plan_bracket(replace(MACRO, widest=2.8)).chosen.f_number == 4.0


def test_time_available_limits_frames_and_is_kept():
    request = replace(
        LANDSCAPE, time_s=12.0, exposure_s=0.5, exposure_f_number=8.0, pause_s=2.0, tolerance_px=1
    )
    plan = plan_bracket(request)
    each = 0.5 * (plan.chosen.f_number / 8) ** 2
    total = plan.chosen.frames * each + (plan.chosen.frames - 1) * 2.0
    assert plan.chosen.shooting_s == pytest.approx(total)
    assert total <= 12.0
    assert plan.chosen.frames < plan.chosen.frames_for_tolerance
    assert "tolerance not held" in {f.kind for f in plan.findings}


def test_overlap_asked_for_is_kept():
    plan = plan_bracket(replace(MACRO, overlap=0.3))
    assert plan.overlap >= 0.3 - 1e-9
    inner = zip(plan.positions[:-1], plan.positions[1:], strict=True)
    shared = [(a.far_mm - b.near_mm) / (a.far_mm - a.near_mm) for a, b in inner]
    assert min(shared) >= 0.3 - 1e-9


def test_diffraction_beyond_the_tolerance_is_said():
    kinds = {f.kind for f in plan_bracket(replace(MACRO, f_number=16.0)).findings}
    assert "diffraction exceeds tolerance" in kinds
    kinds = {f.kind for f in plan_bracket(replace(LANDSCAPE, f_number=4.0)).findings}
    assert "diffraction exceeds tolerance" not in kinds


def test_bracket_that_wastes_light_is_said():
    """Two frames less than a stop wider than the one frame that would do."""
    one = plan_bracket(LANDSCAPE).one_frame_f_number
    plan = plan_bracket(replace(LANDSCAPE, f_number=one / 1.2))
    assert plan.chosen.frames == 2
    assert plan.chosen.light == pytest.approx(1.2**2 / 2, rel=1e-6)
    assert "less light than one frame" in {f.kind for f in plan.findings}


def test_one_frame_that_is_enough_is_said():
    plan = plan_bracket(replace(LANDSCAPE, near_mm=30000.0, pixel_pitch_um=6.0))
    assert plan.chosen.frames == 1
    assert plan.findings[0].kind == "one frame is enough"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"focal_length_mm": None}, "--focal-length"),
        ({"near_mm": None}, "--near"),
        ({"far_mm": None}, "--far"),
        ({"near_mm": 5000.0, "far_mm": 900.0}, "near must be the smaller"),
        ({"near_mm": 80.0}, "--magnification"),
        (
            {"magnification": 1.0, "near_mm": None, "far_mm": None, "depth_mm": math.inf},
            "expected a size above 0 that ends",
        ),
        ({"tolerance_px": 0.0}, "tolerance 0 px"),
        ({"time_s": 3.0, "frames": 2}, "not both"),
        ({"exposure_s": 1.0}, "--exposure-at"),
        ({"time_s": 1.0, "exposure_s": 60.0, "exposure_f_number": 8.0}, "not one frame fits"),
        ({"tolerance_px": 0.2, "focal_length_mm": 400.0, "near_mm": 1700.0}, "allow more"),
        ({"widest": 8.0, "smallest": 4.0}, "widest"),
        ({"sharpest": 45.0}, "sharpest f/45"),
        ({"depth_mm": 500.0}, "not both"),
        ({"overlap": 0.95}, "0 to 90 %"),
        ({"pause_s": -1.0}, "pause"),
    ],
)
def test_what_is_missing_or_impossible_is_named(change, words):
    with pytest.raises(MergeError, match=words):
        plan_bracket(replace(LANDSCAPE, **change))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"pixel_pitch_um": 400.0}, r"pixel pitch 400 µm: expected 0.5 to 50 µm .*check"),
        ({"tolerance_px": 0.03}, r"tolerance 0.03 px: expected 0.2 to 200 px"),
        ({"focal_length_mm": 0.05}, "focal length 0.05 mm: expected 1 to 3000 mm"),
        ({"magnification": 1.0, "depth_mm": 5.0}, r"give the subject's depth \(--depth\)"),
        ({"f_number": 100.0}, "f-number 100: expected 0.5 to 90"),
        ({"exposure_s": 7200.0, "exposure_f_number": 8.0}, "exposure 7200 s"),
    ],
)
def test_numbers_that_no_camera_has_are_refused_with_what_is_expected(change, words):
    with pytest.raises(MergeError, match=words):
        plan_bracket(replace(LANDSCAPE, **change))


@pytest.mark.parametrize("magnification", [1.0, 2.0, 3.0, 5.0, 10.0])
@pytest.mark.parametrize("pitch", [2.4, 3.76, 6.0])
def test_a_rail_step_can_be_set_and_whole_steps_reach_both_ends(magnification, pitch):
    """By hand, from the close-up form: depth of one frame 2 c N (1 + m) / m² (Ray, from memory)."""
    plan = plan_bracket(
        PlanRequest(
            pixel_pitch_um=pitch, tolerance_px=2.0, magnification=magnification, depth_mm=3.0
        )
    )
    step, number = plan.step_mm, plan.chosen.f_number
    assert step * 1e4 == pytest.approx(round(step * 1e4), abs=1e-6)
    if step >= 0.02:
        assert step * 1e3 == pytest.approx(round(step * 1e3), abs=1e-6)
    whole = 2 * 2.0 * pitch / 1000 * number * (1 + magnification) / magnification**2
    assert step <= whole * (1 + 1e-6)
    planes = [p.focus_mm for p in plan.positions]
    assert np.diff(planes) == pytest.approx(step, abs=1e-9)
    assert planes[0] <= whole / 2 * (1 + 1e-6)
    assert 3.0 - planes[-1] <= whole / 2 * (1 + 1e-6)
    # No more frames than the step's grid makes needed.
    assert plan.chosen.frames <= math.ceil(3.0 / whole * 1.03) + 1


# --- re-shooting -------------------------------------------------------------------------------


def dropped_slice_audit(missing, f_number=4.0, steps=12):
    """Return a macro bracket's audit, its axis in px traced by rays, with frames lost."""
    camera = TracedCamera(60.0, f_number)
    planes_mm = [0.05 * i for i in range(steps)]
    # Axis in px: blur of plane 0 in frame i, at 1:1.
    axis = [camera.blur_um(120.0 + 0.0 - z, 120.0) / 4.0 for z in planes_mm]
    kept = [i for i in range(steps) if i not in missing]
    audit = {
        "schema": 1,
        "tolerance_px": 2.0,
        "focus_axis": {"positions_px": [axis[i] for i in kept]},
        "frames": [{"name": f"IMG_{i:04d}.tif"} for i in kept],
        "settings": {"pixel_pitch_um": 4.0, "f_number": f_number, "magnification": 1.0},
    }
    return audit, planes_mm


def test_reshoot_puts_frames_back_where_they_were_lost():
    audit, planes_mm = dropped_slice_audit(missing={5, 6})
    reshoot = plan_reshoot(audit)
    places = [planes_mm[4] + f.subject_shift_mm for f in reshoot.frames]
    assert {f.between for f in reshoot.frames} == {(4, 5)}
    # 1.56 px a step, so one frame midway holds 2 px; rays and first-order optics agree to 1 %.
    assert len(places) == math.ceil(3 * 1.5625 / 4) - 1
    assert places == pytest.approx([(planes_mm[4] + planes_mm[7]) / 2], rel=0.01)
    assert "IMG_0004.tif" in reshoot_text(reshoot)


@pytest.mark.parametrize("width", [4.1, 7.9, 8.1, 30.0])
def test_reshoot_leaves_no_step_above_twice_the_tolerance(width):
    audit = {"positions_px": [0.0, 3.0, 3.0 + width, 6.0 + width], "tolerance_px": 2.0}
    added = [f.position_px for f in plan_reshoot(audit).frames]
    steps = np.diff(sorted(audit["positions_px"] + added))
    assert steps.max() <= 4.0 + 1e-9
    assert np.diff(sorted([3.0, 3.0 + width, *added[1:]])).max() > 4.0


def test_reshoot_follows_the_gaps_that_the_audit_found():
    audit = {
        "focus_axis": {"positions_px": [0.0, 3.0, 9.0, 30.0]},
        "tolerance_px": 2.0,
        "findings": [
            {"kind": "gap", "severity": "problem", "frames": [1, 2], "value": 3.0},
            {"kind": "gap", "severity": "note", "frames": [2, 3], "value": 10.5},
            {"kind": "bumped frame", "frames": [3]},
        ],
    }
    assert {f.between for f in plan_reshoot(audit).frames} == {(1, 2)}
    # Another tolerance: the audit's gaps no longer count, its positions do.
    assert {f.between for f in plan_reshoot(audit, tolerance_px=4.0).frames} == {(2, 3)}


def test_reshoot_interpolates_focus_distances_at_the_sensor():
    """Thin lens by rays: the middle of the two image planes belongs to the distance given."""
    audit = {
        "positions_px": [0.0, 6.0],
        "tolerance_px": 2.0,
        "focal_length_mm": 50.0,
        "frames": [{"focus_distance_m": 1.0}, {"focus_distance_m": 2.0}],
    }
    (frame,) = plan_reshoot(audit).frames
    camera = TracedCamera(50.0, 4.0)
    images = [camera.focus_on(d) for d in (1000.0, 2000.0, 1000 * frame.focus_m)]
    assert images[2] == pytest.approx((images[0] + images[1]) / 2, rel=1e-5)


@pytest.mark.parametrize(("end", "sign"), [(0, -1), (2, 1)])
@pytest.mark.parametrize("missing", [2.5, 6.0, 11.0])
def test_reshoot_reaches_as_far_beyond_an_end_as_the_subject(end, sign, missing):
    positions = [0.0, 3.0, 6.0]
    audit = {
        "positions_px": positions,
        "tolerance_px": 2.0,
        "findings": [{"kind": "end not covered", "frames": [end], "value": missing}],
    }
    added = sorted((f.position_px for f in plan_reshoot(audit).frames), key=lambda p: sign * p)
    assert sign * (added[-1] - positions[end]) == pytest.approx(missing - 2.0)
    steps = np.abs(np.diff([positions[end], *added]))
    assert steps.max() <= 4.0 + 1e-9
    assert (len(added) - 1) * 4.0 < missing - 2.0  # one frame fewer would not reach


def test_reshoot_beyond_the_far_end_stops_at_infinity():
    audit = {
        "positions_px": [0.0, 3.0],
        "tolerance_px": 2.0,
        "focal_length_mm": 50.0,
        "frames": [{"focus_distance_m": 10.0}, {"focus_distance_m": 30.0}],
        "findings": [{"kind": "end not covered", "frames": [1], "value": 9.0}],
    }
    reshoot = plan_reshoot(audit)
    assert reshoot.frames[-1].focus_m == math.inf
    assert "focus at infinity" in reshoot_text(reshoot)
    assert reshoot_record(reshoot)["frames"][-1]["focus_m"] == "Infinity"


def test_reshoot_passes_over_frames_without_a_position():
    audit = {"positions_px": [0.0, None, 7.0, None], "tolerance_px": 2.0}
    audit["findings"] = [
        {"kind": "end not covered", "frames": [0], "value": 5.0},
        {"kind": "gap", "frames": [0, 2], "value": 3.5},
    ]
    frames = plan_reshoot(audit).frames
    assert [f.between for f in frames] == [(0, 2), (0, 0)]
    assert [f.position_px for f in frames] == pytest.approx([3.5, -3.0])


def test_reshoot_puts_positions_of_aligned_frames_in_their_places():
    audit = {
        "tolerance_px": 2.0,
        "frames": [{"name": name} for name in "abcde"],
        "focus_axis": {"frames": [0, 2, 4], "positions_px": [0.0, 3.0, 10.0]},
        "findings": [{"kind": "gap", "frames": [2, 4], "value": 3.5}],
    }
    reshoot = plan_reshoot(audit)
    assert [(f.between, f.position_px) for f in reshoot.frames] == [((2, 4), 6.5)]
    assert "from c to e" in reshoot_text(reshoot)


@pytest.mark.slow
def test_an_audit_with_a_dropped_slice_and_a_stranger_becomes_a_plan(tmp_path):
    """A written bracket with steps of 3.3 px: a slice dropped, a frame of noise slipped in."""
    bracket = write_demo(tmp_path / "in", frames=8, drop=[5], shape=(320, 480))
    with Image.open(bracket.frames[0]) as first:
        pixels = np.random.default_rng(7).integers(0, 256, (first.height, first.width, 3))
        stranger = Image.fromarray(pixels.astype(np.uint8))
        # Of the first frame's time: by its name the second frame.
        stranger.save(tmp_path / "in" / "EXA_0001_b.jpg", exif=first.info["exif"])
    audited = CliRunner().invoke(main, ["audit", str(tmp_path / "in"), "--json"])
    assert audited.exit_code == 0, audited.stderr
    axis = json.loads(audited.stdout)["focus_axis"]
    assert axis["frames"] == [0, 2, 3, 4, 5, 6, 7]
    path = tmp_path / "audit.json"
    path.write_text(audited.stdout, encoding="utf-8")
    (frame,) = json.loads(run("--from", path, "--json").stdout)["frames"]
    assert frame["between"] == [4, 5]
    # Steps are held to 15 %; the frame lies one step beyond the plane before the hole.
    assert frame["distance_px"] == pytest.approx(3.3, rel=0.15)
    assert "from EXA_0004.jpg to EXA_0006.jpg" in run("--from", path).stdout


def test_reshoot_without_optics_says_what_would_give_millimetres():
    reshoot = plan_reshoot({"positions_px": [0.0, 9.0], "tolerance_px": 2.0})
    assert reshoot.frames[0].subject_shift_mm is None
    assert "--pixel-pitch" in reshoot_text(reshoot)


def test_reshoot_of_a_whole_bracket_says_so():
    reshoot = plan_reshoot({"positions_px": [0.0, 3.0, 6.0], "tolerance_px": 2.0})
    assert reshoot.frames == ()
    assert reshoot_text(reshoot).startswith("Nothing to add")


@pytest.mark.parametrize(
    ("audit", "words"),
    [
        ({}, "no focus axis"),
        ({"positions_px": [0.0, None]}, "fewer than two frames"),
        ({"positions_px": [0.0, "far"]}, "no number"),
        ({"positions_px": [0.0, 5.0]}, "--tolerance"),
        (
            {
                "positions_px": [0.0, 5.0],
                "tolerance_px": 2,
                "findings": [{"kind": "gap", "frames": [1, 2]}],
            },
            "gap between frames",
        ),
        (
            {
                "positions_px": [0.0, 3.0, 6.0],
                "tolerance_px": 2,
                "findings": [{"kind": "end not covered", "frames": [1], "value": 5.0}],
            },
            "frame 1 as an end",
        ),
        (
            {"focus_axis": {"frames": [0, 2], "positions_px": [0.0, 3.0, 6.0]}},
            "one frame for each of its 3",
        ),
        (
            {"focus_axis": {"frames": [0, 2], "positions_px": [0.0, 3.0]}, "frames": [{}, {}]},
            "names frame 2 .* lists 2 frames",
        ),
    ],
)
def test_reshoot_refuses_what_is_no_audit(audit, words):
    with pytest.raises(MergeError, match=words):
        plan_reshoot(audit)


# --- text, JSON, plot, command ------------------------------------------------------------------


@pytest.mark.parametrize("name", SCENES)
def test_text_fits_one_screen_and_shows_the_numbers_of_the_json(name):
    plan = plan_bracket(SCENES[name])
    text, record = plan_text(plan), json.loads(json.dumps(plan_record(plan), allow_nan=False))
    assert len(text.splitlines()) <= 40
    chosen = record["chosen"]
    assert f"Plan: {chosen['frames']} frames at f/{chosen['f_number']:g}" in text
    assert f"Worst blur {chosen['blur_px']:.1f} px" in text
    assert f"{100 * chosen['worst_contrast']:.0f} % at worst" in text
    for option in record["options"]:
        if option["f_number"] in {5.6, 8, 11, 16, 22}:
            assert f"f/{option['f_number']:g} " in text
    if record["step_mm"] is not None:
        step = record["step_mm"]
        said = f"{step:.3f} mm" if step >= 0.1 else f"{1000 * step:.0f} µm"
        assert f"{said} a frame" in text
    assert record["schema"] == "depthweld plan 1"
    assert record["caution"] in text


def test_infinity_in_json_is_spelled_out():
    record = plan_record(plan_bracket(LANDSCAPE))
    assert record["positions"][-1]["far_mm"] == "Infinity"
    assert "infinity" in plan_text(plan_bracket(LANDSCAPE))


def test_lengths_are_shown_with_the_digits_that_can_be_set():
    """Steps of 1:1 to 5:1 in µm or three digits; neighbours on a focus scale differ."""
    plan = plan_bracket(replace(MACRO, magnification=5.0, depth_mm=0.3, pixel_pitch_um=3.76))
    assert f"{1000 * plan.step_mm:.1f} µm a frame" in plan_text(plan)
    close = PlanRequest(
        pixel_pitch_um=3.76, tolerance_px=2.0, focal_length_mm=105.0, near_mm=450.0, depth_mm=9.0
    )
    plan = plan_bracket(close)
    lines = [line.split()[1] for line in plan_text(plan).splitlines() if " m   0." in line]
    assert len(lines) == len(set(lines)) >= 8
    assert "steps finer than a focus scale" in {f.kind for f in plan.findings}


def test_no_percentage_is_absurd_and_f_numbers_are_marked_ones():
    """Against a plan that diffraction has taken nearly everything from."""
    plan = plan_bracket(replace(MACRO, magnification=2.0, f_number=14.0, pixel_pitch_um=3.76))
    text = plan_text(plan)
    told = [int(n) for n in re.findall(r"[+−](\d+) %", text)]
    assert max(told, default=0) < 200
    assert " times" in text
    marked = {f"{m:g}" for m, _ in optics.f_number_series("third", widest=0.5, smallest=90)}
    shown = re.sub(r"\([^)]*effective[^)]*\)", "", text)
    assert set(re.findall(r"f/([0-9.]*[0-9])", shown)) <= marked


@pytest.mark.parametrize("suffix", ["png", "svg"])
def test_plot_is_written_whole_and_not_over_another(tmp_path, suffix):
    path = tmp_path / f"plan.{suffix}"
    write_plan_plot(plan_bracket(MACRO), path)
    if suffix == "png":
        with Image.open(path) as picture:
            picture.load()
            assert picture.width > 1000
            assert len(picture.convert("RGB").getcolors(1 << 20)) > 10
    else:
        assert path.read_text(encoding="utf-8").rstrip().endswith("</svg>")
    with pytest.raises(WriteError, match="exists"):
        write_plan_plot(plan_bracket(MACRO), path)
    assert list(tmp_path.iterdir()) == [path]


def test_plot_refuses_other_names(tmp_path):
    with pytest.raises(WriteError, match=r"\.png or \.svg"):
        write_plan_plot(plan_bracket(MACRO), tmp_path / "plan.pdf")


def run(*arguments):
    return CliRunner().invoke(main, ["plan", *map(str, arguments)])


def test_command_plans_a_landscape():
    result = run(
        "--sensor", "36x24", "--megapixels", 24, "--focal-length", "24mm", "--near", "60cm",
        "--far", "inf",
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith("Plan: ")
    assert "infinity" in result.stdout
    assert result.stderr == ""


def test_command_gives_the_same_numbers_as_the_library():
    result = run(
        "--pixel-pitch", 4, "--magnification", "1:1", "--depth", "3mm", "--tolerance", "0.008mm",
        "--json",
    )  # fmt: skip
    expected = json.loads(json.dumps(plan_record(plan_bracket(MACRO))))
    assert json.loads(result.stdout) == expected


def test_command_reads_the_camera_from_a_frame(tmp_path):
    """EXIF 2.32: FocalPlaneXResolution in pixels a unit, unit 3 = cm; 2500/cm is 4 µm."""
    path = tmp_path / "frame.jpg"
    exif = Image.Exif()
    exif.get_ifd(0x8769).update(
        {
            0xA20E: IFDRational(2500), 0xA20F: IFDRational(2500), 0xA210: 3,
            0x920A: IFDRational(24), 0x829D: IFDRational(8), 0x829A: IFDRational(1, 2),
        }
    )  # fmt: skip
    Image.new("RGB", (60, 40)).save(path, exif=exif.tobytes())
    result = run("--frame", path, "--near", "0.7m", "--far", "inf", "--json")
    assert result.exit_code == 0, result.output
    request = json.loads(result.stdout)["request"]
    assert request["pixel_pitch_um"] == pytest.approx(4.0)
    assert request["focal_length_mm"] == 24.0
    assert (request["exposure_s"], request["exposure_f_number"]) == (0.5, 8.0)


def test_command_names_what_a_frame_does_not_tell(tmp_path):
    path = tmp_path / "bare.png"
    Image.new("RGB", (60, 40)).save(path)
    result = run("--frame", path, "--near", "0.7m", "--far", "inf", "--focal-length", 24)
    assert result.exit_code == 2
    assert "bare.png does not tell its pixel pitch: give --pixel-pitch" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "--pixel-pitch, or --sensor with --megapixels, or --frame"),
        (["--pixel-pitch", "4"], "--focal-length"),
        (["--pixel-pitch", "4", "--focal-length", "24", "--near", "1m"], "--far"),
        (["--pixel-pitch", "4um", "--near", "huge"], "expected a length above 0"),
        (["--pixel-pitch", "4kg"], "expected a size above 0"),
        (["--time", "0s"], "expected a time above 0"),
        (["--sensor", "36", "--megapixels", "24"], "width x height"),
        (["--pixel-pitch", "4", "--tolerance", "soft"], "expected for example 2px"),
        (["--pixel-pitch", "4", "--tolerance", "d/1500"], "--sensor"),
        (["--pixel-pitch", "4", "--f-number", "f/zero"], "such as f/5.6"),
    ],
)
def test_command_refuses_wrong_usage_with_the_option_that_helps(arguments, words):
    result = run(*arguments)
    assert result.exit_code == 2
    assert words in " ".join(result.stderr.split())
    assert result.stdout == ""


def read_mm(option, text):
    """Return the length that the command reads, from its JSON."""
    arguments = {"--near": "1.1m", "--far": "60m"} | {option: text}
    result = run(
        "--pixel-pitch", 4, "--focal-length", 24, *itertools.chain(*arguments.items()), "--json"
    )  # fmt: skip
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)["request"][option.removeprefix("--") + "_mm"]


@pytest.mark.parametrize(
    ("text", "millimetres"),
    [
        ("6ft", 1828.8), ("6 ft", 1828.8), ("6'", 1828.8), ("6'2\"", 1879.6), ("6' 2\"", 1879.6),
        ("6ft 2in", 1879.6), ("5 feet 6 inches", 1676.4), ("6′2″", 1879.6), ("6'2.5", 1892.3),
        ("60in", 1524.0), ("60\"", 1524.0), ("2yd", 1828.8), ("1500mm", 1500.0), ("1.5 m", 1500.0),
        ("150cm", 1500.0), (".5m", 500.0), ("1/2m", 500.0),
    ],
)  # fmt: skip
def test_lengths_are_read_in_metres_feet_and_inches(text, millimetres):
    """The inch is 25.4 mm, the foot 304.8 mm, the yard 914.4 mm: agreement of 1959."""
    assert read_mm("--near", text) == pytest.approx(millimetres, rel=1e-12)


PLAIN = ["--pixel-pitch", "4", "--focal-length", "24", "--near", "1m", "--far", "9m"]
CLOSE = ["--pixel-pitch", "4", "--magnification", "1:1", "--depth", "4mm"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([*PLAIN, "--near", "600"], "'600' has no unit: write 600mm, 600cm, 600m, 600ft or 600in"),
        ([*CLOSE, "--depth", "5"], "'5' has no unit"),
        ([*PLAIN, "--time", "30"], "'30' has no unit: write 30s or 30min"),
        ([*PLAIN, "--time", "30s", "--pause", "2"], "'2' has no unit"),
        ([*CLOSE, "--overlap", "20"], "'20' has no unit: write 20%"),
        ([*PLAIN, "--tolerance", "0.03"], "expected for example 2px, 0.03mm"),
        ([*PLAIN, "--near", "0,6m"], "decimals take a point"),
        ([*PLAIN, "--near", "6'2m"], "expected a length"),
        ([*PLAIN, "--pixel-pitch", "400um"], "pixel pitch 400 µm: expected 0.5 to 50 µm"),
        ([*PLAIN, "--depth", "1m"], "--far and --depth: both tell the far end"),
        ([*CLOSE, "--near", "1m"], "--near and --magnification: on a rail"),
        ([*PLAIN, "--sensor", "36x24", "--megapixels", "24"], "both tell the pixel size"),
        ([*PLAIN, "--megapixels", "24"], "both tell the pixel size"),
        ([*PLAIN, "--sensor", "36x24"], "give that too"),
        ([*PLAIN, "--frames", "3", "--time", "30s"], "not both"),
        ([*PLAIN, "--frames", "3", "--overlap", "20%"], "fixes the overlap"),
        ([*PLAIN, "--f-number", "8", "--sharpest", "5.6"], "leave out --sharpest"),
        ([*PLAIN, "--pause", "2s"], "--pause counts with --time or --exposure"),
        (["--from", "a.json", "--near", "1m"], "--near would do nothing"),
        (["--from", "a.json", "--frames", "3", "--plot", "p.png"], "--frames, --plot would do"),
    ],
)
def test_no_unit_is_guessed_and_no_option_is_dropped(arguments, words):
    result = run(*arguments)
    assert result.exit_code == 2, result.output
    assert words in " ".join(result.stderr.split())
    assert result.stdout == ""


def test_command_tells_where_to_shoot_again(tmp_path):
    audit, _ = dropped_slice_audit(missing={5, 6})
    path = tmp_path / "audit.json"
    path.write_text(json.dumps(audit), encoding="utf-8")
    result = run("--from", path)
    assert result.exit_code == 0, result.output
    assert "Add 1 frame" in result.stdout
    assert "50 % of the way from IMG_0004.tif to IMG_0007.tif" in result.stdout


def test_command_takes_units_and_fractions():
    result = run(
        "--pixel-pitch", "4µm", "--magnification", "1:2", "--depth", "0.2cm", "--time", "1min",
        "--exposure", "1/50s", "--exposure-at", "F/8", "--overlap", "10%", "--json",
    )  # fmt: skip
    request = json.loads(result.stdout)["request"]
    assert request["magnification"] == 0.5
    assert request["depth_mm"] == 2.0
    assert (request["time_s"], request["exposure_s"]) == (60.0, 0.02)
    assert (request["exposure_f_number"], request["overlap"]) == (8.0, 0.1)


@pytest.mark.parametrize("content", ["{", "[1]", None])
def test_command_refuses_a_file_that_is_no_audit(tmp_path, content):
    path = tmp_path / "audit.json"
    if content is not None:
        path.write_text(content, encoding="utf-8")
    result = run("--from", path)
    assert result.exit_code == 1
    assert "audit.json" in result.stderr
    assert len(result.stderr.splitlines()) == 1
