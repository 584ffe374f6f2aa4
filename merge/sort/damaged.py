"""Files that cannot be read: which group they belong to by their place in the camera's counter."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

from merge.naming import counters_follow, seconds_between
from merge.sort.groups import FrameGroup, Shot

# A shot that comes within so many of its group's usual intervals goes on with it.
_NEAR_INTERVALS = 3.0
_ALONE = "cannot be read, and its neighbours form no group around it"


def put_damaged(
    groups: list[FrameGroup], shots: Sequence[Shot], good: Sequence[int]
) -> tuple[list[FrameGroup], list[int]]:
    """Return the groups with the shots that cannot be read in their places.

    Also where each of the groups given lies among those returned.

    Parameters
    ----------
    groups : list of FrameGroup
        Of the good shots, in order.
    shots : sequence of Shot
        All of them, in shooting order.
    good : sequence of int
        Positions in ``shots`` of those that could be grouped.
    """
    if len(good) == len(shots):
        return groups, list(range(len(groups)))
    owner = {id(shot): k for k, group in enumerate(groups) for shot in group.shots}
    members: list[list[Shot]] = [list(group.shots) for group in groups]
    alone: list[tuple[int, Shot]] = []
    last = -1
    for shot in shots:
        if id(shot) in owner:
            last = owner[id(shot)]
            continue
        following = _next_owner(shot, shots, owner)
        home = _home(shot, last, following, groups, members)
        if home is None:
            alone.append((last, shot))
        else:
            _insert(members[home], shot, shots)
            owner[id(shot)] = home
    out: list[FrameGroup] = [_damaged_single(s) for after, s in alone if after < 0]
    places = []
    for k, (group, inside) in enumerate(zip(groups, members, strict=True)):
        places.append(len(out))
        out.append(_with_shots(group, inside))
        out += [_damaged_single(s) for after, s in alone if after == k]
    return out, places


def _next_owner(shot: Shot, shots: Sequence[Shot], owner: dict[int, int]) -> int | None:
    at = next(i for i, other in enumerate(shots) if other is shot)
    return next((owner[id(s)] for s in shots[at + 1 :] if id(s) in owner), None)


def _home(
    shot: Shot,
    last: int,
    following: int | None,
    groups: list[FrameGroup],
    members: list[list[Shot]],
) -> int | None:
    """Return the group that a damaged shot belongs to; None if none or not to be known."""
    if last == following and last >= 0 and groups[last].kind != "single":
        return last
    near = []
    if last >= 0 and _adjoins(members[last][-1], shot, members[last], groups[last]):
        near.append(last)
    if following is not None and _adjoins(
        shot, members[following][0], members[following], groups[following]
    ):
        near.append(following)
    return near[0] if len(near) == 1 else None


def _adjoins(first: Shot, second: Shot, inside: list[Shot], group: FrameGroup) -> bool:
    if group.kind == "single" or not counters_follow(first.source.path, second.source.path):
        return False
    gap = seconds_between(first.settings.captured_at, second.settings.captured_at)
    times = [shot.settings.captured_at for shot in inside]
    gaps = [seconds_between(a, b) for a, b in itertools.pairwise(times)]
    usual = max((g for g in gaps if g is not None), default=None)
    return gap is None or usual is None or gap <= _NEAR_INTERVALS * max(usual, 1.0)


def _insert(inside: list[Shot], shot: Shot, shots: Sequence[Shot]) -> None:
    order = {id(s): i for i, s in enumerate(shots)}
    inside.append(shot)
    inside.sort(key=lambda s: order[id(s)])


def _with_shots(group: FrameGroup, inside: list[Shot]) -> FrameGroup:
    notes = tuple(f"cannot be used: {shot.problem}" for shot in inside if shot.problem)
    return replace(group, shots=tuple(inside), notes=group.notes + notes) if notes else group


def _damaged_single(shot: Shot) -> FrameGroup:
    note = f"cannot be used: {shot.problem}"
    return FrameGroup("single", (shot,), _ALONE, 0.5, (note,))
