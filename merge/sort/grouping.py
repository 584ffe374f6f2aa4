"""Shots of one camera in order → focus brackets, aperture and exposure series, singles."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from merge.sort.focus_runs import FocusRun, find_runs
from merge.sort.groups import FrameGroup, GroupKind, Shot
from merge.sort.likeness import Likeness, same_scene
from merge.sort.reasons import give_reason
from merge.sort.shots import seconds_between

# Correlation of smoothed thumbnails above which two shots show one scene.
SAME_SCENE = 0.85
# Where neighbours are much more alike than this (1 - correlation), more is a new scene.
_OUTSTANDING = 0.07
# A pause this long between two shots asks for a proof that the bracket goes on.
_PAUSE_S = 60.0
# So does a pause of this many usual intervals, from this length on.
_PAUSE_INTERVALS, _PAUSE_SHORT_S = 6.0, 5.0
# After this long the two are not one series in any case.
_NEW_START_S = 900.0
# Stops between two settings that count as changed: cameras step by 1/3.
_APERTURE_STOPS, _EXPOSURE_STOPS = 0.2, 0.45
_FOCAL_LENGTH_SHARE = 0.02
# Natural logarithm of the ratio of two recorded focus distances that means a new focus.
_REFOCUS = 0.15


@dataclass(frozen=True)
class Link:
    """What changed from one shot to the next.

    Attributes
    ----------
    gap_s : float or None
        From the end of one exposure to the start of the next.
    alike : float
        Correlation of the scenes.
    aperture_stops, exposure_stops : float
        Change of the f-number (positive = closed down) and of the light that shutter and ISO
        let count (positive = more); 0 where unknown.
    other_view : str
        What else changed so that the two cannot belong together; empty if nothing.
    """

    gap_s: float | None
    alike: float
    aperture_stops: float
    exposure_stops: float
    other_view: str

    @property
    def breaks(self) -> bool:
        """Whether the two shots show different scenes or are too far apart in time."""
        late = self.gap_s is not None and self.gap_s > _NEW_START_S
        return bool(self.other_view) or self.alike < SAME_SCENE or late

    @property
    def kind(self) -> str:
        """The setting that changed: "aperture", "exposure" or "none"."""
        if abs(self.aperture_stops) > _APERTURE_STOPS:
            return "aperture"
        return "exposure" if abs(self.exposure_stops) > _EXPOSURE_STOPS else "none"


def link_shots(first: Shot, second: Shot, seen: tuple[Likeness, Likeness]) -> Link:
    """Compare two neighbours."""
    a, b = first.settings, second.settings
    gap = seconds_between(a.captured_at, b.captured_at)
    if gap is not None:
        gap = max(0.0, gap - (a.exposure_time_s or 0.0))
    closed = 0.0
    if a.f_number and b.f_number:
        closed = 2 * math.log2(b.f_number / a.f_number)
    more = 0.0
    if a.exposure_time_s and b.exposure_time_s:
        more = math.log2(b.exposure_time_s / a.exposure_time_s)
        more += math.log2(b.iso / a.iso) if a.iso and b.iso else 0.0
    elif not (a.exposure_time_s or b.exposure_time_s) and min(s.light for s in seen) > 0:
        # Without the settings the brightness itself tells; 2.2 undoes the usual encoding.
        more = 2.2 * math.log2(seen[1].light / seen[0].light)
    return Link(
        gap_s=gap,
        alike=same_scene(*seen),
        aperture_stops=closed,
        exposure_stops=more,
        other_view=_other_view(first, second),
    )


def _other_view(first: Shot, second: Shot) -> str:
    a, b = first.settings, second.settings
    if first.source.shape[:2] != second.source.shape[:2]:
        return "picture size"
    if a.lens and b.lens and a.lens != b.lens:
        return "lens"
    if a.focal_length_mm and b.focal_length_mm:
        share = abs(b.focal_length_mm / a.focal_length_mm - 1)
        if share > _FOCAL_LENGTH_SHARE:
            return "focal length"
    return ""


def group_shots(shots: Sequence[Shot], seen: Sequence[Likeness]) -> list[FrameGroup]:
    """Return groups of one camera's shots.

    Parameters
    ----------
    shots : sequence of Shot
        In shooting order.
    seen : sequence of Likeness
        One for each shot.
    """
    links = [
        link_shots(a, b, (la, lb))
        for a, b, la, lb in zip(shots, shots[1:], seen, seen[1:], strict=False)
    ]
    breaks = [i + 1 for i, link in enumerate(links) if link.breaks or _stands_out(i, links)]
    edges = [0, *breaks, len(shots)]
    groups: list[FrameGroup] = []
    for a, b in itertools.pairwise(edges):
        groups += _group_scene(list(shots[a:b]), list(seen[a:b]), links[a : b - 1])
    return groups


def _stands_out(at: int, links: list[Link]) -> bool:
    """Tell whether two shots differ far more than the shots around them do."""
    around = links[max(0, at - 3) : at] + links[at + 1 : at + 4]
    usual = sorted(1 - link.alike for link in around if link.alike >= SAME_SCENE)
    unlike = 1 - links[at].alike
    return len(usual) >= 2 and unlike > _OUTSTANDING and unlike > 5 * usual[len(usual) // 2]


def _group_scene(shots: list[Shot], seen: list[Likeness], links: list[Link]) -> list[FrameGroup]:
    """Group the shots of one scene."""
    runs: list[FocusRun] = []
    start = 0
    for stop in [*(i + 1 for i, link in enumerate(links) if link.kind != "none"), len(shots)]:
        distances = [s.settings.focus_distance_m for s in shots[start:stop]]
        pauses = _pauses(links[start : stop - 1])
        runs += find_runs(seen[start:stop], distances, pauses, start=start)
        start = stop
    groups: list[FrameGroup] = []
    still: list[int] = []
    for run in runs:
        if not run.moved:
            still += range(run.start, run.stop)
            continue
        last = run.stop - _first_of_series(run, shots, links)
        groups += _group_still(still, shots, seen, links)
        span = range(run.start, last)
        groups.append(_make("focus bracket", span, shots, seen, links, run))
        still = list(range(last, run.stop))
    return groups + _group_still(still, shots, seen, links)


def _first_of_series(run: FocusRun, shots: list[Shot], links: list[Link]) -> int:
    """Return 1 if the run's last shot repeats its focus and opens a series of apertures."""
    if run.stop - run.start < 3 or run.stop > len(links):
        return 0
    if links[run.stop - 1].kind == "none":
        return 0
    a, b = (shots[i].settings.focus_distance_m for i in (run.stop - 2, run.stop - 1))
    return int(run.recorded and a is not None and a == b)


