"""Every focus bracket of a sorted day → what each misses."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any, Literal

from merge.errors import ReadError
from merge.model import AuditOptions
from merge.pipeline.auditing import AuditResult, audit_stack
from merge.pipeline.each import EachSummary, chosen_groups, run_each
from merge.pipeline.record import program_version
from merge.pipeline.sorting import load_groups
from merge.read import find_frames
from merge.sort import NamedGroup

RECORD_NAME = "audited-brackets.json"


def audit_each(
    path: Path,
    options: AuditOptions,
    *,
    describe: Callable[[AuditResult], Any],
    prefer: Literal["raw", "jpeg"] = "jpeg",
    progress: Callable[[str, int, int], None] | None = None,
) -> EachSummary:
    """Audit every focus bracket of an earlier sort; what is finished and unchanged is skipped.

    Parameters
    ----------
    path : Path
        What `load_groups` takes: the JSON of a sort, the folder it made, or a folder to sort.
    options : AuditOptions
    describe : callable
        Result → what is kept of it, JSON values.
    prefer : {"raw", "jpeg"}
        Which of a raw file and a JPEG of one picture is looked at.
    progress : callable, optional
        Called with (stage, frames done, frames in all), the stage with the group's name.

    Returns
    -------
    EachSummary
        The result of every outcome is what ``describe`` returned, in this run or an earlier one.

    Raises
    ------
    ReadError
        If ``path`` is no sort, or holds no focus bracket.
    """
    groups = chosen_groups(load_groups(path))
    if not groups:
        raise ReadError(f"{path}: no focus bracket in it; see 'depthweld sort' for what it holds")

    def work(named: NamedGroup, output: Path | None) -> Any:
        def show(stage: str, done: int, total: int) -> None:
            if progress is not None:
                progress(f"{named.name}: {stage}", done, total)

        files = [f.path for s in named.group.shots for f in (s.source, *s.companions)]
        return describe(audit_stack(find_frames(files, prefer=prefer), options, progress=show))

    settings = asdict(options) | {"prefer": prefer, "version": program_version()}
    place = path if path.is_dir() else path.parent
    return run_each(groups, work, record=place / RECORD_NAME, settings=settings)
