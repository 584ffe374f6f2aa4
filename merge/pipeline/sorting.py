"""A folder of files → sorted groups."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import cv2
import numpy as np

from merge.atomic import write_json
from merge.errors import MergeError, ReadError, WriteError
from merge.metadata import own_content
from merge.model import FloatArray, FrameSource
from merge.naming import PICTURE_SUFFIXES
from merge.read import probe_frame, read_preview
from merge.read.frame import probe_header
from merge.read.stack import OWN_OUTPUTS
from merge.sort import SortedFrames, read_record, sort_frames, to_record

# Name of the record that a folder of placed groups carries; such folders hold second names of
# files, so a later look through the folder above leaves them out.
RECORD_NAME = "sorted-frames.json"
# Enough for steps of about two pixels of blur at 24 MP; larger previews cost decoding time.
_PREVIEW_PX = 800
Progress = Callable[[str, int, int], None]


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
        A picture that cannot be read is named in ``skipped`` and does not stop the rest; so is
        one that this program wrote.

    Raises
    ------
    ReadError
        If the folder is missing or holds no picture.
    """
    paths = list(_find_pictures(folder))
    if not paths:
        raise ReadError(f"{folder}: no picture found. Give the folder that holds a day's files.")
    sources: list[FrameSource] = []
    skipped: list[str] = []
    for done, path in enumerate(paths, 1):
        try:
            source, xmp = probe_header(path)
        except MergeError as exc:
            skipped.append(str(exc))
        else:
            own = own_content(xmp)
            if own is None:
                sources.append(source)
            else:
                skipped.append(f"{path.relative_to(folder)}: {OWN_OUTPUTS[own]}")
        if progress:
            progress("headers", done, len(paths))
    previews = _Previews(sources, progress)
    result = sort_frames(sources, previews.load)
    return SortedFrames(result.groups, (*skipped, *previews.failed))


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


def write_record(result: SortedFrames, folder: Path, target: Path) -> Path:
    """Write the groups' JSON into ``target``; never over an existing one.

    Raises
    ------
    WriteError
        If it exists or cannot be written.
    """
    path = target / RECORD_NAME
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise WriteError(f"{target}: cannot be made ({exc.strerror}). Give another one.") from exc
    return write_json(path, to_record(result, folder))


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
    luminance, _ = read_preview(source, min_long_side_px=_PREVIEW_PX)
    # One size for all files of a camera: sharpness is compared in pixels of the preview.
    scale = min(1.0, _PREVIEW_PX / max(source.shape[:2]))
    size = (round(source.shape[1] * scale), round(source.shape[0] * scale))
    return np.asarray(cv2.resize(luminance, size, interpolation=cv2.INTER_AREA), np.float32)


class _Previews:
    """Loads small pictures, counts them, and keeps what went wrong."""

    def __init__(self, sources: list[FrameSource], progress: Progress | None) -> None:
        self.failed: list[str] = []
        self._lock = threading.Lock()
        self._progress = progress
        self._total, self._done = len(sources), 0

    def load(self, source: FrameSource) -> FloatArray | None:
        picture, failure = None, ""
        try:
            picture = _preview(source)
        except MergeError as exc:
            failure = f"{exc} Without its picture it stays alone."
        with self._lock:
            self._done += 1
            if failure:
                self.failed.append(failure)
            if self._progress:
                self._progress("pictures", self._done, self._total)
        return picture
