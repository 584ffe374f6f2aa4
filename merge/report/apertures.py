"""An aperture series as text for one screen and as JSON."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from merge.apertures import ApertureReport, EdgeResponse, Region
from merge.pipeline.apertures import ApertureSeries
from merge.report.numbers import change_text, f_text, json_values

VERSION = 2
_WHOLE = "whole picture"
# Parts with a column of their own beside the whole picture.
_COLUMNS = ("centre", "corners")
# Logarithm to the base of 2 of f-numbers that are marked alike: a sixth of a stop.
_MARKED_ALIKE = 1 / 12
# A frame whose diffraction leaves less than this tells little of the height of the law.
_LEAST_DIFFRACTION = 0.2


def apertures_text(series: ApertureSeries) -> str:
    """Return the answers as text for one screen."""
    report = series.report
    lines = [
        *answer_lines(report),
        "",
        f"Contrast of detail {1 / report.frequency:.0f} px wide, each column's sharpest = 100 %:",
        *_table(report),
        "",
        limit_sentence(report),
        *_cost_lines(report),
        *_edge_lines(report),
        *_given_lines(series),
    ]
    return "\n".join(lines)


def answer_lines(report: ApertureReport) -> list[str]:
    """Return which f-number to set for what, one line each."""
    best = report.frames[report.best]
    if not report.enough:
        return [
            f"{f_text(best.f_number)} ({best.name}{_also(report)}) is the sharpest of "
            f"{_numbers(report)}.",
            "Two f-numbers do not show where the best one lies: take at least three, one to "
            "each side of it.",
        ]
    places = [r for r in report.regions if r.name != _WHOLE]
    numbers = {report.frames[r.best].f_number for r in places} | {best.f_number}
    if numbers == {report.in_focus_f_number}:
        return [
            f"Set {f_text(best.f_number)} ({best.name}{_also(report)}): the picture as a whole, "
            f"the plane of focus and every part of it agree{_open_end(report)}."
        ]
    lines = [
        f"Set {f_text(best.f_number)} for the picture as a whole ({best.name}{_also(report)});"
    ]
    if report.in_focus_f_number != best.f_number:
        lines.append(
            f"    {f_text(report.in_focus_f_number)} for what lies in the plane of focus: a flat "
            f"subject, the frames of a focus bracket{_open_end(report)};"
        )
    else:
        lines[0] = lines[0].replace("as a whole", "as a whole and for the plane of focus")
    lines.append(f"    by place: {place_text(report)}.")
    return lines


def _numbers(report: ApertureReport) -> str:
    return " and ".join(f_text(n) for n in sorted({f.f_number for f in report.frames}))


def _also(report: ApertureReport) -> str:
    """Return frames as sharp as the best, as far as the measurement can tell."""
    best = report.frames[report.best].f_number
    numbers = {report.frames[i].f_number for i in report.alike} - {best}
    if not numbers:
        return ""
    others = [f_text(number) for number in sorted(numbers)]
    return f"; {', '.join(others)} {'is' if len(others) == 1 else 'are'} as sharp on the whole"


def _open_end(report: ApertureReport) -> str:
    """Return a warning where the best may lie beyond the series."""
    if not report.best_at_end:
        return ""
    way = "wider" if report.best_at_end == "widest" else "narrower"
    return f" (the {report.best_at_end} of the series: it may lie {way} still)"


def place_text(report: ApertureReport) -> str:
    """Return the best f-number of each part of the picture."""
    return ", ".join(
        f"{r.name} {f_text(report.frames[r.best].f_number)}"
        for r in report.regions
        if r.name != _WHOLE
    )


PARTS = "Foreground and background are the lower and the upper third of the picture."


def part_contrasts(report: ApertureReport) -> list[tuple[str, Sequence[float]]]:
    """Return what is shown over f-number: plane of focus, centre, corners; over the sharpest."""
    shown = [(r.name, r.contrast) for r in report.regions if r.name in _COLUMNS]
    return [("plane of focus", report.in_focus), *shown]


def diffraction_law(report: ApertureReport) -> list[tuple[float, float]]:
    """Return diffraction's contrast over log2 of the f-number; empty where it is not known.

    As high as the plane of focus lies above it in no frame.
    """
    known = [
        contrast / f.diffraction
        for f, contrast in zip(report.frames, report.in_focus, strict=True)
        if not f.fault and f.diffraction > _LEAST_DIFFRACTION
    ]
    if not known:
        return []
    numbers = np.log2([f.f_number for f in report.frames])
    loss = [max(f.diffraction, 1e-3) for f in report.frames]
    fine = np.linspace(numbers[0], numbers[-1], 40)
    # The law is smooth in the logarithm: a cubic through the frames follows it closely.
    curve = np.polyval(np.polyfit(numbers, loss, min(3, len(loss) - 1)), fine)
    return [(float(n), max(known) * max(float(v), 0.0)) for n, v in zip(fine, curve, strict=True)]


def _table(report: ApertureReport) -> list[str]:
    columns = part_contrasts(report)
    names = max(len(f.name) for f in report.frames)
    head = "".join(f"{name.removeprefix('plane of '):>9}" for name, _ in columns)
    lines = [f"  {'':<6} {'':<{names}}    whole       {head}"]
    for i, frame in enumerate(report.frames):
        error = f"± {max(0.1, 100 * frame.error):.1f}" if frame.error > 0 else ""
        start = f"  {f_text(frame.f_number):<6} {frame.name:<{names}} {100 * frame.contrast:5.0f} %"
        values = "".join(f"{100 * c[i]:7.0f} %" for _, c in columns)
        mark = "< sharpest" if i == report.best else ""
        if frame.fault:
            mark = f"! {frame.fault}; {100 * frame.expected:.0f} % expected"
        lines.append(f"{start} {error:<6}{values}  {mark}".rstrip())
    return lines


def _cost_lines(report: ApertureReport) -> list[str]:
    lines = ["What each step does to the whole picture's contrast (diffraction; all else):"]
    for cost in report.costs:
        span = f"{f_text(cost.from_f_number)} → {f_text(cost.to_f_number)}"
        split = ""
        if not math.isnan(cost.diffraction):
            split = f"(diffraction {change_text(cost.diffraction)}; else {change_text(cost.rest)})"
        lines.append(f"  {span:<14} {change_text(cost.change):>9} {split}".rstrip())
    if math.isnan(report.frames[0].diffraction):
        lines.append("  Diffraction's part needs the pixel pitch: give --pixel-pitch.")
    return lines


def limit_sentence(report: ApertureReport) -> str:
    """Return what limits the picture, and what to do."""
    best = f_text(report.in_focus_f_number)
    if report.limit == "not told":
        return "What limits the picture is not told by two f-numbers."
    if report.limit == "depth":
        return f"Depth limits: {_ends(report)}.{_bracket_sentence(report)}"
    if report.limit == "places":
        return (
            f"The lens limits: {_ends(report)}; all of the picture lies within "
            f"{report.tolerance_px:g} px of blur at {best}, so what differs is soft corners or a "
            "curved field, not depth."
        )
    if report.limit == "diffraction":
        return (
            f"Diffraction limits: every part is sharpest near {best}; closing further only costs "
            "contrast."
        )
    return "The series ends before anything limits it: contrast still rises at its narrowest."


def _ends(report: ApertureReport) -> str:
    """Return the parts that want the narrowest and the widest f-number."""
    places = [r for r in report.regions if r.name != _WHOLE] or list(report.regions)
    far = max(places, key=lambda r: (report.frames[r.best].f_number, r.blur_px))
    near = min(places, key=lambda r: report.frames[r.best].f_number)
    if far.best == near.best:
        wide = f_text(report.in_focus_f_number)
        return f"the parts are sharpest at {_at(report, far)}, the plane of focus at {wide}"
    return (
        f"{far.name} is sharpest at {_at(report, far)}, {near.name} at {_at(report, near)}: no one "
        "f-number suits both"
    )


def _bracket_sentence(report: ApertureReport) -> str:
    if report.frames_needed < 2:
        return ""
    return (
        f" A focus bracket of about {report.frames_needed} frames at "
        f"{f_text(report.in_focus_f_number)} would hold every part within "
        f"{report.tolerance_px:g} px of blur."
    )


def _at(report: ApertureReport, region: Region) -> str:
    return f_text(report.frames[region.best].f_number)


def _edge_lines(report: ApertureReport) -> list[str]:
    found = [(f, e) for f, e in zip(report.frames, report.edges, strict=False) if e is not None]
    if not found:
        return []
    row, column = found[0][1].box[:2]
    parts = ", ".join(f"{f_text(f.f_number)} {e.mtf50:.3f}" for f, e in found)
    return [
        f"Slanted edge at row {row}, column {column} (in the manner of ISO 12233): "
        f"MTF50 in cycles/px {parts}."
    ]


def _given_lines(series: ApertureSeries) -> list[str]:
    """Return a line where f-numbers that were given are others than the files record."""
    differing = [
        f"{source.name} {f_text(source.settings.f_number)}, given {f_text(frame.f_number)}"
        for source, frame in zip(series.sources, series.report.frames, strict=True)
        if source.settings.f_number is not None
        and abs(math.log2(frame.f_number / source.settings.f_number)) > _MARKED_ALIKE
    ]
    more = f" and {len(differing) - 3} more" if len(differing) > 3 else ""
    told = f"The files record other f-numbers: {'; '.join(differing[:3])}{more}."
    return [told, "  Those given count; check their order."] if differing else []


def apertures_record(series: ApertureSeries) -> dict[str, Any]:
    """Return what JSON carries; unknown numbers are null."""
    report = series.report
    told = report.enough
    record: dict[str, Any] = json_values(
        {
            "format": "depthweld aperture series",
            "version": VERSION,
            "reference_frequency_cycles_per_px": report.frequency,
            "frames": [
                vars(frame) | {"file": str(source.path), "in_focus": report.in_focus[i]}
                for i, (frame, source) in enumerate(zip(report.frames, series.sources, strict=True))
            ],
            "set": {
                "picture": report.frames[report.best].f_number,
                "plane_of_focus": report.in_focus_f_number if told else None,
                "places": {r.name: report.frames[r.best].f_number for r in report.regions},
            },
            "enough_f_numbers": told,
            "best": report.frames[report.best].name,
            "ranking": [report.frames[i].name for i in report.ranking],
            "alike": [report.frames[i].name for i in report.alike],
            "best_f_number": report.best_f_number if told else None,
            "best_at_end": report.best_at_end or None,
            "costs": [vars(cost) for cost in report.costs],
            "regions": [vars(r) | {"best": report.frames[r.best].name} for r in report.regions],
            "limit": report.limit,
            "frames_needed": report.frames_needed or None,
            "tolerance_px": report.tolerance_px,
            "answer": " ".join(line.strip() for line in answer_lines(report)),
            "summary": limit_sentence(report),
            "winner_map_f_number": report.winners.tolist(),
            "edges": [None if e is None else _edge_record(e) for e in report.edges],
        }
    )
    return record


def _edge_record(edge: EdgeResponse) -> dict[str, Any]:
    kept = edge.frequency <= 0.5
    return vars(edge) | {
        "frequency": edge.frequency[kept][::8].round(4).tolist(),
        "response": edge.response[kept][::8].round(4).tolist(),
    }
