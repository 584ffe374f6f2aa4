"""Why shots form a group, in words, and how sure that is."""

from __future__ import annotations

import math

from merge.model import CaptureSettings
from merge.sort.focus_runs import FocusRun
from merge.sort.groups import GroupKind, Shot
from merge.sort.likeness import Likeness, sharp_centre

# Way of the sharp place over the picture that is worth telling.
_TRAVEL = 0.08
_DOUBT_WITHOUT_SETTINGS = 0.25


def give_reason(
    kind: GroupKind,
    shots: list[Shot],
    seen: list[Likeness],
    *,
    gaps: list[float | None],
    alike: float,
    run: FocusRun | None,
    pauses: list[int],
) -> tuple[str, float, tuple[str, ...]]:
    """Return the sentence, the certainty (0 to 1) and notes of a group.

    Certainty joins independent hints as the chance that not all of them mislead:
    1 - product of (1 - hint). The size of each hint is a judgement, checked by the order in
    which simulated cards' groups turn out wrong.
    """
    if kind == "single":
        return _single(shots[0], seen[0])
    parts = [f"{len(shots)} shots"]
    hints = [0.5 if alike > 0.9 else 0.3]
    timed = [g for g in gaps if g is not None]
    if len(timed) == len(gaps):
        parts[0] += f" with at most {_seconds(max(timed))} between them"
        hints.append(0.6 if max(timed) < 10 else 0.3)
    if kind == "focus bracket":
        assert run is not None
        parts.append(_same_settings(shots[0].settings))
        sentence, more = _focus(shots, seen, run)
        parts.append(sentence)
        hints += more
    elif kind == "aperture series":
        numbers = [s.settings.f_number or math.nan for s in shots]
        parts.append(f"f-number changes {_f(numbers[0])} → {_f(numbers[-1])}, focus stays")
        hints.append(0.6 if len(shots) > 2 else 0.3)
    else:
        parts.append(_exposures(shots))
        hints.append(0.6 if len(shots) > 2 else 0.2)
    parts.append(f"same scene (likeness {alike:.2f})")
    doubt = math.prod(1 - h for h in hints)
    if shots[0].settings.f_number is None:
        # Stopping down changes sharpness too; only the settings tell it from focus.
        doubt = max(doubt, _DOUBT_WITHOUT_SETTINGS)
    notes = tuple(f"a pause of {_seconds(gaps[p - 1] or 0.0)} before shot {p + 1}" for p in pauses)
    return ", ".join(p for p in parts if p), round(1 - doubt, 2), notes


def _single(shot: Shot, seen: Likeness) -> tuple[str, float, tuple[str, ...]]:
    certainty = 0.9 if shot.settings.captured_at is not None else 0.7
    if seen.light <= 0:
        return "no preview to compare, so it stays alone", 0.3, ()
    return "no neighbour shows the same scene with one setting moved", certainty, ()


def _focus(shots: list[Shot], seen: list[Likeness], run: FocusRun) -> tuple[str, list[float]]:
    hints = [min(0.8, 0.25 * run.strength)] if run.strength > 1 else []
    if run.recorded:
        first, last = (s.settings.focus_distance_m or math.nan for s in (shots[0], shots[-1]))
        way = "near to far" if last > first else "far to near"
        return f"focus goes from {way} ({first:.3g} → {last:.3g} m recorded)", [*hints, 0.8]
    start, end = sharp_centre(seen[0], seen), sharp_centre(seen[-1], seen)
    rows, columns = end[0] - start[0], end[1] - start[1]
    if max(abs(rows), abs(columns)) < _TRAVEL:
        return "focus moves (pictures)", hints
    if abs(rows) >= abs(columns):
        way = "up" if rows < 0 else "down"
    else:
        way = "to the left" if columns < 0 else "to the right"
    return f"the sharp place moves {way} in the picture", hints


def _exposures(shots: list[Shot]) -> str:
    times = [s.settings.exposure_time_s for s in shots]
    known = [t for t in times if t]
    if len(known) < len(times):
        return "brightness changes, focus stays"
    return f"shutter changes {_shutter(min(known))} to {_shutter(max(known))}, f-number stays"


def _same_settings(settings: CaptureSettings) -> str:
    words = []
    if settings.f_number:
        words.append(_f(settings.f_number))
    if settings.exposure_time_s:
        words.append(_shutter(settings.exposure_time_s))
    return "all at " + ", ".join(words) if words else "settings not recorded"


def _f(number: float) -> str:
    return "f/?" if math.isnan(number) else f"f/{number:.3g}"


def _shutter(seconds: float) -> str:
    return f"{seconds:.3g} s" if seconds >= 0.3 else f"1/{1 / seconds:.0f} s"


def _seconds(value: float) -> str:
    return f"{value:.1f} s" if value < 60 else f"{value / 60:.1f} min"
