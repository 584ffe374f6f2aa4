"""What groups form together: brackets of brackets, one bracket at several settings, panoramas."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np

from merge.naming import seconds_between
from merge.sort.costs import Evidence, focus_limit
from merge.sort.groups import FrameGroup, GroupSet, Shot
from merge.sort.likeness import SceneDescriptor
from merge.sort.links import APERTURE_STOPS, EXPOSURE_STOPS
from merge.sort.partition import Part

# Longest wait from one bracket of a panorama to the next.
_PANORAMA_S = 120.0
# Share of the picture that two neighbours of a panorama have in common, at least; and the
# correlation of that part. Other scenes reach 0.6.
_OVERLAP, _ALIKE = 0.2, 0.8


@dataclass(frozen=True, eq=False)
class Member:
    """A group of more than one shot, with what it was made from."""

    index: int
    group: FrameGroup
    part: Part
    evidence: Evidence
    seen: SceneDescriptor


def find_sets(members: list[Member]) -> list[GroupSet]:
    """Return the sets that neighbouring groups form, each group in one at most."""
    sets: list[GroupSet] = []
    rules: list[tuple[Callable[[Member, Member], bool], Callable[[list[Member]], str]]] = [
        (_refocused, _refocused_words),
        (_other_exposure, lambda row: f"one focus bracket at {len(row)} exposures"),
        (_other_aperture, lambda row: f"one focus bracket at {len(row)} f-numbers"),
        (_panorama, lambda row: f"a panorama of {len(row)} focus brackets"),
    ]
    at = 0
    while at < len(members):
        for belongs, words in rules:
            stop = at + 1
            while stop < len(members) and belongs(members[stop - 1], members[stop]):
                stop += 1
            if stop - at > 1:
                row = members[at:stop]
                sets.append(GroupSet(words(row), tuple(m.index for m in row)))
                at = stop
                break
        else:
            at += 1
    return sets


def tell_sets(groups: list[FrameGroup], sets: list[GroupSet]) -> list[FrameGroup]:
    """Return the groups with a note of the set that each is part of."""
    out = list(groups)
    for one in sets:
        for number, index in enumerate(one.groups, 1):
            note = f"part {number} of {len(one.groups)}: together {one.words}"
            out[index] = replace(out[index], notes=(note, *out[index].notes))
    return out


def _next_in_scene(first: Member, second: Member) -> bool:
    return first.evidence is second.evidence and first.part.stop == second.part.start


def _refocused(first: Member, second: Member) -> bool:
    """Tell whether two series of one setting each differ by their focus."""
    kind = first.part.kind
    if kind not in ("exposure bracket", "aperture series") or second.part.kind != kind:
        return False
    if not _next_in_scene(first, second):
        return False
    apart = np.sqrt(first.evidence.movement.squared[first.part.start, second.part.start])
    return bool(apart > focus_limit(first.evidence.movement))


def _refocused_words(row: list[Member]) -> str:
    what = {"exposure bracket": "exposure brackets", "aperture series": "aperture series"}
    sizes = {len(member.group.shots) for member in row}
    each = f" of {sizes.pop()} shots each" if len(sizes) == 1 else ""
    return f"a focus bracket of {len(row)} focus positions, {what[row[0].part.kind]}{each}"


def _brackets(first: Member, second: Member) -> bool:
    return (
        first.part.kind == second.part.kind == "focus bracket"
        and abs(len(first.group.shots) - len(second.group.shots)) <= 1
    )


def _other_exposure(first: Member, second: Member) -> bool:
    if not (_brackets(first, second) and _next_in_scene(first, second)):
        return False
    link = first.evidence.links[first.part.stop - 1]
    return abs(link.exposure_stops) > EXPOSURE_STOPS and abs(link.aperture_stops) <= APERTURE_STOPS


def _other_aperture(first: Member, second: Member) -> bool:
    if not (_brackets(first, second) and _next_in_scene(first, second)):
        return False
    return abs(first.evidence.links[first.part.stop - 1].aperture_stops) > APERTURE_STOPS


def _panorama(first: Member, second: Member) -> bool:
    if not _brackets(first, second):
        return False
    a, b = _settings(first.group.shots[-1]), _settings(second.group.shots[0])
    if a != b or first.seen.view.shape != second.seen.view.shape:
        return False
    times = first.group.shots[-1].settings.captured_at, second.group.shots[0].settings.captured_at
    gap = seconds_between(*times)
    if gap is not None and gap > _PANORAMA_S:
        return False
    return _overlap(first.seen.view, second.seen.view)


def _settings(shot: Shot) -> tuple[float | None, ...]:
    settings = shot.settings
    return settings.f_number, settings.focal_length_mm


def _overlap(first: np.ndarray, second: np.ndarray) -> bool:
    """Tell whether an edge part of one picture lies in the other, a good way off."""
    height, width = first.shape
    band_w, band_h = int(_OVERLAP * width), int(_OVERLAP * height)
    slack_h, slack_w = height // 10, width // 10
    bands = [
        (np.s_[slack_h : height - slack_h, width - band_w :], 0),
        (np.s_[slack_h : height - slack_h, :band_w], 0),
        (np.s_[height - band_h :, slack_w : width - slack_w], 1),
        (np.s_[:band_h, slack_w : width - slack_w], 1),
    ]
    for (part, _), (one, other) in itertools.product(bands, ((first, second), (second, first))):
        template = np.ascontiguousarray(one[part])
        if template.std() < 1e-3:
            continue
        scores = cv2.matchTemplate(other, template, cv2.TM_CCOEFF_NORMED)
        _, best, _, (x, y) = cv2.minMaxLoc(scores)
        moved = max(abs(x - part[1].indices(width)[0]) / width,
                    abs(y - part[0].indices(height)[0]) / height)  # fmt: skip
        if best > _ALIKE and moved > _OVERLAP:
            return True
    return False
