"""Sorted groups as JSON and back."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from merge.errors import ReadError
from merge.model import FrameSource
from merge.sort.groups import FrameGroup, GroupKind, Shot, SortedFrames

FORMAT = "depthweld sorted frames"
VERSION = 1


@dataclass(frozen=True)
class NamedGroup:
    """A group with the name that stays the same for the same first file.

    Attributes
    ----------
    name : str
        Fit for a file or folder name, e.g. "focus-bracket-FRM_0101".
    group : FrameGroup
    """

    name: str
    group: FrameGroup


def name_groups(groups: tuple[FrameGroup, ...]) -> list[NamedGroup]:
    """Return groups with unique names made of their kind and first file."""
    named, used = [], set()
    for group in groups:
        base = f"{group.kind.replace(' ', '-')}-{group.shots[0].source.path.stem}"
        name, number = base, 2
        while name.casefold() in used:
            name, number = f"{base}-{number}", number + 1
        used.add(name.casefold())
        named.append(NamedGroup(name, group))
    return named


def to_record(result: SortedFrames, folder: Path) -> dict[str, Any]:
    """Return what JSON carries; paths are relative to ``folder`` where they lie below it.

    Parameters
    ----------
    result : SortedFrames
    folder : Path
        The folder that was sorted.
    """
    return {
        "format": FORMAT,
        "version": VERSION,
        "folder": str(folder.resolve()),
        "groups": [
            {
                "name": named.name,
                "kind": named.group.kind,
                "certainty": named.group.certainty,
                "reason": named.group.reason,
                "notes": list(named.group.notes),
                "shots": [_shot_record(shot, folder) for shot in named.group.shots],
            }
            for named in name_groups(result.groups)
        ],
        "skipped": list(result.skipped),
    }


def _shot_record(shot: Shot, folder: Path) -> dict[str, Any]:
    settings = shot.settings
    return {
        "file": _relative(shot.source.path, folder),
        "companions": [_relative(c.path, folder) for c in shot.companions],
        "camera": settings.camera,
        "captured_at": settings.captured_at.isoformat() if settings.captured_at else None,
        "f_number": settings.f_number,
        "exposure_time_s": settings.exposure_time_s,
        "iso": settings.iso,
        "focus_distance_m": settings.focus_distance_m,
    }


def _relative(path: Path, folder: Path) -> str:
    try:
        return path.resolve().relative_to(folder.resolve()).as_posix()
    except ValueError:
        return str(path.resolve())


def read_record(path: Path, probe: Callable[[Path], FrameSource]) -> SortedFrames:
    """Return the groups of a JSON file that `to_record` filled.

    Parameters
    ----------
    path : Path
        The JSON file.
    probe : callable
        Reads a picture's header.

    Raises
    ------
    ReadError
        If the file is not such a JSON, or of a newer version; and what ``probe`` raises.
    """
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except OSError as exc:
        raise ReadError(f"{path.name}: cannot be read ({exc.strerror}). Check the path.") from exc
    except ValueError as exc:
        raise _not_ours(path, "no JSON") from exc
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise _not_ours(path, "JSON of another kind")
    if data.get("version") != VERSION:
        raise ReadError(
            f"{path.name}: version {data.get('version')!r}, expected {VERSION}. "
            "Run 'depthweld sort' again with this version of the program."
        )
    try:
        groups = tuple(_read_group(g, Path(data["folder"]), probe) for g in data["groups"])
    except (KeyError, TypeError, AttributeError, ValueError) as exc:
        raise _not_ours(path, f"a damaged record ({exc!r})") from exc
    return SortedFrames(groups, tuple(data.get("skipped", ())))


def _not_ours(path: Path, found: str) -> ReadError:
    return ReadError(
        f"{path.name}: {found}, expected the output of 'depthweld sort --json'. "
        "Give that file, or a folder of pictures."
    )


def _read_group(
    data: dict[str, Any], folder: Path, probe: Callable[[Path], FrameSource]
) -> FrameGroup:
    kind = data["kind"]
    if kind not in get_args(GroupKind):
        raise ValueError(f"kind {kind!r}")
    shots = tuple(
        Shot(probe(folder / s["file"]), tuple(probe(folder / c) for c in s["companions"]))
        for s in data["shots"]
    )
    if not shots:
        raise ValueError("a group without shots")
    return FrameGroup(kind, shots, data["reason"], data["certainty"], tuple(data["notes"]))
