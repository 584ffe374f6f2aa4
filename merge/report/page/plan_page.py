"""A plan for the next shoot as a page to look at at home and to print for the field."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from merge.pipeline.record import program_version
from merge.plan import ApertureOption, Plan, Reshoot, ReshootFrame, frames_text
from merge.report.numbers import change_text, metres_text, mm_text, rail_texts, seconds_text
from merge.report.page.charts import focus_chart, plan_contrast_chart
from merge.report.page.shell import Section, render, render_page, run_section
from merge.report.plan import (
    focus_texts,
    given_text,
    light_lines,
    plan_headline,
    plan_summary,
    reach_texts,
    reshoot_place,
    shown_options,
)

_STYLES = ("answers.css", "plan.css")
# A rail moves by even steps: of more frames than this every tenth is listed, to check it by.
_MOST_ROWS = 40
# What one printed page holds: rows of one list beside all else; side by side two lists with
# everything, or six with frame and focus alone.
_LIST_ROWS, _LONG_LIST_ROWS, _MOST_LISTED = 18, 23, 138


def plan_page(plan: Plan, record: Mapping[str, Any]) -> str:
    """Return the page of a plan.

    Parameters
    ----------
    plan : Plan
    record : mapping
        What ``--json`` prints, see `merge.report.plan.plan_record`.
    """
    sections = [
        Section("set", "What to set", _settings(plan)),
        Section("focus", "Where to focus", _focus(plan)),
        Section("stops", "What each f‑number would give", _stops(plan)),
        run_section("What it assumes", _run(plan)),
    ]
    subject = "a bracket on a rail" if plan.mode == "rail" else "a bracket by focus distances"
    return render_page(
        title=f"Plan: {subject}",
        summary=plan_headline(plan).removeprefix("Plan: "),
        sections=sections,
        data=record,
        styles=_STYLES,
    )


def _settings(plan: Plan) -> str:
    chosen, request = plan.chosen, plan.request
    facts = [("f-number", f"f/{chosen.f_number:g}"), ("Frames", str(chosen.frames))]
    if chosen.effective_f_number > 1.05 * chosen.f_number:
        facts.insert(1, ("Effective f-number", f"f/{chosen.effective_f_number:.3g}"))
    if plan.step_mm is not None:
        facts.append(("Step of the rail", mm_text(plan.step_mm)))
        facts.append(("Way in all", mm_text(plan.step_mm * (chosen.frames - 1))))
    facts.append(("Worst blur", f"{chosen.blur_px:.2f} px of {request.tolerance_px:.3g} px"))
    if chosen.exposure_s is not None:
        facts.append(("Exposure of each", seconds_text(chosen.exposure_s)))
        facts.append(("Time in all", seconds_text(chosen.shooting_s)))
    return render(
        "plan_settings.html.j2",
        facts=facts,
        sentences=[given_text(plan), plan_summary(plan), *light_lines(plan)],
        findings=plan.findings,
        caution=plan.caution,
    )


def _run(plan: Plan) -> list[tuple[str, str]]:
    request = plan.request
    rows = [
        ("Pixel pitch", f"{request.pixel_pitch_um:.3g} µm"),
        ("Blur allowed", f"{request.tolerance_px:.3g} px"),
        ("Lens", _lens_text(plan)),
    ]
    if request.near_mm is not None and request.far_mm is not None:
        rows.append(("Depth", f"{metres_text(request.near_mm)} to {metres_text(request.far_mm)}"))
    if request.depth_mm is not None:
        rows.append(("Depth", mm_text(request.depth_mm)))
    rows += [
        ("Light", f"{request.wavelength_um:g} µm; thin lens, no aberrations"),
        ("Version", f"depthweld {program_version()}"),
    ]
    return rows


def _lens_text(plan: Plan) -> str:
    request = plan.request
    parts = [f"f/{request.widest:g} to f/{request.smallest:g}"]
    if request.focal_length_mm is not None:
        parts.insert(0, f"{request.focal_length_mm:g} mm")
    if request.magnification is not None:
        parts.append(f"magnification {request.magnification:g}")
    return ", ".join(parts)


def _focus(plan: Plan) -> str:
    rail = plan.mode == "rail"
    rows = _position_rows(plan)
    thinned = 0
    if (rail and len(rows) > _MOST_ROWS) or len(rows) > _MOST_LISTED:
        thinned = 10 * math.ceil(len(rows) / (10 * _MOST_LISTED))
        rows = [row for i, row in enumerate(rows) if i % thinned == 0 or i == len(rows) - 1]
    most = _LIST_ROWS if len(rows) <= 2 * _LIST_ROWS else _LONG_LIST_ROWS
    tall = math.ceil(len(rows) / math.ceil(len(rows) / most))
    return render(
        "plan_focus.html.j2",
        chart=focus_chart(plan),
        lists=[rows[i : i + tall] for i in range(0, len(rows), tall)],
        rail=rail,
        thinned=thinned,
        tolerance=f"{plan.request.tolerance_px:.3g}",
    )


def _position_rows(plan: Plan) -> list[dict[str, str]]:
    first = plan.positions[0].focus_mm
    moved = rail_texts([p.focus_mm - first for p in plan.positions], plan.step_mm)
    return [
        {"number": str(i + 1), "focus": focus, "moved": moved[i], "near": near, "far": far}
        for i, (focus, (near, far)) in enumerate(
            zip(focus_texts(plan), reach_texts(plan), strict=True)
        )
    ]


def _stops(plan: Plan) -> str:
    return render(
        "plan_stops.html.j2",
        chart=plan_contrast_chart(plan),
        rows=[_option_row(o, plan) for o in shown_options(plan)],
    )


def _option_row(option: ApertureOption, plan: Plan) -> dict[str, Any]:
    chosen = option.f_number == plan.chosen.f_number
    soft = option.diffraction_blur_px > plan.request.tolerance_px
    return {
        "f_number": f"f/{option.f_number:g}",
        "frames": str(option.frames),
        "blur": f"{option.blur_px:.1f} px",
        "focus": f"{100 * option.focus_contrast:.0f} %",
        "worst": f"{100 * option.worst_contrast:.0f} %",
        "against": "the plan" if chosen else change_text(-option.lost),
        "single": f"{100 * option.single_worst_contrast:.0f} %",
        "note": "diffraction alone exceeds the tolerance" if soft else "",
        "chosen": chosen,
    }


def reshoot_page(reshoot: Reshoot, record: Mapping[str, Any]) -> str:
    """Return the page of frames that complete a bracket.

    Parameters
    ----------
    reshoot : Reshoot
    record : mapping
        What ``--json`` prints, see `merge.report.plan.reshoot_record`.
    """
    count = len(reshoot.frames)
    if count:
        summary = f"Add {frames_text(count)} to this bracket."
    else:
        summary = f"Nothing to add: no gap above {reshoot.tolerance_px:g} px of blur."
    html = render(
        "plan_reshoot.html.j2",
        rows=[_reshoot_row(frame, reshoot.names) for frame in reshoot.frames],
        missing=reshoot.missing,
        caution=reshoot.caution,
    )
    rows = [
        ("Blur allowed", f"{reshoot.tolerance_px:.3g} px"),
        ("Version", f"depthweld {program_version()}"),
    ]
    sections = [
        Section("frames", "Frames to add", html),
        run_section("What it assumes", rows),
    ]
    return render_page(
        title="Plan: complete a bracket",
        summary=summary,
        sections=sections,
        data=record,
        styles=_STYLES,
    )


def _reshoot_row(frame: ReshootFrame, names: Sequence[str]) -> dict[str, str]:
    shift = "not known"
    if frame.subject_shift_mm is not None:
        shift = f"{mm_text(frame.subject_shift_mm)} at the subject"
    elif frame.sensor_shift_um is not None:
        shift = f"{frame.sensor_shift_um:.3g} µm at the sensor"
    return {
        "where": reshoot_place(frame, names),
        "focus": "not known" if frame.focus_m is None else metres_text(1000 * frame.focus_m),
        "shift": shift,
    }
