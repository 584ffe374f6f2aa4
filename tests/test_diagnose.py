"""Findings on brackets with one known fault each, and none on faultless ones."""

from functools import lru_cache

import cv2
import numpy as np
import pytest
from blurred_scenes import lens_kernel, occluding_disks, slanted_stack, wave_kernel
from marks import slow
from random_brackets import blur as blurred
from random_brackets import surface, texture

from merge.axis import fit_focus_axis
from merge.diagnose import (
    describe_slices,
    diagnose_stack,
    find_diffraction,
    find_distance_conflicts,
    locate_frames,
    measure_coverage,
    measure_limits,
)
from merge.diagnose.coverage import find_gaps
from merge.focus import measure_tiles
from merge.model import CaptureSettings, FrameRegistration, FrameTransform, Registration
from merge.optics import disk_transfer
from merge.report.findings import sum_up_findings

TOLERANCE = 2.0
STEP = 3.0
# What is found is proven on a small picture already; a shake, a subject that goes on just beyond an
# end, and that nothing is found take four times as many tiles.
SHAPE, LARGE = (216, 288), (432, 576)
SHAKE = np.ones((1, 3), np.float32) / 3


def bracket(frames=12, step_px=STEP, margin=0.5, noise=0.004, seed=1, shape=SHAPE):
    return _bracket(frames, step_px, margin, noise, seed, shape)  # one key for one scene


@lru_cache(maxsize=12)
def _bracket(frames, step_px, margin, noise, seed, shape):
    return slanted_stack(
        frames, step_px=step_px, margin=margin, noise=noise, seed=seed, shape=shape
    )


def tiles_of(frames=12, step_px=STEP, margin=0.5, seed=1, shape=SHAPE):
    return _tiles_of(bracket(frames, step_px, margin, seed=seed, shape=shape))


@lru_cache(maxsize=12)
def _tiles_of(stack):
    return tuple(measure_tiles(f) for f in stack.frames)


# Whole brackets are judged several times; tiles compare by identity.
fitted = lru_cache(maxsize=32)(fit_focus_axis)


