"""The same job for group after group: goes on after a failure, and resumes."""

from __future__ import annotations

import hashlib
import json
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from merge.atomic import write_json
from merge.errors import MergeError, ReadError, WriteError
from merge.json_files import read_json
from merge.model import FrameSource
from merge.sort import GroupKind, NamedGroup, SortedFrames, name_groups

FORMAT = "depthweld finished groups"
VERSION = 1
_SAMPLE_BYTES = 65536
_SCHEMA = {
    "type": "object",
    "required": ["format", "version", "finished"],
    "properties": {
        "format": {"const": FORMAT},
        "version": {"const": VERSION},
        "finished": {
            "type": "object",
            "additionalProperties": {
                "type": "object",
                "required": ["mark", "result"],
                "properties": {"result": {"type": ["object", "null"]}},
            },
        },
    },
}
Status = Literal["done", "skipped", "failed"]


@dataclass(frozen=True)
class Outcome:
    """What became of one group.

    Attributes
    ----------
    name : str
        The group's name.
    status : {"done", "skipped", "failed"}
        Skipped: finished in an earlier run from the same frames with the same settings.
    message : str
        What failed; empty otherwise.
    output : Path or None
        The finished file, when the job makes one.
    result : object
        What the job returned, of this run or the earlier one.
    seconds : float
        Time of this run.
    """

    name: str
    status: Status
    message: str = ""
    output: Path | None = None
    result: Any = None
    seconds: float = 0.0


@dataclass(frozen=True)
class EachSummary:
    """What became of all groups; `failed` decides the exit code."""

    outcomes: tuple[Outcome, ...]

    def count(self, status: Status) -> int:
        """Return how many groups ended so."""
        return sum(o.status == status for o in self.outcomes)

    @property
    def failed(self) -> bool:
        """Whether any group failed."""
        return self.count("failed") > 0


def chosen_groups(
    sorted_frames: SortedFrames, kind: GroupKind = "focus bracket"
) -> list[NamedGroup]:
    """Return the groups of one kind with their names."""
    return [n for n in name_groups(sorted_frames.groups) if n.group.kind == kind]


def run_each(
    groups: Iterable[NamedGroup],
    work: Callable[[NamedGroup, Path | None], Any],
    *,
    record: Path,
    settings: Mapping[str, Any],
    output_for: Callable[[NamedGroup], Path] | None = None,
    report: Callable[[Outcome], None] | None = None,
) -> EachSummary:
    """Do one job for each group; one failure does not stop the rest.

    Parameters
    ----------
    groups : iterable of NamedGroup
    work : callable
        ``work(group, output)`` does the job and returns something that JSON can hold, or
        None; raises `MergeError` when it fails.
    record : Path
        JSON file that remembers what is finished; made when missing, replaced as a whole
        after each group.
    settings : mapping
        Everything that the result depends on besides the frames; JSON values.
    output_for : callable, optional
        The file that the job makes for a group.
    report : callable, optional
        Called with each outcome as it comes.

    Returns
    -------
    EachSummary

    Raises
    ------
    ReadError
        If the record cannot be understood.
    WriteError
        If the record cannot be written.

    Notes
    -----
    A group counts as unchanged when settings and every file's name, size, time stamp and
    first and last 64 KiB are as before; reading every byte would cost a slow card minutes.
    """
    finished = _read_finished(record)
    outcomes = []
    for group in groups:
        output = output_for(group) if output_for else None
        outcome = _run_one(group, work, output, settings, finished)
        if outcome.status == "done":
            _write_finished(record, finished)
        outcomes.append(outcome)
        if report:
            report(outcome)
    return EachSummary(tuple(outcomes))


def _run_one(
    named: NamedGroup,
    work: Callable[[NamedGroup, Path | None], Any],
    output: Path | None,
    settings: Mapping[str, Any],
    finished: dict[str, Any],
) -> Outcome:
    started = time.monotonic()
    key = str(output.resolve()) if output else named.name
    try:
        mark = fingerprint([s.source for s in named.group.shots], settings)
        before = finished.get(key)
        if before and before["mark"] == mark and (output is None or output.is_file()):
            return Outcome(named.name, "skipped", output=output, result=before["result"])
        result = work(named, output)
    except (MergeError, OSError, MemoryError, ArithmeticError, LookupError, ValueError) as exc:
        # Faults of ours too must not cost the other groups their night's work.
        text = str(exc) if isinstance(exc, MergeError) else f"{type(exc).__name__}: {exc}"
        return Outcome(named.name, "failed", text, seconds=time.monotonic() - started)
    finished[key] = {"mark": mark, "result": result}
    return Outcome(named.name, "done", "", output, result, time.monotonic() - started)


def fingerprint(sources: Iterable[FrameSource], settings: Mapping[str, Any]) -> str:
    """Return a mark that changes when a frame or a setting does.

    Raises
    ------
    ReadError
        If a frame cannot be read.
    """
    digest = hashlib.sha256(json.dumps(settings, sort_keys=True).encode())
    for source in sources:
        try:
            status = source.path.stat()
            digest.update(f"\n{source.name}\n{status.st_size}\n{status.st_mtime_ns}\n".encode())
            with source.path.open("rb") as file:
                digest.update(file.read(_SAMPLE_BYTES))
                file.seek(max(0, status.st_size - _SAMPLE_BYTES))
                digest.update(file.read(_SAMPLE_BYTES))
        except OSError as exc:
            raise ReadError(
                f"{source.name}: cannot be read ({exc.strerror}). Is the card still there?"
            ) from exc
    return digest.hexdigest()


def _read_finished(record: Path) -> dict[str, Any]:
    if not record.exists():
        return {}
    try:
        data = read_json(record, schema=_SCHEMA, source="an earlier run with --each")
    except ReadError as exc:
        raise ReadError(
            f"{record}: not a record of finished groups (version {VERSION}). "
            "Move it away to start from the beginning."
        ) from exc
    return dict(data["finished"])


def _write_finished(record: Path, finished: dict[str, Any]) -> None:
    try:
        record.parent.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise WriteError(f"{record.parent}: cannot be made ({exc.strerror}).") from exc
    content = {"format": FORMAT, "version": VERSION, "finished": finished}
    write_json(record, content, overwrite=True)
