"""Aperture series: simulated lenses, slanted edges of known blur, faults, regions, command."""

import itertools
import json
import math
import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import aperture_scenes as scenes
import numpy as np
import pytest
from click.testing import CliRunner
from matplotlib.figure import Figure
from PIL import Image
from PIL.TiffImagePlugin import IFDRational
from scipy.optimize import brentq
from scipy.special import ndtr

from merge.apertures import (
    align_spectra,
    assess_series,
    choose_tiles,
    find_edge,
    make_bins,
    measure_edge,
    region_masks,
    tile_spectra,
)
from merge.apertures.trend import best_f_number, best_marked, diffraction_contrast, stop_costs
from merge.cli.apertures import command
from merge.errors import MergeError, RegistrationError
from merge.pipeline.apertures import assess_apertures, cut_crops
from merge.report.apertures import (
    answer_lines,
    apertures_record,
    apertures_text,
    limit_sentence,
)
from merge.report.apertures_pictures import write_contact_sheet, write_plot

LENS = scenes.Lens(2.8, 3.0, -1.2, 0.4)
FULL_STOPS = [2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0]


def assess(series: scenes.Series, **options):
    bins, middle = make_bins(), len(series.frames) // 2
    grid = choose_tiles(series.frames[middle])
    spectra = [tile_spectra(f, grid.corners, "srgb", bins) for f in series.frames]
    spectra = [
        s if i == middle else align_spectra(s, spectra[middle], bins) for i, s in enumerate(spectra)
    ]
    names = [f"frame {n}" for n in series.f_numbers]
    pitch = options.pop("pitch_um", series.pitch_um)
    return assess_series(names, series.f_numbers, spectra, grid, pitch_um=pitch, **options)


def shares(values) -> np.ndarray:
    values = np.asarray(values, float)
    return values / values.max()


def save(folder: Path, frames, f_numbers, *, pitch_um=4.0, exif=True) -> Path:
    folder.mkdir(exist_ok=True)
    for i, (frame, number) in enumerate(zip(frames, f_numbers, strict=True)):
        header = Image.Exif()
        part = header.get_ifd(0x8769)
        part[36867] = f"2024:05:17 06:30:{10 + i:02d}"
        if exif:
            part[33437] = IFDRational(round(10 * number), 10)
            part[41486] = part[41487] = IFDRational(round(2540000 / pitch_um), 100)
            part[41488] = 2
        coded = (np.clip(frame, 0, 1) * 255 + 0.5).astype(np.uint8)
        path = folder / f"FRM_{i + 1:04d}.JPG"
        Image.fromarray(coded).save(path, quality=97, exif=header.tobytes())
    return folder


@pytest.fixture(scope="module")
def gravel():
    return scenes.photograph_series("gravel", FULL_STOPS, lens=LENS)


@pytest.fixture(scope="module")
def gravel_folder(tmp_path_factory, gravel):
    folder = tmp_path_factory.mktemp("gravel")
    return save(folder, gravel.frames, gravel.f_numbers)


# -- simulated series against their truth -------------------------------------------------


@cache
def judge(k: int) -> dict[str, float | bool]:
    """Return how one of sixty series was judged against its truth.

    Frames whose true contrasts differ by less than 2 % of the best count as equal: nobody
    sees the difference.
    """
    series = scenes.photograph_series(**scenes.sixty_series()[k])
    report = assess(series)
    truth, found = shares(series.contrast), shares([f.contrast for f in report.frames])
    rank = {i: k for k, i in enumerate(report.ranking)}
    count = len(truth)
    order = all(
        rank[i] < rank[j] for i in range(count) for j in range(count) if truth[i] - truth[j] > 0.02
    )
    return {
        "ranked": order,
        "stops": abs(2 * math.log2(report.best_f_number / series.best)),
        "chosen": float(truth[report.best]),
        "cost": float(np.abs(np.diff(found) - np.diff(truth)).max()),
        "faults": any(f.fault for f in report.frames),
    }


