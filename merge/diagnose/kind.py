"""Is it one focus bracket at all? What else a folder of frames may hold.

What is a problem here must be beyond doubt: a focus bracket that is refused is worse than nonsense
that is merged.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from merge.diagnose.sequence import UNSEEN_PX
from merge.model import CaptureSettings, Finding, FocusAxis, Registration
from merge.significance import EVEN, FEWEST

# Stops that the f-numbers of an aperture series span. Close-up lenses report effective f-numbers
# that rise with the focus distance, from infinity to life size by 1 + m, so by two stops at most
# (thin lens), and most by 1.3 to 1.7 (common practice, no source).
_STOPS = 2.1
# Recorded distances that differ by more than this factor are no single focus.
_DISTANCE_FACTOR = 1.1
# Exposures set on purpose rise by even steps, of at least so much, to as much for rounded numbers,
# and the pictures' light follows them as closely; smaller steps come from changing light.
_SET_STEP_EV = 0.5
# Of a bracket twice, the share of each pass that has a partner: the other may lack a frame.
_PARTNERED = 0.8
_ANYWAY = "or take them all the same with --anyway"


def find_aperture_series(settings: Sequence[CaptureSettings]) -> Finding | None:
    """Return a finding if frames in shooting order are an aperture series, by what files tell."""
    numbers = [s.f_number for s in settings]
    known = [n for n in numbers if n is not None and n > 0]
    if len(known) < len(numbers) or len(known) < FEWEST:
        return None
    steps = np.diff(np.log2(known)) * 2
    steady = bool((steps > 0.2).all() or (steps < -0.2).all())
    spread = 2 * math.log2(max(known) / min(known))
    if not steady or spread < _STOPS or _refocused(settings):
        return None
    return Finding(
        "aperture series",
        "problem",
        f"These {len(known)} frames are an aperture series, f/{min(known):g} to f/{max(known):g}, "
        "no focus bracket.",
        f"Compare them with 'depthweld apertures', {_ANYWAY}.",
        value=spread,
        threshold=_STOPS,
        unit="stops",
        frames=tuple(range(len(known))),
    )


def find_other_kind(
    registration: Registration,
    axis: FocusAxis | None,
    shot_order: Sequence[int],
    settings: Sequence[CaptureSettings] = (),
) -> Finding | None:
    """Return a finding if frames are no focus bracket, or more than one, by what they show.

    Parameters
    ----------
    registration : Registration
        Of N frames in the order of their focus.
    axis : FocusAxis or None
        Of the aligned ones.
    shot_order : sequence of int, N
        For each frame its place in shooting order.
    settings : sequence of CaptureSettings, N, optional
    """
    if registration.other_scene:
        return _two_scenes(registration, shot_order)
    aligned = registration.aligned
    if settings and _exposed_on_purpose([settings[i] for i in aligned], registration):
        return _exposures(registration)
    if axis is None:
        return None
    found = _series_by_blur(axis, aligned) or _one_focus(registration, axis)
    if found is not None:
        return found
    shot = sorted(range(len(aligned)), key=lambda k: shot_order[aligned[k]])
    places = axis.positions_px[shot]
    split = _second_pass(places)
    if split is None:
        return None
    first, second = (sorted(shot_order[aligned[shot[k]]] + 1 for k in part)
                     for part in (range(split), range(split, len(shot))))  # fmt: skip
    return Finding(
        "bracket twice",
        "problem",
        f"The same focus bracket twice: frames {first[0]} to {first[-1]} and {second[0]} to "
        f"{second[-1]} are focused alike.",
        "Take one of the two ('depthweld sort' puts brackets into folders of their own), "
        f"{_ANYWAY}.",
        frames=tuple(aligned),
    )


def _series_by_blur(axis: FocusAxis, aligned: tuple[int, ...]) -> Finding | None:
    """Return a finding if one focus at several apertures explains the frames better.

    A warning: subjects wholly beyond the frames come within five errors of it.
    """
    if not axis.one_focus:
        return None
    return Finding(
        "aperture series",
        "warning",
        f"These {len(aligned)} frames seem to be an aperture series, no focus bracket: what is in "
        "focus in one is so in all of them, while the blur of the rest changes.",
        "If so, compare them with 'depthweld apertures --f-numbers'.",
        frames=aligned,
    )


def _two_scenes(registration: Registration, shot_order: Sequence[int]) -> Finding:
    numbers = sorted(shot_order[i] + 1 for i in registration.other_scene)
    which = f"{len(numbers)} frames, {numbers[0]} to {numbers[-1]},"
    return Finding(
        "two scenes",
        "problem",
        f"More than one bracket: {which} show another scene than the reference frame.",
        f"Give one bracket ('depthweld sort' puts each into a folder of its own), {_ANYWAY}.",
        frames=registration.other_scene,
    )


def _refocused(settings: Sequence[CaptureSettings]) -> bool:
    distances = [s.focus_distance_m for s in settings if s.focus_distance_m]
    return len(distances) > 1 and max(distances) > _DISTANCE_FACTOR * min(distances)


def _exposed_on_purpose(settings: Sequence[CaptureSettings], registration: Registration) -> bool:
    """Tell whether exposures were set one step apart each, at one recorded focus."""
    set_ev = []
    for s in settings:
        if not (s.exposure_time_s and s.f_number and s.iso):
            return False
        set_ev.append(math.log2(s.exposure_time_s * s.iso / s.f_number**2))
    steps = np.diff(np.sort(set_ev))
    if len(steps) < 2 or steps.min() < _SET_STEP_EV or np.ptp(steps) > _SET_STEP_EV:
        return False
    seen_ev = np.log2([registration.frames[i].gain for i in registration.aligned])
    follows = np.ptp(seen_ev - np.array(set_ev)) < _SET_STEP_EV
    return bool(follows) and not _refocused(settings)


def _spread_ev(registration: Registration) -> float:
    gains = [registration.frames[i].gain for i in registration.aligned]
    return math.log2(max(gains) / min(gains))


def _exposures(registration: Registration) -> Finding:
    spread_ev = _spread_ev(registration)
    return Finding(
        "exposure bracket",
        "problem",
        f"These {len(registration.aligned)} frames are an exposure bracket: {spread_ev:.1f} EV "
        "apart at one focus, no focus bracket.",
        f"Merge one exposure of each focus ('depthweld sort' tells frames apart), {_ANYWAY}.",
        value=spread_ev,
        threshold=2 * _SET_STEP_EV,
        unit="EV",
        frames=registration.aligned,
    )


def _one_focus(registration: Registration, axis: FocusAxis) -> Finding | None:
    """Return a finding if all frames have one focus."""
    span = float(np.ptp(axis.positions_px))
    aligned = registration.aligned
    # Clipping takes some detail where exposures differ, of which a bracket has three.
    if span < 2 * UNSEEN_PX and _spread_ev(registration) >= 2 * _SET_STEP_EV:
        return _exposures(registration)
    # One change tells no step beyond doubt: two planes 2.5 px apart read 0.7.
    few = len(aligned) < FEWEST and span > 0
    if span >= UNSEEN_PX or few or len(aligned) < len(registration.frames):
        return None
    return Finding(
        "one focus",
        "problem",
        f"All {len(aligned)} frames have one focus, to {span:.1f} px of blur: a burst or an "
        "aperture series, no focus bracket.",
        "Take one of them, or those with another focus, too ('depthweld sort' tells frames apart), "
        + _ANYWAY
        + ", which gives less noise.",
        value=span,
        threshold=UNSEEN_PX,
        unit="px",
        frames=aligned,
    )


def _second_pass(places: np.ndarray) -> int | None:
    """Return where positions in shooting order begin anew, if they go the same way twice."""
    for split in range(FEWEST, len(places) - FEWEST + 1):
        one, two = places[:split], places[split:]
        step = float(np.median(np.abs(np.diff(one))))
        if step < UNSEEN_PX:
            continue
        steady = all(
            (np.diff(part) > -EVEN * step).all() or (np.diff(part) < EVEN * step).all()
            for part in (one, two)
        )
        apart = np.abs(two[:, None] - one[None, :])
        partnered = [(apart.min(axis=k) < EVEN * step).mean() for k in (0, 1)]
        if steady and min(partnered) >= _PARTNERED:
            return split
    return None
