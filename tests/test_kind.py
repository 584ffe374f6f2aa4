"""Whether a folder of frames is one focus bracket."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from merge.diagnose import find_aperture_series, find_other_kind
from merge.model import (
    CaptureSettings,
    FocusAxis,
    FrameRegistration,
    FrameTransform,
    Registration,
)


def shots(f_numbers, distances_m=None) -> list[CaptureSettings]:
    distances = distances_m or [None] * len(f_numbers)
    return [
        CaptureSettings(f_number=n, focus_distance_m=d)
        for n, d in zip(f_numbers, distances, strict=True)
    ]


def test_find_aperture_series_knows_full_stops():
    """f-number series of ISO 517:2008 (from memory), one stop apart."""
    found = find_aperture_series(shots([5.6, 8, 11, 16, 22]))
    assert found is not None
    assert found.severity == "problem"
    assert "f/5.6 to f/22" in found.message
    assert "depthweld apertures" in found.advice
    assert "--anyway" in found.advice
    assert find_aperture_series(shots([22, 16, 11, 8])) is not None
    # One focus, as coarsely as lenses report it.
    assert find_aperture_series(shots([5.6, 8, 11, 16, 22], [0.5, 0.5, 0.52, 0.5, 0.5])) is not None


@pytest.mark.parametrize(
    "settings",
    [
        shots([8] * 12),
        shots([8, 11]),
        shots([None] * 5),
        shots([4, 8, 4, 8, 16]),
        shots([5.6, 8, 11, 16, 22], [0.3, 0.4, 0.6, 1.0, 3.0]),
        shots([5.6, 8, 11, 16, 22], [0.5, 0.55, 0.6, 0.7, 0.8]),
        # A close-up lens that reports f (1 + m), from infinity to life size.
        shots([2.8 * (1 + m) for m in np.linspace(0, 1, 12)]),
        shots([2.8 * (1 + m) for m in np.linspace(0, 1, 6)]),
    ],
)
def test_find_aperture_series_leaves_focus_brackets_alone(settings):
    assert find_aperture_series(settings) is None


def measured(places, gains=None) -> tuple[Registration, FocusAxis, tuple[int, ...]]:
    """Return registration and axis of frames shot at ``places``, in the order of focus."""
    order = np.argsort(places, kind="stable")
    ordered = np.asarray(places, float)[order]
    gains = np.ones(len(places)) if gains is None else np.asarray(gains, float)
    frames = [FrameRegistration(FrameTransform(np.eye(3)), gain=gains[i]) for i in order]
    steps, tiles = np.diff(ordered), np.zeros((2, 2))
    axis = FocusAxis(ordered, steps, steps, tiles, tiles, 24)
    registration = Registration(tuple(frames), len(frames) // 2, "similarity", (100, 100))
    return registration, axis, tuple(order.tolist())


def kind_of(places, gains=None) -> str | None:
    registration, axis, order = measured(places, gains)
    found = find_other_kind(registration, axis, order)
    return None if found is None else found.kind


def test_find_other_kind_knows_apertures_by_their_blur():
    registration, axis, order = measured([0, 4.0, 8.0])
    axis = dataclasses.replace(axis, one_focus=True)
    found = find_other_kind(registration, axis, order)
    assert (found.kind, found.severity) == ("aperture series", "warning")
    assert "depthweld apertures" in found.advice


def test_find_other_kind_knows_a_bracket_shot_twice():
    rng = np.random.default_rng(1)
    once = np.cumsum([0, 3.0, 2.8, 3.3, 3.1, 2.9])
    again = once + rng.normal(0, 0.2, len(once))
    registration, axis, order = measured([*once, *again])
    found = find_other_kind(registration, axis, order)
    assert found is not None
    assert found.kind == "bracket twice"
    assert "frames 1 to 6 and 7 to 12" in found.message
    assert "depthweld sort" in found.advice
    assert kind_of([*once, *again[::-1]]) == "bracket twice"
    assert kind_of([*once, *np.delete(again, 3)]) == "bracket twice"


def test_find_other_kind_knows_exposures_and_bursts_of_one_focus():
    assert kind_of([0, 0.4, -0.3], [1, 0.25, 4]) == "exposure bracket"
    assert kind_of([0, 0.2, -0.3, 0.1]) == "one focus"


def test_two_frames_are_one_focus_only_where_they_show_the_same():
    """One change tells neither their step nor the texture: 2.5 px of random planes read 0.7."""
    assert kind_of([0, 0.7]) is None
    assert kind_of([0, 0]) == "one focus"


@pytest.mark.parametrize(
    ("times_s", "gains", "kind"),
    [
        ([1 / 60, 1 / 250, 1 / 15], [1, 1 / 4, 4], "exposure bracket"),  # 0, -2, +2 EV
        ([1 / 60, 1 / 38, 1 / 24], [1, 1.58, 2.5], "exposure bracket"),  # 0, 2/3, 4/3 EV
        ([1 / 60, 1 / 48, 1 / 38], [1, 1.25, 1.58], None),  # 1/3 EV each: light may change so
        ([1 / 60, 1 / 30, 1 / 15], [1, 1, 1], None),  # dusk, exposed automatically
        ([1 / 60, 1 / 30, 1 / 25], [1, 2, 2.4], None),
        ([1 / 60, 1 / 60, 1 / 60], [1, 2, 4], None),  # dawn, exposed by hand
        ([1 / 60, 1 / 250, 1 / 15] * 2, [1, 1 / 4, 4] * 2, None),  # at two focus positions
    ],
)
def test_find_other_kind_knows_exposures_set_on_purpose_whatever_the_focus_seems(
    times_s, gains, kind
):
    """Clipped highlights and noise in the shadows look like other focus."""
    registration, axis, order = measured(np.arange(len(gains)) * 4.0, gains)
    settings = [CaptureSettings(exposure_time_s=t, f_number=8, iso=100) for t in times_s]
    found = find_other_kind(registration, axis, order, settings)
    assert (None if found is None else found.kind) == kind


@pytest.mark.parametrize(
    ("places", "gains"),
    [
        (np.arange(12) * 3.0, None),
        (np.arange(4) * 2.0, [1, 2, 4, 8]),  # at dusk
        ([0, 13.0], None),
        ([0, 1.6], None),
        ([0, 6, 3, 9, 12, 15], None),  # two frames changed places
        ([0, 6, 12, 18, 3, 9, 15, 21], None),  # every other frame, then those between
        ([0, 3, 6, 6.1, 9, 12], None),  # one frame twice
        ([0, 6, 12, 18, 6, 9, 12, 15], None),  # gaps filled afterwards, two frames again
        (np.random.default_rng(5).permutation(10) * 3.0, None),
        (np.cumsum([0, 3, 3, 9, 3, 3, 12, 2, 4]), None),  # with holes
    ],
)
def test_find_other_kind_never_refuses_one_bracket(places, gains):
    assert kind_of(places, gains) is None
    assert kind_of(np.asarray(places)[::-1], gains) is None