# A fifth of them, two of every texture.
FEW, MORE = [1, 9, 20, 34, 41, 53], [0, 7, 14, 21, 28, 42]


@pytest.mark.slow
def test_simulated_series_are_judged_right():
    judged = [judge(k) for k in FEW + MORE]
    assert np.mean([j["ranked"] for j in judged]) >= 0.95
    assert max(j["stops"] for j in judged) <= 0.5
    assert min(j["chosen"] for j in judged) >= 0.97
    assert max(j["cost"] for j in judged) <= 0.04
    assert not any(j["faults"] for j in judged)


@pytest.mark.parametrize("k", FEW)
def test_a_simulated_series_is_judged_right(k):
    judged = judge(k)
    assert judged["ranked"]
    assert judged["stops"] <= 0.5
    assert judged["cost"] <= 0.04


def test_a_wrong_order_would_be_seen(gravel):
    turned = scenes.Series(
        gravel.frames[::-1], gravel.f_numbers, [], 0.0, gravel.pitch_um, gravel.lens
    )
    report = assess(turned)
    assert report.ranking[0] != int(np.argmax(gravel.contrast))
    found = shares([f.contrast for f in report.frames])
    assert np.abs(found - shares(gravel.contrast)).max() > 0.3


@pytest.mark.parametrize("spherical", [1.5, 2.5, 4.0])
def test_a_lens_with_third_order_aberration_is_best_one_to_three_stops_down(spherical):
    """Common practice, no source: one to three stops below wide open."""
    lens = scenes.Lens(2.0, spherical, -0.4 * spherical, 0.5)
    numbers = [2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0]
    report = assess(scenes.photograph_series("grass", numbers, lens=lens))
    assert 0.9 <= 2 * math.log2(report.best_f_number / 2.0) <= 3.0
    assert report.best_at_end == ""


def test_a_perfect_lens_is_best_wide_open_and_loses_what_diffraction_predicts():
    """Diffraction by prysm, a physical-optics package, against the measured costs."""
    from prysm.otf import diffraction_limited_mtf

    lens = scenes.Lens(2.8, 0.0, 0.0)
    report = assess(scenes.photograph_series("gravel", FULL_STOPS, lens=lens))
    assert report.best_at_end == "widest"
    for cost in report.costs:
        before, after = (
            float(diffraction_limited_mtf(fno=n, wavelength=0.55, frequencies=np.array([62.5]))[0])
            for n in (cost.from_f_number, cost.to_f_number)
        )
        assert cost.diffraction == pytest.approx(after / before - 1, abs=0.005)
        assert cost.change == pytest.approx(after / before - 1, abs=0.04)
        if after > 0.2:
            assert cost.rest == pytest.approx(0, abs=0.04)


def test_magnification_moves_diffraction_to_the_effective_f_number():
    f_numbers, pitch = [4.0, 8.0], 4.0
    doubled = diffraction_contrast([8.0, 16.0], 0.25, pitch)
    costs = stop_costs(f_numbers, np.array([1.0, 0.8]), doubled)
    assert costs[0].diffraction == pytest.approx(doubled[1] / doubled[0] - 1)
    assert costs[0].rest == pytest.approx(0.8 / (doubled[1] / doubled[0]) - 1)


def test_without_pixel_pitch_diffraction_stays_unknown(gravel):
    report = assess(gravel, pitch_um=None)
    assert all(math.isnan(f.diffraction) for f in report.frames)
    assert all(math.isnan(c.diffraction) and math.isnan(c.rest) for c in report.costs)
    assert abs(2 * math.log2(report.best_f_number / gravel.best)) <= 0.5


def test_two_frames_are_compared_but_do_not_tell_where_the_best_lies(gravel):
    pair = scenes.Series(
        gravel.frames[2:6:3], gravel.f_numbers[2:6:3], gravel.contrast[2:6:3], 0.0, 4.0, LENS
    )
    report = assess(pair)
    assert report.ranking == (0, 1)
    change = gravel.contrast[5] / gravel.contrast[2] - 1
    assert report.costs[0].change == pytest.approx(change, abs=0.06)
    assert not report.enough
    assert (report.limit, report.frames_needed) == ("not told", 0)
    text = " ".join(answer_lines(report))
    assert "f/5.6 (frame 5.6) is the sharpest of f/5.6 and f/16" in text
    assert "take at least three" in text
    assert "Set " not in text


