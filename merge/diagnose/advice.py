"""Where to focus for frames that a bracket lacks, in what a photographer can set."""

from __future__ import annotations

import math
from collections.abc import Sequence

from merge.diagnose.wording import MOST_NAMES, two_digits
from merge.optics import focus_between_m, frames_to_cover

_NAMED_PARTS = {2: "third", 3: "quarter", 4: "fifth"}

Pair = tuple[float | None, float | None]


def add_between(
    names: tuple[str, str],
    distances_m: Pair,
    extra: int,
    step_mm: float | None,
    focal_length_mm: float | None,
) -> str:
    """Tell where so many more frames belong between two: in metres, else as parts of the step.

    ``step_mm`` is the step at the subject: what a rail's carriage goes.
    """
    first, second = names
    parts = [(k + 1) / (extra + 1) for k in range(extra)]
    where = f"{_parts_of_step(extra)} of the way from {first} to {second}"
    if extra == 1:
        where = f"midway between {first} and {second}"
    told = _places(parts, distances_m, focal_length_mm)
    if told is not None:
        where = f"focused at {told}"
    elif step_mm is not None:
        where += f" (on a rail {_lengths(parts, step_mm)} on from {first})"
    return f"Take {_frames(extra)} more, {where}."


def add_beyond(
    names: tuple[str, str],
    distances_m: Pair,
    sizes_px: tuple[float, float, float],
    mm_per_px: float | None,
    focal_length_mm: float | None,
) -> str:
    """Tell where frames belong that go on beyond an end.

    Parameters
    ----------
    names, distances_m : tuple of two
        Of the frame beside the end and of the end frame.
    sizes_px : tuple of float
        Step between the two, how far to go on, and the tolerance.
    mm_per_px : float or None
        How far a rail goes for one px of blur.
    focal_length_mm : float or None
    """
    step_px, reach_px, tolerance_px = sizes_px
    count = frames_to_cover(reach_px, tolerance_px)
    on_px = [reach_px * (k + 1) / count for k in range(count)]
    advice = f"Add {_frames(count)} beyond {names[1]}"
    if step_px <= 0:
        return f"{advice}."
    parts = [px / step_px for px in on_px]
    told = _places([1 + part for part in parts], distances_m, focal_length_mm)
    if told is not None:
        return f"{advice}, focused at {told}."
    steps = _listed([two_digits(part) for part in parts])
    advice += f", {steps} times the step from {names[0]} to {names[1]} farther on"
    if mm_per_px is not None:
        advice += f" (on a rail {_lengths(on_px, mm_per_px)} on from {names[1]})"
    return f"{advice}."


def _parts_of_step(extra: int) -> str:
    """Write k / (extra + 1) for k = 1 to extra, in words a photographer can set."""
    name = _NAMED_PARTS.get(extra, "")
    if not name:
        return f"1/{extra + 1}, 2/{extra + 1} and so on to {extra}/{extra + 1}"
    words = [f"a {name}", f"two {name}s", f"three {name}s", f"four {name}s"][:extra]
    if extra == 3:
        words[1] = "half"
    return _listed(words)


def _places(
    shares: Sequence[float], distances_m: Pair, focal_length_mm: float | None
) -> str | None:
    """Write where to focus, by the distances of two frames; None where these do not tell.

    With as many digits as it takes for all to differ, 3 to 6.
    """
    first_m, second_m = distances_m
    if not first_m or not second_m or first_m == second_m:
        return None
    found = [focus_between_m(share, first_m, second_m, focal_length_mm) for share in shares]
    if sum(math.isinf(m) for m in found) > 1:  # nothing lies beyond infinity
        found = [m for m in found if math.isfinite(m)] + [math.inf]
    every = {first_m, second_m, *found}
    digits = next((d for d in (3, 4, 5) if len({f"{m:#.{d}g}" for m in every}) == len(every)), 6)
    return _listed(
        ["infinity" if math.isinf(m) else f"{m:#.{digits}g}".rstrip(".") + " m" for m in found]
    )


def _lengths(parts: Sequence[float], unit_mm: float) -> str:
    """Write ways of a rail; below 0.1 mm in µm, as rails are set."""
    fine = max(parts) * unit_mm < 0.1
    unit, factor = ("µm", 1000 * unit_mm) if fine else ("mm", unit_mm)
    return _listed([f"{part * factor:.3g} {unit}" for part in parts])


def _listed(words: Sequence[str]) -> str:
    if len(words) > MOST_NAMES:
        return f"{words[0]}, {words[1]} and so on to {words[-1]}"
    return ", ".join(words[:-1]) + (" and " if len(words) > 1 else "") + words[-1]


def _frames(count: int) -> str:
    return "one frame" if count == 1 else f"{count} frames"
