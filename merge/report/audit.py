"""An audit as text for one screen, as JSON, and as a picture that marks the weak parts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.atomic import replace_atomically
from merge.diagnose.wording import percent
from merge.metadata import build_exif_block, build_xmp
from merge.model import BoolArray, CaptureSettings
from merge.optics import focus_shift_at_sensor_um
from merge.pipeline.auditing import AuditResult
from merge.pipeline.inspecting import Inspection
from merge.pipeline.record import inspection_record, program_version
from merge.read import read_preview
from merge.report.findings import runs_of, sum_up_findings
from merge.write.embed import encode_png

AUDIT_SCHEMA = "depthweld audit 1"
# Findings that are framed in the picture; more would cover it.
_FRAMED = 4
# Long side of that picture, at least.
_PICTURE_SIDE = 600
_LINES = 24
# Share of a frame's finest detail that only a gross fault leaves: such alone tells little.
_LITTLE_LEFT = 0.2
# Kinds of findings that leave open whether something was missed.
_AT_LIMIT = frozenset({"step at the limit", "end at the limit"})


def audit_record(result: AuditResult) -> dict[str, Any]:
    """Return an audit as JSON-ready values; frames are counted from 0, unknown is null."""
    record = {"schema": AUDIT_SCHEMA, "interrupted": result.interrupted, "seconds": result.seconds}
    return record | inspection_record(result.stack, result.inspection)


def audit_text(result: AuditResult) -> str:
    """Return the audit for one screen: the verdict, then findings, worst first."""
    lines = [_headline(result), *_verdict(result), ""]
    findings = sum_up_findings(result.findings)
    for finding in findings[:_LINES]:
        lines.append(f"{finding.severity:<8} {finding.message}")
        if finding.advice and finding.severity != "note":
            lines.append(f"         → {finding.advice}")
    if len(findings) > _LINES:
        lines.append(f"… and {len(findings) - _LINES} more; --json lists all.")
    if not findings:
        lines.append("No finding.")
    lines += ["", *_slice_lines(result), *_not_told_lines(result)]
    return "\n".join(lines)


def write_weak_parts(result: AuditResult, path: Path, *, overwrite: bool = False) -> None:
    """Write a PNG of the reference frame with the parts marked that no frame shows sharply.

    Parts beyond tolerance are tinted; what lies in gaps and beyond ends is framed and numbered
    as in the text.

    Raises
    ------
    WriteError
        If the file exists (and ``overwrite`` is False), is a frame, or cannot be written.
    ReadError
        If the reference frame cannot be read any more.
    """
    with replace_atomically(path, overwrite=overwrite, inputs=result.stack.inputs) as file:
        file.write(_marked_png(draw_weak_parts(result)))


def _marked_png(drawn: np.ndarray) -> bytes:
    """Return a PNG that says where it comes from: no later run takes it for a frame."""
    return encode_png(
        np.ascontiguousarray(drawn[:, :, ::-1]),
        exif=build_exif_block(CaptureSettings(), software="depthweld"),
        xmp=build_xmp({"version": program_version(), "content": "weak parts of a bracket"}),
        icc=None,
    )


def draw_weak_parts(result: AuditResult) -> np.ndarray:
    """Return the marked picture, (h, w, 3) uint8 in OpenCV's channel order."""
    reference = result.stack.sources[result.registration.reference]
    luminance, _ = read_preview(reference, min_long_side_px=_PICTURE_SIDE)
    grey = np.clip(luminance * 255, 0, 255).astype(np.uint8)
    picture = cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)
    if result.axis is None or result.inspection.coverage is None:
        return picture
    scale = picture.shape[1] / result.registration.shape[1]
    side = result.axis.tile_size_px * scale
    rows, columns = result.inspection.coverage.outside.shape
    size = (min(round(columns * side), picture.shape[1]), min(round(rows * side), picture.shape[0]))
    mask = cv2.resize(
        result.inspection.coverage.outside.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST
    )
    mask = cv2.medianBlur(mask, 2 * round(side / 2) + 3).astype(bool)  # single tiles are unsure
    area = picture[: size[1], : size[0]]
    vermilion = np.array([0, 94, 213])  # Okabe & Ito, told apart by colour-blind readers too
    area[mask] = (0.45 * area[mask] + 0.55 * vermilion).astype(np.uint8)
    framed = [f for f in result.findings if f.box is not None and f.severity != "note"]
    for finding in framed[:_FRAMED]:
        assert finding.box is not None
        top, left, height, width = (round(v * scale) for v in finding.box)
        corner = (left + width, top + height)
        cv2.rectangle(picture, (left, top), corner, (0, 94, 213), 2)
        label = f"{finding.kind} {'-'.join(str(i + 1) for i in finding.frames)}"
        place = (left + 3, max(top - 5, 14))
        cv2.putText(picture, label, place, cv2.FONT_HERSHEY_SIMPLEX, 0.45, (0, 0, 0), 3)
        cv2.putText(picture, label, place, cv2.FONT_HERSHEY_SIMPLEX, 0.45, (255, 255, 255), 1)
    return picture


