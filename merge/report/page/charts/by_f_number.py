"""Contrast against f-number: of an aperture series, of a plan; and an edge's response."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from merge.apertures import ApertureReport, Region
from merge.plan import REFERENCE_CYCLES_PER_PX, ApertureOption, Plan, frames_text
from merge.report.apertures import diffraction_law
from merge.report.page.charts import svg
from merge.report.plan import FULL_STOPS

_HINT = "Point at {}, or step to it with the Tab key, for its numbers."
_TOP, _FOOT = 74.0, 264.0
# Contrast, in %, above which the law is cut off: it may lie far above frames without focus.
_HIGHEST = 125.0
_MEASURED = "stroke:var(--accent)"
_PREDICTED = "stroke:var(--muted);stroke-dasharray:7 5"
_OTHER = "stroke:var(--bad);stroke-dasharray:2 4;stroke-linecap:round"


def contrast_chart(report: ApertureReport) -> str:
    """Return the whole picture's contrast over f-number with diffraction's law, inline SVG."""
    x, y = _axes([f.f_number for f in report.frames], _TOP, _FOOT)
    law = diffraction_law(report)
    if law:
        highest = max(100 * v for _, v in law)
        y = svg.Scale(0, min(max(y.high, highest + 6), _HIGHEST), _FOOT, _TOP)
    best = x(math.log2(report.frames[report.best].f_number))
    parts = [
        svg.hint(_HINT.format("a frame")),
        *_frame_of_chart([f.f_number for f in report.frames], x, y, _FOOT),
        *svg.line_key(
            [("whole picture", _MEASURED), ("centre", _CENTRE), ("corners", _CORNERS)]
            + ([("diffraction alone", _PREDICTED)] if law else [])
        ),
        svg.line(best, _TOP, best, _FOOT, style=_GUIDE),
    ]
    if law:
        points = [(x(n), y(100 * v) if 100 * v <= y.high else math.nan) for n, v in law]
        parts.append(svg.curve(points, _FOOT + 40, style=_PREDICTED))
    good = [f for f in report.frames if not f.fault]
    for region in report.regions:
        if region.name in _PART_STYLES:
            kept = [
                (x(math.log2(f.f_number)), y(100 * c))
                for f, c in zip(report.frames, region.contrast, strict=True)
                if not f.fault
            ]
            parts.append(svg.curve(kept, _FOOT + 40, style=_PART_STYLES[region.name]))
    parts.append(
        svg.curve(
            [(x(math.log2(f.f_number)), y(100 * f.contrast)) for f in good],
            _FOOT + 40,
            style=_MEASURED,
        )
    )
    parts += [_measured_frame(report, i, x, y) for i in range(len(report.frames))]
    return svg.chart(
        name="contrast",
        title=f"Contrast of detail {1 / report.frequency:.0f} px wide at every f-number",
        description=_contrast_words(report),
        height=_FOOT + 40,
        parts=parts,
    )


_CENTRE = "stroke:var(--good);stroke-dasharray:10 3"
_CORNERS = "stroke:var(--bad);stroke-dasharray:3 3"
_PART_STYLES = {"centre": _CENTRE, "corners": _CORNERS}
_GUIDE = "stroke:var(--ink);stroke-width:1;stroke-dasharray:1 3"


def _axes(numbers: Sequence[float], top: float, foot: float) -> tuple[svg.Scale, svg.Scale]:
    """Return the scales of log2 of the f-number, and of contrast in %."""
    x = svg.Scale(math.log2(min(numbers)), math.log2(max(numbers)), 11.0, 95.0)
    return x, svg.Scale(0, 108, foot, top)


def _frame_of_chart(
    numbers: Sequence[float], x: svg.Scale, y: svg.Scale, foot: float, *, words: bool = True
) -> list[str]:
    parts = []
    for value in (0, 50, 100):
        parts.append(svg.line(0, y(value), 100, y(value), classes="grid"))
        if value:
            parts.append(svg.text(0, y(value) - 4, f"{value} %", classes="soft halo"))
    places = [x(math.log2(n)) for n in numbers]
    parts += svg.labels(places, [f"f/{n:.2g}" for n in numbers], foot + 18)
    if words:
        parts.append(svg.text(50, foot + 36, "f-number", anchor="middle", classes="soft"))
    return parts


def _measured_frame(report: ApertureReport, i: int, x: svg.Scale, y: svg.Scale) -> str:
    frame = report.frames[i]
    at, value = x(math.log2(frame.f_number)), 100 * frame.contrast
    spread = 200 * frame.error
    left, right = _between([f.f_number for f in report.frames], i, x)
    shapes = [svg.box(left, _TOP, right, _FOOT, classes="hit")]
    if spread > 0:
        low, high = y(max(value - spread, 0)), y(value + spread)
        shapes.append(svg.line(at, low, at, high, style="stroke:var(--accent);stroke-width:2"))
    if frame.fault:
        shapes.append(svg.dot(at, y(100 * frame.expected), 5, style=_HOLLOW))
        shapes.append(svg.diamond(at, y(value), 8, style="fill:var(--bad)"))
    else:
        radius = 7 if i == report.best else 4.5
        shapes.append(svg.dot(at, y(value), radius, style="fill:var(--accent)"))
    head = f"f/{frame.f_number:.2g}, {frame.name}: {value:.0f} %"
    rest = _frame_words(report, i)
    return svg.mark(
        "".join(shapes), label=f"{head} contrast; {rest}", frames=[i], say=(svg.cut(head), rest)
    )


_HOLLOW = "fill:var(--paper);stroke:var(--accent);stroke-width:2"


def _frame_words(report: ApertureReport, i: int) -> str:
    frame = report.frames[i]
    if frame.fault:
        return f"{frame.fault}; {100 * frame.expected:.0f} % expected"
    parts = ["the sharpest"] if i == report.best else []
    if not math.isnan(frame.diffraction):
        parts.append(f"diffraction alone leaves {100 * frame.diffraction:.0f} %")
    return ", ".join(parts) or f"± {200 * frame.error:.1f} %"


def _between(numbers: Sequence[float], i: int, x: svg.Scale) -> tuple[float, float]:
    """Return the borders midway to the neighbours."""
    places = [x(math.log2(n)) for n in numbers]
    left = (places[i - 1] + places[i]) / 2 if i else max(places[i] - 6, 0.0)
    right = (places[i] + places[i + 1]) / 2 if i + 1 < len(places) else min(places[i] + 5, 100.0)
    return left, right


def _contrast_words(report: ApertureReport) -> str:
    values = ", ".join(
        f"f/{f.f_number:.2g} {100 * f.contrast:.0f} %" + (f" ({f.fault})" if f.fault else "")
        for f in report.frames
    )
    sharpest = report.frames[report.best].f_number
    return (
        f"{values}. Sharpest as a whole: f/{sharpest:.2g}; in the plane of focus: "
        f"f/{report.in_focus_f_number:.2g}."
    )


def region_chart(report: ApertureReport, region: Region) -> str:
    """Return the contrast of one part of the picture over f-number, inline SVG."""
    top, foot = 26.0, 116.0
    numbers = [f.f_number for f in report.frames]
    x, y = _axes(numbers, top, foot)
    points = [(x(math.log2(n)), y(100 * c)) for n, c in zip(numbers, region.contrast, strict=True)]
    best = points[region.best]
    said = f"best f/{numbers[region.best]:.2g}"
    values = ", ".join(
        f"f/{n:.2g} {100 * c:.0f} %" for n, c in zip(numbers, region.contrast, strict=True)
    )
    return svg.chart(
        name="part-" + region.name.replace(" ", "-"),
        title=f"Contrast over f-number: {region.name}",
        description=f"{values}. Best: f/{numbers[region.best]:.2g}.",
        height=foot + 24,
        parts=[
            *_frame_of_chart(numbers, x, y, foot, words=False),
            svg.text(0, 12, region.name.capitalize(), classes="strong"),
            svg.text(100, 12, said, anchor="end", classes="soft"),
            svg.curve(
                [p for p, f in zip(points, report.frames, strict=True) if not f.fault],
                foot + 24,
                style=_MEASURED,
            ),
            *(
                svg.diamond(*p, 6, style="fill:var(--bad)")
                if f.fault
                else svg.dot(*p, 3, style="fill:var(--accent)")
                for p, f in zip(points, report.frames, strict=True)
            ),
            svg.dot(*best, 6.5, style="fill:none;stroke:var(--ink);stroke-width:2"),
        ],
    )


def edge_chart(report: ApertureReport) -> str:
    """Return the response at the slanted edge over frequency; empty where no edge was found."""
    found = [(i, report.frames[i], edge) for i, edge in enumerate(report.edges) if edge is not None]
    if not found:
        return ""
    x, y = svg.Scale(0, 0.5, 4.0, 97.0), svg.Scale(0, 1.1, _FOOT, _TOP)
    parts = [svg.hint(_HINT.format("an f-number"))]
    for value in (0.0, 0.5, 1.0):
        parts.append(svg.line(0, y(value), 100, y(value), classes="grid"))
        parts.append(svg.text(0, y(value) - 4, f"{value:g}", classes="soft halo"))
    ticks = [0.1, 0.2, 0.3, 0.4, 0.5]
    parts += svg.labels([x(t) for t in ticks], [f"{t:g}" for t in ticks], _FOOT + 18)
    parts.append(svg.text(50, _FOOT + 36, "cycles a pixel", anchor="middle", classes="soft"))
    for k, (i, frame, edge) in enumerate(found):
        kept = edge.frequency <= 0.5
        points = [
            (x(float(f)), y(float(np.clip(r, 0, 1.1))))
            for f, r in zip(edge.frequency[kept][::2], edge.response[kept][::2], strict=True)
        ]
        half = "beyond 0.5" if math.isnan(edge.mtf50) else f"{edge.mtf50:.3f}"
        head = f"f/{frame.f_number:.2g}: half contrast at {half} cycles a pixel"
        label = f"f/{frame.f_number:.2g}"
        # Names lie on their curves one after the other, so that they do not cover each other.
        at = points[min(len(points) - 1, round((0.12 + 0.7 * k / len(found)) * len(points)))]
        shapes = svg.curve(points, _FOOT + 40, classes="near") + svg.curve(points, _FOOT + 40)
        shapes += svg.text(at[0], at[1] + 4, label, anchor="middle", classes="halo strong")
        parts.append(svg.mark(shapes, label=f"{head}, {frame.name}", frames=[i], say=(head,)))
    return svg.chart(
        name="edge",
        title="Response at a slanted edge over frequency, for every f-number",
        description="; ".join(
            f"f/{f.f_number:.2g} falls to one half at {e.mtf50:.3f} cycles a pixel"
            for _, f, e in found
        ),
        height=_FOOT + 40,
        parts=parts,
    )


def plan_contrast_chart(plan: Plan) -> str:
    """Return what every f-number would give for a planned shoot, inline SVG."""
    options = plan.options
    numbers = [o.f_number for o in options]
    x, y = _axes(numbers, _TOP, _FOOT)
    shown = [n for n in numbers if n in FULL_STOPS]
    parts = [
        svg.hint(_HINT.format("an f-number")),
        *_frame_of_chart(shown, x, y, _FOOT),
        *svg.line_key([("in focus", _PREDICTED), ("bracket", _MEASURED), ("one frame", _OTHER)]),
    ]
    for name, style in (
        ("focus_contrast", _PREDICTED),
        ("single_worst_contrast", _OTHER),
        ("worst_contrast", _MEASURED),
    ):
        points = [(x(math.log2(o.f_number)), y(100 * getattr(o, name))) for o in options]
        parts.append(svg.curve(points, _FOOT + 40, style=style))
    parts += [_option_mark(plan, i, x, y) for i in range(len(options))]
    chosen = plan.chosen
    words = f"plan: {frames_text(chosen.frames)} at f/{chosen.f_number:g}"
    at = (x(math.log2(chosen.f_number)), y(100 * chosen.worst_contrast))
    parts.append(svg.text(at[0], at[1] + 26, words, anchor="middle", classes="strong halo"))
    return svg.chart(
        name="stops-chart",
        title=f"Contrast of detail {1 / REFERENCE_CYCLES_PER_PX:.0f} px wide at every f-number",
        description=(
            f"The {words}, keeps {100 * chosen.worst_contrast:.0f} % at the worst place, "
            f"{100 * chosen.focus_contrast:.0f} % in focus; one frame alone at best "
            f"{100 * plan.one_frame.single_worst_contrast:.0f} % at "
            f"f/{plan.one_frame.f_number:g}."
        ),
        height=_FOOT + 40,
        parts=parts,
    )


def _option_mark(plan: Plan, i: int, x: svg.Scale, y: svg.Scale) -> str:
    options = plan.options
    option = options[i]
    left, right = _between([o.f_number for o in options], i, x)
    at = x(math.log2(option.f_number))
    shapes = [svg.box(left, _TOP, right, _FOOT, classes="hit")]
    if option.f_number == plan.chosen.f_number:
        shapes.append(svg.dot(at, y(100 * option.worst_contrast), 7, style="fill:var(--accent)"))
    head, rest = _option_words(option)
    return svg.mark("".join(shapes), label=f"{head}; {rest}", say=(head, rest))


def _option_words(option: ApertureOption) -> tuple[str, str]:
    return (
        f"f/{option.f_number:g}: {frames_text(option.frames)}, "
        f"{100 * option.worst_contrast:.0f} % at worst",
        f"{100 * option.focus_contrast:.0f} % in focus; one frame alone "
        f"{100 * option.single_worst_contrast:.0f} % at worst",
    )
