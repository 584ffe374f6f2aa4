"""Frames that are softer than their neighbours lead to expect, and in which direction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.axis.preparing import StackEnergies, brightness_noise
from merge.axis.residuals import Windows, compare, cut_windows, inside_stack, slopes_of
from merge.model import FrameQuality, TileEnergies

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_MOST_TILES = 4000
_HALF_WIDTH = 3
# A tile counts for a frame where blur leaves at least this share of its finest energy.
_NEAR_FOCUS = 0.35
# Share that another frame must show of it: from less nothing can be expected.
_WITNESS = 0.12
# And how near to the tile that frame must be, over the finest sigma (5 px at full size): from
# 9 and 12 px away end frames of whole brackets looked soft.
_WITNESS_REACH = 7.0
_FEWEST_TILES = 12
_FEWEST_DIRECTED = 60
# Tiles whose fine and coarse orientation are compared: this near focus, over the finest band's
# sigma (3 px at full size), their finest energy so many times the noise.
_IN_FOCUS = 4.3
_LEAST_SNR = 3.0
# Neighbours farther away (3.7 px at full size) show too little for a direction: on known stacks
# with wider steps every fifth frame looked shaken.
_NEIGHBOUR_REACH = 5.3
# Added to a tile's energy along a direction, as a share of its sum over directions.
_DIRECTION_FLOOR = 0.1
_DIRECTIONS = np.radians(np.arange(0, 180, 15))
# Groups of tiles whose scatter tells what chance does, and how often over that is taken off.
_GROUPS, _CHANCE = 6, 3.0
_TURN = np.exp(2j * _DIRECTIONS)


def judge_frames(
    tiles: Sequence[TileEnergies],
    data: StackEnergies,
    chosen: Index,
    frames_px: Array,
    places_px: Array,
) -> FrameQuality:
    """Compare every frame with what the others predict for the tiles near its focus.

    Parameters
    ----------
    tiles, data, chosen :
        The measures, the same prepared, and the tiles with most detail.
    frames_px : ndarray, shape (N,)
        In the given order.
    places_px : ndarray, shape (T,)
        Positions of all tiles on the same axis; NaN allowed.
    """
    count, bands = data.energy.shape[:2]
    ratio = np.full((count, bands), np.nan)
    beside_lean = np.full(count, np.nan, complex)
    if count < 3:
        return FrameQuality(ratio, np.full(count, np.nan), np.zeros(count), data.gains)
    order = np.argsort(frames_px)
    fine, coarse = _tensors(tiles, data)
    scale_lean = _scale_leans(fine, coarse, data, frames_px, places_px)
    chosen = chosen[np.isfinite(places_px[chosen])]
    chosen = chosen[:: max(1, len(chosen) // _MOST_TILES)]
    place, frames = places_px[chosen], frames_px[order]
    centre = np.abs(frames[:, None] - place).argmin(axis=0)
    energy = data.energy[order][:, :, chosen]
    windows = cut_windows(data, energy, centre, min(_HALF_WIDTH, count - 1))
    found = _surprises(windows, frames, place)
    tensors = fine[order][:, :, chosen]
    for rank in range(count):
        near = found.near & (windows.frames == rank)
        if near.sum() < _FEWEST_TILES:
            continue
        frame = order[rank]
        for band in range(bands):
            ratio[frame, band] = np.exp(np.median(found.surprise[:, band][near]))
        beside = [max(rank - 1, 0), rank, min(rank + 1, count - 1)]
        if rank in (0, count - 1):  # one neighbour serves for both
            beside[0] = beside[2] = 1 if rank == 0 else rank - 1
        these = np.flatnonzero(near.any(axis=1))
        apart = np.abs(frames[beside] - frames[rank]).max()
        if len(these) >= _FEWEST_DIRECTED and apart <= _NEIGHBOUR_REACH * data.sigma_px[0]:
            beside_lean[frame] = _neighbour_lean(tensors[beside][:, :, these])
    both = np.stack([beside_lean, scale_lean])
    known = np.isfinite(both)
    lean = np.where(known, both, 0).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
    lean[~known.any(axis=0)] = np.nan
    angle = np.degrees(np.angle(-np.nan_to_num(lean)) / 2) % 180
    return FrameQuality(ratio, np.exp(-2 * np.abs(lean)), angle, data.gains)


@dataclass(frozen=True)
class _Surprises:
    """Logarithm of energy over prediction (K, B, W), and where a frame is near focus (K, W)."""

    surprise: Array
    near: NDArray[np.bool_]


def _surprises(windows: Windows, frames: Array, place: Array) -> _Surprises:
    """Predict each entry of the windows from the tile's other entries."""
    slopes = slopes_of(windows)
    surprise = np.zeros(windows.value.shape)
    inside = inside_stack(windows)
    near = np.zeros(windows.frames.shape, bool)
    within = np.abs(frames[windows.frames] - place[:, None]) < _WITNESS_REACH * windows.sigma_px[0]
    for entry in range(windows.frames.shape[1]):
        weight = inside.copy()
        weight[:, :, entry] = 0
        fit = compare(windows, slopes, frames, place, weight, rounds=2)
        surprise[:, :, entry] = fit.residual[:, :, entry]
        witness = np.where((weight[:, 0] > 0) & within, fit.share[:, 0], 0).max(axis=1)
        near[:, entry] = (fit.share[:, 0, entry] > _NEAR_FOCUS) & (witness > _WITNESS)
        near[:, entry] &= windows.used[:, entry]
    return _Surprises(surprise, near)


