"""Which places show fine detail of their own."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.compiled import njit
from merge.depth.filtering import FILTER_RADIUS_PX
from merge.depth.measuring import REACH_WIDE, mean_around, measure_detail, white_noise_power
from merge.model import BoolArray, DepthMap, FloatArray
from merge.resizing import enlarge_part, reduce_map, reduced_shape
from merge.scratch import ScratchStack, as_floats
from merge.threads import map_threads

# A place shows detail of its own from this many times the noise power on. Of a dozen frames of
# noise alone the strongest has 1.8 times the mean power in the window of the measure. As many
# times as strong again it counts even where the depths around differ, as on hairs.
_LEAST_POWER = 3.0
# Power so many times as much is clearly more than what the measure answers to a line or an edge
# beside.
_CLEARLY = 2.0
# Noise power is looked for in blocks of this side, and differs up to this much over the picture.
_BLOCK_PX, _UNEVEN = 16, 4.0
_STRIP_ROWS = 64  # a multiple of these blocks
# Detail on fewer pixels than this is noise or a speck, unless as many times as strong once more.
_LEAST_SURE_PX = 20


@dataclass(frozen=True, eq=False)
class Evidence:
    """Which places show fine detail of their own.

    Attributes
    ----------
    sure : ndarray of bool, shape (h, w)
        Those places.
    noise : float
        Standard deviation of one pixel's luminance in the frames.
    power : ndarray, shape (h, w), float32
        Of the measure, in the frames that places lie between.
    reduction : int
        Pixels of the frames that a place spans.
    rims : ndarray of bool, shape (h, w), or None
        Places that would be sure but for `settle_rims`.
    """

    sure: BoolArray
    noise: float
    power: FloatArray
    reduction: int = 1
    rims: BoolArray | None = None

    def in_map_px(self, length_px: float) -> int:
        """Return a length in pixels of the frames as one in places, at least one."""
        return max(round(length_px / self.reduction), 1)


def weigh_evidence(measures: ScratchStack, depth: DepthMap, reduction: int = 1) -> Evidence:
    """Return which places show fine detail of their own at their depth.

    Parameters
    ----------
    measures : ScratchStack of (h, w)
        `measure_detail` of every frame.
    depth : DepthMap, shape (h, w)
        From `locate_depth`: confidence is 0 where too few neighbours agree.
    reduction : int
        Pixels of the frames for one of the maps.
    """
    position = depth.position
    power, least = _strongest_and_least(measures, position)
    least_quiet = np.float32(max(float(np.percentile(least, 10)), 1e-10))
    # Bright and dark places, and what a camera or JPEG made of them, differ in noise.
    local = np.clip(cv2.blur(least, (3, 3)), least_quiet, _UNEVEN * least_quiet)
    whole = 0, 0, *position.shape
    noise = float(np.sqrt(least_quiet / white_noise_power()))
    quiet = enlarge_part(local, whole, _BLOCK_PX)
    weak = mean_around(power, reduction) < _LEAST_POWER * quiet
    own = (power >= _CLEARLY * _answer_beside(power, reduction)).astype(np.uint8)
    # Texture has weak spots, but no wide ones.
    own = cv2.morphologyEx(own, cv2.MORPH_CLOSE, _ellipse(max(round(2 / reduction), 1)))
    sure = ((depth.confidence > 0) | (power > _LEAST_POWER**2 * quiet)) & ~weak & (own > 0)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(sure.astype(np.uint8))
    keep = stats[:, cv2.CC_STAT_AREA] >= _LEAST_SURE_PX / reduction**2
    strong = sure & (power > _LEAST_POWER**3 * quiet)
    keep |= np.bincount(labels[strong], minlength=count) > 0
    keep[0] = False
    sure = keep[labels]
    return Evidence(sure, noise, power, reduction)


def _strongest_and_least(
    measures: ScratchStack, position: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the power of the frames that places lie between, (h, w), and blocks' least of any."""
    power = np.zeros(position.shape, np.float32)
    least = np.full(reduced_shape(position.shape, _BLOCK_PX), np.inf, np.float32)

    def take(frame: int, measure: NDArray[np.float16], first: int) -> None:
        rows = slice(first, first + _STRIP_ROWS)
        blocks = slice(first // _BLOCK_PX, (first + _STRIP_ROWS) // _BLOCK_PX)
        square = as_floats(measure[rows]) ** 2
        near = np.abs(position[rows] - np.float32(frame)) < 1
        np.maximum(power[rows], square, out=power[rows], where=near)
        np.minimum(least[blocks], reduce_map(square, _BLOCK_PX), out=least[blocks])

    for frame, measure in enumerate(measures):
        map_threads(partial(take, frame, measure), range(0, len(position), _STRIP_ROWS))
    return power, least


def find_flat_areas(evidence: Evidence) -> FloatArray:
    """Return 1 where no frame shows fine detail but noise, 0 on detail, softly between, (h, w)."""
    reach = evidence.in_map_px(FILTER_RADIUS_PX)
    flat = cv2.erode((~evidence.sure).astype(np.float32), np.ones((2 * reach + 1,) * 2, np.uint8))
    return cv2.blur(flat, (reach + 1,) * 2)


def _ellipse(radius: int) -> NDArray[np.uint8]:
    return cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1,) * 2)


