"""What changed from one shot to the next."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

from merge.naming import seconds_between
from merge.sort.groups import Shot
from merge.sort.likeness import SceneDescriptor, same_scene

# Correlation of smoothed thumbnails below which two shots never show one scene.
OTHER_SCENE = 0.7
# After this long the two are not one series in any case.
_NEW_START_S = 900.0
# Stops between two settings that count as changed: cameras step by 1/3.
APERTURE_STOPS, EXPOSURE_STOPS = 0.2, 0.45
_FOCAL_LENGTH_SHARE = 0.02
# Part of a change of shutter or ISO that must show in the picture; else it followed the light.
_SHOWN = 0.4
# Change of shutter and ISO, in stops, from which on it was set and not metered: from shot to shot
# light changes by less. So it is only twice running in one direction, else it may be a cloud.
_SET_STOPS = 0.8


@dataclass(frozen=True)
class Link:
    """Two neighbours in shooting order.

    Attributes
    ----------
    gap_s : float or None
        From the end of one exposure to the start of the next.
    alike : float
        Correlation of the scenes.
    aperture_stops, exposure_stops : float
        Change of the f-number (positive = closed down) and of the light that shutter and ISO
        let count (positive = more); 0 where unknown, or where the picture's brightness shows
        that shutter and ISO only followed the light or the aperture.
    other_view : str
        What else changed so that the two cannot belong together; empty if nothing.
    untold_stops : float
        Change of the f-number, where neither file tells it, that shutter and ISO would make up for.
    """

    gap_s: float | None
    alike: float
    aperture_stops: float
    exposure_stops: float
    other_view: str
    untold_stops: float = 0.0

    @property
    def breaks(self) -> bool:
        """Whether the two shots show different scenes or are too far apart in time."""
        late = self.gap_s is not None and self.gap_s > _NEW_START_S
        return bool(self.other_view) or self.alike < OTHER_SCENE or late


def link_shots(first: Shot, second: Shot, seen: tuple[SceneDescriptor, SceneDescriptor]) -> Link:
    """Compare two neighbours."""
    a, b = first.settings, second.settings
    gap = seconds_between(a.captured_at, b.captured_at)
    if gap is not None:
        gap = max(0.0, gap - (a.exposure_time_s or 0.0))
    closed = 0.0
    if a.f_number and b.f_number:
        closed = 2 * math.log2(b.f_number / a.f_number)
    brighter = 0.0
    if min(one.light for one in seen) > 0:
        # 2.2 undoes the usual encoding.
        brighter = 2.2 * math.log2(seen[1].light / seen[0].light)
    more = untold = 0.0
    if a.exposure_time_s and b.exposure_time_s:
        more = math.log2(b.exposure_time_s / a.exposure_time_s)
        more += math.log2(b.iso / a.iso) if a.iso and b.iso else 0.0
        if brighter * more < _SHOWN * more * more:
            if not (a.f_number or b.f_number) and abs(more) > _SET_STOPS:
                untold = more
            more = 0.0
    elif not (a.exposure_time_s or b.exposure_time_s):
        # Without the settings the brightness itself tells.
        more = brighter
    return Link(
        gap_s=gap,
        alike=same_scene(*seen),
        aperture_stops=closed,
        exposure_stops=more,
        other_view=_other_view(first, second),
        untold_stops=untold,
    )


def tell_untold_apertures(links: list[Link]) -> list[Link]:
    """Return the links, with changes of an f-number that no file tells where they are one series.

    Lenses without contacts leave the f-number unknown; shutter or ISO that change twice running in
    one direction, by stops, while the picture stays as bright, show that it was changed.
    """
    out = list(links)
    for i, (one, two) in enumerate(itertools.pairwise(links)):
        if one.untold_stops * two.untold_stops > 0:
            out[i : i + 2] = [replace(k, aperture_stops=k.untold_stops) for k in (one, two)]
    return out


def _other_view(first: Shot, second: Shot) -> str:
    a, b = first.settings, second.settings
    if first.source.stored_shape[:2] != second.source.stored_shape[:2]:
        return "picture size"
    if a.lens and b.lens and a.lens != b.lens:
        return "lens"
    if a.focal_length_mm and b.focal_length_mm:
        share = abs(b.focal_length_mm / a.focal_length_mm - 1)
        if share > _FOCAL_LENGTH_SHARE:
            return "focal length"
    return ""