def _tensors(tiles: Sequence[TileEnergies], data: StackEnergies) -> tuple[Array, Array]:
    """Return fine and coarse orientation, noise and exposure removed, each (N, 3, T)."""
    light = data.gains[:, None, None] ** 2
    fine = np.stack([t.orientation for t in tiles]).astype(float)
    coarse = np.stack([t.coarse_orientation for t in tiles]).astype(float)
    fine = fine.reshape(len(tiles), 3, -1) / light
    coarse = coarse.reshape(len(tiles), 3, -1) / light
    level = np.stack([t.level for t in tiles]).astype(float).reshape(len(tiles), -1).mean(axis=0)
    for axis in (0, 1):  # the coarse band's noise is 16 times weaker
        fine[:, axis] -= brightness_noise(fine[:, axis], level, data.usable)
    return fine, coarse


def _along(tensor: Array) -> Array:
    """Return the energy of differences along every direction u, u' M u: (directions, ...)."""
    u = _DIRECTIONS.reshape(-1, *[1] * (tensor.ndim - 1))
    cosine, sine = np.cos(u), np.sin(u)
    energy = cosine**2 * tensor[0] + sine**2 * tensor[1] + 2 * cosine * sine * tensor[2]
    return np.asarray(np.maximum(energy, 0))


def _lean(by_direction: Array) -> complex:
    """Return by how much tiles, (directions, K), prefer a direction as a whole.

    Of the median over tiles it is the part that turns once in 180 degrees: its size is half the
    difference between the best and the worst direction, as a logarithm, and it points to twice
    the angle of the best. What chance alone would give, judged by groups of tiles, is taken off.
    """

    def turning(tiles: Array) -> complex:
        return complex(2 * (np.median(tiles, axis=1) * _TURN).mean())

    lean = turning(by_direction)
    groups = [turning(by_direction[:, start::_GROUPS]) for start in range(_GROUPS)]
    chance = float(np.var(groups)) / (_GROUPS - 1)
    return lean * max(1 - _CHANCE * chance / max(abs(lean) ** 2, 1e-12), 0.0)


def _neighbour_lean(tensors: Array) -> complex:
    """Return how a frame's orientation departs from that of the frames beside it.

    ``tensors`` is (3 frames, 3, K). Each tile counts alike, and what its own texture prefers
    cancels against the neighbours.
    """
    # Over each frame's own sum: over a common one, texture of one direction (upright stems) gains
    # along it alone where it comes into focus, as if shaken across.
    unit = np.maximum(tensors[:, 0] + tensors[:, 1], 1e-12)[:, None]
    energy = _along((tensors / unit).transpose(1, 0, 2))
    logarithm = np.log(energy + _DIRECTION_FLOOR)
    gain = logarithm[:, 1] - (logarithm[:, 0] + logarithm[:, 2]) / 2
    return _lean(gain - gain.mean(axis=0))


def _scale_leans(
    fine: Array, coarse: Array, data: StackEnergies, frames_px: Array, places_px: Array
) -> NDArray[np.complex128]:
    """Return how the fine orientation of tiles in focus departs from their coarse one, (N,).

    Defocus takes fine detail in all directions alike; a shake takes it along one and leaves the
    coarse. Needs no neighbour, so it works for steps of any width. What textures, pixels or the
    camera's processing do in every frame is taken off.
    """
    noise = np.maximum(data.noise[0], 1e-12)
    seen_less_told: dict[int, Array] = {}
    for frame, place in enumerate(frames_px):
        total = fine[frame, 0] + fine[frame, 1]
        near = data.usable & (np.abs(places_px - place) < _IN_FOCUS * data.sigma_px[0])
        near &= total > 2 * _LEAST_SNR * noise
        near = np.flatnonzero(near)
        if len(near) < _FEWEST_DIRECTED:
            continue
        rough = coarse[frame][:, near]
        seen = np.log(_along(fine[frame][:, near]) / total[near] + _DIRECTION_FLOOR)
        told = np.log(_along(rough) / np.maximum(rough[0] + rough[1], 1e-12) + _DIRECTION_FLOOR)
        seen_less_told[frame] = seen - told
    leans = np.full(len(frames_px), np.nan, complex)
    if len(seen_less_told) >= 3:
        typical = [np.median(tiles, axis=1) for tiles in seen_less_told.values()]
        usual = np.median(typical, axis=0)[:, None]
        for frame, tiles in seen_less_told.items():
            leans[frame] = _lean(tiles - usual)
    return leans