def registration_of(count, **changed):
    frames = [FrameRegistration(FrameTransform(np.eye(3)), jump_px=0.1) for _ in range(count)]
    for index, frame in changed.get("frames", {}).items():
        frames[index] = frame
    return Registration(tuple(frames), count // 2, "similarity", SHAPE)


def diagnose(tiles, *, tolerance_px=TOLERANCE, settings=None, registration=None):
    count = len(tiles)
    return diagnose_stack(
        fitted(tuple(tiles)),
        registration or registration_of(count),
        names=[f"frame{i + 1}" for i in range(count)],
        settings=settings or [CaptureSettings()] * count,
        tolerance_px=tolerance_px,
    )


def kinds(findings):
    return [f.kind for f in findings]


@pytest.mark.parametrize("seed", [1, slow(2), slow(3)])
@pytest.mark.parametrize("margin", [0.0, slow(0.5)])
def test_nothing_is_found_in_a_whole_bracket(seed, margin):
    assert diagnose(tiles_of(margin=margin, seed=seed, shape=LARGE)) == ()


@pytest.mark.parametrize("dropped", [1, slow(3), 6, slow(8), 10])
def test_a_dropped_slice_is_found_at_any_interior_place(dropped):
    tiles = [t for i, t in enumerate(tiles_of()) if i != dropped]
    findings = diagnose(tiles)
    assert sorted(kinds(findings)) == ["dropped slice", "gap"]
    for finding in findings:
        assert finding.frames == (dropped - 1, dropped)
    (finding,) = sum_up_findings(findings)
    assert (finding.kind, finding.frames) == ("gap", (dropped - 1, dropped))
    before, after = f"frame{dropped}", f"frame{dropped + 1}"
    assert f"Between {before} and {after} a slice is missing" in finding.message
    place = f"midway between {before} and {after}"
    assert finding.advice == f"Look for the file on the card, or take one frame more, {place}."


@pytest.mark.parametrize("dropped", [(3,), slow((5,)), slow((8,)), (4, 5)])
def test_share_of_detail_in_a_gap_follows_the_truth(dropped):
    told, true = share_in_gap(bracket(), TOLERANCE, dropped)
    assert abs(told - true) < max(0.3 * true, 0.01)


@pytest.mark.slow
@pytest.mark.parametrize(("step", "frames", "dropped"), [(9.0, 8, 4), slow(12.0, 7, 3)])
def test_share_of_detail_in_a_wide_gap_follows_the_truth(step, frames, dropped):
    """No frame shows the fine detail midway in a gap of 18 or 24 px."""
    told, true = share_in_gap(bracket(frames, step), 0.75 * step, (dropped,))
    assert abs(told - true) < 0.3 * true


def share_in_gap(stack, tolerance_px, dropped):
    """Return the share of fine contrast told and the true one, frames ``dropped``."""
    tiles = [t for i, t in enumerate(_tiles_of(stack)) if i not in dropped]
    (gap,) = [f for f in diagnose(tiles, tolerance_px=tolerance_px) if f.kind == "gap"]
    kept = np.delete(stack.positions_px, dropped)
    low, high = kept[list(gap.frames)]
    bands = [cv2.GaussianBlur(stack.sharp, (0, 0), s) for s in (0.7, 1.4, 2.8)]
    energy = (bands[0] - bands[1]) ** 2 + (bands[1] - bands[2]) ** 2
    detail = np.sqrt(cv2.blur(energy, (12, 12)))
    inside = (stack.depth_px > low + tolerance_px) & (stack.depth_px < high - tolerance_px)
    told = float(gap.message.split("; ")[1].split(" %")[0]) / 100
    return told, detail[inside].sum() / detail.sum()


def test_a_gap_tells_where_to_focus():
    settings = [CaptureSettings(focus_distance_m=1 / (2.0 - 0.1 * i)) for i in range(12)]
    tiles = [t for i, t in enumerate(tiles_of()) if i != 5]
    del settings[5]
    (gap,) = [f for f in diagnose(tiles, settings=settings) if f.kind == "gap"]
    assert "focused at 0.667 m" in gap.advice  # midway in 1/m: 1 / ((1.6 + 1.4) / 2)
    assert gap.value == pytest.approx(STEP, rel=0.15)
    assert gap.box is not None


def test_a_gap_tells_how_far_to_move_a_rail():
    """One px of blur is 0.05 mm: the middle of a step of 6 px lies 0.15 mm on."""
    tiles = [t for i, t in enumerate(tiles_of()) if i != 5]
    axis = fitted(tuple(tiles))
    (gap,) = find_gaps(axis, TOLERANCE, [f"frame{i + 1}" for i in range(11)], [None] * 11, 0.05)
    told = float(gap.advice.split("on a rail ")[1].split(" mm on from frame5")[0])
    assert told == pytest.approx(0.15, rel=0.06)


@pytest.mark.slow
@pytest.mark.parametrize("steps_short", [1.0, slow(2.0)])
def test_an_end_cut_short_is_found_with_its_extent(steps_short):
    """Bar: found from one step on, extent within one step.

    At one step the surface reaches 2.7 px, where 2 px are allowed and 2.5 px are proof: a note.
    """
    findings = diagnose(tiles_of(margin=-steps_short, shape=LARGE))
    told = "end at the limit" if steps_short == 1 else "end not covered"
    assert set(kinds(findings)) == {told}
    assert {f.frames for f in findings} == {(0,), (11,)}
    for finding in findings:
        assert finding.value == pytest.approx(STEP * steps_short, abs=STEP)
    # What is not told is smaller than the audit says that it could tell.
    scene = bracket(margin=-steps_short, shape=LARGE)
    axis = fitted(tiles_of(margin=-steps_short, shape=LARGE))
    limits = measure_limits(axis, registration_of(12), TOLERANCE)
    (rows, columns), side = axis.tile_detail.shape, axis.tile_size_px
    depth = scene.depth_px[: rows * side, : columns * side].astype(np.float32)
    depth = cv2.resize(depth, (columns, rows), interpolation=cv2.INTER_AREA)
    told = {f.frames for f in findings if f.kind == "end not covered"}
    for end, beyond in enumerate((scene.positions_px[0] - depth, depth - scene.positions_px[-1])):
        share = axis.tile_detail[beyond > limits.end_px[end]].sum() / axis.tile_detail.sum()
        assert (11 * end,) in told or share < limits.end_share


def test_an_end_cut_short_is_found_where_steps_are_fine():
    """Steps of 0.75 px: the subject goes on for 5 px, farther than many frames lie apart."""
    stack = slanted_stack(24, step_px=0.75, margin=0.0, drop=range(17, 24), shape=SHAPE)
    (end,) = [f for f in diagnose(_tiles_of(stack)) if f.kind.startswith("end")]
    assert (end.kind, end.frames) == ("end not covered", (16,))
    # Of what lies 2 to 5.25 px beyond, 7/10.
    assert end.value == pytest.approx(4.3, abs=1.2)


def test_what_walks_through_a_frame_moves_no_step():
    """One who crosses two of three frames before the sky: there all detail comes and goes."""
    stack = slanted_stack(3, step_px=2.2, margin=0.0, noise=0.0, contrast=0.4)
    walker = occluding_disks(*LARGE, 9)
    seen = [f.copy() for f in stack.frames]
    for frame in seen:
        frame[:216] = 0.5  # sky
    for i, left in ((1, 150), (2, 330)):
        seen[i][20:210, left : left + 90] = walker[20:210, left : left + 90]
    axis = fit_focus_axis([measure_tiles(noisy(f, i)) for i, f in enumerate(seen)])
    assert np.diff(axis.positions_px) == pytest.approx(2.2, rel=0.2)


def test_a_duplicate_is_named():
    noise = np.random.default_rng(3).standard_normal(SHAPE).astype(np.float32)
    tiles = list(tiles_of())
    tiles.insert(5, measure_tiles(bracket().frames[4] + 0.004 * noise))
    (finding,) = diagnose(tiles)
    assert (finding.kind, finding.frames) == ("duplicate", (4, 5))


@pytest.mark.parametrize("first", [slow(0), 5, slow(10)])
def test_a_swapped_pair_is_named_with_the_right_order(first):
    tiles = list(tiles_of())
    tiles[first], tiles[first + 1] = tiles[first + 1], tiles[first]
    (finding,) = diagnose(tiles)
    assert (finding.kind, finding.frames) == ("out of order", (first, first + 1))
    order = list(range(1, 13))
    order[first], order[first + 1] = order[first + 1], order[first]
    assert ", ".join(map(str, order)) in finding.message


def noisy(light, seed):
    noise = np.random.default_rng(seed).standard_normal(light.shape)
    return (light + 0.004 * noise).astype(np.float32)


@pytest.mark.slow
@pytest.mark.parametrize("frame", [1, 7, 10])
def test_a_frame_shaken_by_three_pixels_is_named(frame):
    clean = bracket(noise=0.0, shape=LARGE).frames
    tiles = list(tiles_of(shape=LARGE))
    tiles[frame] = measure_tiles(noisy(cv2.filter2D(clean[frame], -1, SHAKE), frame))
    (finding,) = diagnose(tiles)  # its neighbours are 3 px away, beyond 2 px
    assert (finding.kind, finding.severity, finding.frames) == ("shaken frame", "problem", (frame,))
    assert "along about 0°" in finding.message
    assert f"sharp in no frame: only frame{frame + 1} could show it" in finding.message
    assert finding.advice == f"Take frame{frame + 1} again."


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, slow(2)])
def test_wide_steps_do_not_hide_a_shake(seed):
    """Neighbours 6 px away show no fine detail: orientations at two scales tell."""
    stack = bracket(8, 6.0, noise=0.0, seed=seed, shape=LARGE)
    diagonal = (np.eye(3) / 3).astype(np.float32)
    tiles = [measure_tiles(noisy(f, i)) for i, f in enumerate(stack.frames)]
    assert "shaken frame" not in kinds(diagnose(tiles, tolerance_px=4.0))
    tiles[4] = measure_tiles(noisy(cv2.filter2D(stack.frames[4], -1, diagonal), 4))
    (finding,) = [f for f in diagnose(tiles, tolerance_px=4.0) if f.kind == "shaken frame"]
    assert finding.frames == (4,)
    assert "along about 45°" in finding.message


