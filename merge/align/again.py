"""Compare pairs once more, both frames blurred alike.

Where depth changes over a tile, each frame is sharp in another part of it; where that zone moves
on, the tile goes with it, and stripes that show no move along them do so by its whole way. Once it
is known how deep everything lies, what is sharper in one frame is blurred as the other blurs it:
then both show the same, but for the motion, also where blur changes slowly over a tile. The same
holds where so little is sharp in both frames that what widens on one side of a tile counts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import cv2
import numpy as np

from merge.align.band import finest_wave
from merge.align.camera import invert, multiply
from merge.align.choice import blocks_of, misfit_after
from merge.align.geometry import StackGeometry
from merge.align.motion import normaliser
from merge.align.pair import (
    BANDS,
    TILE_NOISE_PX,
    TILE_PX,
    PairMeasurement,
    Pyramid,
    build_pyramid,
    register_pair,
)
from merge.align.solve import PAIR_TAIL_PX, Linearised
from merge.disks import blur_by_disk
from merge.model import Array, FloatArray, MotionModel
from merge.significance import NINETY, blocks_score, proof_limit
from merge.threads import map_threads

# Diameters in px between which blur is interpolated; more than the last is as the last, since what
# is blurred so far tells little.
_DIAMETERS = (0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 16.0, 24.0, 32.0, 48.0, 64.0)
# Disk that leaves nothing of the finest band's waves: the first zero of its transfer.
_LOST_PX = 2 * 3.8317 / finest_wave()
# Distance of the places in a tile at which its blur is taken: a pixel of the coarsest band.
_APART_PX = 1 << (BANDS - 1)


class PairsAgain:
    """Takes all frames again and compares the pairs that were found.

    Parameters
    ----------
    pairs : sequence of PairMeasurement
    matrices : mapping of int to ndarray (3, 3)
        Reference frame → frame, for the compared pictures.
    depth_px : ndarray, shape (h, w), float32
        How deep the reference frame's pixels lie on the focus axis, px of compared pictures.
    positions_px : mapping of int to float
        Of the frames, in the same unit.
    model : str
        Of pairs.
    """

    def __init__(
        self,
        pairs: Sequence[PairMeasurement],
        matrices: Mapping[int, Array],
        depth_px: FloatArray,
        positions_px: Mapping[int, float],
        model: MotionModel,
    ) -> None:
        self._waiting = {(pair.first, pair.second): pair for pair in pairs}
        self._matrices, self._depth, self._positions = matrices, depth_px, positions_px
        self._model = model
        self._held: dict[int, FloatArray] = {}
        self.pairs: list[PairMeasurement] = []

    def add(self, frame: int, light: FloatArray) -> None:
        """Take a frame, linear light (h, w), after all before it."""
        self._held[frame] = light
        for first in [one for one, two in self._waiting if two == frame]:
            self.pairs.append(self._compare(self._waiting.pop((first, frame))))
        needed = {one for one, _ in self._waiting}
        self._held = {k: light for k, light in self._held.items() if k in needed}

    def _compare(self, pair: PairMeasurement) -> PairMeasurement:
        ends = pair.first, pair.second
        if pair.result.coarse or not all(k in self._positions for k in ends):
            return pair

        def as_the_other(frames: tuple[int, int]) -> Pyramid:
            light = blurred(self._held[frames[0]], self._blur(*frames))
            return build_pyramid(light, alike=True)

        alike = map_threads(as_the_other, (ends, ends[::-1]))
        start = pair.result.matrix
        found = register_pair(*alike, model=self._model, initial=start, refine_only=True)
        return replace(pair, result=found)

    def _blur(self, frame: int, other: int) -> FloatArray:
        """Return the disk that another frame's blur at each pixel has beyond a frame's own, px.

        Variances of blur add up.
        """
        size = self._depth.shape[::-1]
        mode = cv2.BORDER_REPLICATE
        there = cv2.warpPerspective(self._depth, self._matrices[frame], size, borderMode=mode)
        own, wanted = (there - np.float32(self._positions[k]) for k in (frame, other))
        return np.sqrt(np.maximum(wanted * wanted - own * own, 0))


def blurred(picture: FloatArray, diameter_px: FloatArray) -> FloatArray:
    """Return a picture (h, w) blurred at every pixel by a disk of its own diameter (h, w)."""
    squares = np.square(_DIAMETERS)
    wanted = np.minimum(diameter_px, _DIAMETERS[-1]) ** 2
    place = np.interp(wanted, squares, np.arange(len(squares))).astype(np.float32)
    total = np.zeros_like(picture)
    for k, diameter in enumerate(_DIAMETERS):
        share = np.maximum(1 - np.abs(place - k), 0)
        if share.any():
            total += share * (blur_by_disk(picture, diameter) if diameter else picture)
    return total


def drag_counts(
    geometry: StackGeometry, depth_px: FloatArray, positions_px: Mapping[int, float]
) -> bool:
    """Tell whether blur that differs draws frames along by more than may be.

    That is where tiles are too blurred to place an end as well as a bracket from a tripod may lie,
    or where most of what places neighbours is so blurred in one of two that its finest band is
    lost: little is sharp then, and what widens on one side counts. Or where zones of sharpness
    that move on are expected to lay the worst frame off by as much, or by more than a tile's own
    error if tiles prove it: what the motion leaves of them goes with what it leaves of the drag
    expected beyond chance.
    """
    fit, motion = geometry.fit, geometry.motion
    now = fit.linearise(motion)
    if NINETY * _error_of_ends(geometry, now) > PAIR_TAIL_PX:
        return True
    places = np.array([positions_px[k] for k in geometry.frames])
    if _finest_is_lost(geometry, now, depth_px, places):
        return True
    drag = _expected_drag(geometry, now, depth_px, places)
    told = replace(now, misfit=drag)
    update = fit.step(motion, replace(told, trust=np.ones(len(drag))))
    off_px = float(np.abs(update[: motion.own.size]).max(initial=0.0) * fit.half)
    if not TILE_NOISE_PX <= off_px < PAIR_TAIL_PX:
        return off_px >= PAIR_TAIL_PX
    left = misfit_after(fit, motion, told, fit.step(motion, told))
    weighted = np.einsum("ti,tij,t->tj", left, now.certainty, now.trust)
    proof = blocks_score((weighted * now.misfit).sum(1), blocks_of(now))
    return proof > proof_limit(1)


def _error_of_ends(geometry: StackGeometry, now: Linearised) -> float:
    """Return the largest standard error of the first and last frame's parameters, px at the rim."""
    fit, motion = geometry.fit, geometry.motion
    count, own = motion.own.shape
    ends = [k for k in {0, count - 1} if k != fit.reference]
    places = [k * own + p for k in ends for p in range(own)]
    variances = [fit.step(motion, now, wanted=place)[place] for place in places]
    return fit.half * float(np.sqrt(max(variances, default=0.0)))


