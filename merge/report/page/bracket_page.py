"""What the pages of a merge and an audit have in common: one bracket, looked at."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from merge.model import DepthMap, Finding, Progress, Stack
from merge.pipeline.deep import OutputDepth
from merge.pipeline.inspecting import Inspection
from merge.pipeline.page_pictures import shown_frames, small_frame
from merge.report.findings import badness, split_usual_gaps
from merge.report.page.charts import coverage_chart, frame_trends_chart, limits_chart
from merge.report.page.composite import SharpestComposite
from merge.report.page.finding_crops import Places
from merge.report.page.pictures import (
    CROP_QUALITY,
    Box,
    Bytes,
    Crop,
    FrameBook,
    choose_quality,
    cut,
    data_uri,
    encode_depth_map,
    encode_main,
    encode_picture,
    nearest_frame,
    page_budget,
)
from merge.report.page.shell import Section, render, render_page, run_section
from merge.report.page.viewer import VIEWER_SCRIPTS, Captions, ViewerData, strip_html, viewer_html

# Findings shown with pictures; more of them say the same again and cost bytes.
_PICTURED = 10
# Up to this many gaps are closed one by one; more of them mean that the steps were too wide.
_SINGLE_GAPS = 3
# Of frames when the main picture is made of them, so that its own quality is not known before.
_FRAME_QUALITY = 75
_THUMBNAIL_SIDE = 260


@dataclass(frozen=True, eq=False)
class BracketView:
    """One bracket as a page shows it.

    Attributes
    ----------
    stack : Stack
    inspection : Inspection
    box : (row, column, height, width)
        The page's picture in the reference frame.
    main : ndarray, shape (height, width, 3), uint8, or None
        sRGB; None = put together from the sharpest parts of the frames.
    depth : DepthMap
        Over ``box``, at any size; positions count all frames of the stack.
    equalize : bool
        Frames are shown with their light evened out.
    captions : Captions
    deep : OutputDepth or None
        Over ``box``, where frames see near and far shifted differently.
    """

    stack: Stack
    inspection: Inspection
    box: Box
    main: Bytes | None
    depth: DepthMap
    equalize: bool
    captions: Captions
    deep: OutputDepth | None = None


@dataclass(frozen=True)
class RunFacts:
    """What the run section of a page tells.

    Attributes
    ----------
    rows : sequence of (str, str)
        What, and its value in words.
    again : str
        The command line that closes what was missed; may be empty.
    """

    rows: Sequence[tuple[str, str]]
    again: str


def version_rows(program: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the versions of `merge.pipeline.record.program_record` in words."""
    libraries = ", ".join(f"{name} {number}" for name, number in program["libraries"].items())
    return [
        ("Versions", f"depthweld {program['depthweld']}, Python {program['python']}, {libraries}"),
        ("System", program["system"]),
    ]


def bracket_page(
    view: BracketView,
    *,
    title: str,
    run: RunFacts,
    data: Mapping[str, Any],
    progress: Progress | None = None,
) -> str:
    """Return the page of a bracket.

    Parameters
    ----------
    view : BracketView
    title : str
    run : RunFacts
    data : mapping
        What ``--json`` prints.
    progress : callable, optional
        Called with (stage, frames done, frames in all).

    Raises
    ------
    ReadError
        If a frame cannot be read.
    """
    places = Places(
        view.box,
        view.inspection.axis,
        view.inspection.aligned,
        view.inspection.tolerance_px,
        nearest_frame(view.depth.position, view.inspection.aligned),
        view.depth.confidence,
    )
    told, summed = split_usual_gaps(view.inspection.findings)
    ordered = *sorted(told, key=badness), *sorted(summed, key=badness)
    inspection = dataclasses.replace(view.inspection, findings=ordered)
    view = dataclasses.replace(view, inspection=inspection)
    pictured = [f for f in ordered[: len(told)] if f.severity != "note"][:_PICTURED]
    crops = {id(f): places.crops_of(f) for f in pictured}
    viewed, cut_out = _gather(
        view, places, [c for group in crops.values() for c in group], progress
    )
    sharp = sharp_share(view)
    sections = [
        Section("picture", "Is it sharp?", viewer_html(viewed)),
        Section(
            "findings", "Where is it not?", _findings_html(view, crops, cut_out, viewed.unaligned)
        ),
        Section("focus-steps", "Why: the focus steps", _coverage_html(view)),
        Section("frames", "Why: the frames", _frames_html(view, viewed)),
        Section("next", "What next?", _next_html(view, run.again)),
        run_section("How it was made", run.rows),
    ]
    page_data = dict(data) | {
        "page": {"sharp_share": sharp, "tolerance_px": view.inspection.tolerance_px}
    }
    return render_page(
        title=title,
        summary=verdict(view, sharp),
        sections=sections,
        data=page_data,
        scripts=VIEWER_SCRIPTS,
    )


