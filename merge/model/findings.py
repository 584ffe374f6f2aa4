"""What a photographer should know."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import get_args

from merge.finding_kinds import FINDING_KINDS, FindingKind, KindFacts
from merge.model.types import Severity


@dataclass(frozen=True)
class Finding:
    """One thing a photographer should know about a stack.

    Attributes
    ----------
    kind : str
        One of those of `merge.finding_kinds`, e.g. "gap", "bumped frame".
    severity : {"note", "warning", "problem"}
    message : str
        One sentence for people: what, where, how much.
    advice : str
        What to do; may be empty.
    value, threshold : float or None
        The measurement and the limit that it crossed, in `unit`.
    unit : str
    frames : tuple of int
        Indices concerned, 0-based.
    box : tuple of int or None
        (row, column, height, width) in the reference frame's pixels.
    interval : tuple of float or None
        Ends of the 90 % interval of `value`, where it is measured with a known error.
    """

    kind: FindingKind
    severity: Severity
    message: str
    advice: str = ""
    value: float | None = None
    threshold: float | None = None
    unit: str = ""
    frames: tuple[int, ...] = ()
    box: tuple[int, int, int, int] | None = None
    interval: tuple[float, float] | None = None

    @property
    def facts(self) -> KindFacts:
        """What the rest needs to know of its kind."""
        return FINDING_KINDS[self.kind]

    @property
    def rank(self) -> int:
        """0 for a problem, then rising: findings sorted by it stand worst first."""
        return get_args(Severity)[::-1].index(self.severity)


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings in order of severity, those of one severity as they came."""
    return tuple(sorted(findings, key=lambda finding: finding.rank))


def worst_severity(severities: Iterable[Severity]) -> Severity | None:
    """Return the worst of some severities; None if there are none."""
    return max(severities, key=get_args(Severity).index, default=None)
