"""Frames that are softer than their neighbours lead to expect, and in which direction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.axis.preparing import StackEnergies, brightness_noise
from merge.axis.solving import Windows, compare, cut_windows, slopes_of
from merge.model import FrameQuality, TileEnergies

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_MOST_TILES = 4000
_HALF_WIDTH = 3
# A tile counts for a frame where blur leaves at least this share of its finest energy.
_NEAR_FOCUS = 0.35
# Share that another frame must show of it: from less nothing can be expected.
_WITNESS = 0.12
_FEWEST_TILES = 12
_FEWEST_DIRECTED = 30
# Neighbours farther away (3.7 px at full size) show too little for a direction: on known stacks
# with wider steps every fifth frame looked shaken.
_NEIGHBOUR_REACH = 5.3
# Added to a tile's energy along a direction, as a share of its largest sum over directions.
_DIRECTION_FLOOR = 0.05
_DIRECTIONS = np.radians(np.arange(0, 180, 15))


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
    anisotropy, angle = np.full(count, np.nan), np.zeros(count)
    quality = FrameQuality(ratio, anisotropy, angle, data.gains)
    if count < 3:
        return quality
    order = np.argsort(frames_px)
    chosen = chosen[np.isfinite(places_px[chosen])]
    chosen = chosen[:: max(1, len(chosen) // _MOST_TILES)]
    place, frames = places_px[chosen], frames_px[order]
    centre = np.abs(frames[:, None] - place).argmin(axis=0)
    windows = cut_windows(
        data.energy[order][:, :, chosen], data.sigma_px, centre, min(_HALF_WIDTH, count - 1)
    )
    found = _surprises(windows, frames, place)
    tensors = _tensors(tiles, data, chosen)[order]
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
            anisotropy[frame], angle[frame] = _direction(tensors[beside][:, :, these])
    return quality


@dataclass(frozen=True)
class _Surprises:
    """Logarithm of energy over prediction (K, B, W), and where a frame is near focus (K, W)."""

    surprise: Array
    near: NDArray[np.bool_]


def _surprises(windows: Windows, frames: Array, place: Array) -> _Surprises:
    """Predict each entry of the windows from the tile's other entries."""
    slopes = slopes_of(windows)
    surprise = np.zeros(windows.value.shape)
    inside = np.broadcast_to(windows.used[:, None, :], windows.value.shape).astype(float)
    near = np.zeros(windows.frames.shape, bool)
    for entry in range(windows.frames.shape[1]):
        weight = inside.copy()
        weight[:, :, entry] = 0
        residual, _, share, _ = compare(windows, slopes, frames, place, weight, rounds=2)
        surprise[:, :, entry] = residual[:, :, entry]
        witness = np.where(weight[:, 0] > 0, share[:, 0], 0).max(axis=1)
        near[:, entry] = (share[:, 0, entry] > _NEAR_FOCUS) & (witness > _WITNESS)
        near[:, entry] &= windows.used[:, entry]
    return _Surprises(surprise, near)


def _tensors(tiles: Sequence[TileEnergies], data: StackEnergies, chosen: Index) -> Array:
    """Return the finest band's orientation, noise and exposure removed, (N, 3, K)."""
    grid = np.stack([t.orientation for t in tiles]).astype(float)
    grid = grid.reshape(len(tiles), 3, -1) / data.gains[:, None, None] ** 2
    level = np.stack([t.level for t in tiles]).astype(float).reshape(len(tiles), -1).mean(axis=0)
    for axis in (0, 1):
        grid[:, axis] -= brightness_noise(grid[:, axis], level, data.usable)
    return grid[:, :, chosen]


def _direction(tensors: Array) -> tuple[float, float]:
    """Return anisotropy of the loss and its direction, from the frame between two others.

    ``tensors`` is (3 frames, 3, K): the energy of differences along direction u is
    u' M u. Each tile counts alike, and what its own texture prefers cancels against the
    neighbours.
    """
    unit = np.maximum((tensors[:, 0] + tensors[:, 1]).max(axis=0), 1e-12)
    x, y, cross = (tensors / unit).transpose(1, 0, 2)
    cosine, sine = np.cos(_DIRECTIONS)[:, None, None], np.sin(_DIRECTIONS)[:, None, None]
    energy = cosine**2 * x + sine**2 * y + 2 * cosine * sine * cross
    logarithm = np.log(np.maximum(energy, 0) + _DIRECTION_FLOOR)
    gain = logarithm[:, 1] - (logarithm[:, 0] + logarithm[:, 2]) / 2
    typical = np.median(gain - gain.mean(axis=0), axis=1)
    return float(np.exp(typical.min() - typical.max())), float(
        np.degrees(_DIRECTIONS[typical.argmin()])
    )
