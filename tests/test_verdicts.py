"""Verdicts about steps and ends: proven, at the limit, or none. On axes put together by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from merge.axis import shake
from merge.axis.placing import end_reach_px, place_tiles
from merge.axis.preparing import StackEnergies, ordered_tiles
from merge.axis.transfer import blur_tables
from merge.diagnose import diagnose_stack
from merge.diagnose.coverage import (
    find_gaps,
    find_steps_at_limit,
    find_uncovered_ends,
    find_wide_steps,
)
from merge.diagnose.distances import blur_at_infinity_px
from merge.diagnose.frames import (
    find_bump_limit_px,
    find_bumps,
    find_changed_settings,
    find_exposure_jumps,
    find_soft_frames,
)
from merge.diagnose.sequence import find_dropped, find_duplicates, find_wrong_order
from merge.diagnose.wording import list_names, percent, shutter, two_apart
from merge.model import (
    CaptureSettings,
    FocusAxis,
    FrameQuality,
    FrameRegistration,
    FrameTransform,
    Registration,
)
from merge.significance import proof_limit

NAMES = [f"frame{i + 1}" for i in range(12)]
NOWHERE = [None] * 12


def axis_of(positions, *, error_px=0.1, scale_error=0.05, tiles=None):
    """Return an axis whose frames' places have independent errors; steps have root two of them."""
    positions = np.array(positions, float)
    steps = np.diff(positions)
    if tiles is None:
        tiles = np.tile(np.linspace(positions.min(), positions.max(), 60), (12, 1))
    covariance = np.eye(len(positions)) * error_px**2
    return FocusAxis(
        positions,
        steps,
        steps,
        tiles,
        np.ones_like(tiles),
        12,
        covariance_px=covariance,
        blur_error_px=0.3,
        scale_error=scale_error,
    )


def kinds(findings):
    return [f.kind for f in findings]


def test_a_step_slightly_above_the_tolerance_is_a_note_that_tells_the_numbers_apart():
    """4.02 px read for 4 px allowed: no proof; 2.01 of 2 px, not 2.0 of 2 px."""
    axis = axis_of([0, 3, 6, 10.02, 13])
    assert find_gaps(axis, 2.0, NAMES, NOWHERE) == []
    (note,) = find_steps_at_limit(axis, 2.0, NAMES)
    assert note.severity == "note"
    assert note.frames == (2, 3)
    assert "at the limit: midway 2.01 px of the 2 px allowed" in note.message
    low, high = note.interval
    assert low < 2 < high


def test_a_step_far_above_the_tolerance_is_a_gap_with_its_interval():
    axis = axis_of([0, 3, 6, 12, 15])
    (gap,) = find_gaps(axis, 2.0, NAMES, NOWHERE)
    assert gap.frames == (2, 3)
    low, high = gap.interval
    # Half a step of 6 px; its variance 2 x 0.1^2 + (0.05 x 6)^2, 90 % within 1.645 of its root.
    assert high - low == pytest.approx(1.645 * np.sqrt(0.02 + 0.09), rel=0.001)
    assert find_steps_at_limit(axis, 2.0, NAMES) == []


def test_the_same_step_proves_less_where_little_tells_it():
    assert find_gaps(axis_of([0, 3, 6, 12, 15], error_px=1.0), 2.0, NAMES, NOWHERE) == []


def test_more_steps_need_more_proof():
    """One step out of many is the odd one by chance more often."""
    step = 4.9
    few = axis_of([0, 3, 3 + step])
    many = axis_of(np.cumsum([0, 3, step, *[3] * 9]))
    assert len(find_gaps(few, 2.0, NAMES, NOWHERE)) == 1
    assert find_gaps(many, 2.0, NAMES, NOWHERE) == []


def test_slices_are_missed_and_doubled_along_steps_that_grow():
    """Steps grow by 10 % each; one is left out, one frame is taken twice."""
    steps = 2.0 * 1.1 ** np.arange(11)
    positions = np.concatenate([[0], np.cumsum(steps)])
    assert find_dropped(axis_of(positions), 9.0, NAMES) == []
    (dropped,) = find_dropped(axis_of(np.delete(positions, 5)), 9.0, NAMES)
    assert dropped.frames == (4, 5)
    (double,) = find_duplicates(axis_of(np.insert(positions, 6, positions[6] - 0.1)), [*NAMES, "x"])
    assert double.frames == (6, 7)
    unsure = axis_of(np.insert(positions, 6, positions[6] - 0.1), error_px=1.0)
    assert find_duplicates(unsure, [*NAMES, "x"]) == []


