"""File names: what looks like a picture, natural order, counters, files of one exposure."""

from __future__ import annotations

import datetime as dt
import filecmp
import itertools
import os
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np

from merge.model import FrameSource
from merge.rising import longest_rise

# Names under which photographers keep pictures; what a file is, its content tells.
PICTURE_SUFFIXES = frozenset(
    ".jpg .jpeg .jpe .png .tif .tiff .dng .heic .heif .hif .3fr .arw .cr2 .cr3 .crw .dcr .erf "
    ".fff .iiq .kdc .mef .mos .mrw .nef .nrw .orf .pef .raf .raw .rw2 .rwl .sr2 .srf .srw "
    ".x3f".split()
)
# Files of one exposure carry one time; writing two files may round it differently.
_PAIR_TOLERANCE_S = 2.0
# By how much a time misses those of its neighbours in the counter before it counts as wrong: clocks
# that were reset or read wrongly miss by hours, frames of a bracket named anew by seconds.
_WRONG_CLOCK_S = 60.0
# Files missing between two numbers that still belong to one row: what is deleted in a camera at
# once (common practice, no source). Counters of two bodies lie farther apart.
_DELETED = 9


def natural_key(path: Path) -> list[tuple[int, int, str]]:
    """Return a key that sorts names by folder and numbers by value: frame 9 before frame 10."""
    parts = re.split(r"(\d+)", os.path.abspath(path).casefold())
    return [(0, int(p), p) if p.isdecimal() else (1, 0, p) for p in parts]


def name_parts(path: Path) -> tuple[str, int | None]:
    """Return the file name's prefix and its counter, the last run of digits in the stem.

    Examples
    --------
    >>> name_parts(Path("card/IMG_0042.JPG"))
    ('IMG_', 42)
    >>> name_parts(Path("pond.tif"))
    ('pond', None)
    """
    match = re.fullmatch(r"(.*?)(\d+)(\D*)", path.stem)
    if match is None:
        return path.stem, None
    return match[1] + match[3], int(match[2])


def seconds_between(first: dt.datetime | None, second: dt.datetime | None) -> float | None:
    """Return seconds from ``first`` to ``second``; None when a time is missing.

    A time without offset is taken as local, so it is compared with the local part of a time
    that has one.
    """
    if first is None or second is None:
        return None
    if (first.tzinfo is None) != (second.tzinfo is None):
        first, second = first.replace(tzinfo=None), second.replace(tzinfo=None)
    return (second - first).total_seconds()


def pair_files(
    sources: Iterable[FrameSource], order: Callable[[FrameSource], object]
) -> list[list[FrameSource]]:
    """Return the files of each exposure: of one name, each of another kind.

    Parameters
    ----------
    sources : iterable of FrameSource
    order : callable
        Key that puts the file to work with first.

    Returns
    -------
    list of list of FrameSource
        Files of one name in one folder, whether they lie there or are links, or links to files of
        one folder, are one exposure unless their times differ by more than two seconds. In
        different folders (raw files and JPEGs on two cards) the times must be known and agree.
    """
    by_name: dict[str, list[FrameSource]] = defaultdict(list)
    for source in sources:
        by_name[source.path.stem.casefold()].append(source)
    groups = []
    for files in by_name.values():
        files.sort(key=lambda f: (order(f), natural_key(f.path)))
        while files:
            first, rest = files[0], files[1:]
            group = [first]
            for file in rest:
                if all(_one_exposure(member, file) for member in group):
                    group.append(file)
            groups.append(group)
            files = [f for f in rest if f not in group]
    return groups


# What file managers add to the name of a copy (common practice, no source).
_COPY = re.compile(r"(.+?)(?: \(\d+\)| - copy(?: \(\d+\))?| copy(?: \d+)?)", re.IGNORECASE)


def find_copies(paths: Iterable[Path]) -> dict[Path, Path]:
    """Return the files that are copies of others by their names and every byte, and of which.

    Frames of one focus are told by what they show; this is about a folder copied upon itself.
    """
    known = {path.resolve(): path for path in paths}
    found = {}
    for real, path in known.items():
        match = _COPY.fullmatch(path.stem)
        first = match and known.get(real.with_name(match[1] + path.suffix))
        with suppress(OSError):  # who reads it will say so
            if first and filecmp.cmp(first, path, shallow=False):
                found[path] = first
    return found