def _finest_is_lost(
    geometry: StackGeometry, now: Linearised, depth_px: FloatArray, places: Array
) -> bool:
    """Tell whether most of what places neighbours is lost to the finest band of one of two."""
    tiles = geometry.fit.tiles
    deep = _depth_around(geometry, now, depth_px, np.zeros(1))[:, 0, 0]
    one, two = ((deep - places[ends]) ** 2 for ends in (tiles.first, tiles.second))
    (a, b), (c, d) = now.certainty.transpose(1, 2, 0)
    weight = np.sqrt(a * d - b * c) * now.trust * (tiles.second - tiles.first == 1)
    return bool(weight[np.abs(two - one) > _LOST_PX**2].sum() > weight.sum() / 2)


def _depth_around(
    geometry: StackGeometry, now: Linearised, depth_px: FloatArray, along: Array
) -> FloatArray:
    """Return how deep the places (k x k) at these distances from tiles' centres lie, (n, k, k)."""
    scale = normaliser(geometry.shape)
    centres = now.points * scale[0, 0] + scale[:2, 2]
    x, y = (
        np.clip(np.rint(c[:, None] + along), 0, n - 1).astype(np.intp)
        for c, n in zip(centres.T, depth_px.shape[::-1], strict=True)
    )
    return np.asarray(depth_px[y[:, :, None], x[:, None, :]])


def _expected_drag(
    geometry: StackGeometry, now: Linearised, depth_px: FloatArray, places: Array
) -> Array:
    """Return by how far zones of sharpness that move on draw tiles along, expected px, (n, 2).

    A texture t whose contrast is a in one frame and b in the other, with c their mean, seems to
    move by -M^-1 sum((b - a) grad c), M = sum(c**2 <grad t grad t'>) + sum(grad c grad c'). How
    much t changes along x and y is told by the tile's certainty.
    """
    tiles = geometry.fit.tiles
    along = np.arange(_APART_PX, TILE_PX + 1.0, _APART_PX) - (TILE_PX + _APART_PX) / 2
    wave = finest_wave()
    deep = _depth_around(geometry, now, depth_px, along)
    one, two = (
        np.exp(-(((deep - places[ends][:, None, None]) * wave) ** 2) / 32)
        for ends in (tiles.first, tiles.second)
    )
    power = [(c * c).sum((1, 2)) + 1e-9 for c in (one, two)]
    one, two = (  # the stronger is turned down
        c * np.sqrt(np.minimum(1, other / own))[:, None, None]
        for c, own, other in ((one, *power), (two, *power[::-1]))
    )
    mean = (one + two) / 2
    down, across = np.gradient(mean, _APART_PX, axis=(1, 2))
    slope = np.stack([across, down], 1).reshape(len(mean), 2, -1)
    pull = -(slope * (two - one).reshape(len(mean), 1, -1)).sum(2)
    told = (mean**2).sum((1, 2)) * wave**2 / np.trace(tiles.certainty, axis1=1, axis2=2)
    normal = told[:, None, None] * tiles.certainty + slope @ slope.transpose(0, 2, 1)
    inverse = invert((normal + np.eye(2) / TILE_PX**2).transpose(1, 2, 0))
    return np.asarray(multiply(inverse, pull.T[:, None])[:, 0].T)