def test_frames_on_either_side_of_what_is_sharp_in_both_are_no_duplicates():
    """Blur is the same there, and a single plane lets them read as focused alike."""
    positions = 3.0 * np.arange(12)
    positions[6:8] = positions[6:8].mean()
    assert find_duplicates(axis_of(positions), NAMES) == []


def test_order_is_doubted_only_beyond_the_error():
    swapped = [0, 4, 2.5, 6, 9]
    assert find_wrong_order(axis_of(swapped, error_px=0.6), NAMES, range(5)) == []
    (finding,) = find_wrong_order(axis_of(swapped, error_px=0.02), NAMES, range(5))
    assert finding.frames == (1, 2)


def test_frames_focused_alike_are_in_no_order():
    alike = [0, 3, 2.8, 6, 9]
    assert find_wrong_order(axis_of(alike, error_px=0.02), NAMES, range(5)) == []


def test_frames_that_were_put_in_another_order_always_get_their_finding():
    """The order was proven when it was changed; in the new one its error may be a little larger."""
    (finding,) = find_wrong_order(axis_of([0, 3, 3, 6, 9], error_px=2.0), NAMES, [0, 2, 1, 3, 4])
    assert finding.frames == (1, 2)
    assert "frame3 and frame2 are swapped" in finding.message


@pytest.mark.parametrize("both", [True, False])
def test_a_lean_that_a_second_frame_shares_is_the_texture_s(monkeypatch, both):
    """Two frames show rows 0 to 11 sharply, ruled finely; eight more show other rows, unruled."""
    grid, count = (60, 48), 10
    rng = np.random.default_rng(2)
    rows = np.repeat(np.arange(grid[0]), grid[1])
    first = np.array([0, 0, *range(12, 52, 5)])
    told = (rows >= first[:, None]) & (rows < first[:, None] + 12)
    fine, coarse = (
        rng.normal(0, 0.2, told.shape) + 1j * rng.normal(0, 0.2, told.shape) for _ in range(2)
    )
    fine[[0, 1] if both else 1, : 12 * grid[1]] -= 0.7
    monkeypatch.setattr(shake, "anisotropies", lambda *_: (fine, coarse * 0.5, told))
    data = SimpleNamespace(grid=grid)
    _, scores, _ = shake.measure_shake([None] * count, data, np.arange(count) * 5.0, np.zeros(1))
    proven = np.flatnonzero(scores > proof_limit(count)).tolist()
    assert proven == ([] if both else [1])


@pytest.mark.parametrize("directed", [0.0, 0.95])
def test_detail_of_one_direction_shows_no_shake_along_the_other(monkeypatch, directed):
    """Eight frames in a row show all tiles: of e = 0.95 a loss by half leans by 0.03, not 0.33."""
    grid, count = (24, 24), 8
    rng = np.random.default_rng(3)
    told = np.ones((count, grid[0] * grid[1]), bool)
    fine = directed + 0.03 * (rng.normal(0, 1, told.shape) + 1j * rng.normal(0, 1, told.shape))
    monkeypatch.setattr(shake, "anisotropies", lambda *_: (fine, fine, told))
    data = SimpleNamespace(grid=grid)
    _, _, needed = shake.measure_shake([None] * count, data, np.arange(count) * 2.0, np.zeros(1))
    assert ((1 - needed) / (1 + needed) > 0.5).all() == (directed == 0)


def quality_of(ratio, along, limit=0.8):
    """Return what five frames show, the third of them with a loss of detail and a lean proven."""
    detail, z = np.ones(5), np.zeros(5)
    detail[2], z[2] = ratio, 8.0
    direction = np.ones(5)
    direction[2] = along
    limits = np.full(5, limit)
    return FrameQuality(detail, -z, direction, z, np.zeros(5), np.ones(5), limits, limits)


@pytest.mark.parametrize(
    ("ratio", "along", "kind"), [(0.29, 0.83, "soft frame"), (0.7, 0.4, "shaken frame")]
)
def test_what_is_lost_in_all_directions_is_no_shake(ratio, along, kind):
    """A shake that leaves 0.4 along and all across leaves 0.7 of all; soft frames lean a little."""
    (finding,) = find_soft_frames(quality_of(ratio, along), NAMES[:5])
    assert (finding.kind, finding.frames, finding.severity) == (kind, (2,), "warning")


