"""What findings say, over brackets put together by chance: how every text must read."""

import re

import numpy as np
import pytest

from merge.diagnose import diagnose_stack, find_distance_conflicts, locate_frames, measure_limits
from merge.diagnose.wording import counted, percent, two_digits
from merge.model import (
    CaptureSettings,
    FocusAxis,
    FrameQuality,
    FrameRegistration,
    FrameTransform,
    Registration,
)

NUMBER = r"(\d+(?:\.\d+)?)"
# Numbers that are told to differ.
CONTRASTED = (
    rf"blurred by {NUMBER} px in both .* beyond {NUMBER} px",
    rf"wider than {NUMBER} px of blur allow: midway it reaches {NUMBER} px",
    rf"{NUMBER} px of the {NUMBER} px allowed",
    rf"the step is {NUMBER} px, its neighbours are {NUMBER} px",
    rf"planes span {NUMBER} mm at the sensor, by the pictures {NUMBER} mm",
)


def bracket(seed):
    """Return axis, registration, settings and tolerance: steps, errors and faults by chance."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(2, 40))
    usual = float(rng.choice([0.05, 0.5, 1.0, 2.0, 4.05, 4.4, 8.0]))
    steps = usual * np.exp(rng.normal(0, 0.05, count - 1))
    odd = rng.random(count - 1) < 0.1
    steps[odd] *= rng.choice([-0.5, 0.02, 2.0, 3.0, 12.0], odd.sum())
    positions = np.concatenate([[0.0], np.cumsum(steps)])
    error = usual * float(rng.choice([0.005, 0.03, 0.1]))
    low, high = positions.min(), positions.max()
    tiles = rng.uniform(low - 4, high + 4, (24, 24))
    tiles[:, : int(rng.integers(0, 12))] = high + float(rng.choice([1.0, 2.03, 5.0]))
    unknown = rng.random(count) < 0.2
    quality = FrameQuality(
        detail_ratio=np.where(unknown, np.nan, rng.uniform(0.1, 1.1, count)),
        detail_z=rng.normal(-1, 3, count),
        direction_ratio=rng.uniform(0.2, 1, count),
        direction_z=rng.normal(1, 3, count),
        direction_deg=rng.uniform(0, 180, count),
        gains=np.exp(rng.normal(0, 0.1, count)),
        detail_limit=np.where(unknown, np.nan, 0.6),
        direction_limit=np.where(unknown, np.nan, 0.7),
    )
    axis = FocusAxis(
        positions, steps, steps, tiles, np.ones_like(tiles), 12, quality,
        covariance_px=error**2 * np.eye(count), blur_error_px=0.2,
        scale_error=float(rng.choice([0.005, 0.05])),
    )  # fmt: skip
    moves = rng.normal(0, 0.3, (count, 2)) + 9 * (rng.random((count, 1)) < 0.1)
    frames = tuple(
        FrameRegistration(FrameTransform(np.array([[1, 0, x], [0, 1, y], [0, 0, 1.0]])))
        for x, y in moves
    )
    taken = [
        CaptureSettings(
            f_number=float(rng.choice([8, 8, 8, 11])),
            focal_length_mm=100.0,
            exposure_time_s=float(rng.choice([1 / 60, 1 / 60, 2.0])),
            iso=int(rng.choice([100, 100, 6400])),
            pixel_pitch_um=4.0,
            focus_distance_m=float(0.5 + 0.01 * i * rng.choice([1, 1, -1])),
        )
        for i in range(count)
    ]
    return axis, Registration(frames, 0, "similarity", (288, 288)), taken


def findings_of(seed):
    axis, registration, taken = bracket(seed)
    names = [f"IMG_{i:04d}.jpg" for i in range(len(taken))]
    found = diagnose_stack(axis, registration, names=names, settings=taken, tolerance_px=2.0)
    places = locate_frames(
        axis, taken, range(len(taken)), pixel_pitch_um=4.0, effective_f_number=8.0
    )
    return [*found, *find_distance_conflicts(places, taken, names)]


@pytest.mark.parametrize("first", [0, 40, 80])
def test_every_finding_reads_well(first):
    for finding in (f for seed in range(first, first + 40) for f in findings_of(seed)):
        text = f"{finding.message} {finding.advice}"
        assert not re.search(r"\d[eE][+-]?\d|\bnan\b|\binf\b|None|\.\.\.|…", text), text
        for pattern in CONTRASTED:
            for one, other in re.findall(pattern, text):
                assert float(one) != float(other), text
        assert all(float(p) <= 200 for p in re.findall(rf"{NUMBER} %", text)), text
        assert not re.search(r"0\.0\d* s\b", text), text  # 1/60 s
        assert all(sign in "+-" for sign in re.findall(r"(.)\d+\.\d EV", text)), text
        assert "°" not in text or "clockwise from horizontal" in text
        # Advice says which frame is meant.
        assert not re.search(r"\b[Ii]t\b", finding.advice) or "IMG_" in finding.advice, text
        assert finding.severity == "note" or finding.advice, text
        if 0 < len(finding.frames) <= 2 and finding.facts.about_frames:
            assert any(f"IMG_{i:04d}.jpg" in text for i in finding.frames), text


def test_findings_of_all_kinds_were_read():
    kinds = {f.kind for seed in range(60) for f in findings_of(seed)}
    assert kinds >= {
        "gap", "wide steps", "dropped slice", "duplicate", "end not covered", "step at the limit",
        "fine steps", "soft frame", "shaken frame", "bumped frame",
        "exposure jump", "changed setting", "out of order", "focus distances",
    }  # fmt: skip


@pytest.mark.parametrize("seed", range(8))
def test_limits_lie_beyond_what_is_allowed(seed):
    axis, registration, _ = bracket(seed)
    limits = measure_limits(axis, registration, 2.0)
    count = len(axis.positions_px)
    assert len(limits.gap_px) == len(limits.missing_slices) == count - 1
    assert len(limits.soft_ratio) == len(limits.shaken_ratio) == count
    assert (limits.gap_px > 2.0).all()
    assert (np.nan_to_num(limits.end_px, nan=np.inf) > 2.0).all()
    assert (np.nan_to_num(limits.missing_slices, nan=1) >= 1).all()
    assert (np.nan_to_num(limits.duplicate_px, nan=1) > 0).all()
    assert limits.bump_px >= 1.5


def test_numbers_without_powers_of_ten():
    assert [two_digits(v) for v in (173.4, 0.36, 99.6)] == ["170", "0.36", "100"]
    assert percent(0.996) == "100 %"
    assert [counted(n) for n in (2, 8, 11, 21, 22)] == ["second", "8th", "11th", "21st", "22nd"]
