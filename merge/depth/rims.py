"""Places that seem sharp where the blur of sharper ones ends.

Blur of a bright edge or spot ends in a rim. A place beside it that has no detail of its own shows
that rim in the frame in which the blur reaches just so far, and nothing in any other: it would be
taken for sharp there, and dark places beside bright ones would glow. Such places are told by their
depth: that of the edge and theirs lie as far apart as blurs it up to them. Surfaces as steep as
that, the rim of the cone of light that the lens takes in, are hardly seen at all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.depth.evidence import Evidence, find_strongest, offsets_within
from merge.depth.filling import nearest_value
from merge.depth.measuring import REACH_WIDE, SIGMA_WIDE, WINDOW_SIGMA_PX, measure_detail
from merge.encoding import light_slope, linearize
from merge.model import BoolArray, DepthMap, FloatArray
from merge.resizing import reduce_map
from merge.samples import luma_shares
from merge.threads import map_threads
from merge.tiles import Tile, grow_tile, iterate_tiles, tile_within

# A rim so near, in places, is not told from the detail that makes it. The measure answers to one so
# far beside, and the axis is not sure to the pixel.
_LEAST_RADIUS, _BESIDE = 2.5, 2 * SIGMA_WIDE
# So many times the amplitude of a straight edge's rim may still be a rim: bent ones gather more.
_BENT = 2.0
# What a rim explains explains nothing itself: in a second round rims no longer count.
_ROUNDS = 2
# So far around every place counts by itself; squares of two do up to twice as far, and so on.
_SINGLY = 8
_TILE = 128
_MEASURED_RADIUS_PX = 16  # where the rim of an edge is measured


def settle_rims(
    depth: DepthMap,
    evidence: Evidence,
    guide: FloatArray,
    axis_px: NDArray[np.float64],
    transfer: str,
) -> tuple[DepthMap, Evidence]:
    """Return a depth map and evidence without the rims of blur.

    Parameters
    ----------
    depth : DepthMap, shape (h, w)
        From `locate_depth`.
    evidence : Evidence
        From `weigh_evidence`.
    guide : ndarray, shape (h, w, C), float32
        Sharp picture in the frames' own encoding.
    axis_px : ndarray, shape (N,)
        Frames on the focus axis, px of blur-circle diameter at this size.
    transfer : str
        In which light mixes, see `merge.encoding`.

    Returns
    -------
    DepthMap
        Rims have confidence 0 and the depth of the nearest sure place, whose blur they may be.
    Evidence
        Rims are not sure.
    """
    blur = BlurRims.of(depth, evidence, guide, axis_px, transfer)
    rims = np.zeros(evidence.sure.shape, bool)
    for _ in range(_ROUNDS):
        left = replace(blur, power=np.where(rims, np.float32(0), blur.power))
        rims = left.explain(depth.position, evidence.power, evidence.sure)
    if not rims.any():
        return depth, evidence
    sure = evidence.sure & ~rims
    confidence = np.where(rims, np.float32(0), depth.confidence)
    filled, _ = nearest_value(depth.position, sure)
    exact = None if depth.exact is None else np.where(rims, filled, depth.exact)
    settled = replace(
        depth, position=np.where(rims, filled, depth.position), confidence=confidence, exact=exact
    )
    return settled, replace(evidence, sure=sure, rims=rims)


@dataclass(frozen=True, eq=False)
class BlurRims:
    """What the blur of sure places can show in other frames than their own.

    Attributes
    ----------
    power : ndarray, shape (h, w), float32
        Of sure places, in linear light; 0 elsewhere.
    radius : ndarray, shape (h, w), float32
        Where places lie on the focus axis, in places of blur's radius.
    slope : ndarray, shape (h, w), float32
        Of linear light over stored values.
    axis : ndarray, shape (N,)
        Frames, in the units of ``radius``.
    reduction : int
        Pixels of the frames for a place.
    """

    power: FloatArray
    radius: FloatArray
    slope: FloatArray
    axis: NDArray[np.float64]
    reduction: int

    @classmethod
    def of(
        cls,
        depth: DepthMap,
        evidence: Evidence,
        guide: FloatArray,
        axis_px: NDArray[np.float64],
        transfer: str,
    ) -> BlurRims:
        """Return what the sure places of a depth map do; see `settle_rims`."""
        # Light mixes, stored values do not: near black they make much of little light.
        light = linearize(guide @ luma_shares(guide.shape[2]), transfer)[..., None]
        window = 2 * round(3 * WINDOW_SIGMA_PX / evidence.reduction) + 1
        slope = cv2.blur(light_slope(light, transfer), (window, window)).reshape(light.shape[:2])
        power = np.where(evidence.sure, evidence.power * slope**2, np.float32(0))
        radius = _radius(depth.position, axis_px / 2)
        return cls(power, radius, slope, axis_px / 2, evidence.reduction)

    def explain(self, position: FloatArray, power: FloatArray, asked: BoolArray) -> BoolArray:
        """Return which of some places show no more than rims can, (h, w).

        Parameters
        ----------
        position : ndarray, shape (h, w), float32
            Frames in which they are looked at.
        power : ndarray, shape (h, w), float32
            Of the measure there.
        asked : ndarray of bool, shape (h, w)
            Those places.
        """
        radius, power = _radius(position, self.axis), power * self.slope**2
        found = np.zeros_like(asked)

        def look(tile: Tile) -> None:
            own = np.where(asked[tile], radius[tile], np.float32(np.nan))
            found[tile] = asked[tile] & (power[tile] < self._spread(own, radius, tile))

        tiles = iterate_tiles(asked.shape, _TILE, _TILE)
        map_threads(look, [tile for tile in tiles if asked[tile].any()])
        return found

    def _spread(self, own: FloatArray, radius: FloatArray, tile: Tile) -> FloatArray:
        """Return the most power that rims can have at the places of a tile, (rows, columns).

        ``own`` is ``radius`` there, NaN where nothing is asked.
        """
        least, greatest = np.nanmin(own), np.nanmax(own)
        widest = max(greatest - self.radius.min(), self.radius.max() - least)
        most, side = np.zeros(own.shape, np.float32), 1
        while _begins(side) < widest + _BESIDE:
            ring = _ring(side, self.reduction)
            padded = grow_tile(tile, _SINGLY * side + side, radius.shape)
            power, place, core = self.power[padded], self.radius[padded], tile_within(tile, padded)
            known = place[power > 0]
            # No blur here is wider than between the ends of the depths around.
            if len(known) and max(known.max() - least, greatest - known.min()) >= _LEAST_RADIUS:
                out = np.zeros(place.shape, np.float32)
                here, rows = np.ascontiguousarray(radius[padded]), (core[0].start, core[0].stop)
                strongest = _strongest_in_squares(power, place, side)
                find_strongest(*strongest, here, ring.offsets, ring.limits, rows, out)
                np.maximum(most, out[core], out=most)
            side *= 2
        return most


def _radius(position: FloatArray, axis: NDArray[np.float64]) -> FloatArray:
    return np.interp(position, np.arange(len(axis)), axis).astype(np.float32)


@dataclass(frozen=True, eq=False)
class _Ring:
    """Where squares in a ring begin, and what counts of them (see `find_strongest`)."""

    offsets: NDArray[np.int64]
    limits: FloatArray


def _begins(side: int) -> float:
    """Return how far away squares of a side begin to count."""
    return _LEAST_RADIUS - _BESIDE if side == 1 else _SINGLY * side / 2


@cache
def _ring(side: int, reduction: int) -> _Ring:
    offsets, distance = offsets_within(_begins(side), _SINGLY * side, side)
    beside = _BESIDE + (side - 1) / 2
    reach_px = np.maximum(distance, _LEAST_RADIUS) * reduction
    least = np.maximum(distance - beside, _LEAST_RADIUS)
    share = _BENT**2 * _rim_share(reduction) / reach_px**3
    limits = np.stack([least, distance + beside, share], axis=1)
    return _Ring(offsets - side // 2, limits.astype(np.float32))


def _strongest_in_squares(
    power: FloatArray, place: FloatArray, side: int
) -> tuple[FloatArray, FloatArray]:
    """Return power and place of the strongest in the squares that begin at every place."""
    power, place, step = power.copy(), place.copy(), 1
    while step < side:
        for one, here in ((power, place), (power.T, place.T)):
            other, there = one[step:].copy(), here[step:].copy()
            stronger = other > one[:-step]
            np.copyto(one[:-step], other, where=stronger)
            np.copyto(here[:-step], there, where=stronger)
        step *= 2
    return power, place


@cache
def _rim_share(reduction: int) -> float:
    """Return the measure's power at the rim of a blurred edge over that of the sharp one, times r³.

    For a disk of r px. From 4 px on it is even to a third: next to the rim the light of the edge
    grows with the distance to the power of 1.5, and the disk's width measures that distance.
    """
    radius, half = _MEASURED_RADIUS_PX, 2 * _MEASURED_RADIUS_PX + 2 * REACH_WIDE
    x = (np.arange(-half * reduction, half * reduction) + 0.5) / radius
    inside = np.clip(x, -1, 1)
    blurred = 0.5 + (np.arcsin(inside) + inside * np.sqrt(1 - inside**2)) / np.pi
    rim, edge = (
        measure_detail(np.tile(line.astype(np.float32), (2 * REACH_WIDE, 1)), reduction)[0] ** 2
        for line in (blurred, x > 0)
    )
    places = np.abs(reduce_map(np.abs(x[None, :, None]).astype(np.float32), reduction).ravel() - 1)
    return float(rim[places * radius < _BESIDE * reduction].max() / edge.max() * radius**3)
