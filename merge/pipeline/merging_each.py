"""Every focus bracket of a sorted day → one picture each."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

from merge.errors import ReadError, WriteError
from merge.model import MergeOptions, Stack
from merge.pipeline.each import EachSummary, chosen_groups, run_each
from merge.pipeline.record import options_record, program_version
from merge.pipeline.saving import OutputFiles, merge_to_files
from merge.pipeline.sorting import load_groups
from merge.read import find_frames
from merge.sort import NamedGroup
from merge.write import default_output

RECORD_NAME = "merged-brackets.json"


def merge_each(
    path: Path,
    options: MergeOptions,
    *,
    folder: Path | None = None,
    prefer: Literal["raw", "jpeg"] = "raw",
    overwrite: bool = False,
    progress: Callable[[str, int, int], None] | None = None,
) -> EachSummary:
    """Merge every focus bracket of an earlier sort; what is finished and unchanged is skipped.

    Parameters
    ----------
    path : Path
        What `load_groups` takes: the JSON of a sort, the folder it made, or a folder to sort.
    options : MergeOptions
    folder : Path, optional
        Where the pictures go, made when missing, each named after its group; default beside
        each bracket's frames, named after the first and last.
    prefer : {"raw", "jpeg"}
        Which of a raw file and a JPEG of one picture counts.
    overwrite : bool
        Replace existing pictures, but never a frame.
    progress : callable, optional
        Called with (stage, frames done, frames in all), the stage with the group's name.

    Returns
    -------
    EachSummary
        The result of every outcome is the run's record.

    Raises
    ------
    ReadError
        If ``path`` is no sort, or holds no focus bracket.
    WriteError
        If ``folder`` cannot be made.
    """
    groups = chosen_groups(load_groups(path))
    if not groups:
        raise ReadError(f"{path}: no focus bracket in it; see 'depthweld sort' for what it holds")
    if folder is not None:
        _make_folder(folder)

    def output_for(named: NamedGroup) -> Path:
        if folder is not None:
            return folder / f"{named.name}.tif"
        return default_output(Stack(tuple(s.source for s in named.group.shots), "capture time"))

    def work(named: NamedGroup, output: Path | None) -> Any:
        assert output is not None
        files = [f.path for s in named.group.shots for f in (s.source, *s.companions)]
        stack = find_frames(files, prefer=prefer)
        saved = merge_to_files(
            stack,
            OutputFiles(output, overwrite=overwrite),
            options,
            keep_record=True,
            progress=progress and _named(progress, named.name),
        )
        return saved.record

    settings = options_record(options) | {"prefer": prefer, "version": program_version()}
    place = folder if folder is not None else path if path.is_dir() else path.parent
    return run_each(
        groups, work, record=place / RECORD_NAME, settings=settings, output_for=output_for
    )


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as exc:
        raise WriteError(
            f"{folder}: cannot be made ({exc.strerror}); give the name of a folder"
        ) from exc


def _named(progress: Callable[[str, int, int], None], name: str) -> Callable[[str, int, int], None]:
    return lambda stage, done, total: progress(f"{name}: {stage}", done, total)