def sharp_share(view: BracketView) -> float | None:
    """Return the share of the picture's detail within tolerance in its sharpest frame."""
    if view.inspection.coverage is None:
        return None
    return 1 - view.inspection.coverage.outside_share


def verdict(view: BracketView, share: float | None) -> str:
    """Return the answer to "is it sharp" in a sentence or two."""
    allowed = f"{view.inspection.tolerance_px:.2g} px of blur"
    if share is None:
        return f"How sharp the picture is could not be measured{_because(view)}."
    if share > 0.999:
        text = f"Sharp throughout: more than 99.9 % of the picture's detail is within {allowed}."
    else:
        text = (
            f"{100 * share:.1f} % of the picture's detail is sharp to within {allowed}; the rest "
            "lies between two focus planes or beyond an end."
        )
    told, _ = split_usual_gaps(view.inspection.findings)
    worst = [f for f in told if f.severity == "problem"]
    if worst:
        count = len(worst)
        text += f" {count} problem{'s' if count > 1 else ''} found; the worst stands first below."
    return text


def _because(view: BracketView) -> str:
    problem = view.inspection.axis_problem.removeprefix("focus axis: ").rstrip(".")
    return f": {problem}" if problem else "; the findings say why"


def _gather(
    view: BracketView, places: Places, crops: Sequence[Crop], progress: Progress | None
) -> tuple[ViewerData, dict[Crop, str]]:
    """Go once over the frames; return what the viewer shows, and the crops as image addresses."""
    inspection, shape = view.inspection, (view.box[2], view.box[3])
    quality = _FRAME_QUALITY if view.main is None else choose_quality(view.main)
    book = FrameBook(shape, places.choice, quality, len(inspection.aligned), crops)
    composite = SharpestComposite(shape, places.choice, inspection.registration.reference)
    frames = shown_frames(
        view.stack,
        inspection.registration,
        view.box,
        equalize=view.equalize,
        deep=view.deep,
        progress=progress,
    )
    for frame in frames:
        book.add(frame)
        if view.main is None:
            composite.add(frame)
    pixels = composite.pixels() if view.main is None else view.main
    main = encode_main(pixels, min(quality, choose_quality(pixels)))
    for crop in crops:
        if crop.frame is None:
            book.cut_out[crop] = encode_picture(cut(pixels, crop.box), CROP_QUALITY)
    depth_map = encode_depth_map(view.depth, inspection.aligned[-1])
    spent = book.spent_bytes() + main.size_bytes() + len(depth_map.png)
    viewed = ViewerData(
        view.stack,
        places,
        depth_map,
        main,
        book,
        book.tiles(page_budget(shape) - spent),
        _unaligned(view),
        inspection.findings,
        view.captions,
    )
    return viewed, {crop: data_uri(data) for crop, data in book.cut_out.items()}


def _unaligned(view: BracketView) -> dict[int, bytes]:
    """Return thumbnails of the frames that could not be aligned."""
    out = sorted(set(range(len(view.stack))) - set(view.inspection.aligned))
    balance = view.stack.white_balance
    return {
        i: encode_picture(small_frame(view.stack.sources[i], _THUMBNAIL_SIDE, balance), 60)
        for i in out
    }