@pytest.mark.parametrize(("ratio", "along"), [(0.29, 1.0), (1.0, 0.29)])
@pytest.mark.parametrize("limit", [0.3, 0.2, np.nan])
def test_a_soft_or_shaken_frame_is_a_warning_only_beyond_what_can_be_told(ratio, along, limit):
    """Proven alike each time: below the limit a warning, above a note, without one nothing."""
    found = find_soft_frames(quality_of(ratio, along, limit), NAMES[:5])
    assert [f.severity for f in found] == {0.3: ["warning"], 0.2: ["note"]}.get(limit, [])
    assert all(f.threshold == limit and f.value == pytest.approx(0.29) for f in found)


def test_the_first_frame_of_many_moves_is_not_knocked():
    """The usual frame lies 1 px off its neighbours' line, this one 4.2 px off that of three.

    From a line two steps beyond its points one is off 1.7 times as far as amid six: the square
    root of 1 + 1/3 + 2^2 / 2 over that of 1 + 1/6 (least squares).
    """
    jumps = [1.2, 0.9, 0.6, 1.1, 0.8, 1.3, 0.7, 1.0, 0.5]

    def found(jumps, reasons):
        frames = [
            FrameRegistration(FrameTransform(np.eye(3)), jump_px=jump, reason=reason)
            for jump, reason in zip(jumps, reasons, strict=True)
        ]
        return find_bumps(Registration(tuple(frames), 5, "similarity", (432, 576)), NAMES)

    assert found([4.2, *jumps], [""] * 10) == []
    inside = [*jumps[:4], 4.2, *jumps[4:]]
    (bump,) = found(inside, [""] * 10)
    assert bump.frames == (4,)
    assert found(inside, ["not placed well" if k == 4 else "" for k in range(10)]) == []


def ended(beyond_px, share):
    """Return an axis with a share of its tiles so far beyond its last frame."""
    tiles = np.tile(np.linspace(0, 12, 60), (24, 1))
    tiles[: round(24 * share)] = 12 + beyond_px
    return axis_of([0, 3, 6, 9, 12], tiles=tiles)


@pytest.mark.parametrize(("residual_px", "told"), [(0.1, True), (7.0, False), (np.nan, True)])
def test_a_move_that_pairs_of_frames_do_not_agree_on_is_no_knock(residual_px, told):
    """9 px after the fourth of eight frames, or the fourth frame alone 9 px beside its line."""
    shifts = [
        FrameTransform(np.array([[1, 0, 9.0 * (i > 3)], [0, 1, 0], [0, 0, 1]])) for i in range(8)
    ]
    stays = [FrameRegistration(t, residual_px=residual_px) for t in shifts]
    back = [
        FrameRegistration(
            FrameTransform(np.eye(3)), jump_px=9.0 * (i == 3), residual_px=residual_px
        )
        for i in range(8)
    ]
    for frames, concerned in ((stays, (3, 4)), (back, (3,))):
        registration = Registration(tuple(frames), 0, "similarity", (432, 576))
        found = [f.frames for f in find_bumps(registration, NAMES)]
        assert found == ([concerned] if told else [])
        assert (find_bump_limit_px(registration) < 9) == told


def test_an_end_is_proven_or_at_the_limit_or_covered():
    (end,) = find_uncovered_ends(ended(5.0, 0.5), 2.0, NAMES)
    assert (end.kind, end.frames) == ("end not covered", (4,))
    (note,) = find_uncovered_ends(ended(2.3, 0.5), 2.0, NAMES)
    assert (note.kind, note.severity, note.advice) == ("end at the limit", "note", "")
    assert find_uncovered_ends(ended(1.5, 0.5), 2.0, NAMES) == []


@pytest.mark.parametrize(("last", "kind"), [(3.0, "end not covered"), (1.2, "end at the limit")])
def test_what_the_last_step_lacks_may_be_a_soft_texture(last, kind):
    """3.5 px beyond, 2 px allowed; with a step of 3 px as all others it would be 1.7 px."""
    tiles = np.tile(np.linspace(0, 12 + last + 3.5, 60), (12, 1))
    (end,) = find_uncovered_ends(axis_of([0, 3, 6, 9, 12, 12 + last], tiles=tiles), 2.0, NAMES)
    assert (end.kind, end.frames) == (kind, (5,))


@pytest.mark.parametrize(
    ("share", "kind"), [(0.02, "end not covered"), (0.004, "end at the limit")]
)
def test_much_that_lies_just_beyond_an_end_hides_nothing_that_lies_farther(share, kind):
    """A fifth of the tiles 2.3 px beyond, some 6 px, where 2 px are allowed."""
    tiles = np.tile(np.linspace(0, 12, 60), (50, 1))
    tiles[:10], tiles[:4, : round(750 * share)] = 14.3, 18.0
    (end,) = find_uncovered_ends(axis_of([0, 3, 6, 9, 12], tiles=tiles), 2.0, NAMES)
    assert end.kind == kind


