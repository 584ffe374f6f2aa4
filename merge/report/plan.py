"""A plan for the next shoot, and frames that close a gap, as text, JSON and plot."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from merge.optics import f_number_series
from merge.plan import (
    REFERENCE_CYCLES_PER_PX,
    ApertureOption,
    Plan,
    Reshoot,
    ReshootFrame,
    frames_text,
)
from merge.plan.profile import blur_profile
from merge.report.numbers import (
    change_text,
    json_values,
    least_steps_mm,
    marked_from,
    metres_text,
    mm_text,
    rail_texts,
    seconds_text,
)
from merge.report.plots import BLUE, GREEN, GREY, RED, draw_f_number_axis, written_plot

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PLAN_SCHEMA = "depthweld plan 1"
RESHOOT_SCHEMA = "depthweld reshoot 1"

# More lines of positions than this would push the rest off the screen.
_LISTED_POSITIONS = 12
FULL_STOPS = frozenset(mark for mark, _ in f_number_series("full", widest=0.5, smallest=90))


def plan_record(plan: Plan) -> dict[str, Any]:
    """Return a plan as JSON-ready values; lengths in mm, infinity as the string "Infinity"."""
    record = asdict(plan)
    record["findings"] = [_finding_record(finding) for finding in record["findings"]]
    head = {"schema": PLAN_SCHEMA, "reference_cycles_per_px": REFERENCE_CYCLES_PER_PX}
    return head | json_values(record)


def reshoot_record(reshoot: Reshoot) -> dict[str, Any]:
    """Return frames to add as JSON-ready values; indices are 0-based."""
    return {"schema": RESHOOT_SCHEMA} | json_values(asdict(reshoot))


def _finding_record(finding: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in finding.items() if key not in {"frames", "box"}}


def plan_text(plan: Plan) -> str:
    """Return a plan on one screen."""
    lines = [plan_headline(plan), given_text(plan), "", *_position_lines(plan), ""]
    lines += [plan_summary(plan), *light_lines(plan), "", *_table(plan), ""]
    for finding in plan.findings:
        mark = {"note": "Note", "warning": "Warning", "problem": "Problem"}[finding.severity]
        lines.append(f"{mark}: {finding.message} {finding.advice}".rstrip())
    return "\n".join([*lines, plan.caution])


def plan_headline(plan: Plan) -> str:
    """Return what to set, in one sentence."""
    chosen = plan.chosen
    aperture = f"f/{chosen.f_number:g}"
    if chosen.effective_f_number > 1.05 * chosen.f_number:
        aperture += f" (f/{chosen.effective_f_number:.3g} effective)"
    start = f"Plan: {frames_text(chosen.frames)} at {aperture}"
    if plan.mode == "rail":
        if plan.step_mm is not None:
            travel = plan.step_mm * (chosen.frames - 1)
            start += f", move the camera {mm_text(plan.step_mm)} a frame ({mm_text(travel)} in all)"
        return start + "."
    focus = focus_texts(plan)
    where = focus[0] if chosen.frames == 1 else f"{focus[0]} … {focus[-1]}"
    return f"{start}, focus at {where}."


def given_text(plan: Plan) -> str:
    """Return what was understood, in one line: lens, pixels, depth, blur allowed."""
    request = plan.request
    parts = [f"pixels of {request.pixel_pitch_um:.3g} µm"]
    if request.focal_length_mm is not None:
        parts.insert(0, f"{request.focal_length_mm:g} mm lens")
    if request.magnification is not None:
        parts.append(f"magnification {request.magnification:g}")
        parts.append(f"subject {mm_text(request.depth_mm or 0.0)} deep")
    elif request.near_mm is not None:
        # A depth is read from the near end; distances are from the sensor mark.
        far = request.far_mm or request.near_mm + (request.depth_mm or 0.0)
        gap = far - request.near_mm
        ends = (
            metres_text(d, gap) if gap < request.near_mm else metres_text(d)
            for d in (request.near_mm, far)
        )
        parts.append("{} to {} from the sensor mark".format(*ends))
    return f"Given: {', '.join(parts)}; {request.tolerance_px:.3g} px of blur allowed."


def focus_texts(plan: Plan) -> list[str]:
    """Return where each frame is focused, with the digits that tell neighbours apart."""
    places = [position.focus_mm for position in plan.positions]
    if plan.mode == "rail":
        return rail_texts(places, plan.step_mm)
    return [metres_text(p, s) for p, s in zip(places, least_steps_mm(places), strict=True)]


def reach_texts(plan: Plan) -> list[tuple[str, str]]:
    """Return the near and far end of what each frame holds."""
    if plan.mode == "rail":
        near, far = (
            rail_texts([getattr(p, name) for p in plan.positions], plan.step_mm)
            for name in ("near_mm", "far_mm")
        )
        return list(zip(near, far, strict=True))
    return [
        (metres_text(p.near_mm, p.far_mm - p.near_mm), metres_text(p.far_mm, p.far_mm - p.near_mm))
        for p in plan.positions
    ]


def _position_lines(plan: Plan) -> list[str]:
    rail = plan.mode == "rail"
    focus = focus_texts(plan)
    if rail and len(plan.positions) > _LISTED_POSITIONS:
        first, last = (mm_text(plan.positions[i].focus_mm) for i in (0, -1))
        return [
            f"Start with the focus {first} behind the subject's nearest point; the last frame lies "
            f"{last} behind it."
        ]
    title = "behind near end" if rail else "set focus to"
    lines = [f"{'frame':>7}  {title:>15}   within {plan.request.tolerance_px:g} px of blur"]
    reach = reach_texts(plan)
    numbers = list(range(len(focus)))
    if len(numbers) <= _LISTED_POSITIONS:
        return [*lines, *(_position_line(i, focus[i], reach[i]) for i in numbers)]
    head = [_position_line(i, focus[i], reach[i]) for i in numbers[:8]]
    rest = f"{'…':>7}  (all of them with --json or --report)"
    return [*lines, *head, rest, *(_position_line(i, focus[i], reach[i]) for i in numbers[-2:])]


def _position_line(i: int, focus: str, reach: tuple[str, str]) -> str:
    return f"{i + 1:>7}  {focus:>15}   {reach[0]} … {reach[1]}"


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
    """Return what one frame as deep would take; nothing for a plan of one frame."""
    if plan.chosen.frames == 1:
        return []
    alone = marked_from(plan.one_frame_f_number)
    light = f"{plan.chosen.light:.0f}" if plan.chosen.light >= 100 else f"{plan.chosen.light:.1f}"
    return [
        f"One frame as deep would need {alone}, and {light} times the exposure of "
        "all these frames together."
    ]


def shown_options(plan: Plan) -> list[ApertureOption]:
    """Return what the full stops and the chosen f-number would give."""
    chosen = plan.chosen.f_number
    return [o for o in plan.options if o.f_number in FULL_STOPS or o.f_number == chosen]


def _table(plan: Plan) -> list[str]:
    """Return what the full stops would give; the chosen line is marked."""
    head = [
        "  f-number  frames  worst blur  contrast  contrast  against   one frame",
        "                                in focus  at worst  the plan   at worst",
    ]
    shown = shown_options(plan)
    lines = [_table_line(option, plan) for option in shown]
    if any(option.diffraction_blur_px > plan.request.tolerance_px for option in shown):
        lines.append("  * diffraction alone is softer than the tolerance")
    return head + lines


def _table_line(option: ApertureOption, plan: Plan) -> str:
    mark = ">" if option.f_number == plan.chosen.f_number else " "
    star = "*" if option.diffraction_blur_px > plan.request.tolerance_px else " "
    against = "plan" if mark == ">" else change_text(-option.lost)
    return (
        f"{mark} {f'f/{option.f_number:g}':<8}  {option.frames:>6}  {option.blur_px:>7.1f} px  "
        f"{_percent(option.focus_contrast):>8}{star} {_percent(option.worst_contrast):>8}  "
        f"{against:>9} {_percent(option.single_worst_contrast):>10}"
    )


def reshoot_text(reshoot: Reshoot) -> str:
    """Return frames to add on one screen."""
    if not reshoot.frames:
        return f"Nothing to add: no gap above {reshoot.tolerance_px:g} px of blur."
    lines = [f"Add {frames_text(len(reshoot.frames))} to this bracket:", ""]
    lines += [_reshoot_line(frame, reshoot.names) for frame in reshoot.frames]
    if reshoot.missing:
        lines += ["", f"For millimetres at the subject give also {', '.join(reshoot.missing)}."]
    return "\n".join([*lines, "", reshoot.caution])


def reshoot_place(frame: ReshootFrame, names: Sequence[str]) -> str:
    """Return where between the frames of a bracket one more belongs."""
    first, second = (names[index] for index in frame.between)
    if frame.share is None:
        return f"beyond {first} by {frame.distance_px:.1f} px of blur"
    return f"{100 * frame.share:.0f} % of the way from {first} to {second}"


def _reshoot_line(frame: ReshootFrame, names: tuple[str, ...]) -> str:
    line, first = f"  {reshoot_place(frame, names)}", names[frame.between[0]]
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
    plot = written_plot(path, (11, 4.8), (1, 1), overwrite=overwrite, inputs=inputs)
    with plot as (contrast, blur):
        _draw_contrast(contrast, plan)
        _draw_blur(blur, plan)


def _draw_contrast(axes: Axes, plan: Plan) -> None:
    """Draw what every f-number would give, the chosen one marked."""
    numbers = [option.f_number for option in plan.options]
    curves = (
        ("in focus (diffraction and pixel only)", "focus_contrast", GREY, ":"),
        ("bracket, at the worst place", "worst_contrast", BLUE, "-"),
        ("one frame alone, at the worst place", "single_worst_contrast", RED, "--"),
    )
    for label, name, colour, style in curves:
        values = [100 * getattr(option, name) for option in plan.options]
        axes.plot(numbers, values, style, color=colour, label=label, linewidth=2)
    chosen = plan.chosen
    axes.plot(chosen.f_number, 100 * chosen.worst_contrast, "o", color=BLUE, markersize=9)
    axes.annotate(
        f"plan: {frames_text(chosen.frames)}\nat f/{chosen.f_number:g}",
        (chosen.f_number, 100 * chosen.worst_contrast),
        xytext=(-12, -40),
        textcoords="offset points",
        color=BLUE,
        ha="center",
    )
    full = [m for m, _ in f_number_series(widest=numbers[0], smallest=numbers[-1])]
    draw_f_number_axis(axes, full, [f"{m:g}" for m in full])
    axes.set_ylim(0, 100)
    axes.set_ylabel(f"contrast of detail {1 / REFERENCE_CYCLES_PER_PX:.0f} px wide (%)")
    axes.set_title("What each f-number gives")
    axes.legend(loc="upper right", fontsize=9, framealpha=0.9)


def _draw_blur(axes: Axes, plan: Plan) -> None:
    """Draw how the blur runs over the depth, for the bracket and for the best single frame."""
    chosen, single = plan.chosen, plan.one_frame
    rail = plan.mode == "rail"
    if single.f_number != chosen.f_number or chosen.frames > 1:
        place, blur = blur_profile(plan, f_number=single.f_number, frames=1)
        label = f"best single frame, f/{single.f_number:g}"
        axes.plot(place if rail else 1000 / place, blur, "--", color=RED, label=label)
    samples = max(600, 24 * chosen.frames)
    place, blur = blur_profile(
        plan, f_number=chosen.f_number, frames=chosen.frames, samples=samples
    )
    axes.plot(place if rail else 1000 / place, blur, color=BLUE, label="the plan")
    tolerance = plan.request.tolerance_px
    axes.axhline(tolerance, color=GREEN, linewidth=2, label=f"tolerance {tolerance:g} px")
    axes.axhline(
        chosen.diffraction_blur_px,
        color=GREY,
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
    if len(ticks) < 3 and low > 0:
        near, far = 1 / high, 1 / low
        step = 10.0 ** math.floor(math.log10((far - near) / 2))
        step *= 2 if (far - near) / step > 8 else 1
        count = math.floor(far / step + 1e-9)
        ticks = [1 / (k * step) for k in range(count, math.ceil(near / step - 1e-9) - 1, -1)]
    return ticks


def _tick(inverse_m: float) -> str:
    return "∞" if inverse_m == 0 else f"{1 / inverse_m:.3g}"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"
