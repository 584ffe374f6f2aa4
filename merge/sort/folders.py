"""A folder for each group, filled with links or copies; sources are never touched."""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import Literal

from merge.atomic import replace_atomically
from merge.errors import WriteError
from merge.sort.groups import FrameGroup, SortedFrames
from merge.sort.record import name_groups

Placement = Literal["soft link", "hard link", "copy"]


def place_groups(result: SortedFrames, target: Path, placement: Placement) -> list[Path]:
    """Make a folder for each group in ``target`` and put its files there.

    Singles share the folder "singles". Everything is checked before the first file is made,
    and no existing file is replaced.

    Parameters
    ----------
    result : SortedFrames
    target : Path
        Made when missing.
    placement : {"soft link", "hard link", "copy"}
        A soft link names the source's full path; a hard link is the same file under a second
        name, on the same disk only; a copy keeps the time stamps.

    Returns
    -------
    list of Path
        The files made.

    Raises
    ------
    WriteError
        If a file exists already, the disk is full, or
        the system refuses the link. Files made before stay.
    """
    plan = _plan(result, target)
    for source, made in plan:
        if os.path.lexists(made):
            raise WriteError(
                f"{made}: exists already, and {source.name} would go there. "
                "Give another folder, or remove it first."
            )
    for source, made in plan:
        try:
            made.parent.mkdir(parents=True, exist_ok=True)
            _place(source, made, placement)
        except OSError as exc:
            raise WriteError(
                f"{made}: no {placement} of {source.name} ({exc.strerror or exc}). "
                + ("Try copies instead." if placement != "copy" else "Check space and rights.")
            ) from exc
    return [made for _, made in plan]


def _plan(result: SortedFrames, target: Path) -> list[tuple[Path, Path]]:
    plan, taken = [], set()
    for named in name_groups(result.groups):
        folder = target / ("singles" if named.group.kind == "single" else named.name)
        for source in _files(named.group):
            made = folder / source.name
            number = 2
            while str(made).casefold() in taken:
                # Two cameras, or two folders of one card, may use one name.
                made = folder / f"{source.stem}-{number}{source.suffix}"
                number += 1
            taken.add(str(made).casefold())
            plan.append((source.resolve(), made))
    return plan


def _files(group: FrameGroup) -> list[Path]:
    return [file.path for shot in group.shots for file in shot.files]


def _place(source: Path, made: Path, placement: Placement) -> None:
    if placement == "soft link":
        made.symlink_to(source)
    elif placement == "hard link":
        os.link(source, made)
    else:
        _copy(source, made)


def _copy(source: Path, made: Path) -> None:
    with replace_atomically(made, overwrite=False) as written, source.open("rb") as read:
        shutil.copyfileobj(read, written, 1 << 20)
    shutil.copystat(source, made)