@pytest.mark.parametrize(("over_noise", "left"), [(4.0, 0.5), (20.0, 0.1), (1e4, None)])
def test_noise_bounds_how_far_beyond_an_end_anything_is_told(over_noise, left):
    """Detail counts from twice the noise on: of four times the noise half must be left."""
    sigma_px, tables = 0.7 * 2.0 ** np.arange(3), blur_tables(0.7 * 2.0 ** np.arange(3))
    data = SimpleNamespace(
        peaks=np.full((2, 40), over_noise), noise=np.ones((3, 40)), usable=np.ones(40, bool),
        sigma_px=sigma_px, blur=tables,
    )  # fmt: skip
    reach = end_reach_px(data)
    if left is None:
        assert reach == pytest.approx(10.15)
        return
    row = tables.choose_rows(2.0 ** tables.octaves[:, [16]])[0, 0]  # energy alike in all octaves
    seen = tables.share[row, round(reach / 0.7 * tables.per_unit)]
    assert seen == pytest.approx(left, abs=0.01)


def test_nothing_lies_beyond_infinity():
    """28 mm f/2.8 focused at 16.7 m, pixels of 22.2 µm: infinity is blurred by 0.76 px.

    By hand: f^2 / (u - f) = 0.0470 mm before the sensor, over f/2.8 a circle of 16.8 µm.
    """
    far = CaptureSettings(
        focal_length_mm=28.0, f_number=2.8, focus_distance_m=16.7, pixel_pitch_um=22.2
    )
    assert blur_at_infinity_px(far, None) == pytest.approx(16.8 / 22.2, rel=0.01)
    near = [1.0, 2.0, 4.0, 8.0, 16.7]
    settings = [
        CaptureSettings(focal_length_mm=28.0, f_number=2.8, focus_distance_m=d, pixel_pitch_um=22.2)
        for d in near
    ]
    still = (FrameRegistration(FrameTransform(np.eye(3)), jump_px=0.1),) * 5

    def ends(settings):
        found = diagnose_stack(
            ended(5.0, 0.5),
            Registration(still, 2, "similarity", (432, 576)),
            names=NAMES[:5],
            settings=settings,
            tolerance_px=2.0,
        )
        return [f for f in found if "end" in f.kind]

    assert ends(settings) == []
    assert kinds(ends([CaptureSettings()] * 5)) == ["end not covered"]


def test_several_frames_more_are_told_as_parts_of_the_step_or_distances_that_differ():
    axis = axis_of([0, 3, 6, 15, 18])
    (gap,) = find_gaps(axis, 2.0, NAMES, NOWHERE)
    assert "a third and two thirds of the way from frame3 to frame4" in gap.advice
    close = [0.1986, 0.1988, 0.1990, 0.1994, 0.1996]
    (gap,) = find_gaps(axis, 2.0, NAMES, close)
    assert "focused at 0.1991 m and 0.1993 m" in gap.advice


def test_exposures_read_as_photographers_write_them():
    settings = [CaptureSettings(exposure_time_s=1 / 60)] * 4
    settings[2] = CaptureSettings(exposure_time_s=1 / 30)
    (changed,) = find_changed_settings(settings, NAMES)
    assert "exposure time is 1/60 s, but not in frame3 (1/30 s)" in changed.message
    (jump,) = find_exposure_jumps(np.array([1, 1, 2, 1.0]), settings, NAMES)
    assert "frame3 is +1.0 EV against frame2" in jump.message
    assert "exposure time went from 1/60 s to 1/30 s" in jump.message


def test_light_that_flickers_is_one_finding_with_one_advice():
    gains = np.array([1, 1.3, 1, 1, 0.75, 1, 1.35, 1, 1.3, 1])
    settings = [CaptureSettings(exposure_time_s=1 / 500, iso=100.0)] * 10
    (flicker,) = find_exposure_jumps(gains, settings, NAMES[:10])
    assert (flicker.kind, flicker.frames) == ("exposure jump", (1, 4, 6, 8))
    assert flicker.value == pytest.approx(np.log2(1.35), abs=0.01)
    assert "4 of 10 frames jump, by up to +0.4 EV" in flicker.message
    # Lamps on 50 Hz mains flicker 100 times a second: twice that evens out (common practice).
    assert "1/50 s" in flicker.advice
    alone = find_exposure_jumps(np.where(gains > 1.3, gains, 1), settings, NAMES[:10])
    assert [f.frames for f in alone] == [(6,)]


