"""Findings for one screen, shared by the reports of an audit and a merge."""

from __future__ import annotations

from collections.abc import Sequence

from merge.model import Finding

# Findings of one kind beyond this many are summed up in one line.
_LISTED = 4
_RANK = {"problem": 0, "warning": 1, "note": 2}


def sum_up_findings(findings: Sequence[Finding]) -> list[Finding]:
    """Return findings, worst first, with long runs of one kind cut to the worst and a sum."""
    ranked = sorted(findings, key=lambda f: _RANK[f.severity])
    shown: list[Finding] = []
    for kind in dict.fromkeys(f.kind for f in ranked):
        same = [f for f in ranked if f.kind == kind]
        shown += same if len(same) <= _LISTED else same[: _LISTED - 1]
        if len(same) > _LISTED:
            rest = same[_LISTED - 1 :]
            frames = tuple(sorted({i for f in rest for i in f.frames}))
            numbers = ", ".join(str(i + 1) for i in frames[:12]) + (", …" if frames[12:] else "")
            message = f"{len(rest)} more of the kind “{kind}” (frames {numbers})."
            shown.append(Finding(kind=kind, severity=rest[0].severity, message=message))
    return sorted(shown, key=lambda f: _RANK[f.severity])