def _findings_html(
    view: BracketView,
    crops: Mapping[int, tuple[Crop, ...]],
    cut_out: Mapping[Crop, str],
    unaligned: Mapping[int, bytes],
) -> str:
    cards: list[dict[str, Any]] = []
    rest: list[dict[str, Any]] = []
    for finding in view.inspection.findings:
        own = crops.get(id(finding), ())
        pictures: list[dict[str, Any]] = [
            {
                "uri": cut_out[crop],
                "caption": _caption(view, crop),
                "whole": False,
                "height": crop.box[2],
                "width": crop.box[3],
            }
            for crop in own
            if crop in cut_out
        ]
        pictures += [
            {"uri": data_uri(unaligned[i]), "caption": view.stack.sources[i].name, "whole": True}
            for i in finding.frames
            if i in unaligned and id(finding) in crops
        ]
        row = dataclasses.asdict(finding) | {
            # The card itself says "Next time".
            "advice": re.sub("^Next time (.)", lambda m: m[1].upper(), finding.advice),
            "pictures": pictures,
            "place": _place(view, finding, own),
            "frame_list": " ".join(str(i) for i in finding.frames if i in view.inspection.aligned),
            "spot": _centre(own[0].box) if own else "",
        }
        (cards if id(finding) in crops else rest).append(row)
    return render("findings.html.j2", cards=cards, rest=rest)


def _centre(box: Box) -> str:
    return f"{box[0] + box[2] // 2},{box[1] + box[3] // 2}"


def _caption(view: BracketView, crop: Crop) -> str:
    return view.captions.main if crop.frame is None else view.stack.sources[crop.frame].name


def _place(view: BracketView, finding: Finding, crops: Sequence[Crop]) -> str:
    """Return the box to show in the viewer, in pixels of the reference frame; "" for none."""
    if finding.box is not None:
        return ",".join(map(str, finding.box))
    if crops:
        row, column, height, width = crops[0].box
        return f"{row + view.box[0]},{column + view.box[1]},{height},{width}"
    return ""


def _coverage_html(view: BracketView) -> str:
    chart, inspection = None, view.inspection
    if inspection.axis is not None:
        chart = coverage_chart(
            inspection.axis,
            inspection.findings,
            tolerance_px=inspection.tolerance_px,
            names=[s.name for s in view.stack.sources],
            aligned=inspection.aligned,
        )
    return render(
        "coverage.html.j2",
        chart=chart,
        problem=_because(view),
        tolerance=f"{inspection.tolerance_px:.2g}",
    )


def _frames_html(view: BracketView, viewed: ViewerData) -> str:
    names, inspection = [s.name for s in view.stack.sources], view.inspection
    trends = frame_trends_chart(
        inspection.registration,
        inspection.axis,
        inspection.findings,
        names=names,
        aligned=inspection.aligned,
    )
    return render(
        "frames.html.j2",
        count=len(names),
        trends=trends,
        strip=strip_html(viewed),
        limits=limits_chart(inspection.slices, names=names) if inspection.slices else None,
    )


def _next_html(view: BracketView, again: str) -> str:
    told, _ = split_usual_gaps(view.inspection.findings)
    told = [f for f in told if f.advice and f.severity != "note"]
    wide = [f.advice for f in told if f.kind == "wide steps"]
    gaps = [f for f in told if f.kind == "gap"]
    lead = wide[0] if wide else _finer_steps(view) if len(gaps) > _SINGLE_GAPS else ""
    steps = dict.fromkeys(f.advice for f in told if f.advice != lead)
    return render("next.html.j2", steps=list(steps), lead=lead, again=again)


def _finer_steps(view: BracketView) -> str:
    """Return in words the even steps that leave no gap over the depth that the bracket spans."""
    if view.inspection.axis is None:
        return ""
    positions = view.inspection.axis.positions_px
    span = float(np.ptp(positions))
    # Midway between two planes the blur is half the step.
    needed = int(np.ceil(span / (2 * view.inspection.tolerance_px) - 1e-9)) + 1
    return (
        f"Even steps of {span / (needed - 1):.1f} px would close all these gaps at once: {needed} "
        f"frames over the same depth in place of {len(positions)}."
    )