def test_numbers_and_lists_as_findings_write_them():
    assert two_apart(2.004, 2.0) == "2.004"
    assert two_apart(2.3, 2.0) == "2.3"
    assert [percent(s) for s in (0.0004, 0.25, 3.2)] == ["less than 0.1 %", "25 %", "3.2 times"]
    assert [shutter(s) for s in (1 / 250, 0.5, 2)] == ["1/250 s", "0.5 s", "2 s"]
    assert list_names(["a"]) == "a"
    assert list_names(list("abcdefgh")) == "a, b, c, d, e, f and 2 more"


@pytest.mark.parametrize("slope", [0.0, 0.5, 1.0])
def test_what_lies_beyond_an_end_is_placed_by_the_spectrum_it_has_in_focus(slope):
    """Exact energies of tiles 6.5 px beyond eight frames 2.3 px apart, which show blur alone."""
    frames_px, at = 2.3 * np.arange(8), 2.3 * 7 + 6.5
    sigma_px = 0.7 * 2.0 ** np.arange(5)
    tables = blur_tables(sigma_px)
    level = 2.0 ** (tables.octaves[:, [16]] + slope * np.arange(5)[:, None])
    rows = tables.choose_rows(level)[:, 0]
    columns = np.rint(np.abs(at - frames_px) / sigma_px[:, None] * tables.per_unit).astype(int)
    left = np.take_along_axis(tables.share[rows], np.minimum(columns, 2900), axis=1)
    energy = np.repeat((level * left).T[:, :, None], 12, axis=2)
    data = StackEnergies(
        energy=energy, noise=np.full((5, 12), 1e-6), usable=np.ones(12, bool), sigma_px=sigma_px,
        gains=np.ones(8), blur=tables, grid=(3, 4), own=np.zeros(8),
    )  # fmt: skip
    tiles = ordered_tiles(data, np.arange(8))
    places, _ = place_tiles(data, tiles, SimpleNamespace(frames_px=frames_px, scale=0.1))
    assert places - frames_px[-1] == pytest.approx(np.full(12, 6.5), abs=0.2)


@pytest.mark.parametrize(
    ("last_px", "words"), [(6, "3.0 px at worst"), (8, "3.0 px as a rule, 4.0")]
)
def test_wide_steps_tell_the_usual_one_only_where_the_worst_is_wider(last_px, words):
    positions = [*6.0 * np.arange(6), 30.0 + last_px]
    (wide,) = find_wide_steps(axis_of(positions), 2.0, NAMES, None)
    assert f"midway it reaches {words}" in wide.message


def test_two_frames_prove_no_end():
    tiles = np.tile(np.linspace(0, 17, 60), (50, 1))
    (note,) = find_uncovered_ends(axis_of([0, 3], tiles=tiles), 2.0, NAMES)
    assert (note.kind, note.severity) == ("end at the limit", "note")


def test_where_to_go_on_beyond_an_end_is_told_as_what_can_be_set():
    """6 px beyond, 2 px allowed: one frame 4 px on; 3 px of step are 0.1 mm each on a rail."""
    axis = ended(6.0, 0.5)
    (end,) = find_uncovered_ends(axis, 2.0, NAMES)
    told = end.value - 2.0
    assert f"{told / 3:.1f} times the step from frame4 to frame5 farther on" in end.advice
    (end,) = find_uncovered_ends(axis, 2.0, NAMES, None, NOWHERE, 0.1)
    assert f"(on a rail {0.1 * told:.3g} mm on from frame5)" in end.advice
    (end,) = find_uncovered_ends(axis, 2.0, NAMES, None, NOWHERE, 0.01)
    assert f"(on a rail {10 * told:.3g} µm on from frame5)" in end.advice
    near = [1 / (2.0 - 0.1 * i) for i in range(5)]
    (end,) = find_uncovered_ends(axis, 2.0, NAMES, None, near)
    assert f"focused at {1 / (1.6 - 0.1 * told / 3):.3g}" in end.advice


def test_few_tiles_at_an_end_prove_no_duplicate():
    """By chance they agree to 0.02 px, where other steps of 0.6 px are known to 0.3 px."""
    axis = axis_of(0.6 * np.arange(12), error_px=0.3)
    axis.positions_px[-1] = axis.positions_px[-2] + 0.05
    axis.covariance_px[-1, -1] = axis.covariance_px[-2, -2]
    axis.covariance_px[-1, -2] = axis.covariance_px[-2, -1] = axis.covariance_px[-2, -2]
    assert find_duplicates(axis, [f"frame{i + 1}" for i in range(12)]) == []
