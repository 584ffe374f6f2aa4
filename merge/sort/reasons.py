"""Why shots form a group, in words, and how sure that is."""

from __future__ import annotations

import math

import numpy as np

from merge.sort.certainty import certainty_of
from merge.sort.costs import Evidence
from merge.sort.groups import Shot
from merge.sort.partition import Part

# Way of the sharp place over the picture that is worth telling.
_TRAVEL = 0.08


def explain_group(
    part: Part, span: range, margin: float, evidence: Evidence
) -> tuple[str, float, tuple[str, ...]]:
    """Return the sentence, the certainty (0 to 1) and notes of a group."""
    shots = [evidence.shots[i] for i in span]
    certainty = certainty_of(margin)
    if part.kind == "one focus":
        count = part.stop - part.start
        return f"one of {count} shots with one focus and one setting (a burst)", certainty, ()
    if part.kind == "single":
        return "no neighbour shows the same scene with one setting moved", certainty, ()
    links = [evidence.links[i] for i in span[:-1]]
    parts = [f"{len(shots)} shots"]
    timed = [link.gap_s for link in links if link.gap_s is not None]
    if len(timed) == len(links):
        parts[0] += f" with at most {_seconds(max(timed))} between them"
    if part.kind == "focus bracket":
        parts += [common_settings(shots), _focus(span, shots, evidence)]
    elif part.kind == "aperture series":
        parts.append(f"{_apertures(shots)}, focus stays")
    else:
        parts.append(_exposures(shots))
    parts.append(f"same scene (likeness {min(link.alike for link in links):.2f})")
    notes = tuple(
        f"a pause of {_seconds(link.gap_s or 0.0)} before shot {i + 1}"
        for i, link in enumerate(links, 1)
        if evidence.pauses[span.start + i] >= 1
    )
    return ", ".join(p for p in parts if p), certainty, notes


def _focus(span: range, shots: list[Shot], evidence: Evidence) -> str:
    recorded = [s.settings.focus_distance_m for s in shots]
    known = [d for d in recorded if d]
    if len(set(known)) > 1:
        first, last = known[0], known[-1]
        way = "near to far" if last > first else "far to near"
        return f"focus goes from {way} ({first:.3g} → {last:.3g} m recorded)"
    rail = ""
    if len(known) == len(shots) and len(shots) > 2:
        rail = f" while the recorded distance stays {known[0]:.3g} m: the camera moved (a rail)"
    start, end = (evidence.movement.centres[i] for i in (span[0], span[-1]))
    rows, columns = np.subtract(end, start)
    if max(abs(rows), abs(columns)) < _TRAVEL:
        return f"focus moves (pictures){rail}"
    if abs(rows) >= abs(columns):
        way = "up" if rows < 0 else "down"
    else:
        way = "to the left" if columns < 0 else "to the right"
    return f"the sharp place moves {way} in the picture{rail}"


def _apertures(shots: list[Shot]) -> str:
    numbers = [s.settings.f_number or math.nan for s in shots]
    if all(math.isnan(n) for n in numbers):
        return "the shutter makes up for f-numbers that the files do not tell"
    return f"f-number changes {_f(numbers[0])} → {_f(numbers[-1])}"


def _exposures(shots: list[Shot]) -> str:
    times = [s.settings.exposure_time_s for s in shots]
    known = [t for t in times if t]
    if len(known) < len(times):
        return "brightness changes, focus stays"
    return f"shutter changes {_shutter(min(known))} to {_shutter(max(known))}, f-number stays"


def common_settings(shots: list[Shot]) -> str:
    """Return what all shots were set to, and what was not the same."""
    known = [s.settings for s in shots]
    numbers = sorted({s.f_number for s in known if s.f_number})
    times = sorted({s.exposure_time_s for s in known if s.exposure_time_s})
    told = [[_f(n) for n in numbers], [_shutter(t) for t in times]]
    same = [words[0] for words in told if len(set(words)) == 1]
    other = [f"{words[0]} to {words[-1]}" for words in told if len(set(words)) > 1]
    parts = [f"all at {', '.join(same)}"] if same else []
    return ", ".join(parts + other) or "settings not recorded"


def _f(number: float) -> str:
    return "f/?" if math.isnan(number) else f"f/{number:.3g}"


def _shutter(seconds: float) -> str:
    return f"{seconds:.3g} s" if seconds >= 0.3 else f"1/{1 / seconds:.0f} s"


def _seconds(value: float) -> str:
    return f"{value:.1f} s" if value < 60 else f"{value / 60:.1f} min"
