"""A plan for the next shoot, and frames that close a gap, as text, JSON and plot."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from merge.errors import WriteError
from merge.optics import f_number_series
from merge.plan import (
    REFERENCE_CYCLES_PER_PX,
    ApertureOption,
    FramePosition,
    Plan,
    Reshoot,
    ReshootFrame,
)
from merge.plan.profile import blur_profile

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PLAN_SCHEMA = "depthweld plan 1"
RESHOOT_SCHEMA = "depthweld reshoot 1"

# More lines of positions than this would push the rest off the screen.
_LISTED_POSITIONS = 12
# Okabe & Ito's palette, told apart by colour-blind readers too: blue, vermilion, green, grey.
_BLUE, _RED, _GREEN, _GREY = "#0072B2", "#D55E00", "#009E73", "#666666"


def plan_record(plan: Plan) -> dict[str, Any]:
    """Return a plan as JSON-ready values; lengths in mm, infinity as the string "Infinity"."""
    record = asdict(plan)
    record["findings"] = [_finding_record(finding) for finding in record["findings"]]
    head = {"schema": PLAN_SCHEMA, "reference_cycles_per_px": REFERENCE_CYCLES_PER_PX}
    return head | _finite(record)


def reshoot_record(reshoot: Reshoot) -> dict[str, Any]:
    """Return frames to add as JSON-ready values; indices are 0-based."""
    return {"schema": RESHOOT_SCHEMA} | _finite(asdict(reshoot))


def _finding_record(finding: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in finding.items() if key not in {"frames", "box"}}


def _finite(value: Any) -> Any:
    """Return nested values with infinity spelled out, since JSON has no number for it."""
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(item) for item in value]
    return "Infinity" if isinstance(value, float) and math.isinf(value) else value


def plan_text(plan: Plan) -> str:
    """Return a plan on one screen."""
    lines = [plan_headline(plan), "", *_position_lines(plan), ""]
    lines += [plan_summary(plan), *light_lines(plan), "", *_table(plan), ""]
    for finding in plan.findings:
        mark = {"note": "Note", "warning": "Warning", "problem": "Problem"}[finding.severity]
        lines.append(f"{mark}: {finding.message} {finding.advice}".rstrip())
    return "\n".join([*lines, plan.caution])


def plan_headline(plan: Plan) -> str:
    """Return what to set, in one sentence."""
    chosen, request = plan.chosen, plan.request
    frames = "1 frame" if chosen.frames == 1 else f"{chosen.frames} frames"
    aperture = f"f/{chosen.f_number:g}"
    if chosen.effective_f_number > 1.05 * chosen.f_number:
        aperture += f" ({_aperture(chosen.effective_f_number)} effective)"
    start = f"Plan: {frames} at {aperture}"
    if plan.mode == "rail":
        if plan.step_mm is not None:
            travel = plan.step_mm * (chosen.frames - 1)
            start += f", move the camera {mm_text(plan.step_mm)} a frame ({mm_text(travel)} in all)"
        return start + "."
    near, far = (position.focus_mm for position in (plan.positions[0], plan.positions[-1]))
    where = metres_text(near) if chosen.frames == 1 else f"{metres_text(near)} … {metres_text(far)}"
    lens = f"{request.focal_length_mm:g} mm lens"
    return f"{start}, focus at {where} ({lens}, distances from the sensor mark)."


def _position_lines(plan: Plan) -> list[str]:
    rail = plan.mode == "rail"
    if rail and len(plan.positions) > _LISTED_POSITIONS:
        return [
            f"Start with the focus {mm_text(plan.positions[0].focus_mm)} behind the subject's "
            "nearest point; end as far before the farthest."
        ]
    show = mm_text if rail else metres_text
    title = "behind near end" if rail else "set focus to"
    lines = [f"{'frame':>7}  {title:>15}   within {plan.request.tolerance_px:g} px of blur"]
    return lines + [
        _position_line(index, position, show) for index, position in _listed(plan.positions)
    ]


def _listed(
    positions: tuple[FramePosition, ...],
) -> list[tuple[int, FramePosition | None]]:
    """Return numbered positions; of a long list the ends, with None for those left out."""
    numbered: list[tuple[int, FramePosition | None]] = list(enumerate(positions, start=1))
    if len(numbered) <= _LISTED_POSITIONS:
        return numbered
    return [*numbered[:8], (0, None), *numbered[-2:]]


def _position_line(index: int, position: FramePosition | None, show: Any) -> str:
    if position is None:
        return f"{'…':>7}  (all of them with --json)"
    ends = f"{show(position.near_mm)} … {show(position.far_mm)}"
    return f"{index:>7}  {show(position.focus_mm):>15}   {ends}"


def plan_summary(plan: Plan) -> str:
    """Return how sharp that becomes, and how long it takes."""
    chosen, request = plan.chosen, plan.request
    text = f"Worst blur {chosen.blur_px:.1f} px (tolerance {request.tolerance_px:g} px)"
    if chosen.frames > 1 and plan.overlap >= 0:
        text += f", neighbours overlap by {100 * plan.overlap:.0f} %"
    text += (
        f". Contrast of detail {1 / REFERENCE_CYCLES_PER_PX:.0f} px wide: "
        f"{_percent(chosen.focus_contrast)} in focus, {_percent(chosen.worst_contrast)} at worst."
    )
    if chosen.shooting_s is not None:
        text += (
            f" {seconds_text(chosen.exposure_s)} a frame, {seconds_text(chosen.shooting_s)} in all."
        )
    return text


def light_lines(plan: Plan) -> list[str]:
    """Return how the bracket's light compares with one frame's; nothing for one frame."""
    if plan.chosen.frames == 1:
        return []
    return [
        f"In the same exposure time it gathers {plan.chosen.light:.1f} times the light of one "
        f"frame at {_aperture(plan.one_frame_f_number)}, which would be as deep."
    ]


def _table(plan: Plan) -> list[str]:
    """Return what the full stops would give; the chosen line is marked."""
    full = {mark for mark, _ in f_number_series("full", widest=0.5, smallest=90)}
    head = [
        "  f-number  frames  worst blur  contrast  contrast  against   one frame",
        "                                in focus  at worst  the plan   at worst",
    ]
    shown = [o for o in plan.options if o.f_number in full or o.f_number == plan.chosen.f_number]
    lines = [_table_line(option, plan) for option in shown]
    if any(option.diffraction_blur_px > plan.request.tolerance_px for option in shown):
        lines.append("  * diffraction alone is softer than the tolerance")
    return head + lines


def _table_line(option: ApertureOption, plan: Plan) -> str:
    mark = ">" if option.f_number == plan.chosen.f_number else " "
    star = "*" if option.diffraction_blur_px > plan.request.tolerance_px else " "
    change = round(-100 * option.lost)
    against = "plan" if mark == ">" else f"{change:+d} %" if change else "0 %"
    return (
        f"{mark} {f'f/{option.f_number:g}':<8}  {option.frames:>6}  {option.blur_px:>7.1f} px  "
        f"{_percent(option.focus_contrast):>8}{star} {_percent(option.worst_contrast):>8}  "
        f"{against:>8}  {_percent(option.single_worst_contrast):>10}"
    )


def reshoot_text(reshoot: Reshoot) -> str:
    """Return frames to add on one screen."""
    if not reshoot.frames:
        return f"Nothing to add: no gap above {reshoot.tolerance_px:g} px of blur."
    count = len(reshoot.frames)
    lines = [f"Add {count} {'frame' if count == 1 else 'frames'} to this bracket:", ""]
    lines += [_reshoot_line(frame, reshoot.names) for frame in reshoot.frames]
    if reshoot.missing:
        lines += ["", f"For millimetres at the subject give also {', '.join(reshoot.missing)}."]
    return "\n".join([*lines, "", reshoot.caution])


def _reshoot_line(frame: ReshootFrame, names: tuple[str, ...]) -> str:
    first, second = (names[index] for index in frame.between)
    if frame.share is None:
        line = f"  beyond {first} by {frame.distance_px:.1f} px of blur"
    else:
        line = f"  {100 * frame.share:.0f} % of the way from {first} to {second}"
    details = []
    if frame.focus_m is not None:
        details.append(f"focus at {metres_text(1000 * frame.focus_m)}")
    if frame.subject_shift_mm is not None:
        details.append(f"{mm_text(frame.subject_shift_mm)} from {first} at the subject")
    elif frame.sensor_shift_um is not None:
        details.append(f"{frame.sensor_shift_um:.3g} µm from {first} at the sensor")
    return ": ".join([line, ", ".join(details)] if details else [line])


def write_plan_plot(
    plan: Plan, path: Path, *, overwrite: bool = False, inputs: Iterable[Path] = ()
) -> None:
    """Write a plot of a plan: contrast against f-number, and blur over the depth.

    Parameters
    ----------
    plan : Plan
    path : Path
        Ends in .png or .svg.
    overwrite : bool
        Replace an existing file.
    inputs : iterable of Path
        Files that must never be replaced.

    Raises
    ------
    WriteError
        If the name ends otherwise, the file is an input, exists or cannot be written.
    """
    kind = path.suffix.lower().removeprefix(".")
    if kind not in {"png", "svg"}:
        raise WriteError(f"{path}: a plot is written as .png or .svg; change the name")
    # Loaded here: they take most of a second, and only a plot needs them.
    from matplotlib.figure import Figure

    from merge.atomic import replace_atomically

    figure = Figure(figsize=(11, 4.8), dpi=110, layout="constrained")
    contrast, blur = figure.subplots(1, 2)
    _draw_contrast(contrast, plan)
    _draw_blur(blur, plan)
    with replace_atomically(path, overwrite=overwrite, inputs=inputs) as file:
        figure.savefig(file, format=kind)


def _draw_contrast(axes: Axes, plan: Plan) -> None:
    """Draw what every f-number would give, the chosen one marked."""
    numbers = [option.f_number for option in plan.options]
    curves = (
        ("in focus (diffraction and pixel only)", "focus_contrast", _GREY, ":"),
        ("bracket, at the worst place", "worst_contrast", _BLUE, "-"),
        ("one frame alone, at the worst place", "single_worst_contrast", _RED, "--"),
    )
    for label, name, colour, style in curves:
        values = [100 * getattr(option, name) for option in plan.options]
        axes.plot(numbers, values, style, color=colour, label=label, linewidth=2)
    chosen = plan.chosen
    axes.plot(chosen.f_number, 100 * chosen.worst_contrast, "o", color=_BLUE, markersize=9)
    frames = "1 frame" if chosen.frames == 1 else f"{chosen.frames} frames"
    axes.annotate(
        f"plan: {frames}\nat f/{chosen.f_number:g}",
        (chosen.f_number, 100 * chosen.worst_contrast),
        xytext=(-12, -40),
        textcoords="offset points",
        color=_BLUE,
        ha="center",
    )
    axes.set_xscale("log", base=2)
    full = [m for m, _ in f_number_series(widest=numbers[0], smallest=numbers[-1])]
    axes.set_xticks(full, [f"{m:g}" for m in full])
    axes.set_xticks([], minor=True)
    axes.set_ylim(0, 100)
    axes.set_xlabel("f-number")
    axes.set_ylabel(f"contrast of detail {1 / REFERENCE_CYCLES_PER_PX:.0f} px wide (%)")
    axes.set_title("What each f-number gives")
    axes.grid(alpha=0.3)
    axes.legend(loc="upper right", fontsize=9, framealpha=0.9)


def _draw_blur(axes: Axes, plan: Plan) -> None:
    """Draw how the blur runs over the depth, for the bracket and for the best single frame."""
    chosen, single = plan.chosen, plan.one_frame
    rail = plan.mode == "rail"
    if single.f_number != chosen.f_number or chosen.frames > 1:
        place, blur = blur_profile(plan, f_number=single.f_number, frames=1)
        label = f"best single frame, f/{single.f_number:g}"
        axes.plot(place if rail else 1000 / place, blur, "--", color=_RED, label=label)
    samples = max(600, 24 * chosen.frames)
    place, blur = blur_profile(
        plan, f_number=chosen.f_number, frames=chosen.frames, samples=samples
    )
    axes.plot(place if rail else 1000 / place, blur, color=_BLUE, label="the plan")
    tolerance = plan.request.tolerance_px
    axes.axhline(tolerance, color=_GREEN, linewidth=2, label=f"tolerance {tolerance:g} px")
    axes.axhline(
        chosen.diffraction_blur_px,
        color=_GREY,
        linestyle=":",
        label="as soft as diffraction",
    )
    axes.set_ylim(0, 3 * max(tolerance, chosen.blur_px, chosen.diffraction_blur_px))
    axes.set_ylabel("blur-circle diameter (px)")
    axes.set_title("How sharp every distance becomes")
    axes.grid(alpha=0.3)
    axes.legend(loc="upper right", fontsize=9, framealpha=0.9)
    if rail:
        axes.set_xlabel("distance behind the subject's near end (mm)")
        return
    ends = sorted((1000 / place[0], 1000 / place[-1]))
    axes.set_xlim(ends[1], ends[0] if ends[0] > 0.001 else 0.0)
    ticks = distance_ticks(ends[0], ends[1])
    axes.set_xticks(ticks, [_tick(t) for t in ticks])
    axes.set_xlabel("distance from the sensor mark (m)")


def distance_ticks(low: float, high: float) -> list[float]:
    """Return a few round distances as 1/m between two ends in 1/m, far enough apart to read."""
    rounds = [base * 10.0**power for power in range(-2, 4) for base in (1, 1.5, 2, 3, 5, 7)]
    inside = [1 / metres for metres in sorted(rounds) if low <= 1 / metres <= high]
    ticks = [0.0] if low < 0.01 * high else []
    for tick in sorted(inside):
        if not ticks or tick - ticks[-1] > 0.07 * (high - low):
            ticks.append(tick)
    return ticks


def _tick(inverse_m: float) -> str:
    return "∞" if inverse_m == 0 else f"{1 / inverse_m:.3g}"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def seconds_text(value: float | None) -> str:
    """Return a time as a camera shows it."""
    if value is None:
        return "?"
    return f"1/{1 / value:.0f} s" if value < 0.3 else f"{value:.3g} s"


def metres_text(distance_mm: float) -> str:
    """Return a distance with three digits, as far as a focus scale can be read."""
    if distance_mm > 1e7:
        return "infinity"
    metres = distance_mm / 1000
    if metres >= 1000:
        return f"{metres / 1000:.2f} km"
    return f"{metres:.0f} m" if metres >= 100 else f"{metres:#.3g} m"


def _aperture(f_number: float) -> str:
    """Return an f-number that need not be a marked one."""
    return f"f/{f_number:.0f}" if f_number >= 100 else f"f/{f_number:.3g}"


def mm_text(distance_mm: float) -> str:
    """Return a length as finely as a rail is set."""
    return f"{distance_mm:.3f} mm" if abs(distance_mm) < 10 else f"{distance_mm:.1f} mm"
