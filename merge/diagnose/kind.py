"""Is it one focus bracket at all? What else a folder of frames may hold.

Everything here must be beyond doubt: a focus bracket that is refused is worse than nonsense that is
merged.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from merge.model import CaptureSettings, Finding, FocusAxis, Registration

# Stops that the f-numbers of an aperture series span. Close-up lenses report effective f-numbers
# that rise with the focus distance, from infinity to life size by 1 + m, so by two stops at most
# (thin lens), and most by 1.3 to 1.7 (common practice, no source).
_STOPS = 2.1
_FEWEST_APERTURES = 3
# Recorded distances that differ by more than this factor are no single focus.
_DISTANCE_FACTOR = 1.1
# Frames whose focus differs by less than this in all, px of blur, show one focus: nobody sees it.
_ONE_FOCUS_PX = 0.75
# The same where exposures differ, of which clipping takes some detail, and their spread in EV.
_EXPOSED_FOCUS_PX, _EXPOSED_EV = 1.5, 1.0
# A bracket twice: frames of each, share of its own usual step within which the second pass stands
# where the first one did, and the share of frames that do.
_FEWEST_TWICE, _SAME_PLACE, _MOST = 3, 0.25, 0.8
_ANYWAY = "or merge them all the same with --anyway"


def find_aperture_series(settings: Sequence[CaptureSettings]) -> Finding | None:
    """Return a finding if frames in shooting order are an aperture series, by what files tell."""
    numbers = [s.f_number for s in settings]
    known = [n for n in numbers if n is not None and n > 0]
    if len(known) < len(numbers) or len(known) < _FEWEST_APERTURES:
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
    registration: Registration, axis: FocusAxis | None, shot_order: Sequence[int]
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
    """
    if registration.other_scene:
        return _two_scenes(registration, shot_order)
    if axis is None:
        return None
    aligned = registration.aligned
    found = _one_focus(registration, axis)
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


def _one_focus(registration: Registration, axis: FocusAxis) -> Finding | None:
    """Return a finding if all frames have one focus."""
    span = float(np.ptp(axis.positions_px))
    aligned = registration.aligned
    gains = [registration.frames[i].gain for i in aligned]
    spread_ev = math.log2(max(gains) / min(gains))
    if span < _EXPOSED_FOCUS_PX and spread_ev >= _EXPOSED_EV:
        return Finding(
            "exposure bracket",
            "problem",
            f"These {len(aligned)} frames are an exposure bracket: {spread_ev:.1f} EV apart at one "
            "focus, no focus bracket.",
            "Merge one exposure of each focus ('depthweld sort' tells frames apart), " + _ANYWAY
            + ".",
            value=spread_ev,
            threshold=_EXPOSED_EV,
            unit="EV",
            frames=aligned,
        )  # fmt: skip
    if span >= _ONE_FOCUS_PX or len(aligned) < len(registration.frames):
        return None
    return Finding(
        "one focus",
        "warning",
        f"All {len(aligned)} frames have one focus, to {span:.1f} px of blur: nothing is gained "
        "by merging them but less noise.",
        "Take one of them; for a focus bracket turn the focus between frames.",
        value=span,
        threshold=_ONE_FOCUS_PX,
        unit="px",
        frames=aligned,
    )


def _second_pass(places: np.ndarray) -> int | None:
    """Return where positions in shooting order begin anew, if they go the same way twice."""
    for split in range(_FEWEST_TWICE, len(places) - _FEWEST_TWICE + 1):
        one, two = places[:split], places[split:]
        step = float(np.median(np.abs(np.diff(one))))
        if step < _ONE_FOCUS_PX:
            continue
        steady = all(
            (np.diff(part) > -_SAME_PLACE * step).all()
            or (np.diff(part) < _SAME_PLACE * step).all()
            for part in (one, two)
        )
        apart = np.abs(two[:, None] - one[None, :])
        alike = [(apart.min(axis=k) < _SAME_PLACE * step).mean() for k in (0, 1)]
        if steady and min(alike) >= _MOST:
            return split
    return None
