"""A merge as text for one screen."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from merge.model import Finding, Stack
from merge.pipeline.merging import MergeResult
from merge.pipeline.record import measured_extremes
from merge.pipeline.saving import SavedMerge
from merge.report.findings import split_usual_gaps, sum_up_findings

# Lines of lists that fit on one screen beside everything else.
_SKIPPED_LISTED, _FINDINGS_LISTED = 4, 8
_STAGES = {
    "align": "aligning",
    "measure": "measuring sharpness",
    "blend": "merging",
    "write": "writing",
}


def merge_text(saved: SavedMerge, *, verbose: bool = False) -> str:
    """Return what was merged, measured, found and written, in about ten lines.

    Parameters
    ----------
    saved : SavedMerge
    verbose : bool
        A line for each frame, and every line of lists that are cut short otherwise.
    """
    result = saved.result
    lines = [
        _frames_line(result),
        *_reading_lines(result.stack, verbose=verbose),
        *_measured_lines(result),
        *(_frame_table(result) if verbose else ()),
        _method_line(result),
        *_finding_lines(result, verbose=verbose),
        f"Time       {times_text(result.seconds)}",
        *_written_lines(saved),
    ]
    return "\n".join(lines)


def _frames_line(result: MergeResult) -> str:
    """Return how many frames, from which to which, in what order; findings tell which are out."""
    sources = result.stack.sources
    span = f"{sources[0].name} to {sources[-1].name}"
    out = sum(frame.transform is None for frame in result.registration.frames)
    left_out = f", {out} of them left out" if out else ""
    order = result.stack.ordered_by if result.stack.shot_order is None else "focus"
    return f"Frames     {len(sources)}, {span}, in order of {order}{left_out}"


def _reading_lines(stack: Stack, *, verbose: bool) -> list[str]:
    lines = [f"  passed over: {line}" for line in stack.skipped]
    lines += [f"  turned as most frames, not as it tells: {name}" for name in stack.turned]
    return lines if verbose else _listed(lines, _SKIPPED_LISTED)


def _listed(lines: Sequence[str], limit: int) -> list[str]:
    if len(lines) <= limit:
        return list(lines)
    return [*lines[:limit], f"  … and {len(lines) - limit} more (-v lists all)"]


def _measured_lines(result: MergeResult) -> list[str]:
    registration = result.registration
    place = registration.reference
    name = result.stack.sources[place].name
    found = measured_extremes(result)
    parts = [f"shift up to {found.shift_px:.1f} px"]
    parts.append(f"magnification {100 * (found.magnification_range - 1):.2f} %")
    if found.rotation_deg >= 0.01:
        parts.append(f"rotation up to {found.rotation_deg:.2f}°")
    if registration.blurred_coded:
        parts.append("blurred after encoding (stored values taken as light)")
    exposure = f"exposure {_change(found.gain_range)} ({found.exposure_range_ev:.2f} EV)"
    if not result.options.equalize_exposure:
        exposure += ", kept"
    motion = "not moved" if registration.model == "none" else f"by {registration.model}"
    if registration.reason and registration.model != "similarity":
        motion += f" ({registration.reason})"
    return [
        f"Aligned    to {name} (frame {place + 1}), {motion}",
        f"Measured   {', '.join([*parts, exposure])}",
    ]


def _change(ratio: float) -> str:
    """Write by how much one value exceeds another; from three times it on as a factor.

    Examples
    --------
    >>> _change(1.017), _change(8.06)
    ('1.7 %', '8.1 times')
    """
    return f"{100 * (ratio - 1):.1f} %" if ratio < 3 else f"{ratio:.1f} times"


def _frame_table(result: MergeResult) -> Iterator[str]:
    yield "  frame  shift x, y in px    magnification  exposure  uncertain by  name"
    frames = zip(result.stack.sources, result.registration.frames, strict=True)
    for number, (source, frame) in enumerate(frames, 1):
        if frame.transform is None:
            yield f"  {number:5d}  {'left out':<57}{source.name}"
            continue
        x, y = frame.transform.shift_px(result.registration.shape)
        size, residual = frame.transform.magnification, "-"
        if math.isfinite(frame.residual_px):  # without motion nothing is measured
            residual = f"{frame.residual_px:.2f} px"
        yield (
            f"  {number:5d}  {x:+8.2f} {y:+8.2f}  {100 * size:13.3f} %  "
            f"{100 * frame.gain:7.1f} %  {residual:>12}  {source.name}"
        )


def _method_line(result: MergeResult) -> str:
    height, width, channels = result.pixels.shape
    area = {
        "common": "the area that all frames cover",
        "reference": "the reference frame's area",
    }[result.options.extent]
    grey = ", grey" if channels == 1 else ""
    return f"Merged     by {result.options.method} to {width} x {height} px{grey}, {area}"


def _finding_lines(result: MergeResult, *, verbose: bool) -> list[str]:
    findings: Sequence[Finding] = result.findings
    if not findings:
        allowed = f"{result.inspection.tolerance_px:.3g} px"
        return [f"Findings   none: all frames aligned, nothing missed at {allowed} of blur allowed"]
    shown = findings if verbose else sum_up_findings(findings)
    lines = [f"  {f.severity}: {' '.join(filter(None, (f.message, f.advice)))}" for f in shown]
    told, summed = split_usual_gaps(findings)
    count = f"{len(told)}" + (f", and {len(summed)} gaps that the first sums up" if summed else "")
    return [
        f"Findings   {count}",
        *(lines if verbose else _listed(lines, _FINDINGS_LISTED)),
    ]


def times_text(seconds: Mapping[str, float]) -> str:
    """Return what a merge took, in all and of each stage."""
    parts = ", ".join(f"{_STAGES.get(stage, stage)} {s:.1f}" for stage, s in seconds.items())
    return f"{sum(seconds.values()):.1f} s ({parts})"


def _written_lines(saved: SavedMerge) -> Iterator[str]:
    files = saved.files
    known = saved.result.depth is not None
    outputs = (
        (files.picture, _bits(files.picture)),
        (files.depth if known else None, "depth map"),
        (files.depth_preview if known else None, "depth map in colours"),
        (files.mesh if known else None, "surface"),
        (files.record, "record"),
    )
    for path, what in outputs:
        if path is not None:
            yield f"Written    {path} ({what}, {path.stat().st_size / 1e6:.1f} MB)"


def _bits(path: Path) -> str:
    return {".jpg": "8-bit JPEG", ".jpeg": "8-bit JPEG", ".png": "16-bit PNG"}.get(
        path.suffix.lower(), "16-bit TIFF"
    )
