"""Files → shots in shooting order: pairs of one exposure, cameras, counters that wrap."""

from __future__ import annotations

import datetime as dt
import itertools
import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from pathlib import Path

from merge.model import FrameSource
from merge.sort.groups import Shot

# Files of one exposure carry one time; writing two files may round it differently.
_PAIR_TOLERANCE_S = 2.0
# A counter of four digits starts again at 1 after 9999 (DCF, JEITA CP-3461: 0001 to 9999).
_COUNTER_DIGITS = 4


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


def natural_key(path: Path) -> tuple[tuple[int, int, str], ...]:
    """Return a key that sorts IMG_2 before IMG_10, folder by folder."""
    parts = re.split(r"(\d+)", "/".join(path.parts).casefold())
    return tuple((1, int(p), "") if p.isdigit() else (0, 0, p) for p in parts)


def pair_files(sources: Iterable[FrameSource]) -> list[Shot]:
    """Return one shot for the files of one folder that share name and time.

    A raw file leads its pair. Files of one name whose times differ by more than two seconds
    are separate shots (two cameras copied into one folder).
    """
    by_name: dict[tuple[Path, str], list[FrameSource]] = defaultdict(list)
    for source in sources:
        by_name[source.path.parent, source.path.stem.casefold()].append(source)
    shots = []
    for files in by_name.values():
        files.sort(key=lambda f: (f.kind != "raw", natural_key(f.path)))
        while files:
            first = files[0]
            pair = [f for f in files[1:] if f.kind != first.kind and _same_moment(first, f)]
            shots.append(Shot(first, tuple(pair)))
            files = [f for f in files[1:] if f not in pair]
    return shots


def _same_moment(first: FrameSource, second: FrameSource) -> bool:
    if first.kind != "raw" and second.kind != "raw":
        return False
    gap = seconds_between(first.settings.captured_at, second.settings.captured_at)
    return gap is None or abs(gap) <= _PAIR_TOLERANCE_S


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


def split_cameras(shots: Sequence[Shot]) -> list[list[Shot]]:
    """Return the shots of every camera in shooting order, the camera of the earliest shot first.

    A camera is told by its name, by the prefix of its file names, and, where times show two
    counters running at once, by the counter.
    """
    by_camera: dict[tuple[str | None, str], list[Shot]] = defaultdict(list)
    for shot in shots:
        prefix = name_parts(shot.source.path)[0]
        by_camera[shot.settings.camera, prefix].append(shot)
    by_camera = _join_unnumbered(by_camera)
    ordered = [in_shooting_order(group) for group in by_camera.values()]
    streams = [stream for group in ordered for stream in _split_counters(group)]
    return sorted(streams, key=lambda s: natural_key(s[0].source.path))


def _join_unnumbered(
    by_camera: dict[tuple[str | None, str], list[Shot]],
) -> dict[tuple[str | None, str], list[Shot]]:
    """Put names without counters ("near.jpg", "far.jpg") of one camera together."""
    joined: dict[tuple[str | None, str], list[Shot]] = defaultdict(list)
    for (camera, prefix), shots in by_camera.items():
        numbered = any(name_parts(s.source.path)[1] is not None for s in shots)
        joined[camera, prefix if numbered else ""].extend(shots)
    return joined


def in_shooting_order(shots: Sequence[Shot]) -> list[Shot]:
    """Return shots of one camera by capture time, else by folder and counter.

    Within one second of a clock without sub-seconds the counter decides; a counter that went
    over its end (9999 → 0001) is unrolled where its numbers leave the widest hole.
    """
    rank = {id(shot): i for i, shot in enumerate(_by_name(shots))}
    if all(s.settings.captured_at is not None for s in shots):
        start = shots[0].settings.captured_at
        return sorted(
            shots,
            key=lambda s: (seconds_between(start, s.settings.captured_at) or 0.0, rank[id(s)]),
        )
    return sorted(shots, key=lambda s: rank[id(s)])


def _by_name(shots: Sequence[Shot]) -> list[Shot]:
    """Return shots by folder, then by counter with its wrap undone."""
    folders: dict[Path, list[Shot]] = defaultdict(list)
    for shot in shots:
        folders[shot.source.path.parent].append(shot)
    out: list[Shot] = []
    for folder in sorted(folders, key=natural_key):
        inside = sorted(folders[folder], key=lambda s: natural_key(s.source.path))
        out.extend(_unroll(inside))
    return out


def _unroll(shots: list[Shot]) -> list[Shot]:
    counters = [name_parts(s.source.path)[1] for s in shots]
    if len(shots) < 2 or any(c is None for c in counters):
        return shots
    numbers = [c for c in counters if c is not None]
    turn = 10**_COUNTER_DIGITS - 1
    # Only a full counter can wrap: its end and its start must both be near.
    if numbers[-1] > turn or numbers[-1] < turn - len(shots) or numbers[0] > len(shots):
        return shots
    holes = [b - a for a, b in itertools.pairwise(numbers)]
    cut = max(range(len(holes)), key=holes.__getitem__) + 1
    return shots[cut:] + shots[:cut]


def _split_counters(shots: list[Shot]) -> list[list[Shot]]:
    """Split shots in time order where two counters run at once (two bodies of one model)."""
    streams: list[list[Shot]] = []
    for shot in shots:
        counter = name_parts(shot.source.path)[1]
        if counter is None or shot.settings.captured_at is None:
            return [shots]
        ahead = [_counter_step(s[-1], counter) for s in streams]
        near = [i for i, step in enumerate(ahead) if step == min(ahead)]
        if near and ahead[near[0]] <= len(shots):
            streams[near[0]].append(shot)
        else:
            streams.append([shot])
    return streams if _interleaved(streams) else [shots]


def _counter_step(last: Shot, counter: int) -> int:
    before = name_parts(last.source.path)[1] or 0
    turn = 10**_COUNTER_DIGITS - 1
    return (counter - before - 1) % turn + 1 if counter != before else 0


def _interleaved(streams: list[list[Shot]]) -> bool:
    """Tell whether two streams overlap in time; one after the other is one reset counter."""
    spans = []
    for stream in streams:
        first, last = stream[0].settings.captured_at, stream[-1].settings.captured_at
        spans.append((first, last))
    for i, (start, end) in enumerate(spans):
        for other_start, other_end in spans[i + 1 :]:
            before = seconds_between(other_start, end)
            after = seconds_between(start, other_end)
            if before is not None and after is not None and before > 0 and after > 0:
                return True
    return False