def _one_exposure(first: FrameSource, second: FrameSource) -> bool:
    if first.kind == second.kind:
        return False
    gap = seconds_between(first.settings.captured_at, second.settings.captured_at)
    if gap is not None and abs(gap) > _PAIR_TOLERANCE_S:
        return False
    together = any(
        place(first.path) == place(second.path) for place in (_named_folder, _real_folder)
    )
    if together:
        return True
    cameras = {first.settings.camera, second.settings.camera}
    return gap is not None and len(cameras) == 1 and "raw" in (first.kind, second.kind)


def _named_folder(path: Path) -> str:
    return os.path.abspath(path.parent)


def _real_folder(path: Path) -> str:
    return str(path.resolve().parent)


def counters_follow(first: Path, second: Path) -> bool:
    """Return whether a camera names ``second`` next after ``first``; 9999 is followed by 1."""
    (before, a), (after, b) = name_parts(first), name_parts(second)
    return before == after and a is not None and b is not None and b == a % COUNTER_END + 1


# A counter of four digits starts again at 1 after 9999 (DCF, JEITA CP-3461: 0001 to 9999).
COUNTER_END = 9999


def unroll(paths: Sequence[Path]) -> list[int]:
    """Return the order of names of one folder, sorted naturally, with a counter's wrap undone."""
    order = list(range(len(paths)))
    counters = [name_parts(path)[1] for path in paths]
    numbers = [c for c in counters if c is not None]
    # Only a full counter can wrap: its end and its start must both be near.
    if len(paths) < 2 or len(numbers) < len(paths):
        return order
    if not COUNTER_END - len(paths) <= numbers[-1] <= COUNTER_END or numbers[0] > len(paths):
        return order
    holes = [b - a for a, b in itertools.pairwise(numbers)]
    cut = max(range(len(holes)), key=holes.__getitem__) + 1
    return order[cut:] + order[:cut]


def wrong_times(paths: Sequence[Path], times: Sequence[dt.datetime | None]) -> list[int]:
    """Return positions of times that a camera's counter disproves.

    What a counter numbers between two pictures was taken between them. Where numbers follow each
    other, but for a few deleted, the fewest times that must be wrong are, if right ones lie on
    either side and they miss these by more than a minute. A clock that was set anew is no such
    case.

    Parameters
    ----------
    paths : sequence of Path
        Of one camera, in the order of its counter.
    times : sequence of datetime or None
        Capture time of each.

    Examples
    --------
    >>> day = [dt.datetime(2024, 5, 4, 9, 30, s) for s in (0, 2, 4)]
    >>> day[1] = dt.datetime(2023, 1, 1)
    >>> wrong_times([Path(f"FRM_010{i}.JPG") for i in (1, 2, 3)], day)
    [1]
    """
    wrong: list[int] = []
    row: list[int] = []
    for i, path in enumerate(paths):
        if row and not _goes_on(paths[row[-1]], path):
            wrong += _wrong_in_row(row, times)
            row = []
        row.append(i)
    return wrong + _wrong_in_row(row, times)


def _goes_on(first: Path, second: Path) -> bool:
    """Return whether a counter stays, as for a raw file and its JPEG, or goes on by a few."""
    (before, a), (after, b) = name_parts(first), name_parts(second)
    if before != after or a is None or b is None:
        return False
    return (b - a) % COUNTER_END <= _DELETED + 1


def _wrong_in_row(row: list[int], times: Sequence[dt.datetime | None]) -> list[int]:
    known = [i for i in row if times[i] is not None]
    since = np.array([seconds_between(times[known[0]], times[i]) or 0.0 for i in known])
    if not (np.diff(since) < 0).any():
        return []
    wrong = []
    for before, after in itertools.pairwise(longest_rise(since)):
        low, high = since[before] - _WRONG_CLOCK_S, since[after] + _WRONG_CLOCK_S
        wrong += [known[k] for k in range(before + 1, after) if not low <= since[k] <= high]
    return wrong
