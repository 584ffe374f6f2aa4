"""Findings for one screen, shared by the reports of an audit and a merge."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from merge.model import Finding, worst_first

# Findings of one kind beyond this many are summed up in one line.
_LISTED = 4
# Where one finding stands for many gaps, those this much worse than usual are listed, too.
_STANDS_OUT = 1.4


def sum_up_findings(findings: Sequence[Finding]) -> list[Finding]:
    """Return findings, worst first, with long runs of one kind cut to the worst and a sum.

    Gaps that one finding about wide steps stands for are left out unless they stand out.
    """
    told, _ = split_usual_gaps(findings)
    ranked = worst_first(told)
    shown: list[Finding] = []
    for kind in dict.fromkeys(f.kind for f in ranked):
        same = [f for f in ranked if f.kind == kind]
        shown += same if len(same) <= _LISTED else same[: _LISTED - 1]
        if len(same) > _LISTED:
            rest = same[_LISTED - 1 :]
            frames = sorted({i for f in rest for i in f.frames})
            message = f"{len(rest)} more of the kind “{kind}” (frames {_numbers(frames)})."
            shown.append(Finding(kind=kind, severity=rest[0].severity, message=message))
    return list(worst_first(shown))


def runs_of(frames: Sequence[int]) -> list[tuple[int, int]]:
    """Return the first and the last frame of every run of frames that follow on one another."""
    runs: list[tuple[int, int]] = []
    for frame in frames:
        follows = bool(runs) and frame == runs[-1][1] + 1
        first = runs.pop()[0] if follows else frame
        runs.append((first, frame))
    return runs


def _numbers(frames: Sequence[int]) -> str:
    """Write frames by number, three or more that follow on one another as 1-3."""
    shown = []
    for first, last in runs_of(frames):
        shown += [str(first + 1)] if last - first < 2 else [f"{first + 1}-{last + 1}"]
        shown += [str(last + 1)] if last - first == 1 else []
    return ", ".join(shown)


def split_usual_gaps(findings: Sequence[Finding]) -> tuple[list[Finding], list[Finding]]:
    """Return the findings to tell, and the gaps that one finding about wide steps stands for.

    What is told of one gap is one finding: its width, the slice missing there, a frame left out.
    """
    findings = _one_for_a_gap(findings)
    usual = next((f.value for f in findings if f.kind == "wide steps"), None)
    told: list[Finding] = []
    summed: list[Finding] = []
    for finding in findings:
        ordinary = usual is not None and (finding.value or 0.0) <= _STANDS_OUT * usual
        (summed if finding.kind == "gap" and ordinary else told).append(finding)
    return told, summed


def _one_for_a_gap(findings: Sequence[Finding]) -> list[Finding]:
    """Return findings with those about one gap in one, as bad as the worst of them."""
    told = list(findings)
    for gap in findings:
        if gap.kind != "gap" or gap.severity == "note" or not gap.frames:
            continue
        first, last = gap.frames
        lost = [f for f in findings if f.kind == "dropped slice" and f.frames == gap.frames]
        without = (f for f in findings if f.kind == "not aligned" and f.severity == "problem")
        out = [f for f in without if first < f.frames[0] < last]
        if not (lost or out):
            continue
        advice = " ".join(f.advice for f in out)
        if lost:
            look, more = lost[0].advice.partition(",")[0], gap.advice
            advice = f"{look}, or {more[:1].lower()}{more[1:]}"
        about = [*out, gap, *lost]
        joined = replace(
            gap,
            severity=worst_first(about)[0].severity,
            message=" ".join(f.message for f in about),
            advice=advice,
        )
        told = [joined if f is gap else f for f in told if f not in lost and f not in out]
    return told


def badness(finding: Finding) -> tuple[int, float]:
    """Order findings worst first: by severity, then by how far the limit is crossed.

    What stands for the whole bracket comes before what stands for one place.
    """
    rank = finding.rank
    if finding.kind == "wide steps":
        return rank, -math.inf
    if not finding.value or not finding.threshold:  # a yes or no, such as a foreign frame
        return rank, -math.inf
    return rank, -abs(math.log(abs(finding.value / finding.threshold)))