def test_an_f_number_taken_twice_is_one_step_of_the_costs(gravel):
    """One of its frames shaken, before or after the other: what a stop costs stays."""
    once = assess(gravel)
    for shaken in (2, 3):
        twice = scenes.photograph_series(
            "gravel",
            [*FULL_STOPS[:3], *FULL_STOPS[2:]],
            lens=LENS,
            shakes=[(3.0, 1.0) if i == shaken else (0.0, 0.0) for i in range(8)],
        )
        report = assess(twice)
        assert [bool(f.fault) for f in report.frames] == [i == shaken for i in range(8)]
        spans = [(c.from_f_number, c.to_f_number) for c in report.costs]
        assert spans == list(itertools.pairwise(FULL_STOPS))
        assert [c.change for c in report.costs] == pytest.approx(
            [c.change for c in once.costs], abs=0.03
        )
        assert report.best_f_number == pytest.approx(once.best_f_number, rel=0.1)


def test_a_second_frame_at_the_best_f_number_is_no_other_f_number(gravel):
    report = assess(gravel)
    best = report.frames[report.best]
    doubled = replace(report, frames=(*report.frames, best), alike=(len(report.frames),))
    assert "as sharp on the whole" not in " ".join(answer_lines(doubled))


@pytest.mark.parametrize(
    ("taken", "allowed"),
    [
        ([4.0, 5.6, 8.0, 11.0], {4.0, 5.6, 8.0, 11.0}),
        ([4.0, 6.7, 11.0], {4.0, 4.8, 5.6, 6.7, 8.0, 9.5, 11.0}),
        ([4.0, 7.1, 11.0], {4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0}),
        ([3.8, 7.1, 11.0], {3.8, 4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0}),
    ],
)
def test_the_answer_is_an_f_number_that_can_be_set_in_the_steps_of_the_series(taken, allowed):
    """ISO 517 (from memory) and the half and third stops that cameras show."""
    for peak in np.geomspace(3.8, 11, 23):
        log = -0.1 * (2 * np.log2(np.array(taken) / peak)) ** 2
        assert best_marked(taken, np.exp(log)) in allowed
    # Of a smooth curve the mark nearest to its peak.
    log = -0.1 * (2 * np.log2(np.array([4.0, 7.1, 11.0]) / 6.3)) ** 2
    assert best_marked([4.0, 7.1, 11.0], np.exp(log)) in {5.6, 6.3}


def test_a_higher_iso_does_not_look_sharper():
    series = scenes.photograph_series("gravel", FULL_STOPS, lens=LENS, noise=0.003, iso_rises=True)
    report = assess(series)
    found = shares([f.contrast for f in report.frames])
    assert found == pytest.approx(shares(series.contrast), abs=0.04)


# -- frames against the trend -------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(("shake", "angle"), [((2.5, 0.0), 0), ((0.0, 2.5), 90), ((1.8, 1.8), 45)])
def test_a_shaken_frame_is_named_with_its_direction_and_cannot_lose_wrongly(gravel, shake, angle):
    shakes = [(0.0, 0.0)] * 7
    shakes[2] = shake
    series = scenes.photograph_series("gravel", FULL_STOPS, lens=LENS, shakes=shakes)
    report = assess(series)
    faults = [f.fault for f in report.frames]
    assert [bool(f) for f in faults] == [i == 2 for i in range(7)]
    found = re.fullmatch(r"shaken along about (\d+)° \(clockwise from horizontal\)", faults[2])
    told = float(found[1])
    assert abs((told - angle + 90) % 180 - 90) < 10
    expected = [f.expected for f in report.frames]
    assert shares(expected) == pytest.approx(shares(gravel.contrast), abs=0.06)
    assert abs(2 * math.log2(report.best_f_number / series.best)) <= 0.5


