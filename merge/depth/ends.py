"""Which sharpest places at the ends of a stack lie beyond it, and are sharp in no frame.

What is in focus in the outermost frame loses fine detail at once in the frames next to it; what
lies beyond is blurred there already, and loses the less, the farther beyond.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.depth.evidence import Evidence
from merge.depth.measuring import white_noise_power
from merge.model import BoolArray, DepthMap, FloatArray
from merge.scratch import ScratchStack, as_floats

# One over the power of fine detail grows as a parabola about focus, see `locate_depth`. It is laid
# through the end, the first frame so many px of blur from it, and the first twice as far.
_APART_PX = 4.0
# Power is averaged with this sigma, px of the map, and counts from this share of its noise on.
_SIGMA_PX, _LEAST_POWER = 4.0, 0.1
# Beyond are places a step from the end, at least so many px of blur. Of sharp places that are, 37 %
# (rendered fly), 36 % (reeds) and 59 to 96 % (drawn ground) are told, of those within half as much
# at most 2 %, of swaying reeds 7 %.
_LEAST_PX = 2.0
# A disk of blur takes some textures wholly and lets others come back, so that the parabola errs; so
# places lie beyond where so many around, within this sigma, px of the map, seem to.
_MANY, _AROUND_PX = 0.25, 8.0


def mark_ends(
    depth: DepthMap, evidence: Evidence, measures: ScratchStack, axis_px: NDArray[np.float64]
) -> DepthMap:
    """Return a depth map in which what lies beyond an end says so in places of fine detail, too.

    Parameters
    ----------
    depth : DepthMap, shape (h, w)
        With ``beyond``.
    evidence : Evidence
        From `weigh_evidence`.
    measures : ScratchStack of (h, w)
        `measure_detail` of every frame.
    axis_px : ndarray, shape (N,)
        Frames on the focus axis, px of blur-circle diameter at this size.
    """
    assert depth.beyond is not None
    beyond = depth.beyond.copy()
    places_px = axis_px * evidence.reduction
    least = max(float(np.abs(np.diff(places_px)).mean()), _LEAST_PX)
    for end, side in ((0, -1), (len(axis_px) - 1, 1)):
        away = np.abs(places_px - places_px[end])
        near = np.flatnonzero(away >= _APART_PX)
        here = evidence.sure & (np.abs(depth.position - np.float32(end)) < 0.5)
        if not len(near) or not here.any():
            continue
        middle = near[np.argmin(away[near])]
        twice = np.flatnonzero(away >= 2 * away[middle])
        if len(twice):
            frames = [end, int(middle), int(twice[np.argmin(away[twice])])]
            focus = _focus(measures, frames, away[frames], here, evidence)
            beyond[here & (_share(focus < -least, here) > _MANY)] = side
    return DepthMap(depth.position, depth.confidence, depth.exact, beyond)


def _share(told: BoolArray, here: BoolArray) -> FloatArray:
    """Return of how many of the places around that are meant something is told."""
    some, all_of_them = (
        cv2.GaussianBlur(place.astype(np.float32), (0, 0), _AROUND_PX)
        for place in (told & here, here)
    )
    return some / np.maximum(all_of_them, np.float32(1e-3))


def _focus(
    measures: ScratchStack,
    frames: list[int],
    away: NDArray[np.float64],
    here: BoolArray,
    evidence: Evidence,
) -> FloatArray:
    """Return how far inward from the first of three frames places are in focus, px of blur."""
    share = here.astype(np.float32)
    total = np.maximum(cv2.GaussianBlur(share, (0, 0), _SIGMA_PX), np.float32(1e-3))
    noise = np.float32(evidence.noise**2 * white_noise_power())
    inverse = []
    for frame in frames:
        power = cv2.GaussianBlur(as_floats(measures[frame]) ** 2 * share, (0, 0), _SIGMA_PX) / total
        inverse.append(1 / np.maximum(power - noise, _LEAST_POWER * noise))
    one, two = np.float32(away[1]), np.float32(away[2])
    slope, mean = (inverse[1] - inverse[0]) / one, (inverse[2] - inverse[0]) / two
    bend = (mean - slope) / (two - one)
    rise = slope - bend * one
    # A straight rise has its focus beyond any distance, a fall inward.
    straight = np.where(rise > 0, np.float32(-np.inf), np.float32(np.inf))
    return np.where(bend > 0, -rise / (2 * np.where(bend > 0, bend, 1)), straight)
