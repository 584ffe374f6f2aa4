"""A planned bracket to scale: focus and reach of each frame, blur over the depth."""

from __future__ import annotations

import math

from merge.plan import Plan
from merge.plan.profile import blur_profile
from merge.report.page.charts import svg
from merge.report.plan import distance_ticks, focus_texts, reach_texts

_BLUR_TOP, _BLUR_FOOT = 58.0, 158.0
_REACH_TOP, _REACH_STEP, _REACH_TALL = 168.0, 15.0, 10.0
_REACH_FOOT = _REACH_TOP + _REACH_STEP + _REACH_TALL
_NUMBERS, _AXIS, _AXIS_LABEL, _TITLE, _HEIGHT = 214.0, 224.0, 242.0, 262.0, 270.0
# Blur above this many tolerances is cut off: it is out of focus, whatever the number.
_MOST_TOLERANCES = 2.5
_SAMPLES = 240


def focus_chart(plan: Plan) -> str:
    """Return a plan's focus positions and blur over the depth as inline SVG.

    Parameters
    ----------
    plan : Plan
        By focus distances the scale is even in 1/distance, as focus is at the sensor, from near
        to far; on a rail it is even in mm.
    """
    x = _scale(plan)
    tolerance = plan.request.tolerance_px
    top = _MOST_TOLERANCES * tolerance
    y = svg.Scale(0, top, _BLUR_FOOT, _BLUR_TOP)
    unit = "mm behind the near end" if plan.mode == "rail" else "m from the sensor mark"
    marks = [_frame_mark(plan, i, x) for i in range(len(plan.positions))]
    places = [x(_place(plan, p.focus_mm)) for p in plan.positions]
    return svg.chart(
        name="focus-chart",
        title="Where each frame is focused, and how sharp every distance becomes",
        description=_words(plan),
        height=_HEIGHT,
        parts=[
            svg.hint("Point at a frame, or step to it with the Tab key, for its distances."),
            *_key(plan),
            svg.line(0, _BLUR_FOOT, 100, _BLUR_FOOT, classes="grid"),
            svg.line(0, y(tolerance), 100, y(tolerance), style=_ALLOWED),
            *_blur_curves(plan, x, y),
            svg.text(0, y(tolerance) - 5, f"{tolerance:.3g} px of blur allowed", classes="halo"),
            *marks,
            *svg.labels(
                places, [str(i + 1) for i in range(len(places))], _NUMBERS, classes="strong"
            ),
            *_ruler(plan, x),
            svg.text(50, _TITLE, unit, anchor="middle", classes="soft"),
        ],
    )


_ALLOWED = "stroke:var(--good);stroke-width:2;stroke-dasharray:9 4"
_PLAN = "stroke:var(--accent)"
_ALONE = "stroke:var(--bad);stroke-dasharray:2 4;stroke-linecap:round"


def _key(plan: Plan) -> list[str]:
    names = [("the plan", _PLAN)]
    if _has_alternative(plan):
        names.append((f"best single frame, f/{plan.one_frame.f_number:g}", _ALONE))
    return svg.line_key(names)


def _has_alternative(plan: Plan) -> bool:
    return plan.chosen.frames > 1 or plan.one_frame.f_number != plan.chosen.f_number


def _place(plan: Plan, distance_mm: float) -> float:
    """Return where a distance lies on the chart's axis: mm on a rail, else -1000/distance."""
    return distance_mm if plan.mode == "rail" else -1000 / distance_mm


def _scale(plan: Plan) -> svg.Scale:
    """Return the depth with the reach of the outer frames, as far as that stays in scale."""
    places, _ = blur_profile(
        plan, f_number=plan.chosen.f_number, frames=plan.chosen.frames, samples=2
    )
    low, high = (_place(plan, float(p)) for p in places)
    span = high - low
    ends = [_place(plan, plan.positions[0].near_mm), _place(plan, plan.positions[-1].far_mm)]
    low = max(min(low, ends[0]), low - 0.12 * span)
    high = min(max(high, ends[1]), high + 0.12 * span)
    return svg.Scale(low, high if plan.mode == "rail" else min(high, 0.0))


def _blur_curves(plan: Plan, x: svg.Scale, y: svg.Scale) -> list[str]:
    curves = []
    wanted = [(plan.chosen.f_number, plan.chosen.frames, _PLAN)]
    if _has_alternative(plan):
        wanted.insert(0, (plan.one_frame.f_number, 1, _ALONE))
    for f_number, frames, style in wanted:
        place, blur = blur_profile(
            plan, f_number=f_number, frames=frames, samples=max(_SAMPLES, 12 * frames)
        )
        points = [
            (x(_place(plan, float(p))), y(min(float(b), y.high)))
            for p, b in zip(place, blur, strict=True)
        ]
        curves.append(svg.curve(points, _HEIGHT, style=style))
    return curves


def _frame_mark(plan: Plan, i: int, x: svg.Scale) -> str:
    """Return one frame: its plane of focus, and the depth that it holds."""
    position = plan.positions[i]
    left = x(max(_place(plan, position.near_mm), x.low))
    right = x(min(_place(plan, position.far_mm), x.high))
    at = x(_place(plan, position.focus_mm))
    row = _REACH_TOP + _REACH_STEP * (i % 2)
    half = max(right - left, 0.6) / 2
    middle = (left + right) / 2
    inside = (
        svg.box(max(middle - half, 0), _BLUR_TOP, min(middle + half, 100), _AXIS, classes="hit")
        + svg.box(left, row, right, row + _REACH_TALL, style="fill:var(--accent)")
        + svg.line(at, _BLUR_FOOT, at, _REACH_FOOT, style="stroke:var(--ink);stroke-width:1.2")
    )
    head, rest = _frame_words(plan, i)
    return svg.mark(inside, label=f"{head}, {rest}", say=(head, rest))


def _frame_words(plan: Plan, i: int) -> tuple[str, str]:
    near, far = reach_texts(plan)[i]
    return (f"Frame {i + 1}: focus at {focus_texts(plan)[i]}", f"sharp from {near} to {far}")


def _ruler(plan: Plan, x: svg.Scale) -> list[str]:
    if plan.mode == "rail":
        values = svg.round_ticks(x.low, x.high, 6)
        words = [f"{v:g}".replace("-", "−") for v in values]
    else:
        inverse = distance_ticks(-x.high, -x.low)
        values = sorted(-v for v in inverse)
        words = ["∞" if v == 0 else f"{-1 / v:.3g}" for v in values]
    places = [x(v) for v in values]
    return svg.ruler(places, words, _AXIS, _AXIS_LABEL)


def _words(plan: Plan) -> str:
    worst = f"Worst blur {plan.chosen.blur_px:.1f} px, {plan.request.tolerance_px:.3g} px allowed."
    told = list(range(len(plan.positions)))
    # A long bracket is told by its ends; the table beside the chart has every frame.
    if len(told) > 12 and math.isfinite(plan.positions[-1].focus_mm):
        told = [0, told[-1]]
    return f"{worst} {'; '.join(', '.join(_frame_words(plan, i)) for i in told)}."