def test_a_misfocused_frame_is_named():
    defocus = [0.0, 0.0, 0.0, 0.5, 0.0, 0.0, 0.0]
    report = assess(
        scenes.photograph_series("camera", FULL_STOPS, lens=LENS, extra_defocus=defocus)
    )
    assert [bool(f.fault) for f in report.frames] == [i == 3 for i in range(7)]
    assert "focused elsewhere" in report.frames[3].fault
    assert report.frames[3].expected > report.frames[3].contrast + 0.1


def test_a_shaken_widest_frame_does_not_hide(gravel):
    shakes = [(3.0, 0.0)] + [(0.0, 0.0)] * 6
    report = assess(scenes.photograph_series("gravel", FULL_STOPS, lens=LENS, shakes=shakes))
    assert report.frames[0].fault.startswith("shaken along")
    assert not any(f.fault for f in report.frames[1:])


# -- regions ------------------------------------------------------------------------------


def test_depth_limits_are_told_with_the_frames_that_would_hold_it():
    numbers = [4.0, 5.6, 8.0, 11.0, 16.0, 22.0]
    series = scenes.depth_series(
        "gravel", numbers, (0.0, 0.0, 8.0), lens=scenes.Lens(2.8, 1.5, -0.6)
    )
    report = assess(series)
    regions = {r.name: r for r in report.regions}
    assert report.limit == "depth"
    assert numbers[regions["background"].best] == 4.0
    assert numbers[regions["foreground"].best] == 16.0
    # 8 px at f/8 are 16 px at f/4, the best aperture.
    assert regions["foreground"].blur_px == pytest.approx(16, rel=0.2)
    assert regions["background"].blur_px < 1
    assert report.frames_needed in {4, 5}
    assert report.in_focus_f_number == 4.0
    text = limit_sentence(report)
    assert "foreground is sharpest at f/16" in text
    assert "no one f-number suits both" in text
    assert f"about {report.frames_needed} frames at f/4 would hold every part" in text
    rows = report.winners.shape[0]
    assert np.nanmedian(report.winners[: rows // 3]) < 5
    assert np.nanmedian(report.winners[-(rows // 3) :]) > 11


def test_a_flat_subject_is_limited_by_diffraction(gravel):
    report = assess(gravel)
    assert report.limit == "diffraction"
    assert report.frames_needed == 1
    assert "every part is sharpest near f/5.6" in limit_sentence(report)
    assert {report.frames[r.best].f_number for r in report.regions} == {5.6}
    assert answer_lines(report) == [
        "Set f/5.6 (frame 5.6; f/4 is as sharp on the whole): the picture as a whole, the plane "
        "of focus and every part of it agree."
    ]
    assert {r.name for r in report.regions} >= {"whole picture", "centre", "corners"}


def test_corners_are_a_region_of_a_larger_frame():
    rng = np.random.default_rng(4)
    grid = choose_tiles(rng.random((1200, 1800)).astype(np.float32))
    corners = region_masks(grid)["corners"]
    assert 5 <= corners.sum() < len(corners) / 3
    middle = grid.corners[corners] + grid.tile_px / 2
    assert (np.abs(middle - (600, 900)) > (300, 450)).all()


def test_a_subject_without_texture_is_refused():
    rng = np.random.default_rng(2)
    flat = [(0.5 + 0.01 * rng.standard_normal((448, 448))).astype(np.float32) for _ in range(3)]
    series = scenes.Series(flat, [4.0, 8.0, 16.0], [], 4.0, 4.0, LENS)
    with pytest.raises(MergeError, match="Use frames of a textured subject"):
        assess(series)


def test_the_best_of_alike_f_numbers_does_not_divide_by_zero():
    found, end = best_f_number([4.0, 5.6, 5.6, 8.0], np.array([0.8, 1.0, 0.99, 0.8]))
    assert found == pytest.approx(5.6, rel=0.05)
    assert end == ""


def test_a_frame_beyond_the_cut_off_is_not_the_best():
    """At 62.5 cycles/mm and 550 nm diffraction ends at f/29 (cut-off 1 / (λ N)); noise goes on."""
    numbers = [4.0, 8.0, 16.0, 32.0]
    found, end = best_f_number(numbers, np.array([0.75, 0.62, 0.31, 0.02]), 62.5)
    assert found == pytest.approx(4.0)
    assert end == "widest"


# -- slanted edges ------------------------------------------------------------------------


def rendered_edge(sigma: float, angle_deg: float, *, lying: bool = False) -> np.ndarray:
    """Return an edge blurred by a Gaussian and by square pixels, linear light."""
    step = blurred_step(sigma, angle_deg)
    picture = 0.15 + 0.6 * (step.T if lying else step)
    noise = np.random.default_rng(1).normal(0, 0.0015, picture.shape)
    return (picture + noise).astype(np.float32)


@cache
def blurred_step(sigma: float, angle_deg: float) -> np.ndarray:
    fine, side = 8, 200
    at = (np.arange(side * fine) + 0.5) / fine - 0.5
    x, y = np.meshgrid(at, at)
    slant = math.radians(angle_deg)
    distance = ((x - side / 2) - math.tan(slant) * (y - side / 2)) * math.cos(slant)
    return ndtr(distance / sigma).reshape(side, fine, side, fine).mean(axis=(1, 3))


def edge_truth(frequency, sigma: float, angle_deg: float):
    """Return the product of the Gaussian's and the pixel's transfer across the edge."""
    slant = math.radians(angle_deg)
    pixel = np.sinc(frequency * math.cos(slant)) * np.sinc(frequency * math.sin(slant))
    return np.exp(-2 * (np.pi * sigma * frequency) ** 2) * pixel


@pytest.mark.parametrize("lying", [False, True])
@pytest.mark.parametrize("angle", [2.0, 5.0, -8.0, 12.0])
@pytest.mark.parametrize("sigma", [0.3, 0.5, 0.8, 1.2, 2.0])
def test_a_rendered_slanted_edge_is_measured_within_three_per_cent(sigma, angle, lying):
    """ISO 12233:2017 (from memory), edge-based SFR; truth is analytic."""
    picture = rendered_edge(sigma, angle, lying=lying)
    box = find_edge(picture, "linear")
    assert box is not None
    found = measure_edge(picture, "linear", box)
    assert found is not None
    assert found.angle_deg == pytest.approx(abs(angle), abs=0.1)
    half = brentq(lambda f: edge_truth(f, sigma, angle) - 0.5, 0.01, 1.0)
    assert found.mtf50 == pytest.approx(half, rel=0.03)
    kept = found.frequency <= 0.5
    truth = edge_truth(found.frequency[kept], sigma, angle)
    assert found.response[kept] == pytest.approx(truth, abs=0.03)


def test_an_edge_is_measured_in_linear_light():
    picture = rendered_edge(0.8, 5.0)
    coded = scenes.to_srgb(picture).astype(np.float32)
    box = find_edge(coded, "srgb")
    assert box is not None
    found, linear = measure_edge(coded, "srgb", box), measure_edge(picture, "linear", box)
    assert found is not None
    assert linear is not None
    assert found.mtf50 == pytest.approx(linear.mtf50, rel=0.01)


def test_no_edge_is_found_in_texture_or_along_the_pixel_axis():
    assert find_edge(scenes.to_srgb(scenes.texture("grass")).astype(np.float32), "srgb") is None
    assert find_edge(rendered_edge(0.8, 0.0), "linear") is None


# -- files, report, command ---------------------------------------------------------------


def test_files_give_the_same_answer_as_arrays(gravel, gravel_folder):
    series = assess_apertures(gravel_folder)
    truth = shares(gravel.contrast)
    assert shares([f.contrast for f in series.report.frames]) == pytest.approx(truth, abs=0.04)
    assert [s.path.name for s in series.sources] == [f"FRM_{i + 1:04d}.JPG" for i in range(7)]
    assert not math.isnan(series.report.frames[0].diffraction)


def test_frames_are_aligned_over_larger_shifts_and_turns(tmp_path, gravel):
    moved = []
    for i, frame in enumerate(gravel.frames):
        # Whole pixels: the frames' sharpness must not be touched by the test itself.
        top, left = [(0, 0), (9, 4), (2, 13), (14, 0), (5, 5), (0, 11), (8, 8)][i]
        moved.append(frame[top : top + 400, left : left + 400])
    series = assess_apertures(save(tmp_path / "moved", moved, gravel.f_numbers))
    found = shares([f.contrast for f in series.report.frames])
    assert found == pytest.approx(shares(gravel.contrast), abs=0.04)


def test_an_edge_in_the_scene_is_measured_in_every_frame(tmp_path):
    frames = []
    for i in range(3):
        rng = np.random.default_rng(i)
        texture = scenes.to_srgb(scenes.texture("gravel"))
        texture = texture + 0.002 * rng.standard_normal(texture.shape)
        texture[120:320, 120:320] = scenes.to_srgb(rendered_edge([0.5, 0.8, 1.2][i], 5.0))
        frames.append(texture)
    series = assess_apertures(save(tmp_path / "edge", frames, [5.6, 11.0, 16.0]))
    halves = [e.mtf50 for e in series.report.edges if e is not None]
    truth = [brentq(lambda f, s=s: edge_truth(f, s, 5.0) - 0.5, 0.01, 1) for s in (0.5, 0.8, 1.2)]
    assert halves == pytest.approx(truth, rel=0.05)


def test_a_frame_of_another_subject_is_named(tmp_path, gravel):
    other = scenes.to_srgb(scenes.texture("camera")).astype(np.float32)
    folder = save(tmp_path / "mixed", [*gravel.frames[:3], other], [2.8, 4.0, 5.6, 8.0])
    with pytest.raises(RegistrationError, match=r"does not show the subject of"):
        assess_apertures(folder)


def test_missing_f_numbers_are_asked_for_and_can_be_given(tmp_path, gravel):
    folder = save(tmp_path / "bare", gravel.frames[:3], gravel.f_numbers[:3], exif=False)
    with pytest.raises(MergeError, match=r"FRM_0001.JPG: its f-number is not recorded"):
        assess_apertures(folder)
    with pytest.raises(MergeError, match="2 f-numbers given for 3 frames"):
        assess_apertures(folder, f_numbers=[4, 8])
    series = assess_apertures(folder, f_numbers=[2.8, 4.0, 5.6])
    assert [f.f_number for f in series.report.frames] == [2.8, 4.0, 5.6]


def test_given_f_numbers_that_differ_from_recorded_ones_are_told(tmp_path, gravel):
    folder = save(tmp_path / "told", gravel.frames[:3], gravel.f_numbers[:3])
    series = assess_apertures(folder, f_numbers=[2.8, 5.6, 4.2])
    assert [f.f_number for f in series.report.frames] == [2.8, 4.2, 5.6]
    told = "other f-numbers: FRM_0003.JPG f/5.6, given f/4.2; FRM_0002.JPG f/4, given f/5.6."
    assert told in apertures_text(series)
    assert "other f-numbers" not in apertures_text(assess_apertures(folder))


def test_frames_of_one_f_number_are_refused(tmp_path, gravel):
    folder = save(tmp_path / "same", gravel.frames[:2], [8.0, 8.0])
    with pytest.raises(MergeError, match="all frames have one f-number"):
        assess_apertures(folder)


def test_the_command_prints_answers_and_writes_plot_and_sheet(tmp_path, gravel_folder):
    plot, sheet = tmp_path / "plot.png", tmp_path / "sheet.png"
    arguments = [str(gravel_folder), "--plot", str(plot), "--crops", str(sheet)]
    result = CliRunner().invoke(command, arguments)
    assert result.exit_code == 0
    for words in ("Set f/5.6 (FRM_0003.JPG; ", "(diffraction −", f"Written: {plot}", str(sheet)):
        assert words in result.stdout
    assert len(result.stdout.splitlines()) < 30
    with Image.open(plot) as picture:
        assert picture.width > 800
    with Image.open(sheet) as picture:
        assert picture.width >= 7 * 240
    again = CliRunner().invoke(command, arguments)
    assert again.exit_code == 1
    assert "plot.png" in again.stderr


def test_the_crops_are_the_frames_own_pixels(gravel, gravel_folder):
    series = assess_apertures(gravel_folder)
    row = cut_crops(series)[0]
    top, left, height, width = row.box
    with Image.open(series.sources[3].path) as picture:
        pixels = np.asarray(picture)[top : top + height, left : left + width]
    assert (row.crops[3] == pixels[..., None]).all()


def test_crops_are_in_colour_of_different_places_and_the_sharpest_is_marked(tmp_path, gravel):
    """The frames are tinted; their crops must be, too."""
    colour = np.array([0.6, 0.8, 1.0])
    frames = [frame[..., None] * colour for frame in gravel.frames]
    folder = save(tmp_path / "tinted", frames, gravel.f_numbers)
    series = assess_apertures(folder)
    rows = cut_crops(series)
    for row in rows:
        assert row.crops[0].shape[2] == 3
        means = row.crops[3].reshape(-1, 3).mean(axis=0)
        assert means / means[2] == pytest.approx(colour, abs=0.08)
    boxes = [row.box[:2] for row in rows]
    assert len(set(boxes)) == len(boxes)
    path = tmp_path / "sheet.png"
    write_contact_sheet(series, rows, path)
    with Image.open(path) as picture:
        sheet = np.asarray(picture.convert("RGB"))
    marked = (sheet == (240, 200, 60)).all(axis=2)
    side = rows[0].crops[0].shape[1]
    # The frame around the winner: its upper edge is as long as the crop, once a row.
    edges = [y for y in range(len(marked)) if marked[y].sum() >= side]
    assert len(edges) >= 2 * len(rows)
    best = series.report.regions[1].best
    columns = np.flatnonzero(marked[edges[0]])
    assert 10 + best * (side + 10) - 4 == columns[0]


def test_the_plot_shows_the_parts_and_its_key_covers_no_curve(tmp_path, gravel_folder, monkeypatch):
    saved = []
    monkeypatch.setattr(Figure, "savefig", lambda figure, *_, **options: saved.append(figure))
    write_plot(assess_apertures(gravel_folder), tmp_path / "plot.svg")
    (figure,) = saved
    figure.canvas.draw()
    axes = figure.axes[0]
    labels = " ".join(text.get_text() for text in axes.get_legend().get_texts())
    for name in ("whole picture", "centre", "corners", "plane of focus", "diffraction"):
        assert name in labels
    key, inside = axes.get_legend().get_window_extent(), axes.get_window_extent()
    assert key.y1 <= inside.y0
    assert not axes.texts
    assert [t.get_text() for t in axes.get_yticklabels()][-1] == "100 %"


def test_json_is_valid_and_holds_the_answers(gravel_folder):
    result = CliRunner().invoke(command, [str(gravel_folder), "--json"])
    data = json.loads(result.stdout)
    assert data["version"] == 2
    assert data["set"]["picture"] == data["set"]["plane_of_focus"] == 5.6
    assert len(data["frames"]) == 7
    assert data["limit"] == "diffraction"
    assert data == json.loads(json.dumps(apertures_record(assess_apertures(gravel_folder))))


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["--f-numbers", "4,x"], 2, "expected numbers such as 4,5.6,8,11"),
        (["--plot", "plot.gif"], 1, "written as .png or .svg"),
        (["--crops", "sheet.jpg"], 1, "written as .png"),
    ],
)
def test_wrong_options_are_one_line(gravel_folder, arguments, code, words):
    result = CliRunner().invoke(command, [str(gravel_folder), *arguments])
    assert result.exit_code == code
    assert words in result.stderr
    assert result.stdout == ""
