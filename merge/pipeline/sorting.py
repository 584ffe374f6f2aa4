"""A folder of files → sorted groups."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from merge.atomic import write_json
from merge.errors import MergeError, ReadError, WriteError
from merge.metadata import own_content
from merge.model import FloatArray, FrameSource, Progress
from merge.naming import PICTURE_SUFFIXES, find_copies
from merge.read import probe_frame, read_preview
from merge.read.frame import probe_header
from merge.read.stack import OWN_OUTPUTS
from merge.sort import (
    GroupSet,
    Placement,
    SortedFrames,
    place_groups,
    read_record,
    remove_placed,
    sort_frames,
    to_record,
    unreadable_source,
)

# Name of the record that a folder of placed groups carries; such folders hold second names of
# files, so a later look through the folder above leaves them out.
RECORD_NAME = "sorted-frames.json"
# Enough for steps of about two pixels of blur at 24 MP; larger previews cost decoding time.
_PREVIEW_PX = 800


def sort_folder(folder: Path, *, progress: Progress | None = None) -> SortedFrames:
    """Return the groups of every picture in a folder and the folders in it.

    Parameters
    ----------
    folder : Path
    progress : callable, optional
        Called with (what, done, total).

    Returns
    -------
    SortedFrames
        A picture that cannot be read does not stop the rest; its group names it. One that this
        program wrote, or a copy of another, is named in ``skipped``.

    Raises
    ------
    ReadError
        If the folder is missing or holds no picture.
    """
    paths = list(_find_pictures(folder))
    if not paths:
        raise ReadError(f"{folder}: no picture found. Give the folder that holds a day's files.")
    copies = find_copies(paths)
    skipped = [f"{path.relative_to(folder)}: a copy of {of.name}" for path, of in copies.items()]
    paths = [path for path in paths if path not in copies]
    sources: list[FrameSource] = []
    problems: dict[Path, str] = {}
    for done, path in enumerate(paths, 1):
        try:
            source, xmp = probe_header(path)
        except MergeError as exc:
            problems[path] = str(exc)
            sources.append(unreadable_source(path))
        else:
            own = own_content(xmp)
            if own is None:
                sources.append(source)
            else:
                skipped.append(f"{path.relative_to(folder)}: {OWN_OUTPUTS[own]}")
        if progress:
            progress("headers", done, len(paths))
    previews = _Previews(len(sources) - len(problems), progress)
    result = sort_frames(sources, previews.load, problems=problems)
    return replace(result, skipped=tuple(skipped))


def load_groups(path: Path, *, progress: Progress | None = None) -> SortedFrames:
    """Return groups from the JSON of an earlier sort, or by sorting a folder.

    Raises
    ------
    ReadError
        If ``path`` is neither.
    """
    if path.is_dir():
        record = path / RECORD_NAME
        if record.is_file():
            return read_record(record, probe_frame)
        return sort_folder(path, progress=progress)
    return read_record(path, probe_frame)


def place_sorted(result: SortedFrames, target: Path, placement: Placement) -> list[Path]:
    """Place groups in folders, see `place_groups`, and note them in the target's record.

    Groups of an earlier day that the record holds stay in it.

    Raises
    ------
    ReadError
        If the target holds a record that cannot be understood.
    WriteError
        If a file or the record cannot be written, or the target holds the files themselves.
    """
    sources = (file.path for group in result.groups for shot in group.shots for file in shot.files)
    if target.resolve() in {path.resolve().parent for path in sources}:
        # Its record would make the next look through the card pass these files over.
        raise WriteError(f"{target}: holds the files that are sorted. Give another folder.")
    record = target / RECORD_NAME
    earlier = read_record(record, probe_frame) if record.is_file() else SortedFrames(())
    result = _leave_out_placed(result, earlier, target)
    taken = {path.name for path in target.iterdir()} if target.is_dir() else set()
    placed, made = place_groups(result, target, placement, taken=taken)
    shift = len(earlier.groups)
    together = SortedFrames(
        earlier.groups + placed.groups,
        earlier.skipped + placed.skipped,
        earlier.sets
        + tuple(GroupSet(s.words, tuple(shift + i for i in s.groups)) for s in placed.sets),
    )
    # Paths in the record are relative to it, so that the folder can be moved as a whole.
    try:
        write_json(record, to_record(together, target, movable=True), overwrite=True)
    except BaseException:
        remove_placed(made)
        raise
    return made


def _leave_out_placed(result: SortedFrames, earlier: SortedFrames, target: Path) -> SortedFrames:
    """Return the groups that no earlier run placed in the target."""
    there = {_identity(f.path) for g in earlier.groups for s in g.shots for f in s.files}
    new = [
        i
        for i, group in enumerate(result.groups)
        if not all(_identity(f.path) in there for s in group.shots for f in s.files)
    ]
    if result.groups and not new:
        raise WriteError(f"{target}: exists already, with all of these files. Nothing was placed.")
    sets = [
        GroupSet(s.words, tuple(new.index(i) for i in s.groups))
        for s in result.sets
        if all(i in new for i in s.groups)
    ]
    return SortedFrames(tuple(result.groups[i] for i in new), result.skipped, tuple(sets))


def _identity(path: Path) -> tuple[str, int, int] | None:
    """Return what a file, a link to it and a copy of it have in common."""
    try:
        status = path.stat()
    except OSError:
        return None
    return path.name, status.st_size, status.st_mtime_ns


def _find_pictures(folder: Path) -> Iterator[Path]:
    if not folder.is_dir():
        raise ReadError(f"{folder}: not a folder. Give the folder that holds a day's files.")
    for place, inside, names in os.walk(folder):
        inside[:] = sorted(n for n in inside if not n.startswith("."))
        if RECORD_NAME in names:
            inside.clear()
            continue
        for name in sorted(names):
            # "._name" files are a file system's side notes on some cards.
            if not name.startswith(".") and Path(name).suffix.lower() in PICTURE_SUFFIXES:
                yield Path(place) / name


def _preview(source: FrameSource) -> FloatArray:
    # As stored: a camera that points down may tell any orientation, and turns in no bracket.
    source = replace(source, shape=source.stored_shape, orientation=1)
    luminance, _ = read_preview(source, min_long_side_px=_PREVIEW_PX)
    # One size for all files of a camera: sharpness is compared in pixels of the preview.
    scale = min(1.0, _PREVIEW_PX / max(source.shape[:2]))
    size = (max(1, round(source.shape[1] * scale)), max(1, round(source.shape[0] * scale)))
    return np.asarray(cv2.resize(luminance, size, interpolation=cv2.INTER_AREA), np.float32)


class _Previews:
    """Loads small pictures and counts them."""

    def __init__(self, total: int, progress: Progress | None) -> None:
        self._lock = threading.Lock()
        self._progress = progress
        self._total, self._done = total, 0

    def load(self, source: FrameSource) -> FloatArray:
        try:
            return _preview(source)
        finally:
            with self._lock:
                self._done += 1
                if self._progress:
                    self._progress("pictures", self._done, self._total)
