"""Sorted groups, and what became of each, as text for one screen."""

from __future__ import annotations

from collections import Counter

from merge.pipeline.each import EachSummary, Outcome
from merge.sort import FrameGroup, GroupKind, NamedGroup, SortedFrames, name_groups

_PLURALS: dict[GroupKind, str] = {
    "focus bracket": "focus brackets",
    "aperture series": "aperture series",
    "exposure bracket": "exposure brackets",
    "single": "singles",
}


def sort_text(result: SortedFrames, *, all_singles: bool = False) -> str:
    """Return a table of the groups with the reason and certainty of each, and a sum.

    Parameters
    ----------
    result : SortedFrames
    all_singles : bool
        One line for each single instead of one for a row of them.
    """
    lines: list[str] = []
    waiting: list[NamedGroup] = []
    for named in name_groups(result.groups):
        if named.group.kind == "single" and not all_singles:
            waiting.append(named)
            continue
        lines += _singles_line(waiting)
        waiting = []
        lines += _group_lines(named.group)
    lines += _singles_line(waiting)
    lines += [f"left out: {line}" for line in result.skipped]
    return "\n".join([*lines, "", sum_line(result)])


def sum_line(result: SortedFrames) -> str:
    """Return one line that counts groups and files."""
    counts = Counter(group.kind for group in result.groups)
    files = sum(len(s.files) for g in result.groups for s in g.shots)
    parts = [
        f"{counts[kind]} {plural if counts[kind] != 1 else kind}"
        for kind, plural in _PLURALS.items()
        if counts[kind]
    ]
    left = f", {len(result.skipped)} left out" if result.skipped else ""
    return f"{files} files: {', '.join(parts) or 'no group'}{left}."


def _group_lines(group: FrameGroup) -> list[str]:
    names = _span(group)
    sure = f"{100 * group.certainty:3.0f} % sure"
    lines = [f"{group.kind:<16}  {names}  {sure}", f"    {group.reason}"]
    return lines + [f"    note: {note}" for note in group.notes]


def _span(group: FrameGroup) -> str:
    first, last = group.shots[0].source.name, group.shots[-1].source.name
    more = sum(len(s.companions) for s in group.shots)
    paired = f" (+{more} beside)" if more else ""
    if len(group.shots) == 1:
        return f"{first}{paired}"
    return f"{first} … {last}, {len(group.shots)} shots{paired}"


def _singles_line(waiting: list[NamedGroup]) -> list[str]:
    if len(waiting) < 2:
        return [line for named in waiting for line in _group_lines(named.group)]
    first = waiting[0].group.shots[0].source.name
    last = waiting[-1].group.shots[-1].source.name
    return [f"{'singles':<16}  {first} … {last}, {len(waiting)} shots"]


def outcome_line(outcome: Outcome) -> str:
    """Return one line for a group that was worked on."""
    what = {
        "done": f"done in {outcome.seconds:.1f} s",
        "skipped": "unchanged since it was finished, skipped",
        "failed": f"failed: {outcome.message}",
    }[outcome.status]
    target = f" → {outcome.output}" if outcome.output and outcome.status != "failed" else ""
    return f"{outcome.name}: {what}{target}"


def each_line(summary: EachSummary) -> str:
    """Return the run in one line."""
    total = len(summary.outcomes)
    return (
        f"{total} groups: {summary.count('done')} done, {summary.count('skipped')} skipped, "
        f"{summary.count('failed')} failed."
    )
