"""Sorted groups, and what became of each, as text for one screen."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

from merge.pipeline.each import EachSummary, Outcome
from merge.printable import printable_name
from merge.report.numbers import counted
from merge.sort import FrameGroup, GroupKind, GroupSet, SortedFrames

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
    waiting: list[FrameGroup] = []
    shown = _shown_names(result)
    for group in result.groups:
        if group.kind == "single" and not all_singles and not group.notes:
            waiting.append(group)
            continue
        lines += _singles_line(waiting, shown)
        waiting = []
        lines += _group_lines(group, shown)
    lines += _singles_line(waiting, shown)
    lines += [f"left out: {line}" for line in result.skipped]
    lines += [f"together {one.words}: {_set_span(one, result, shown)}" for one in result.sets]
    return "\n".join([*lines, "", sum_line(result)])


def sum_line(result: SortedFrames) -> str:
    """Return one line that counts groups and files."""
    counts = Counter(group.kind for group in result.groups)
    files = counted(sum(len(s.files) for g in result.groups for s in g.shots), "file")
    parts = [
        f"{counts[kind]} {plural if counts[kind] != 1 else kind}"
        for kind, plural in _PLURALS.items()
        if counts[kind]
    ]
    left = f", {len(result.skipped)} left out" if result.skipped else ""
    return f"{files}: {', '.join(parts) or 'no group'}{left}."


def _shown_names(result: SortedFrames) -> dict[Path, str]:
    """Return what to call each file: its name, with the folder where two bear one name."""
    paths = [s.source.path for g in result.groups for s in g.shots]
    count = Counter(path.name for path in paths)
    return {
        path: printable_name(
            f"{path.parent.name}/{path.name}" if count[path.name] > 1 else path.name
        )
        for path in paths
    }


def _group_lines(group: FrameGroup, shown: dict[Path, str]) -> list[str]:
    sure = f"{100 * group.certainty:3.0f} % sure"
    lines = [f"{group.kind:<16}  {_span(group, shown)}  {sure}", f"    {group.reason}"]
    return lines + [f"    note: {note}" for note in group.notes]


def _span(group: FrameGroup, shown: dict[Path, str]) -> str:
    first, last = (shown[group.shots[i].source.path] for i in (0, -1))
    more = sum(len(s.companions) for s in group.shots)
    paired = f" (+{more} of the same exposures)" if more else ""
    if len(group.shots) == 1:
        return f"{first}{paired}"
    return f"{first} … {last}, {len(group.shots)} shots{paired}"


def _set_span(one: GroupSet, result: SortedFrames, shown: dict[Path, str]) -> str:
    groups = [result.groups[i] for i in one.groups]
    first, last = groups[0].shots[0], groups[-1].shots[-1]
    return f"{shown[first.source.path]} … {shown[last.source.path]}"


def _singles_line(waiting: list[FrameGroup], shown: dict[Path, str]) -> list[str]:
    if len(waiting) < 2:
        return [line for group in waiting for line in _group_lines(group, shown)]
    first, last = (shown[waiting[i].shots[0].source.path] for i in (0, -1))
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
    groups = counted(len(summary.outcomes), "group")
    return (
        f"{groups}: {summary.count('done')} done, {summary.count('skipped')} skipped, "
        f"{summary.count('failed')} failed."
    )