def test_upright_stems_alone_in_focus_are_no_shake():
    """Texture with a direction of its own in two frames: nothing but upright lines."""
    stack = bracket(noise=0.0, shape=LARGE)
    rng = np.random.default_rng(11)
    lines = np.repeat(rng.random((1, 576), dtype=np.float32), 432, axis=0)
    there = (stack.depth_px > 10.5) & (stack.depth_px < 16.5)  # around the planes at 12 and 15 px
    tiles = []
    for i, (frame, place) in enumerate(zip(stack.frames, stack.positions_px, strict=True)):
        seen = frame.copy()
        for depth in (12.0, 15.0):
            here = there & (np.abs(stack.depth_px - depth) <= 1.5)
            apart = abs(place - depth)
            blurred = lines if apart < 0.3 else cv2.filter2D(lines, -1, lens_kernel("disk", apart))
            seen[here] = 0.2 + 0.5 * blurred[here]
        tiles.append(measure_tiles(noisy(seen, i)))
    assert not {"shaken frame", "soft frame"} & set(kinds(diagnose(tiles)))


def test_a_weave_alone_in_focus_is_no_shake():
    """Its finest threads run one way, all else of it does not; three frames in a row show it.

    Fine against coarse detail alone leans by 4.7 standard errors in one of them.
    """
    stack = bracket(noise=0.0, shape=LARGE)
    threads = np.broadcast_to(np.sin(2 * np.pi * np.arange(576) / 3.3), (432, 576))
    woven = stack.depth_px < 7.5
    tiles = []
    for i, (frame, place) in enumerate(zip(stack.frames, stack.positions_px, strict=True)):
        apart = np.round(np.abs(stack.depth_px - place), 1)
        seen = frame.copy()
        for blur in np.unique(apart[woven & (apart < 6)]):
            here = woven & (apart == blur)
            left = disk_transfer(1000 / 3.3, float(blur)) if blur else 1.0
            seen[here] += 0.16 * float(left) * threads[here]
        tiles.append(measure_tiles(noisy(seen.astype(np.float32), i)))
    assert "shaken frame" not in kinds(diagnose(tiles))


