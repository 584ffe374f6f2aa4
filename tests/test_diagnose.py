"""Findings on brackets with one known fault each, and none on faultless ones."""

from functools import lru_cache

import cv2
import numpy as np
import pytest
from blurred_scenes import slanted_stack, wave_kernel

from merge.axis import fit_focus_axis
from merge.diagnose import describe_slices, diagnose_stack, find_diffraction, measure_coverage
from merge.focus import measure_tiles
from merge.model import CaptureSettings, FrameRegistration, FrameTransform, Registration

TOLERANCE = 2.0
STEP = 3.0
SHAKE = np.ones((1, 3), np.float32) / 3


def bracket(frames=12, step_px=STEP, margin=0.5, noise=0.004, seed=1):
    return _bracket(frames, step_px, margin, noise, seed)  # one key for one scene


@lru_cache(maxsize=12)
def _bracket(frames, step_px, margin, noise, seed):
    return slanted_stack(frames, step_px=step_px, margin=margin, noise=noise, seed=seed)


def tiles_of(frames=12, step_px=STEP, margin=0.5, seed=1):
    return _tiles_of(bracket(frames, step_px, margin, seed=seed))


@lru_cache(maxsize=12)
def _tiles_of(stack):
    return tuple(measure_tiles(f) for f in stack.frames)


# Whole brackets are judged several times; tiles compare by identity.
fitted = lru_cache(maxsize=4)(fit_focus_axis)


def slow(*values):
    """Mark one more place for a check that has a faster one, too."""
    return pytest.param(*values, marks=pytest.mark.slow)


def registration_of(count, **changed):
    frames = [FrameRegistration(FrameTransform(np.eye(3)), jump_px=0.1) for _ in range(count)]
    for index, frame in changed.get("frames", {}).items():
        frames[index] = frame
    return Registration(tuple(frames), count // 2, "similarity", (432, 576))


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
@pytest.mark.parametrize("margin", [0.0, 0.5])
def test_nothing_is_found_in_a_whole_bracket(seed, margin):
    assert diagnose(tiles_of(margin=margin, seed=seed)) == ()


@pytest.mark.parametrize("dropped", [1, *map(slow, range(2, 6)), 6, *map(slow, range(7, 10)), 10])
def test_a_dropped_slice_is_found_at_any_interior_place(dropped):
    tiles = [t for i, t in enumerate(tiles_of()) if i != dropped]
    findings = diagnose(tiles)
    assert sorted(kinds(findings)) == ["dropped slice", "gap"]
    for finding in findings:
        assert finding.frames == (dropped - 1, dropped)


@pytest.mark.parametrize("dropped", [(3,), slow((5,)), slow((8,)), (4, 5)])
def test_share_of_detail_in_a_gap_follows_the_truth(dropped):
    """Bar: within 30 % of the truth, or 1 % of the picture."""
    stack = bracket()
    tiles = [t for i, t in enumerate(tiles_of()) if i not in dropped]
    (gap,) = [f for f in diagnose(tiles) if f.kind == "gap"]
    kept = np.delete(stack.positions_px, dropped)
    low, high = kept[list(gap.frames)]
    bands = [cv2.GaussianBlur(stack.sharp, (0, 0), s) for s in (0.7, 1.4, 2.8)]
    energy = (bands[0] - bands[1]) ** 2 + (bands[1] - bands[2]) ** 2
    detail = np.sqrt(cv2.blur(energy, (12, 12)))
    inside = (stack.depth_px > low + TOLERANCE) & (stack.depth_px < high - TOLERANCE)
    truth = detail[inside].sum() / detail.sum()
    share = float(gap.message.split("; ")[1].split(" %")[0]) / 100
    assert abs(share - truth) < max(0.3 * truth, 0.01)


def test_a_gap_tells_where_to_focus():
    settings = [CaptureSettings(focus_distance_m=1 / (2.0 - 0.1 * i)) for i in range(12)]
    tiles = [t for i, t in enumerate(tiles_of()) if i != 5]
    del settings[5]
    (gap,) = [f for f in diagnose(tiles, settings=settings) if f.kind == "gap"]
    assert "focused at 0.667 m" in gap.advice  # midway in 1/m: 1 / ((1.6 + 1.4) / 2)
    assert gap.value == pytest.approx(STEP, rel=0.15)
    assert gap.box is not None


@pytest.mark.parametrize("steps_short", [1.0, slow(2.0)])
def test_an_end_cut_short_is_found_with_its_extent(steps_short):
    """Bar: found from one step on, extent within one step."""
    findings = diagnose(tiles_of(margin=-steps_short))
    assert set(kinds(findings)) == {"end not covered"}
    assert {f.frames for f in findings} == {(0,), (11,)}
    for finding in findings:
        assert finding.value == pytest.approx(STEP * steps_short, abs=STEP)


def test_a_duplicate_is_named():
    noise = np.random.default_rng(3).standard_normal((432, 576)).astype(np.float32)
    tiles = list(tiles_of())
    tiles.insert(5, measure_tiles(bracket().frames[4] + 0.004 * noise))
    (finding,) = diagnose(tiles)
    assert (finding.kind, finding.frames) == ("duplicate", (4, 5))


@pytest.mark.parametrize("first", [0, 5, slow(10)])
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


@pytest.mark.parametrize("frame", [1, slow(4), 7, slow(10)])
def test_a_frame_shaken_by_three_pixels_is_named(frame):
    clean = bracket(noise=0.0).frames
    tiles = list(tiles_of())
    tiles[frame] = measure_tiles(noisy(cv2.filter2D(clean[frame], -1, SHAKE), frame))
    (finding,) = diagnose(tiles)
    assert (finding.kind, finding.frames) == ("shaken frame", (frame,))
    assert "along about 0°" in finding.message


@pytest.mark.parametrize("frame", [slow(2), 6, slow(9)])
def test_a_soft_frame_is_named(frame):
    clean = bracket(noise=0.0).frames
    tiles = list(tiles_of())
    tiles[frame] = measure_tiles(noisy(cv2.GaussianBlur(clean[frame], (0, 0), 1.0), frame))
    (finding,) = diagnose(tiles)
    assert (finding.kind, finding.frames) == ("soft frame", (frame,))


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
    stranger = FrameRegistration(None, reason="agrees with no neighbour")
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
    assert by_kind["stranger"] == (3,)
    assert by_kind["gap"] == (6, 7)
    assert by_kind["duplicate"] == (11, 12)


def test_changed_settings_are_named():
    settings = [CaptureSettings(f_number=5.6, iso=100.0)] * 12
    settings[7] = CaptureSettings(f_number=8.0, iso=100.0)
    (finding,) = diagnose(tiles_of(), settings=settings)
    assert (finding.kind, finding.frames) == ("changed setting", (7,))
    assert "f-number is 5.6, but not in frame8 (8)" in finding.message


def test_needlessly_fine_steps_are_noted():
    (finding,) = diagnose(tiles_of(16, 1.0))
    assert finding.kind == "fine steps"
    assert finding.severity == "note"
    assert "every third frame" in finding.message


def test_the_hole_between_two_frames_of_a_landscape_is_found():
    findings = diagnose(tiles_of(2, 14.0, 0.0))
    (gap,) = [f for f in findings if f.kind == "gap"]
    assert gap.severity == "problem"
    assert gap.value == pytest.approx(7, rel=0.25)


def test_coverage_of_a_whole_bracket_has_a_margin():
    coverage = measure_coverage(fitted(tiles_of()), TOLERANCE)
    assert coverage.outside_share == 0
    assert coverage.worst_blur_px == pytest.approx(STEP / 2, rel=0.15)


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
