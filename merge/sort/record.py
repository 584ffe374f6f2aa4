"""Sorted groups as JSON and back."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from merge.atomic import short_stem
from merge.errors import MergeError, ReadError
from merge.json_files import check_json, read_json
from merge.model import CaptureSettings, FileKind, FrameSource
from merge.sort.groups import FrameGroup, GroupKind, GroupSet, Shot, SortedFrames

FORMAT = "depthweld sorted frames"
VERSION = 1
_SOURCE = "depthweld sort --json"
_MOST = 1_000_000
_NAME = {"type": "string", "minLength": 1, "maxLength": 4096, "pattern": "^[^\\0]*$"}
_NAMES = {"type": "array", "maxItems": _MOST, "items": _NAME}
_TEXTS = {"type": "array", "maxItems": _MOST, "items": {"type": "string"}}
_HEAD_SCHEMA = {
    "type": "object",
    "required": ["format", "version"],
    "properties": {"format": {"const": FORMAT}},
}
_SHOT_SCHEMA = {
    "type": "object",
    "required": ["file", "companions"],
    "properties": {"file": _NAME, "companions": _NAMES, "problem": {"type": ["string", "null"]}},
}
_GROUP_SCHEMA = {
    "type": "object",
    "required": ["name", "kind", "shots", "reason", "certainty", "notes"],
    "properties": {
        "name": {"type": "string"},
        "kind": {"enum": list(get_args(GroupKind))},
        "shots": {"type": "array", "minItems": 1, "maxItems": _MOST, "items": _SHOT_SCHEMA},
        "reason": {"type": "string"},
        "certainty": {"type": "number", "minimum": 0, "maximum": 1},
        "notes": _TEXTS,
    },
}
_SCHEMA = {
    "type": "object",
    "required": ["folder", "groups"],
    "properties": {
        "folder": _NAME,
        "groups": {"type": "array", "maxItems": _MOST, "items": _GROUP_SCHEMA},
        "skipped": _TEXTS,
        "sets": {
            "type": "array",
            "maxItems": _MOST,
            "items": {
                "type": "object",
                "required": ["words", "groups"],
                "properties": {"words": {"type": "string"}, "groups": _TEXTS},
            },
        },
    },
}
# What a file is by its name, where its content cannot be read.
_KINDS: dict[str, FileKind] = {
    ".jpg": "jpeg", ".jpeg": "jpeg", ".jpe": "jpeg", ".png": "png", ".tif": "tiff",
    ".tiff": "tiff", ".heic": "heif", ".heif": "heif", ".hif": "heif",
}  # fmt: skip


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


def name_groups(
    groups: tuple[FrameGroup, ...], *, taken: Iterable[str] = (), folders: bool = False
) -> list[NamedGroup]:
    """Return groups with unique names made of their kind and first file.

    Parameters
    ----------
    groups : tuple of FrameGroup
    taken : iterable of str
        Names that are given away already.
    folders : bool
        Groups but singles lie in folders that bear their names already.
    """
    named, used = [], {name.casefold() for name in taken}
    for group in groups:
        first = group.shots[0].source.path
        base = f"{group.kind.replace(' ', '-')}-{short_stem(first)}"
        if folders and group.kind != "single":
            base = first.parent.name
        name, number = base, 2
        while name.casefold() in used:
            name, number = f"{base}-{number}", number + 1
        used.add(name.casefold())
        named.append(NamedGroup(name, group))
    return named


def to_record(result: SortedFrames, folder: Path, *, movable: bool = False) -> dict[str, Any]:
    """Return what JSON carries; paths are relative to ``folder`` where they lie below it.

    Parameters
    ----------
    result : SortedFrames
    folder : Path
        The folder that was sorted.
    movable : bool
        The JSON lies in ``folder`` and is moved with it: links are named, not followed.
    """
    named = name_groups(result.groups, folders=movable)
    return {
        "format": FORMAT,
        "version": VERSION,
        "folder": "." if movable else str(folder.resolve()),
        "groups": [
            {
                "name": one.name,
                "kind": one.group.kind,
                "certainty": one.group.certainty,
                "reason": one.group.reason,
                "notes": list(one.group.notes),
                "shots": [_shot_record(shot, folder, movable) for shot in one.group.shots],
            }
            for one in named
        ],
        "sets": [
            {"words": s.words, "groups": [named[i].name for i in s.groups]} for s in result.sets
        ],
        "skipped": list(result.skipped),
    }


def _shot_record(shot: Shot, folder: Path, movable: bool) -> dict[str, Any]:
    settings = shot.settings
    place = _below if movable else _relative
    return {
        "file": place(shot.source.path, folder),
        "companions": [place(c.path, folder) for c in shot.companions],
        "problem": shot.problem,
        "camera": settings.camera,
        "captured_at": settings.captured_at.isoformat() if settings.captured_at else None,
        "f_number": settings.f_number,
        "exposure_time_s": settings.exposure_time_s,
        "iso": settings.iso,
        "focus_distance_m": settings.focus_distance_m,
    }


def _below(path: Path, folder: Path) -> str:
    return Path(os.path.relpath(path, folder)).as_posix()


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
        Reads a picture's header, or raises a `MergeError`: the shot then tells its problem.

    Raises
    ------
    ReadError
        If the file is not such a JSON, or of a newer version.
    """
    data = read_json(path, schema=_HEAD_SCHEMA, source=_SOURCE)
    if data["version"] != VERSION:
        raise ReadError(
            f"{path.name}: version {data['version']!r}, expected {VERSION}. "
            "Run 'depthweld sort' again with this version of the program."
        )
    check_json(data, path, schema=_SCHEMA, source=_SOURCE)
    names = [g["name"] for g in data["groups"]]
    unknown = {name for s in data.get("sets", ()) for name in s["groups"]} - set(names)
    if unknown:
        raise ReadError(
            f"{path.name}: a set of a group {min(unknown)!r} that it does not hold. Run 'depthweld "
            "sort' again."
        )
    folder = path.parent / data["folder"]
    groups = tuple(_read_group(g, folder, probe) for g in data["groups"])
    return SortedFrames(groups, tuple(data.get("skipped", ())), _read_sets(data, names))


def _read_sets(data: dict[str, Any], names: list[str]) -> tuple[GroupSet, ...]:
    return tuple(
        GroupSet(s["words"], tuple(names.index(name) for name in s["groups"]))
        for s in data.get("sets", ())
    )


def _read_group(
    data: dict[str, Any], folder: Path, probe: Callable[[Path], FrameSource]
) -> FrameGroup:
    shots = tuple(_read_shot(shot, folder, probe) for shot in data["shots"])
    return FrameGroup(data["kind"], shots, data["reason"], data["certainty"], tuple(data["notes"]))


def _read_shot(data: dict[str, Any], folder: Path, probe: Callable[[Path], FrameSource]) -> Shot:
    sources, problems = [], []
    for name in (data["file"], *data["companions"]):
        path = folder / name
        try:
            sources.append(probe(path))
        except MergeError as exc:
            # One bad file fails its own group, not the day.
            sources.append(unreadable_source(path))
            problems.append(str(exc))
    problem = " ".join(problems) or (data.get("problem") or "")
    return Shot(sources[0], tuple(sources[1:]), problem)


def unreadable_source(path: Path) -> FrameSource:
    """Return a file of which nothing but its name is known."""
    kind: FileKind = _KINDS.get(path.suffix.lower(), "raw")
    return FrameSource(path, kind, (0, 0, 3), 8, "srgb", None, CaptureSettings())
