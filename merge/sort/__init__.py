"""Files of a day → focus brackets, aperture series, exposure brackets and singles.

Decided from capture times, settings that change or stay, recorded focus distance and small
pictures: does the scene stay, and which way does focus move? Sources are never changed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from merge.errors import MergeError
from merge.model import FloatArray, FrameSource
from merge.sort.folders import Placement, place_groups, remove_placed
from merge.sort.grouping import group_stream
from merge.sort.groups import FrameGroup, GroupKind, GroupSet, Shot, SortedFrames
from merge.sort.likeness import SceneDescriptor, describe_scene
from merge.sort.record import (
    NamedGroup,
    name_groups,
    read_record,
    to_record,
    unreadable_source,
)
from merge.sort.shots import pair_files, split_cameras, without_wrong_times
from merge.threads import map_threads

__all__ = [
    "FrameGroup",
    "GroupKind",
    "GroupSet",
    "NamedGroup",
    "Placement",
    "Shot",
    "SortedFrames",
    "name_groups",
    "place_groups",
    "read_record",
    "remove_placed",
    "sort_frames",
    "to_record",
    "unreadable_source",
]


def sort_frames(
    sources: Sequence[FrameSource],
    load_preview: Callable[[FrameSource], FloatArray],
    *,
    problems: Mapping[Path, str] | None = None,
) -> SortedFrames:
    """Return the groups that files of one or several cameras form.

    Parameters
    ----------
    sources : sequence of FrameSource
        Every picture, in any order.
    load_preview : callable
        Gives a small luminance picture, shape (H, W), float32, 0 to 1, gamma-coded, or raises a
        `MergeError`; called once for each shot, from several threads.
    problems : mapping of Path to str, optional
        Why files among the sources cannot be read at all.

    Returns
    -------
    SortedFrames
        Every file is in exactly one group. A file that cannot be read lies in the bracket that
        its neighbours in the camera's counter form, else it is a single.
    """
    groups: list[FrameGroup] = []
    sets: list[GroupSet] = []
    files, remarks = without_wrong_times(sources)
    shots = [_with_words(shot, problems or {}, remarks) for shot in pair_files(files)]
    # Decoding and filtering release the interpreter's lock, and only reduced forms are kept.
    for stream in split_cameras(shots):
        seen = map_threads(lambda shot: _look(shot, load_preview), stream)
        found, together = group_stream([shot for shot, _ in seen], [one for _, one in seen])
        sets += [GroupSet(s.words, tuple(len(groups) + i for i in s.groups)) for s in together]
        groups += found
    return SortedFrames(tuple(groups), sets=tuple(sets))


def _with_words(shot: Shot, problems: Mapping[Path, str], remarks: Mapping[Path, str]) -> Shot:
    problem, remark = (
        " ".join(words[f.path] for f in shot.files if f.path in words)
        for words in (problems, remarks)
    )
    return replace(shot, problem=problem, remark=remark)


def _look(
    shot: Shot, load_preview: Callable[[FrameSource], FloatArray]
) -> tuple[Shot, SceneDescriptor | None]:
    if shot.problem:
        return shot, None
    try:
        return shot, describe_scene(load_preview(shot.source))
    except MergeError as exc:
        return replace(shot, problem=str(exc)), None