def _headline(result: AuditResult) -> str:
    count = len(result.stack)
    first, last = result.stack.sources[0].name, result.stack.sources[-1].name
    cut = " (stopped early: only these were looked at)" if result.interrupted else ""
    return f"{count} frames, {first} to {last}{cut}, {result.seconds:.1f} s"


def _verdict(result: AuditResult) -> list[str]:
    """Say plainly whether something was missed, with the margin."""
    axis, coverage = result.axis, result.inspection.coverage
    if axis is None or coverage is None:
        return ["Focus steps: not measured."]
    steps = np.diff(axis.positions_px)
    spread = "" if len(steps) < 2 else f" (from {steps.min():.1f} to {steps.max():.1f})"
    lines = [
        f"Focus steps: {np.median(steps):.1f} px of blur{spread}{_sensor_step(result.inspection)}"
    ]
    lines += _distance_lines(result)
    # A soft or shaken frame with a place is one that no other stands in for.
    lost = {f.kind for f in result.findings if f.box is not None} & {"soft frame", "shaken frame"}
    holes = [f for f in result.findings if f.facts.hole]
    missed = [f for f in holes if f.severity != "note"]
    if missed or lost:
        count = sum(f.kind == "gap" for f in missed)
        ends = sum(f.kind == "end not covered" for f in missed)
        parts = [f"{count} gap{'s' if count > 1 else ''}"] if count else []
        if parts and any(f.kind == "wide steps" for f in result.findings):  # one cause
            parts = ["what wide steps leave between planes"]
        parts += [f"{ends} end{'s' if ends > 1 else ''} not covered"] if ends else []
        gaps = [f.frames for f in missed if f.kind == "gap"]
        rhythm = [f for f in missed if f.kind == "dropped slice" and f.frames not in gaps]
        parts += ["what a step out of the rhythm leaves out"] if rhythm else []
        beyond = (
            f"; {percent(coverage.outside_share)} of the picture's detail reads as blurred by more "
            f"than {coverage.tolerance_px:.2g} px in every frame."
        )
        parts += ["what only soft or shaken frames show"] if lost else []
        lines.append(f"Missed: {' and '.join(parts)}{beyond if missed else '.'}")
    elif holes or any(f.kind in _AT_LIMIT for f in result.findings):
        lines.append(
            f"No warning, but in places at the limit of {coverage.tolerance_px:.2g} px: see notes."
        )
    else:
        margin = 1 - coverage.worst_blur_px / coverage.tolerance_px
        lines.append(
            f"Nothing missed: between planes blur reaches {coverage.worst_blur_px:.1f} px of the "
            f"{coverage.tolerance_px:.2g} px allowed ({100 * margin:.0f} % to spare)."
        )
    return lines


def _sensor_step(inspection: Inspection) -> str:
    number = next((s.effective_f_number for s in inspection.slices if s.effective_f_number), None)
    if number is None or inspection.pixel_pitch_um is None or inspection.axis is None:
        return ""
    step = float(np.median(np.diff(inspection.axis.positions_px)))
    shift = float(focus_shift_at_sensor_um(step * inspection.pixel_pitch_um, number))
    text = f", {shift:.0f} µm at the sensor"
    if inspection.magnification:
        way = shift / inspection.magnification**2
        text += f", {way:.2g} µm" if way < 100 else f", {way / 1000:.2g} mm"
        text += " at the subject"
    return text


def _distance_lines(result: AuditResult) -> list[str]:
    """Tell in metres from where to where the bracket is focused, if that is known."""
    measured = [p.measured_m for p in result.inspection.places if p.measured_m is not None]
    recorded = [p.recorded_m for p in result.inspection.places if p.recorded_m is not None]
    if not measured:
        return []
    text = f"{_metres(min(measured))} to {_metres(max(measured))} by these steps"
    if not recorded:
        return [f"Focused from {text}."]
    told = f"recorded: {_metres(min(recorded))} to {_metres(max(recorded))}"
    if any(f.kind == "focus distances" for f in result.findings):
        return [f"Focused from {text} ({told})."]
    # A small error of the steps is a large one of far distances.
    return [f"Focused as {told}; the steps agree with that."]