def _leak_table(reduction: int) -> FloatArray:
    """Return the measure's power beside a line or an edge over that on it, by distance in px."""
    answers, reach = [], -(-REACH_WIDE // reduction)
    for width in (2, 40 * reduction):
        picture = np.zeros((33 * reduction, 81 * reduction), np.float32)
        picture[:, 40 * reduction : 40 * reduction + width] = 1
        power = measure_detail(picture, reduction)[16] ** 2
        answers.append(power[39 : 39 - reach - 2 : -1] / power.max())
    return np.concatenate([[1], np.maximum(*answers)[: reach + 1]]).astype(np.float32)


def _answer_beside(power: FloatArray, reduction: int) -> FloatArray:
    """Return what the measure answers to the strongest beside, (h, w)."""
    table, reach = _leak_table(reduction), -(-REACH_WIDE // reduction)
    offsets, distance = offsets_within(2, reach + 0.5)
    limits = np.empty((len(distance), 3), np.float32)
    limits[:] = -1, np.inf, 0
    limits[:, 2] = np.interp(distance, np.arange(len(table)), table)
    out = np.zeros_like(power)
    rows = [(top, top + _STRIP_ROWS) for top in range(0, len(power), _STRIP_ROWS)]
    map_threads(
        lambda strip: find_strongest(power, power, power, offsets, limits, strip, out), rows
    )
    return out


def offsets_within(
    least: float, most: float, stride: int = 1
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return places around one, (n, 2) in rows and columns, and how far they are, from near on."""
    reach = int(most / stride) * stride
    down, along = np.mgrid[-reach : reach + 1 : stride, -reach : reach + 1 : stride]
    distance = np.hypot(down, along)
    used = np.flatnonzero((distance >= least) & (distance < most))
    used = used[np.argsort(distance.flat[used], kind="stable")]
    offsets = np.stack([down.flat[used], along.flat[used]], axis=1)
    return offsets.astype(np.int64), distance.flat[used]


@njit(nogil=True, fastmath=True, takes="f2 f2 f2 i2 f2 it2 f2")
def find_strongest(  # pragma: no cover - compiled
    power: FloatArray,
    place: FloatArray,
    own: FloatArray,
    offsets: NDArray[np.int64],
    limits: FloatArray,
    strip: tuple[int, int],
    out: FloatArray,
) -> None:
    """Raise ``out`` to the strongest answer beside; whole rows at once, which vectorises.

    Only what lies apart, its ``place`` from another's ``own``, by more than the first and less than
    the second of the ``limits`` counts, times the third one.
    """
    height, width = power.shape
    for row in range(strip[0], min(strip[1], height)):
        for k in range(len(offsets)):
            other, along = row + offsets[k, 0], offsets[k, 1]
            if other < 0 or other >= height:
                continue
            low, high, answer = limits[k, 0], limits[k, 1], limits[k, 2]
            first, last = max(0, -along), min(width, width - along)
            beside, best = power[other, first + along :], out[row, first:last]
            there, here = place[other, first + along :], own[row, first:last]
            for i in range(last - first):
                apart = abs(there[i] - here[i])
                found = beside[i] * answer if low < apart < high else np.float32(0)
                best[i] = max(best[i], found)