@pytest.mark.slow
@pytest.mark.parametrize("frame", [slow(2), 6, slow(9)])
def test_a_soft_frame_is_named(frame):
    shape = (252, 336)  # in a smaller one rounding decides between two fits
    clean = bracket(noise=0.0, shape=shape).frames
    tiles = list(tiles_of(shape=shape))
    tiles[frame] = measure_tiles(noisy(cv2.GaussianBlur(clean[frame], (0, 0), 1.0), frame))
    (finding,) = diagnose(tiles)
    assert (finding.kind, finding.severity, finding.frames) == ("soft frame", "problem", (frame,))
    assert f"sharp in no frame: only frame{frame + 1} could show it" in finding.message
    assert finding.box is not None


@pytest.mark.parametrize("kind", ["disks", slow("1.2")])
def test_a_backdrop_that_no_frame_comes_near_is_no_end_of_the_subject(kind):
    """A dome over all six planes, 6 px apart, and 24 px behind it a backdrop; then without two."""
    rng, shape, focus = np.random.default_rng(5), (240, 320), 6.0 * np.arange(6)
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]] / np.array(shape)[:, None, None]
    dome = ((x - 0.5) / 0.35) ** 2 + ((y - 0.5) / 0.35) ** 2
    cover = blurred((dome < 1).astype(np.float32), 1.0)
    ground, light = texture(kind, rng, shape), texture(kind, rng, shape)
    tiles = []
    for plane in focus:
        veil, over = (
            surface(part, 30 * np.clip(dome, 0, 1), plane) for part in (cover, cover * light)
        )
        seen = blurred(ground, focus[-1] + 24 - plane) * (1 - np.clip(veil, 0, 1)) + over
        seen = blurred(seen, 1.5) + 0.003 * rng.standard_normal(shape)
        tiles.append(measure_tiles(seen.astype(np.float32)))
    whole, cut = diagnose(tiles, tolerance_px=3.75), diagnose(tiles[:-2], tolerance_px=3.75)
    assert [f for f in whole if f.severity != "note"] == []
    (cut,) = [f for f in cut if f.severity != "note"]
    assert (cut.kind, cut.severity, cut.frames) == ("end not covered", "problem", (3,))


@pytest.mark.parametrize(("frame", "ev"), [(0, 0.3), (6, -0.3), slow(11, 0.3)])
def test_an_exposure_jump_is_named(frame, ev):
    tiles = list(tiles_of())
    tiles[frame] = measure_tiles(bracket().frames[frame] * np.float32(2.0**ev))
    (finding,) = diagnose(tiles)
    assert (finding.kind, finding.frames) == ("exposure jump", (frame,))
    assert finding.value == pytest.approx(ev, abs=0.03)


