"""What a review knows: groups of frames, the work waiting and running, merges that are open."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from merge.atomic import written_together
from merge.errors import MergeError, ReadError
from merge.model import Finding, FrameSource, MergeOptions, Stack
from merge.pipeline.auditing import audit_stack
from merge.pipeline.finished import FinishedMerge, is_record, read_finished
from merge.pipeline.merging import MergeResult, merge_stack
from merge.pipeline.saving import OutputFiles, write_merge
from merge.pipeline.sorting import load_groups
from merge.read import find_frames, probe_frame
from merge.review.look import Look
from merge.sort import FrameGroup, NamedGroup, Shot, name_groups

# "open" merges once more, without writing anything, so that a picture of an earlier session can be
# repaired.
Task = Literal["audit", "merge", "open"]
# A merge needs so many frames; an audit likewise.
_FEWEST_FRAMES = 2


class _CancelledError(Exception):
    """The person stopped a piece of work."""


@dataclass
class Work:
    """One piece of work on a group, from waiting to done."""

    task: Task
    state: Literal["waiting", "running", "done", "failed", "cancelled"] = "waiting"
    stage: str = ""
    done: int = 0
    total: int = 0
    message: str = ""
    cancel: threading.Event = field(default_factory=threading.Event)

    def plain(self) -> dict[str, Any]:
        """Return what a page shows of it."""
        share = self.done / self.total if self.total else 0.0
        return {
            "task": self.task,
            "state": self.state,
            "stage": self.stage,
            "share": share,
            "message": self.message,
        }


@dataclass
class Group:
    """One group of frames and what has been done with it, in an earlier session too (``done``)."""

    named: NamedGroup
    done: FinishedMerge | None = None
    work: Work | None = None
    findings: tuple[dict[str, Any], ...] | None = None
    look: Look | None = None

    @property
    def sources(self) -> list[FrameSource]:
        """The frames that count, of raw and JPEG pairs the raw."""
        return [shot.source for shot in self.named.group.shots]

    @property
    def can_merge(self) -> bool:
        """Whether it is a focus bracket."""
        return (
            self.named.group.kind == "focus bracket"
            and len(self.named.group.shots) >= _FEWEST_FRAMES
        )


class Session:
    """One folder under review.

    Parameters
    ----------
    place : Path
        A folder of pictures, the JSON of ``depthweld sort --json``, or the record of a merge.
    into : Path
        Folder for merged pictures; made when the first one is written. A record's picture stays
        where it is.
    """

    def __init__(self, place: Path, into: Path) -> None:
        self.place, self.into = place, into
        self.groups: list[Group] = []
        self.finding = Work("audit", "running", "Looking through the pictures")
        self.touched = time.monotonic()
        self._queue: queue.Queue[Group | None] = queue.Queue()
        self._lock = threading.RLock()
        self._thread = threading.Thread(target=self._run, name="review work", daemon=True)

    def start(self) -> None:
        """Begin to look for groups."""
        self._thread.start()

    def stop(self) -> None:
        """Cancel what runs and let go of open merges."""
        for group in self.groups:
            if group.work is not None:
                group.work.cancel.set()
        self._queue.put(None)
        self._thread.join(timeout=10)
        for group in self.groups:
            if group.look is not None:
                group.look.close()

    @property
    def busy(self) -> bool:
        """Whether something runs or waits."""
        works = [self.finding, *(g.work for g in self.groups if g.work is not None)]
        return any(work.state in ("running", "waiting") for work in works)

    def touch(self) -> None:
        """Remember that somebody is there."""
        self.touched = time.monotonic()

    # ---- what is asked for ----

    def ask(self, number: int, task: Task) -> None:
        """Queue a piece of work; a group has one at a time.

        Raises
        ------
        MergeError
            If it already waits or runs, or the group is no focus bracket.
        """
        with self._lock:
            group = self.group(number)
            if not group.can_merge:
                raise MergeError("This group is not a focus bracket.")
            if group.work is not None and group.work.state in ("waiting", "running"):
                raise MergeError("This bracket is being worked on already.")
            if task == "open" and group.look is not None:
                return
            if task == "merge" and group.look is not None and group.look.unsaved:
                raise MergeError("Save or undo the changes to this picture first.")
            group.work = Work(task)
            self._queue.put(group)

    def cancel(self, number: int) -> None:
        """Stop a group's work at the next frame."""
        work = self.group(number).work
        if work is not None:
            work.cancel.set()
            if work.state == "waiting":
                work.state = "cancelled"

    def group(self, number: int) -> Group:
        """Return a group by its number.

        Raises
        ------
        KeyError
            If there is none.
        """
        if not 0 <= number < len(self.groups):
            raise KeyError(number)
        return self.groups[number]

    def look(self, number: int) -> Look:
        """Return a group's open merge.

        Raises
        ------
        KeyError
            If it has not been merged in this session.
        """
        look = self.group(number).look
        if look is None:
            raise KeyError(number)
        return look

    # ---- files ----

    def picture_path(self, group: Group) -> Path:
        """Return where a group's merged picture goes."""
        return self.into / f"{group.named.name}.tif"

    def edits_path(self, group: Group) -> Path:
        """Return where a group's edits go."""
        return self.into / f"{group.named.name}.edits.json"

    # ---- work ----

    def _run(self) -> None:
        self._find_groups()
        while (group := self._queue.get()) is not None:
            work = group.work
            if work is None or work.state != "waiting":
                continue
            work.state = "running"
            try:
                self._do(group, work)
                work.state, work.message = "done", ""
            except _CancelledError:
                work.state = "cancelled"
            except MergeError as exc:
                work.state, work.message = "failed", str(exc)
            except MemoryError:
                work.state, work.message = "failed", "Memory ran out. Close other programs."
            except Exception as exc:  # a fault of ours must not end the review
                work.state, work.message = "failed", f"{type(exc).__name__}: {exc}"

    def _find_groups(self) -> None:
        try:
            if self.place.is_file() and is_record(self.place):
                groups = [self._group_of_record()]
            else:
                found = load_groups(self.place, progress=self._progress(self.finding))
                groups = [Group(named) for named in name_groups(found.groups)]
            for group in groups:
                group.done = group.done or _finished(self.picture_path(group))
                if group.done is not None:
                    group.findings = tuple(f | {"box": None} for f in group.done.findings)
            self.groups = groups
            self.finding.state = "done"
        except MergeError as exc:
            self.finding.state, self.finding.message = "failed", str(exc)

    def _group_of_record(self) -> Group:
        """Return the frames of a finished merge as a group.

        Raises
        ------
        MergeError
            If the record is damaged, or a frame is not where it was.
        """
        done = read_finished(self.place)
        picture = done.picture
        if picture.suffix.lower() not in (".tif", ".tiff"):
            raise ReadError(
                f"{self.place}: the merge was written as {picture.suffix}; a review repairs 16-bit "
                "TIFFs. Merge again to a .tif, or give the frames' folder."
            )
        self.into = picture.parent
        shots = tuple(Shot(probe_frame(path)) for path in done.frames)
        found = FrameGroup("focus bracket", shots, f"the frames of {self.place.name}", 1.0)
        return Group(NamedGroup(picture.stem, found), done)

    def _progress(self, work: Work) -> Any:
        def progress(stage: str, done: int, total: int) -> None:
            work.stage, work.done, work.total = stage, done, total
            if work.cancel.is_set():
                raise _CancelledError

        return progress

    def _do(self, group: Group, work: Work) -> None:
        stack = stack_of(group)
        progress = self._progress(work)
        if work.task == "audit":
            group.findings = _told(audit_stack(stack, progress=progress).findings)
            return
        target = self.picture_path(group)
        # The written picture of an earlier session was made so, and holds the edits so told.
        done = group.done if work.task == "open" else None
        options = MergeOptions() if done is None else done.options
        result = merge_stack(stack, options, progress=progress)
        if work.task == "merge":
            work.stage, work.done, work.total = "Writing", 0, 1
            self._write(result, target)
        if group.look is not None:
            group.look.close()
        group.findings = _told(result.findings)
        written = () if done is None else done.edits
        group.look = Look(result, target, self.edits_path(group), written)
        progress("Making the frames ready", 0, 1)
        group.look.keep_frames(progress)

    def _write(self, result: MergeResult, target: Path) -> None:
        self.into.mkdir(parents=True, exist_ok=True)
        files = OutputFiles(target, record=target.with_suffix(".json"), overwrite=True)
        with written_together():
            write_merge(result, files, [])

    # ---- what a page shows ----

    def plain(self) -> dict[str, Any]:
        """Return the state for the page of groups."""
        return {
            "place": str(self.place),
            "into": str(self.into),
            "finding": self.finding.plain(),
            "groups": [self._group_plain(k, group) for k, group in enumerate(self.groups)],
        }

    def _group_plain(self, number: int, group: Group) -> dict[str, Any]:
        found = group.named.group
        look = group.look
        return {
            "number": number,
            "name": group.named.name,
            "kind": found.kind,
            "certainty": found.certainty,
            "reason": found.reason,
            "frames": [source.name for source in group.sources],
            "can_merge": group.can_merge,
            "work": None if group.work is None else group.work.plain(),
            "findings": None if group.findings is None else list(group.findings),
            "written": self.picture_path(group).name if self.picture_path(group).is_file() else "",
            "open": look is not None,
            "unsaved": look is not None and look.unsaved,
        }


def _told(findings: Sequence[Finding]) -> tuple[dict[str, Any], ...]:
    """Return what a page tells of findings."""
    return tuple(
        {"severity": f.severity, "message": f.message, "advice": f.advice, "box": f.box}
        for f in findings
    )


def _finished(target: Path) -> FinishedMerge | None:
    """Return what the record beside a merged picture tells; None where there is none."""
    record = target.with_suffix(".json")
    try:
        return read_finished(record) if target.is_file() and record.is_file() else None
    except ReadError:
        return None


def stack_of(group: Group) -> Stack:
    """Return a group's frames as a stack.

    Raises
    ------
    MergeError
        If the frames do not belong together.
    """
    return find_frames([str(source.path) for source in group.sources])
