"""Files of a day → focus brackets, aperture series, exposure brackets and singles.

Decided from capture times, settings that change or stay, recorded focus distance and small
pictures: does the scene stay, and which way does focus move? Sources are never changed.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np

from merge.model import FloatArray, FrameSource
from merge.sort.folders import Placement, place_groups
from merge.sort.grouping import group_shots
from merge.sort.groups import FrameGroup, GroupKind, Shot, SortedFrames
from merge.sort.likeness import Likeness, describe
from merge.sort.record import NamedGroup, name_groups, read_record, to_record
from merge.sort.shots import pair_files, split_cameras

__all__ = [
    "FrameGroup",
    "GroupKind",
    "NamedGroup",
    "Placement",
    "Shot",
    "SortedFrames",
    "name_groups",
    "place_groups",
    "read_record",
    "sort_frames",
    "to_record",
]

_THREADS = min(8, os.cpu_count() or 1)


def sort_frames(
    sources: Sequence[FrameSource],
    load_preview: Callable[[FrameSource], FloatArray | None],
) -> SortedFrames:
    """Return the groups that files of one or several cameras form.

    Parameters
    ----------
    sources : sequence of FrameSource
        Every picture, in any order.
    load_preview : callable
        Gives a small luminance picture, shape (H, W), float32, 0 to 1, gamma-coded, or None
        when it cannot be read; called once for each shot, from several threads.

    Returns
    -------
    SortedFrames
        Every file is in exactly one group, except files whose preview cannot be read: those
        are singles too.
    """
    groups: list[FrameGroup] = []
    # Decoding and filtering release the interpreter's lock, and only reduced forms are kept.
    with ThreadPoolExecutor(max_workers=_THREADS) as pool:
        for shots in split_cameras(pair_files(sources)):
            seen = list(pool.map(lambda shot: _look(shot, load_preview), shots))
            groups += group_shots(shots, seen)
    return SortedFrames(tuple(groups))


def _look(shot: Shot, load_preview: Callable[[FrameSource], FloatArray | None]) -> Likeness:
    preview = load_preview(shot.source)
    if preview is None:
        height, width = shot.source.shape[:2]
        scale = 64 / max(height, width)
        preview = np.zeros(
            (max(8, round(height * scale)), max(8, round(width * scale))), np.float32
        )
    return describe(preview)