def test_a_bumped_frame_is_named():
    bumped = FrameRegistration(FrameTransform(np.eye(3)), jump_px=6.0)
    (finding,) = diagnose(tiles_of(), registration=registration_of(12, frames={4: bumped}))
    assert (finding.kind, finding.frames) == ("bumped frame", (4,))


def test_a_frame_of_another_scene_is_named_and_the_others_keep_their_numbers():
    stranger = FrameRegistration(None, reason="matches no frame beside it")
    tiles = [t for i, t in enumerate(tiles_of()) if i != 6]
    registration = registration_of(13, frames={3: stranger})
    findings = diagnose_stack(
        fit_focus_axis([*tiles[:3], *tiles[3:], measure_tiles(bracket().frames[11] * 1.0)]),
        registration,
        names=[f"frame{i + 1}" for i in range(13)],
        settings=[CaptureSettings()] * 13,
        tolerance_px=TOLERANCE,
    )
    by_kind = {f.kind: f.frames for f in findings}
    assert by_kind["not aligned"] == (3,)
    assert by_kind["gap"] == (6, 7)
    assert by_kind["duplicate"] == (11, 12)


def test_a_frame_left_out_and_the_gap_that_it_leaves_are_one_finding():
    dark = FrameRegistration(None, reason="5 EV darker than the others, as without a flash")
    tiles = [t for i, t in enumerate(tiles_of()) if i != 6]
    findings = diagnose_stack(
        fit_focus_axis(tiles),
        registration_of(12, frames={6: dark}),
        names=[f"frame{i + 1}" for i in range(12)],
        settings=[CaptureSettings()] * 12,
        tolerance_px=TOLERANCE,
    )
    assert [(f.kind, f.frames) for f in findings] == [("not aligned", (6,)), ("gap", (5, 7))]
    (finding,) = sum_up_findings(findings)
    assert (finding.kind, finding.severity, finding.frames) == ("gap", "problem", (5, 7))
    assert finding.message.startswith("frame7 could not be aligned: 5 EV darker than the others")
    assert "Gap between frame6 and frame8: what lies midway" in finding.message
    assert finding.advice == "frame7 is left out; take it again if it belongs to this bracket."


def test_frames_whose_place_is_a_guess_are_told_as_such():
    """From half a tile of 12 px on, in which another one's detail then counts."""
    lost = FrameRegistration(FrameTransform(np.eye(3)), residual_px=20.0)
    near = FrameRegistration(FrameTransform(np.eye(3)), residual_px=5.0)
    (note,) = diagnose(
        tiles_of(), registration=registration_of(12, frames={4: lost, 5: near, 6: lost})
    )
    assert (note.kind, note.severity, note.frames) == ("not aligned", "note", (4, 6))
    assert "where frame5 and frame7 lie, by up to 20 px" in note.message


def test_changed_settings_are_named():
    settings = [CaptureSettings(f_number=5.6, iso=100.0)] * 12
    settings[7] = CaptureSettings(f_number=8.0, iso=100.0)
    (finding,) = diagnose(tiles_of(), settings=settings)
    assert (finding.kind, finding.frames) == ("changed setting", (7,))
    assert "f-number is f/5.6, but not in frame8 (f/8)" in finding.message


@pytest.mark.parametrize("f_number", [None, 8.0])
def test_times_that_change_may_be_an_aperture_series_that_the_files_do_not_tell(f_number):
    settings = [CaptureSettings(f_number=f_number, exposure_time_s=2.0**i) for i in range(12)]
    (finding,) = diagnose(tiles_of(), settings=settings)
    assert finding.advice.startswith("Set the exposure time by hand")
    assert ("depthweld apertures" in finding.advice) == (f_number is None)


@pytest.mark.slow
def test_needlessly_fine_steps_are_noted():
    (finding,) = diagnose(tiles_of(16, 1.0))
    assert finding.kind == "fine steps"
    assert finding.severity == "note"
    assert "every third frame" in finding.message


def test_steps_that_nobody_sees_are_one_note_not_a_duplicate_each():
    (finding,) = diagnose(tiles_of(40, 0.15))
    assert finding.kind == "fine steps"
    assert "single ones are not judged" in finding.message


