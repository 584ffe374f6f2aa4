"""Shots of one camera in order → focus brackets, aperture and exposure series, singles."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import cast

from merge.sort.costs import Evidence, gather
from merge.sort.damaged import put_damaged
from merge.sort.groups import FrameGroup, GroupKind, GroupSet, Shot
from merge.sort.likeness import SceneDescriptor
from merge.sort.links import link_shots, tell_untold_apertures
from merge.sort.movement import compare_focus
from merge.sort.partition import SINGLE_KINDS, Part, cut
from merge.sort.reasons import explain_group
from merge.sort.sets import Member, find_sets, tell_sets

# Shots of one scene that are cut at once; a longer row is cut where it is least alike.
_MOST_AT_ONCE = 400


def group_stream(
    shots: Sequence[Shot], seen: Sequence[SceneDescriptor | None]
) -> tuple[list[FrameGroup], list[GroupSet]]:
    """Return groups of one camera's shots, and what they form together.

    Parameters
    ----------
    shots : sequence of Shot
        In shooting order.
    seen : sequence of SceneDescriptor or None
        One for each shot; None where the picture cannot be read.
    """
    good = [i for i, one in enumerate(seen) if one is not None]
    groups, sets = group_shots([shots[i] for i in good], [one for one in seen if one is not None])
    groups, places = put_damaged(groups, shots, good)
    return groups, [GroupSet(s.words, tuple(places[i] for i in s.groups)) for s in sets]


def group_shots(
    shots: Sequence[Shot], seen: Sequence[SceneDescriptor]
) -> tuple[list[FrameGroup], list[GroupSet]]:
    """Return groups of shots that can all be read, and what they form together."""
    if not shots:
        return [], []
    links = [
        link_shots(a, b, (la, lb))
        for a, b, la, lb in zip(shots, shots[1:], seen, seen[1:], strict=False)
    ]
    links = tell_untold_apertures(links)
    breaks = [i + 1 for i, link in enumerate(links) if link.breaks]
    edges = _shorten([0, *breaks, len(shots)], [link.alike for link in links])
    groups: list[FrameGroup] = []
    members: list[Member] = []
    for a, b in itertools.pairwise(edges):
        evidence = gather(list(shots[a:b]), links[a : b - 1], compare_focus(list(seen[a:b])))
        for part in cut(evidence):
            made = _make(part, evidence)
            if part.kind not in SINGLE_KINDS:
                first = Member(len(groups), made[0], part, evidence, seen[a + part.start])
                members.append(first)
            groups += made
    sets = find_sets(members)
    return tell_sets(groups, sets), sets


def _shorten(edges: list[int], alike: list[float]) -> list[int]:
    """Cut scenes of very many shots where neighbours are least alike."""
    out = [edges[0]]
    for stop in edges[1:]:
        while stop - out[-1] > _MOST_AT_ONCE:
            first = out[-1]
            near = range(first + _MOST_AT_ONCE // 2, first + _MOST_AT_ONCE)
            out.append(min(near, key=lambda i: alike[i - 1]))
        out.append(stop)
    return out


def _make(part: Part, evidence: Evidence) -> list[FrameGroup]:
    kind = cast(GroupKind, "single" if part.kind in SINGLE_KINDS else part.kind)
    spans = [range(part.start, part.stop)]
    if kind == "single":
        spans = [range(i, i + 1) for i in spans[0]]
    groups = []
    for span, margin in zip(spans, part.margins, strict=True):
        reason, certainty, notes = explain_group(part, span, margin, evidence)
        chosen = tuple(evidence.shots[i] for i in span)
        notes += tuple(shot.remark for shot in chosen if shot.remark)
        groups.append(FrameGroup(kind, chosen, reason, certainty, notes))
    return groups
