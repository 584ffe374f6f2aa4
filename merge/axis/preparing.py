"""From the tiles' energies to the numbers that are fitted: noise and exposure removed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.model import TileEnergies

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Mask = NDArray[np.bool_]

# Largest share of clipped pixels in a tile: a clipped highlight keeps its hard edge when blurred.
_MAX_CLIPPED = 0.02
# Largest change of a tile's mean light from frame to frame, relative, once exposure is evened:
# blur moves light across a tile's rim, but by less.
_MAX_CHANGE = 0.5


@dataclass(frozen=True)
class StackEnergies:
    """Band energies of a whole stack, one column a tile.

    Attributes
    ----------
    energy : ndarray, shape (N, B, T)
        Noise removed (may be slightly negative), exposure evened; 0 where unusable.
    noise : ndarray, shape (B, T)
        Energy of noise that was removed.
    usable : ndarray, shape (T,)
        Tiles that every frame covers, unclipped, whose light stays the same.
    sigma_px : ndarray, shape (B,)
        Finer Gaussian of every band.
    gains : ndarray, shape (N,)
        Linear light of every frame over the middle one's, from the tiles' means.
    """

    energy: Array
    noise: Array
    usable: Mask
    sigma_px: Array
    gains: Array


def stack_energies(tiles: Sequence[TileEnergies]) -> StackEnergies:
    """Join the frames' measures; even out exposure and take the noise off."""
    count, bands = len(tiles), len(tiles[0].band_sigma_px)
    energy = np.stack([t.energy for t in tiles]).astype(float).reshape(count, bands, -1)
    level = np.stack([t.level for t in tiles]).astype(float).reshape(count, -1)
    clipped = np.stack([t.clipped for t in tiles]).astype(float).reshape(count, -1)
    usable = np.isfinite(energy).all(axis=(0, 1)) & np.isfinite(level).all(axis=0)
    usable &= np.where(usable, clipped.max(axis=0), 1.0) <= _MAX_CLIPPED
    energy[:, :, ~usable] = 0.0
    level[:, ~usable] = 1.0
    gains = _exposure_gains(level, usable)
    energy /= gains[:, None, None] ** 2
    level /= gains[:, None]
    usable &= level.max(axis=0) - level.min(axis=0) <= _MAX_CHANGE * np.median(level, axis=0)
    # White noise falls by four an octave.
    finest = brightness_noise(energy[:, 0], level.mean(axis=0), usable)
    noise = finest * 4.0 ** -np.arange(bands)[:, None]
    return StackEnergies(
        energy=np.where(usable, energy - noise, 0.0),
        noise=noise,
        usable=usable,
        sigma_px=tiles[0].band_sigma_px,
        gains=gains,
    )


def _exposure_gains(level: Array, usable: Mask) -> Array:
    """Return each frame's light over the middle frame's: the median over tiles."""
    if not usable.any():
        return np.ones(len(level))
    middle = np.maximum(level[len(level) // 2, usable], 1e-6)
    return np.maximum(np.median(level[:, usable] / middle, axis=1), 1e-3)


def brightness_noise(finest: Array, level: Array, usable: Mask) -> Array:
    """Return the noise in a map of energies, (T,), as a function of brightness.

    Somewhere in the stack most tiles are too blurred to show fine detail; what is left there
    is noise. It is read as a low quantile over tiles of similar brightness.

    Parameters
    ----------
    finest : ndarray, shape (N, T)
    level : ndarray, shape (T,)
        Mean light of every tile.
    usable : ndarray of bool, shape (T,)
    """
    order = np.flatnonzero(usable)
    order = order[np.argsort(level[order])]
    if len(order) == 0:
        return np.zeros(finest.shape[1])
    # Not the very least in long stacks: one frame with less noise would decide for all.
    rank = len(finest) // 8
    least = np.partition(finest, rank, axis=0)[rank]
    groups = np.array_split(order, max(1, min(8, len(order) // 40)))
    return np.asarray(
        np.interp(
            level,
            [np.median(level[g]) for g in groups],
            [np.quantile(least[g], 0.15) for g in groups],
        )
    )


def choose_tiles(data: StackEnergies, *, per_frame: int, most: int, least_snr: float) -> Index:
    """Return the tiles with the most detail, so many for every frame where detail peaks.

    Tiles with little detail are not only noisy: their fine energy comes from neighbours' blur
    and noise, which makes steps look smaller (3 % with 200 tiles a frame in place of 60).
    """
    peaks = data.energy.max(axis=0)
    good = data.usable.copy()
    for band in range(min(2, len(peaks))):
        good &= peaks[band] > least_snr * np.maximum(data.noise[band], 1e-10)
    frames = sharpest_frame(data)
    per_frame = max(3, min(per_frame, most // len(data.energy)))
    chosen = []
    for frame in range(len(data.energy)):
        here = np.flatnonzero(good & (frames == frame))
        chosen.append(here[np.argsort(-peaks[0, here])][:per_frame])
    return np.concatenate(chosen)


def sharpest_frame(data: StackEnergies) -> Index:
    """Return the frame where every tile shows most fine detail, from the two finest bands."""
    fine = data.energy[:, :2]
    return (fine / np.maximum(fine.max(axis=0), 1e-12)).mean(axis=1).argmax(axis=0)