def test_wide_steps_are_one_finding_with_what_to_do():
    """Steps of 6 px for 2 px allowed: 3 px midway; over 42 px that takes 12 frames, or f/12."""
    settings = [CaptureSettings(f_number=8.0)] * 8
    findings = diagnose(tiles_of(8, 6.0), settings=settings)
    (wide,) = [f for f in findings if f.kind == "wide steps"]
    assert wide.frames == tuple(range(8))
    assert wide.value == pytest.approx(3.0, rel=0.06)
    assert "All 7 steps" in wide.message
    count = int(wide.advice.split()[3])
    number = float(wide.advice.split("f/")[1].rstrip("."))
    assert count in (12, 13)
    assert number == pytest.approx(12.0, rel=0.06)
    assert kinds(findings).count("gap") == 7  # all numbers stay for programs
    assert kinds(sum_up_findings(findings)).count("gap") == 0


@pytest.mark.slow
def test_a_gap_that_stands_out_of_wide_steps_is_still_listed():
    tiles = [t for i, t in enumerate(tiles_of(9, 6.0)) if i != 4]
    shown = sum_up_findings(diagnose(tiles))
    (gap,) = [f for f in shown if f.kind == "gap"]
    assert gap.frames == (3, 4)
    assert "wide steps" in kinds(shown)


def recorded(distances, **more):
    return [CaptureSettings(focus_distance_m=d, **more) for d in distances]


def test_measured_distances_follow_the_thin_lens():
    """Δz' = D · pitch · N; an image lies f·m behind the focal point, m = f / (u - f).

    50 mm at f/8, 5 µm: steps of 3 px are 0.12 mm at the sensor.
    """
    behind = 0.25 + 0.12 * np.arange(12)[::-1]  # mm, nearest frame first
    sizes = behind / 50
    distances = 50 * (2 + sizes + 1 / sizes) / 1000
    settings = recorded(distances, f_number=8.0, pixel_pitch_um=5.0, focal_length_mm=50.0)
    axis = fitted(tiles_of())
    places = locate_frames(axis, settings, range(12), pixel_pitch_um=5.0, effective_f_number=8.0)
    assert [p.measured_m for p in places[:-1]] == pytest.approx(distances[:-1], rel=0.08)
    assert places[3].sensor_mm == pytest.approx(0.36, rel=0.06)
    assert find_distance_conflicts(places, settings, ["x"] * 12) == []
    assert places[0].subject_mm is None  # a hundredth of life size: one factor would not serve
    (near,) = locate_frames(
        axis, settings, range(12), pixel_pitch_um=5.0, effective_f_number=8.0, magnification=0.5
    )[3:4]
    assert near.subject_mm == pytest.approx(near.sensor_mm / 0.25)


def test_recorded_distances_that_contradict_the_pictures_are_named():
    names = [f"frame{i + 1}" for i in range(12)]
    distances = 1 / (2.0 - 0.1 * np.arange(12))
    distances[[4, 7]] = distances[[7, 4]]
    settings = recorded(distances)
    axis = fitted(tiles_of())
    places = locate_frames(axis, settings, range(12), pixel_pitch_um=None, effective_f_number=None)
    assert places[5].measured_m is None
    (finding,) = find_distance_conflicts(places, settings, names)
    assert (finding.kind, finding.unit) == ("focus distances", "pairs")
    assert {4, 7} <= set(finding.frames)


def test_recorded_distances_of_another_depth_are_told():
    """Recorded: 0.5 to 5 m at 50 mm, m + 1/m + 2 = d / f, so m = 0.1270 to 0.0102 and 5.84 mm."""
    settings = recorded(1 / np.linspace(2.0, 0.2, 12), focal_length_mm=50.0)
    axis = fitted(tiles_of())
    places = locate_frames(axis, settings, range(12), pixel_pitch_um=5.0, effective_f_number=8.0)
    (finding,) = find_distance_conflicts(places, settings, ["x"] * 12)
    assert finding.unit == "ratio"
    assert finding.value == pytest.approx(1.32 / 5.84, rel=0.06)
    assert "--pixel-pitch" in finding.advice


def test_the_hole_between_two_frames_of_a_landscape_is_found():
    findings = diagnose(tiles_of(2, 14.0, 0.0))
    (gap,) = [f for f in findings if f.kind == "gap"]
    assert gap.severity == "problem"
    assert gap.value == pytest.approx(7, rel=0.25)


