"""A folder for each group, filled with links or copies; sources are never touched."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Literal

from merge.atomic import replace_atomically
from merge.errors import WriteError
from merge.sort.groups import SortedFrames
from merge.sort.record import name_groups

Placement = Literal["soft link", "hard link", "copy"]
_SINGLES = "singles"
# What systems say where links are not possible at all, or not to another disk.
_NO_LINKS = {errno.EPERM, errno.EXDEV, errno.ENOSYS, errno.EOPNOTSUPP}


def place_groups(
    result: SortedFrames, target: Path, placement: Placement, *, taken: Iterable[str] = ()
) -> tuple[SortedFrames, list[Path]]:
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
    taken : iterable of str
        Names of folders that an earlier day has filled; this day's get others.

    Returns
    -------
    placed : SortedFrames
        The groups with the files made in place of their sources.
    made : list of Path
        Those files.

    Raises
    ------
    WriteError
        If a file exists already, the target is one, the disk is full, or the system refuses the
        link. Whatever ends it, the files made until then are removed again.
    """
    if target.exists() and not target.is_dir():
        raise WriteError(f"{target}: a file, expected a folder. Choose another name.")
    plan, placed = _plan(result, target, taken)
    for source, made in plan:
        if os.path.lexists(made):
            raise WriteError(
                f"{made}: exists already, and {source.name} would go there. "
                "Give another folder, or remove it first."
            )
    done: list[Path] = []
    try:
        for source, made in plan:
            made.parent.mkdir(parents=True, exist_ok=True)
            _place(source, made, placement)
            done.append(made)
    except BaseException as exc:
        remove_placed(done, begun=made)
        if not isinstance(exc, OSError):
            raise
        advice = "Try copies instead." if exc.errno in _NO_LINKS else "Check space and rights."
        raise WriteError(
            f"{made}: no {placement} of {source.name} ({exc.strerror or exc}). {advice}"
        ) from exc
    return placed, [made for _, made in plan]


def remove_placed(made: Iterable[Path], *, begun: Path | None = None) -> None:
    """Remove files that `place_groups` made, and their folders that are empty then."""
    made = list(made)
    for path in made:
        path.unlink(missing_ok=True)
    for folder in {path.parent for path in (*made, *([] if begun is None else [begun]))}:
        with suppress(OSError):  # something else lies in it, or it was never made
            folder.rmdir()


def _plan(
    result: SortedFrames, target: Path, taken: Iterable[str]
) -> tuple[list[tuple[Path, Path]], SortedFrames]:
    plan, groups = [], []
    used = _names_in(target / _SINGLES)
    for named in name_groups(result.groups, taken=taken):
        folder = target / (_SINGLES if named.group.kind == "single" else named.name)
        shots = []
        for shot in named.group.shots:
            files = []
            for file in shot.files:
                made = _free_name(folder / file.path.name, used)
                plan.append((file.path.resolve(), made))
                files.append(replace(file, path=made))
            shots.append(replace(shot, source=files[0], companions=tuple(files[1:])))
        groups.append(replace(named.group, shots=tuple(shots)))
    return plan, replace(result, groups=tuple(groups))


def _names_in(folder: Path) -> set[str]:
    return {str(p).casefold() for p in folder.iterdir()} if folder.is_dir() else set()


def _free_name(wanted: Path, used: set[str]) -> Path:
    """Return a name that no other file of the plan has: two cameras, or two days, may share one."""
    made, number = wanted, 2
    while str(made).casefold() in used:
        made = wanted.with_name(f"{wanted.stem}-{number}{wanted.suffix}")
        number += 1
    used.add(str(made).casefold())
    return made


def _place(source: Path, made: Path, placement: Placement) -> None:
    if placement == "soft link":
        made.symlink_to(source)
    elif placement == "hard link":
        os.link(source, made)
    else:
        copy_file(source, made)


def copy_file(source: Path, made: Path) -> None:
    """Copy a file with its times; it appears whole or not at all, and replaces nothing.

    Raises
    ------
    OSError, WriteError
        If it cannot be read or written.
    """
    with replace_atomically(made, overwrite=False) as written, source.open("rb") as read:
        shutil.copyfileobj(read, written, 1 << 20)
    shutil.copystat(source, made)
