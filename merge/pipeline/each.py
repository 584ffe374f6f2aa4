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
from merge.model import FrameSource, Progress, Stack
from merge.pipeline.record import program_version
from merge.pipeline.sorting import RECORD_NAME as SORTED_RECORD
from merge.pipeline.sorting import load_groups
from merge.read import find_frames
from merge.sort import NamedGroup, SortedFrames, name_groups

FORMAT = "depthweld finished groups"
VERSION = 2
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
    shots : tuple of str
        Names of the group's files.
    """

    name: str
    status: Status
    message: str = ""
    output: Path | None = None
    result: Any = None
    seconds: float = 0.0
    shots: tuple[str, ...] = ()


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

    def record(self) -> dict[str, Any]:
        """Return what JSON tells of them; results hold a "record"."""
        rows = [
            {"name": o.name, "status": o.status, "message": o.message}
            | {"record": o.result["record"] if o.result else None}
            for o in self.outcomes
        ]
        return {"groups": rows}


def chosen_groups(sorted_frames: SortedFrames) -> list[NamedGroup]:
    """Return the focus brackets with their names."""
    return [n for n in name_groups(sorted_frames.groups) if n.group.kind == "focus bracket"]


@dataclass(frozen=True)
class BracketJob:
    """What is done with each focus bracket of a day.

    Attributes
    ----------
    done : str
        What a bracket then is, in one word: "merged". Names the folder and the record.
    work : callable
        ``work(name, stack, output, progress)`` does it and returns JSON values; raises
        `MergeError` when it fails.
    settings : mapping
        Everything that the result depends on besides the frames; JSON values.
    prefer : {"raw", "jpeg"}
        Which of a raw file and a JPEG of one picture counts.
    ending : str
        Of the picture that is made of each bracket, such as ".tif"; empty if there is none.
    """

    done: str
    work: Callable[[str, Stack, Path | None, Progress], Any]
    settings: Mapping[str, Any]
    prefer: Literal["raw", "jpeg"] = "raw"
    ending: str = ""


@dataclass(frozen=True)
class Watch:
    """Who is told what happens.

    Attributes
    ----------
    start : callable
        Called with the folder of the results and the number of brackets, before the first.
    progress : callable
        Called with (stage, frames done, frames in all); the stage tells which bracket of how many.
    report : callable
        Called with each outcome as it comes.
    """

    start: Callable[[Path, int], None] = lambda folder, count: None
    progress: Progress = lambda stage, done, total: None
    report: Callable[[Outcome], None] = lambda outcome: None


def results_folder(path: Path, done: str) -> Path:
    """Return where results go unless told: never among a card's files.

    A folder of its own beside the JSON of a sort, or in the folder that a sort filled; for a card
    or another folder that is sorted on the way, in the current folder.
    """
    if not path.is_dir():
        return path.parent / done
    return path / done if (path / SORTED_RECORD).is_file() else Path(done)


def for_each_bracket(
    path: Path, job: BracketJob, *, folder: Path | None = None, watch: Watch | None = None
) -> EachSummary:
    """Do a job for every focus bracket of a day; what is finished and unchanged is skipped.

    Parameters
    ----------
    path : Path
        What `load_groups` takes: the JSON of a sort, the folder it made, or a folder to sort.
    job : BracketJob
    folder : Path, optional
        Where results go, made when missing; default `results_folder`.
    watch : Watch, optional

    Returns
    -------
    EachSummary
        A bracket with a missing or damaged frame has failed: it is not worked on without it.

    Raises
    ------
    ReadError
        If ``path`` is no sort, or holds no focus bracket.
    WriteError
        If ``folder`` cannot be made.
    """
    watch = watch or Watch()
    groups = chosen_groups(load_groups(path, progress=watch.progress))
    if not groups:
        raise ReadError(f"{path}: no focus bracket in it; see 'depthweld sort' for what it holds")
    folder = folder or results_folder(path, job.done)
    _make_folder(folder)
    watch.start(folder, len(groups))
    numbers = {named.name: f"bracket {i} of {len(groups)}" for i, named in enumerate(groups, 1)}

    def work(named: NamedGroup, output: Path | None) -> Any:
        def show(stage: str, done: int, total: int) -> None:
            watch.progress(f"{numbers[named.name]}, {stage}", done, total)

        return job.work(named.name, _whole_stack(named, job.prefer), output, show)

    return run_each(
        groups,
        work,
        record=folder / f"{job.done}-brackets.json",
        settings={**job.settings, "prefer": job.prefer, "version": program_version()},
        output_for=(lambda named: folder / f"{named.name}{job.ending}") if job.ending else None,
        report=watch.report,
    )


def _whole_stack(named: NamedGroup, prefer: Literal["raw", "jpeg"]) -> Stack:
    """Return a bracket's frames, all of them."""
    shots = named.group.shots
    files = [f.path for s in shots for f in s.files]
    stack = find_frames(files, prefer=prefer)
    if len(stack) != len(shots):
        why = f" ({stack.skipped[0]})" if stack.skipped else ""
        raise ReadError(
            f"{named.name}: {len(stack)} frames found, expected {len(shots)}{why}; "
            "sort the folder again"
        )
    return stack


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise WriteError(
            f"{folder}: cannot be made ({exc.strerror}); give the name of a folder with -o"
        ) from exc


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
    shots = tuple(shot.source.name for shot in named.group.shots)
    try:
        _refuse_damaged(named)
        mark = fingerprint([f for s in named.group.shots for f in s.files], settings)
        before = finished.get(key)
        if before and before["mark"] == mark and (output is None or output.is_file()):
            return Outcome(
                named.name, "skipped", output=output, result=before["result"], shots=shots
            )
        result = work(named, output)
    except (MergeError, OSError, MemoryError, ArithmeticError, LookupError, ValueError) as exc:
        # Faults of ours too must not cost the other groups their night's work.
        text = str(exc) if isinstance(exc, MergeError) else f"{type(exc).__name__}: {exc}"
        seconds = time.monotonic() - started
        return Outcome(named.name, "failed", text, seconds=seconds, shots=shots)
    finished[key] = {"mark": mark, "result": result}
    return Outcome(named.name, "done", "", output, result, time.monotonic() - started, shots)


def _refuse_damaged(named: NamedGroup) -> None:
    bad = [shot.problem for shot in named.group.shots if shot.problem]
    if bad:
        more = f" (and {len(bad) - 1} more)" if len(bad) > 1 else ""
        raise ReadError(f"{bad[0]}{more}. The bracket is left alone; mend it or sort without it.")


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