def test_coverage_of_a_whole_bracket_has_a_margin():
    coverage = measure_coverage(fitted(tiles_of()), TOLERANCE)
    assert coverage.outside_share == 0
    assert coverage.worst_blur_px == pytest.approx(STEP / 2, rel=0.15)


def test_a_frame_left_out_leaves_the_others_their_blur_budgets():
    settings = [CaptureSettings(f_number=2.8, pixel_pitch_um=4.0)] * 12
    tiles = [t for i, t in enumerate(tiles_of()) if i != 6]
    aligned = [i for i in range(12) if i != 6]
    slices = describe_slices(fit_focus_axis(tiles), settings, frames=aligned, magnification=0.0)
    whole = describe_slices(fitted(tiles_of()), settings, magnification=0.0)
    assert slices[6].step_contrast is None
    assert [s.limit for s in whole] == ["step"] * 12
    assert [slices[i].limit for i in aligned] == ["step"] * 11
    assert slices[11].step_contrast == pytest.approx(whole[11].step_contrast, rel=0.05)
    assert slices[5].step_contrast < 0.8 * whole[5].step_contrast  # beside the hole


def test_diffraction_at_f22_is_told_with_what_to_do():
    """Airy diameter 2.44 λN: 2 x 1.2197 x 0.55 µm x 22 / 4 µm = 7.4 px (first zero of J1)."""
    settings = [CaptureSettings(f_number=22.0, pixel_pitch_um=4.0)] * 12
    axis = fitted(tiles_of())
    slices = describe_slices(axis, settings, magnification=0.0)
    assert {s.limit for s in slices} == {"diffraction"}
    assert slices[0].airy_diameter_px == pytest.approx(2 * 1.21967 * 0.55 * 22 / 4, rel=1e-4)
    assert slices[0].lost
    (finding,) = find_diffraction(slices, ["x"] * 12, axis, TOLERANCE)
    assert finding.frames == tuple(range(12))
    # 33 px of blur at f/22 are 130 px at f/5.6: steps of 4 px ask for 34 frames, ± the axis' 6 %.
    frames = int(finding.advice.split(": ")[1].split()[0])
    assert 31 <= frames <= 37


@pytest.mark.parametrize("f_number", [8.0, 11.0, 16.0, 22.0])
def test_predicted_diffraction_loss_matches_an_ideal_lens(f_number):
    """Bar: within 3 % contrast at 0.25 cycles/px. Measured on a numeric pupil's point image."""
    pitch_um, wavelength_um = 4.0, 0.55
    kernel = wave_kernel(0.0, wavelength_um * f_number / pitch_um, 55)
    x = np.arange(111) - 55
    measured = abs((kernel.sum(axis=0) * np.exp(-2j * np.pi * 0.25 * x)).sum())
    settings = [CaptureSettings(f_number=f_number, pixel_pitch_um=pitch_um)]
    (own,) = describe_slices(None, settings, magnification=0.0)
    assert own.diffraction_contrast * own.pixel_contrast == pytest.approx(measured, abs=0.03)


def test_magnification_narrows_the_cone():
    """Working f-number at life size is twice the marked one (N (1 + m), common handbook value)."""
    settings = [CaptureSettings(f_number=8.0, pixel_pitch_um=4.0)]
    (far,) = describe_slices(None, settings, magnification=0.0)
    (near,) = describe_slices(None, settings, magnification=1.0)
    assert near.effective_f_number == pytest.approx(16)
    assert near.airy_diameter_px == pytest.approx(2 * far.airy_diameter_px)


def test_what_is_not_known_is_said():
    (nothing,) = describe_slices(None, [CaptureSettings()])
    assert nothing.limit == "unknown"
    assert "f-number not recorded" in nothing.known_by
    (no_pitch,) = describe_slices(None, [CaptureSettings(f_number=8.0)])
    assert "--pixel-pitch" in no_pitch.known_by
    assert no_pitch.airy_diameter_px is None


def test_numbers_of_frames_that_do_not_match_are_refused():
    with pytest.raises(ValueError, match="3 names"):
        diagnose_stack(
            None,
            registration_of(2),
            names=["a", "b", "c"],
            settings=[CaptureSettings()] * 2,
            tolerance_px=2.0,
        )
