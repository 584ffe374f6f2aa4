"""Files → shots in shooting order: pairs of one exposure, cameras, counters that wrap."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

from merge.model import FrameSource
from merge.naming import (
    COUNTER_END,
    counters_follow,
    name_parts,
    natural_key,
    seconds_between,
    unroll,
    wrong_times,
)
from merge.naming import pair_files as pair_by_name
from merge.sort.groups import Shot

# A camera, the prefix of its names, a folder: files that share a counter.
Lane = tuple[str | None, str, Path]


def without_wrong_times(
    sources: Iterable[FrameSource],
) -> tuple[list[FrameSource], dict[Path, str]]:
    """Return the files, times that the counter disproves as unknown, and a remark for each such."""
    lanes: dict[Lane, list[FrameSource]] = defaultdict(list)
    for source in sources:
        lanes[source.settings.camera, name_parts(source.path)[0], source.path.parent].append(source)
    out, remarks = [], {}
    for lane in lanes.values():
        lane.sort(key=lambda source: natural_key(source.path))
        lane = [lane[i] for i in unroll([source.path for source in lane])]
        times = [source.settings.captured_at for source in lane]
        for i in wrong_times([source.path for source in lane], times):
            remarks[lane[i].path] = (
                f"{lane[i].name}: its time, {times[i]}, is not that of its neighbours in the "
                "camera's counter; its place is that of its name"
            )
            lane[i] = replace(lane[i], settings=replace(lane[i].settings, captured_at=None))
        out += lane
    return out, remarks


def pair_files(sources: Iterable[FrameSource]) -> list[Shot]:
    """Return one shot for the files of one exposure; a raw file leads its pair."""
    pairs = pair_by_name(sources, order=lambda source: source.kind != "raw")
    return [Shot(first, tuple(rest)) for first, *rest in pairs]


def split_cameras(shots: Sequence[Shot]) -> list[list[Shot]]:
    """Return the shots of every camera in shooting order.

    A camera is told by its name. Files of one camera name whose folders or prefixes overlap in
    time come from two bodies; so do two counters that run at once in one folder. Files that tell
    no camera go with their neighbours in the same folder's counter.
    """
    lanes = [in_shooting_order(lane) for lane in _lanes(shots).values()]
    streams = [stream for lane in lanes for stream in _split_counters(lane)]
    streams.sort(key=lambda s: natural_key(s[0].source.path))
    return sorted(_join_lanes(streams), key=lambda s: natural_key(s[0].source.path))


def _lanes(shots: Sequence[Shot]) -> dict[Lane, list[Shot]]:
    lanes: dict[Lane, list[Shot]] = defaultdict(list)
    unnamed: dict[tuple[str, Path], list[Shot]] = defaultdict(list)
    for shot in shots:
        path, camera = shot.source.path, shot.settings.camera
        prefix, counter = name_parts(path)
        prefix = prefix if counter is not None else ""
        if camera is None and shot.settings.captured_at is None:
            unnamed[prefix, path.parent].append(shot)
        else:
            lanes[camera, prefix, path.parent].append(shot)
    for (prefix, folder), lost in unnamed.items():
        owners = [lane for lane in lanes if lane[1:] == (prefix, folder)]
        known = {lane: list(lanes[lane]) for lane in owners}
        for shot in lost:
            lane = min(owners, key=lambda lane: _nearest(shot, known[lane]), default=None)
            lanes[lane or (None, prefix, folder)].append(shot)
    return lanes


def _nearest(shot: Shot, others: list[Shot]) -> int:
    counter = name_parts(shot.source.path)[1] or 0
    return min(abs((name_parts(other.source.path)[1] or 0) - counter) for other in others)


def in_shooting_order(shots: Sequence[Shot]) -> list[Shot]:
    """Return shots of one camera by capture time, those without one after their name's neighbour.

    Within one second of a clock without sub-seconds the counter decides; a counter that went
    over its end (9999 → 0001) is unrolled where its numbers leave the widest hole.
    """
    by_name = _by_name(shots)
    rank = {id(shot): i for i, shot in enumerate(by_name)}
    timed = [shot for shot in by_name if shot.settings.captured_at is not None]
    if not timed:
        return by_name
    start = timed[0].settings.captured_at
    ordered = sorted(
        timed, key=lambda s: (seconds_between(start, s.settings.captured_at) or 0.0, rank[id(s)])
    )
    for shot in by_name:
        if shot.settings.captured_at is None:
            before = [i for i, s in enumerate(ordered) if rank[id(s)] < rank[id(shot)]]
            nearest = max(before, key=lambda i: rank[id(ordered[i])], default=-1)
            ordered.insert(nearest + 1, shot)
    return ordered


def _by_name(shots: Sequence[Shot]) -> list[Shot]:
    """Return shots by folder, then by counter with its wrap undone."""
    folders: dict[Path, list[Shot]] = defaultdict(list)
    for shot in shots:
        folders[shot.source.path.parent].append(shot)
    out: list[Shot] = []
    for folder in sorted(folders, key=natural_key):
        inside = sorted(folders[folder], key=lambda s: natural_key(s.source.path))
        out += [inside[i] for i in unroll([s.source.path for s in inside])]
    return out


def _join_lanes(streams: list[list[Shot]]) -> list[list[Shot]]:
    """Join streams of one camera that follow each other: new folders, names made of the time."""
    joined: list[list[Shot]] = []
    timed = [s for s in streams if _span(s) is not None]
    timed = sorted(timed, key=lambda s: _since(timed[0], s))
    for stream in timed:
        for earlier in joined:
            if earlier[0].settings.camera == stream[0].settings.camera and _follows(
                earlier, stream
            ):
                earlier.extend(stream)
                break
        else:
            joined.append(list(stream))
    for stream in streams:
        if _span(stream) is not None:
            continue
        for earlier in joined:
            if _span(earlier) is None and counters_follow(
                earlier[-1].source.path, stream[0].source.path
            ):
                earlier.extend(stream)
                break
        else:
            joined.append(list(stream))
    return joined


def _span(stream: list[Shot]) -> tuple[Shot, Shot] | None:
    timed = [shot for shot in stream if shot.settings.captured_at is not None]
    return (timed[0], timed[-1]) if timed else None


def _since(first: list[Shot], second: list[Shot]) -> float:
    a, b = _span(first), _span(second)
    assert a is not None
    assert b is not None
    return seconds_between(a[0].settings.captured_at, b[0].settings.captured_at) or 0.0


def _follows(earlier: list[Shot], later: list[Shot]) -> bool:
    a, b = _span(earlier), _span(later)
    assert a is not None
    assert b is not None
    gap = seconds_between(a[1].settings.captured_at, b[0].settings.captured_at)
    return gap is not None and gap >= 0


def _split_counters(shots: list[Shot]) -> list[list[Shot]]:
    """Split shots in time order where two counters run at once (two bodies of one model)."""
    streams: list[list[Shot]] = []
    for shot in shots:
        counter = name_parts(shot.source.path)[1]
        if counter is None:
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
    turn = COUNTER_END
    return (counter - before - 1) % turn + 1 if counter != before else 0


def _interleaved(streams: list[list[Shot]]) -> bool:
    """Tell whether two streams overlap in time; one after the other is one reset counter."""
    spans = [
        [shot.settings.captured_at for shot in ends]
        for stream in streams
        if (ends := _span(stream)) is not None
    ]
    for i, (start, end) in enumerate(spans):
        for other_start, other_end in spans[i + 1 :]:
            before = seconds_between(other_start, end)
            after = seconds_between(start, other_end)
            if before is not None and after is not None and before > 0 and after > 0:
                return True
    return False
