"""Aperture series of scenes with depth: answers, parts, frames of a bracket; known truth."""

import math

import aperture_depth_scenes as scenes
import numpy as np
import pytest
from test_apertures import assess

from merge.apertures.depths import frames_needed
from merge.optics import system_transfer
from merge.report.apertures import answer_lines, limit_sentence
from merge.report.numbers import change_text

SMALL = (6, 6)


def loss(contrast: np.ndarray, chosen: int) -> float:
    """Return the share of the best contrast that a choice loses."""
    return float(1 - contrast[chosen] / contrast.max())


def true_frames(series: scenes.FieldSeries, f_number: float, tolerance_px: float = 2.0) -> int:
    """Return the frames that hold every textured place, from the scene's own depths."""
    span = np.ptp(series.blur_px[series.textured]) * 8 / f_number
    return max(1, math.ceil(span / (2 * tolerance_px) - 1e-9))


def test_the_scenes_transfer_is_that_of_the_exact_formula():
    """The scenes' route (field at each point, Goodman) against Hopkins' integral."""
    for blur_px in (0.0, 2.0, 5.0):
        spread = scenes.point_spread(
            scenes.FieldLens(8.0, 0.0, 0.0), 8.0, blur_px_at_f8=blur_px, field=(0.0, 0.0),
            pitch_um=4.0, side=100,
        )  # fmt: skip
        angle = np.linspace(0, np.pi, 24, endpoint=False)
        pixel = np.abs(np.sinc(0.25 * np.cos(angle)) * np.sinc(0.25 * np.sin(angle)))
        straight = abs(
            system_transfer(
                62.5, f_number=8.0, wavelength_um=0.55, pixel_pitch_um=4.0,
                blur_diameter_um=4.0 * blur_px,
            )
        )  # fmt: skip
        expected = straight / np.sinc(0.25) * np.sqrt(np.mean(pixel**2))
        assert scenes.true_contrast(spread) == pytest.approx(expected, abs=0.006)


CASES = {
    "planes": {"kind": "planes", "reach": 6.0, "seed": 3, "noise": 0.006},
    "ramp": {"kind": "ramp", "reach": 6.0, "seed": 2},
    "dome": {"kind": "dome", "reach": 8.0, "seed": 4},
}


@pytest.fixture(scope="module", params=CASES)
def case(request):
    lens = scenes.FieldLens(4.0, 1.2, -0.5, coma=0.5)
    series = scenes.field_series(
        [4.0, 5.6, 8.0, 11.0, 16.0], lens=lens, shape=SMALL, **CASES[request.param]
    )
    return series, assess(series)


def test_the_answer_for_a_scene_with_depth_has_the_best_contrast(case):
    series, report = case
    assert loss(series.whole(), report.best) <= 0.03
    assert not any(f.fault for f in report.frames)


def test_a_bracket_of_the_frames_said_holds_every_part(case):
    series, report = case
    assert abs(report.frames_needed - true_frames(series, report.in_focus_f_number)) <= 1


def test_a_sky_without_detail_asks_for_no_frames_of_a_bracket():
    """Noise reads as wide blur: four frames were said for a subject that two hold."""
    lens = scenes.FieldLens(4.0, 1.2, -0.5, coma=0.5)
    numbers = [8.0, 11.0, 16.0, 22.0]
    series = scenes.field_series(
        numbers, lens=lens, shape=SMALL, kind="sides", reach=8.0, seed=3, sky=True, noise=0.006
    )
    report = assess(series)
    assert report.frames_needed == true_frames(series, report.in_focus_f_number) == 2


def test_what_is_said_of_the_parts_agrees_with_the_best_of_each(case):
    """No "every part is sharpest near" beside parts that are sharpest elsewhere."""
    _, report = case
    numbers = {report.frames[r.best].f_number for r in report.regions}
    said = "every part is sharpest" in limit_sentence(
        report
    ) or "every part of it agree" in " ".join(answer_lines(report))
    assert said == (numbers == {report.in_focus_f_number})


def test_soft_corners_of_a_flat_subject_are_the_lens_not_depth():
    lens = scenes.FieldLens(2.8, 0.5, -0.2, curvature=-2.0, coma=2.5, astigmatism=1.0)
    series = scenes.field_series([2.8, 4.0, 5.6, 8.0, 11.0], lens=lens, shape=(6, 8), seed=8)
    report = assess(series, tolerance_px=4.0)
    best = {r.name: report.frames[r.best].f_number for r in report.regions}
    truth = {n: series.f_numbers[int(series.part(n).argmax())] for n in ("centre", "corners")}
    assert best["centre"] == truth["centre"] < truth["corners"]
    assert best["corners"] == truth["corners"]
    assert report.limit == "places"
    text = limit_sentence(report)
    assert text.startswith("The lens limits: corners")
    assert "every part is sharpest" not in text
    assert f"corners f/{best['corners']:g}" in " ".join(answer_lines(report))


def grid(rows: int, columns: int) -> np.ndarray:
    row, column = np.mgrid[:rows, :columns]
    return np.stack([row.ravel(), column.ravel()], axis=1)


@pytest.mark.parametrize("tolerance", [1.0, 2.0])
def test_frames_of_a_bracket_count_both_sides_of_a_ground_and_one_side_of_a_hill(tolerance):
    """By hand: 10 px before and 6 px behind the focus are 16 px, a hill of 10 px is 10 px."""
    rng = np.random.default_rng(1)
    cells = grid(20, 30)
    row = cells[:, 0] / 19
    ground = np.abs(-10 + 16 * (1 - row)) + 0.1 * rng.random(len(cells))
    found = frames_needed(ground, cells, (20, 30), tolerance)
    assert abs(found - math.ceil(16 / (2 * tolerance))) <= 1
    hill = 10 * np.hypot(cells[:, 0] / 19 - 0.5, cells[:, 1] / 29 - 0.5) / math.hypot(0.5, 0.5)
    assert abs(frames_needed(hill, cells, (20, 30), tolerance) - 10 / (2 * tolerance)) <= 1
    # A few stray places do not ask for frames; nothing known asks for nothing.
    flat = np.where(rng.random(len(cells)) < 0.01, 60.0, 0.5)
    assert frames_needed(flat, cells, (20, 30), tolerance) == 1
    assert frames_needed(np.full(len(cells), np.nan), cells, (20, 30), tolerance) == 0


def test_changes_beyond_twice_more_are_factors():
    assert change_text(49.18) == "50 times"
    assert change_text(1.99) == "+199 %"
    assert change_text(2.0) == "3 times"
    assert change_text(-0.5) == "−50 %"