def _metres(distance_m: float) -> str:
    return "infinity" if math.isinf(distance_m) else f"{distance_m:.3g} m"


def _slice_lines(result: AuditResult) -> list[str]:
    """Tell what limits the slices, one line where they are alike."""
    groups: dict[str, list[int]] = {}
    for s in result.inspection.slices:
        if s.frame in result.inspection.aligned:
            groups.setdefault(s.limit, []).append(s.frame)
    known = [s for s in result.inspection.slices if s.diffraction_contrast is not None]
    if not known:
        return [
            f"Diffraction: not known; {result.inspection.slices[0].known_by}. Where it dominates, "
            "the steps above read up to 18 % too small."
        ]
    limits = "; ".join(f"{name}: {_runs(result, which)}" for name, which in groups.items())
    s = known[0]
    assert s.diffraction_contrast is not None
    return [
        f"Sharpness is limited by: {limits}.",
        f"Diffraction at f/{s.effective_f_number:.3g} ({s.known_by}): Airy disk "
        f"{s.airy_diameter_px:.1f} px, {100 * s.diffraction_contrast:.0f} % contrast at 0.25 "
        "cycles/px.",
    ]


def _not_told_lines(result: AuditResult) -> list[str]:
    """Say what may have been missed, and from which size on the rest would be told."""
    limits, aligned = result.inspection.limits, result.inspection.aligned
    if limits is None or len(aligned) < 2:
        return []
    parts = []
    for word, ratios in (("softness", limits.soft_ratio), ("shake", limits.shaken_ratio)):
        parts += _missed_words(result, word, np.isnan(ratios), "")
        gross = f" that leaves {percent(_LITTLE_LEFT)} of the fine detail or more"
        parts += _missed_words(result, word, ratios < _LITTLE_LEFT, gross)
    missing = limits.missing_slices
    unsure = np.flatnonzero(~(missing <= 1)).tolist()
    if len(unsure) == len(missing):
        parts.append("by the steps' rhythm a single slice left out")
    elif unsure:
        after = _runs(result, [aligned[k] for k in unsure])
        parts.append(f"by the steps' rhythm a single slice left out after {after}")
    lines = [f"May have been missed here: {'; '.join(parts)}."] if parts else []
    told = [*_gap_words(limits.gap_px)]
    if math.isfinite(limits.bump_px):
        told.append(f"a knock of {limits.bump_px:.1f} px")
    told.append(f"a change of light of {limits.exposure_ev:.1f} EV")
    ends = [
        f"{blur:.1f} px {where}"
        for blur, where in zip(
            limits.end_px, ("before the first frame", "behind the last"), strict=True
        )
        if math.isfinite(blur)
    ]
    if not ends:
        return [*lines, f"Would have been told: {', '.join(told)}."]
    far = limits.end_reach_px
    upto = f" (but not by more than {far:.1f} px)" if math.isfinite(far) else ""
    return [
        *lines,
        f"Would have been told: {', '.join(told)}; less surely a subject that goes on by "
        f"{' or '.join(ends)}{upto}, with {percent(limits.end_share)} of the detail.",
    ]


def _missed_words(result: AuditResult, fault: str, places: BoolArray, which: str) -> list[str]:
    """Say in which of the aligned frames a fault may have been missed."""
    aligned = result.inspection.aligned
    frames = [aligned[k] for k in np.flatnonzero(places).tolist()]
    if len(frames) == len(aligned):
        return [f"{fault} of any frame{which}"]
    return [f"{fault} of {_runs(result, frames)}{which}"] if frames else []


def _gap_words(gap_px: NDArray[np.float64]) -> list[str]:
    """Say from which blur midway gaps are told, at the surest and the least sure step."""
    known = gap_px[np.isfinite(gap_px)]
    if not len(known):
        return []
    least, most = f"{known.min():.1f}", f"{known.max():.1f}"
    beyond = "" if least == most else f" (at the least sure step {most} px)"
    return [f"a blur midway of {least} px{beyond}"]


def _runs(result: AuditResult, frames: Sequence[int]) -> str:
    """Name frames, those that follow on one another by the first and the last of them."""
    names = [source.name for source in result.stack.sources]
    runs = runs_of(frames)
    return ", ".join(names[a] if a == b else f"{names[a]} to {names[b]}" for a, b in runs)