def _pauses(links: list[Link]) -> list[int]:
    """Return positions after a pause that is long, or long against the usual interval."""
    gaps = [link.gap_s for link in links]
    known = sorted(g for g in gaps if g is not None)
    usual = known[len(known) // 2] if known else 0.0
    limit = min(_PAUSE_S, max(_PAUSE_SHORT_S, _PAUSE_INTERVALS * usual))
    return [i + 1 for i, gap in enumerate(gaps) if gap is not None and gap > limit]


def _group_still(
    still: list[int], shots: list[Shot], seen: list[Likeness], links: list[Link]
) -> list[FrameGroup]:
    """Group shots of unmoved focus: series of apertures or exposures, and singles."""
    groups: list[FrameGroup] = []
    at = 0
    while at < len(still):
        kind, stop = _series_from(still, at, shots, links)
        span = range(still[at], still[at] + stop - at)
        groups.append(_make(kind, span, shots, seen, links, None))
        at = stop
    return groups


def _series_from(
    still: list[int], at: int, shots: list[Shot], links: list[Link]
) -> tuple[GroupKind, int]:
    """Return the kind of the group that begins at ``still[at]`` and where it stops."""
    stop, kind = at + 1, ""
    while stop < len(still):
        link = links[still[stop] - 1]
        paused = link.gap_s is not None and link.gap_s > _PAUSE_S
        joined = still[stop] == still[stop - 1] + 1
        if link.kind == "none" or paused or not joined or kind not in {"", link.kind}:
            break
        if _refocused(shots[still[stop] - 1], shots[still[stop]]):
            break
        kind = link.kind
        met = [_setting(shots[still[i]], kind) for i in range(at, stop)]
        here = _setting(shots[still[stop]], kind)
        if here is not None and here in met:
            first = at + met.index(here)
            stop = first + _widest_step([links[i - 1] for i in still[first + 1 : stop + 1]])
            break
        stop += 1
    if not kind or stop == at + 1:
        return "single", at + 1
    return ("aperture series" if kind == "aperture" else "exposure bracket"), stop


def _widest_step(links: list[Link]) -> int:
    """Return where to cut shots that come back to a setting: after the widest, last step."""
    steps = [abs(k.aperture_stops) or abs(k.exposure_stops) for k in links]
    return 1 + max(range(len(steps)), key=lambda i: (round(steps[i], 1), i))


def _refocused(first: Shot, second: Shot) -> bool:
    """Tell whether recorded focus distances differ by more than their coarseness."""
    a, b = first.settings.focus_distance_m, second.settings.focus_distance_m
    return bool(a and b and abs(math.log(b / a)) > _REFOCUS)


def _setting(shot: Shot, kind: str) -> tuple[str, int] | None:
    """Return the changing setting in sixths of a stop, so that rounding does not matter."""
    settings = shot.settings
    if kind == "aperture":
        if not settings.f_number:
            return None
        return "aperture", round(12 * math.log2(settings.f_number) / 2)
    if not settings.exposure_time_s:
        return None
    stops = math.log2(settings.exposure_time_s * (settings.iso or 100.0))
    return "exposure", round(3 * stops)


def _make(
    kind: GroupKind,
    span: range,
    shots: list[Shot],
    seen: list[Likeness],
    links: list[Link],
    run: FocusRun | None,
) -> FrameGroup:
    inside = links[span.start : span.stop - 1]
    chosen = [shots[i] for i in span]
    reason, certainty, notes = give_reason(
        kind,
        chosen,
        [seen[i] for i in span],
        gaps=[link.gap_s for link in inside],
        alike=min((link.alike for link in inside), default=1.0),
        run=run,
        pauses=_pauses(inside),
    )
    return FrameGroup(kind, tuple(chosen), reason, certainty, notes)
