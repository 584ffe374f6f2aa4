"""Contrast of every frame, pooled over tiles so that the subject's own texture cancels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.apertures.spectra import REFERENCE_RING, RINGS, SECTORS, shared_energies

_RESAMPLES = 100
# Rings whose directions tell shake: coarse enough to be above the noise of small apertures.
_SHAKE_RINGS = range(RINGS.index(0.125), REFERENCE_RING + 1)
# Noise of a textured tile over that of a smooth one of the same mean brightness, at most:
# noise grows with light, and texture spreads the light. More is lost likeness, not noise.
_NOISE_SPREAD = 3.0


@dataclass(frozen=True, eq=False)
class SeriesPowers:
    """Powers of the tiles that every frame holds (see `merge.apertures.spectra.tile_powers`).

    Attributes
    ----------
    shared : ndarray, shape (T, rings, sectors, N, N), float64
    noise : ndarray, shape (T, rings, N), float64
    """

    shared: NDArray[np.float64]
    noise: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.shared)

    def take(self, tiles: NDArray[np.bool_]) -> SeriesPowers:
        """Return the powers of some tiles."""
        return SeriesPowers(self.shared[tiles], self.noise[tiles])


def tile_energies(series: SeriesPowers, ring: int) -> NDArray[np.float64]:
    """Return each tile's signal energy in every frame, shape (T, N)."""
    return shared_energies(series.shared[:, ring].mean(axis=1))


def tile_signal(series: SeriesPowers, ring: int) -> NDArray[np.float64]:
    """Return the mean energy that a tile's frames share, shape (T,)."""
    count = series.shared.shape[-1]
    shared = series.shared[:, ring].mean(axis=1)
    own = np.einsum("tii->ti", shared)
    if count < 2:
        return np.maximum(own[:, 0] - series.noise[:, ring, 0], 0)
    return np.maximum((shared.sum(axis=(1, 2)) - own.sum(axis=1)) / (count * (count - 1)), 0)


def _weights(series: SeriesPowers, ring: int) -> NDArray[np.float64]:
    """Return tile weights, shape (T,).

    Dividing by a tile's own energy cancels its texture, and the noise beside it keeps smooth
    tiles from counting.
    """
    noise = series.noise[:, ring].mean(axis=1)
    return 1 / (tile_signal(series, ring) + 2 * noise + 1e-12)


def _sector_energies(
    series: SeriesPowers, ring: int, counts: NDArray[np.integer] | None = None
) -> NDArray[np.float64]:
    """Return pooled energies, shape (..., sectors, N), for tiles taken ``counts`` times."""
    weight = _weights(series, ring)
    weights = weight[None] if counts is None else counts * weight
    tiles, sectors, frames = len(series), SECTORS, series.shared.shape[-1]
    flat = series.shared[:, ring].reshape(tiles, -1)
    pooled = (weights @ flat).reshape(len(weights), sectors, frames, frames)
    energy = shared_energies(pooled)
    # Aberrations that shift phases lower what frames share; smooth tiles bound the noise.
    bound = _NOISE_SPREAD * (weights @ series.noise[:, ring])[:, None, :]
    energy = np.maximum(energy, np.einsum("bsii->bsi", pooled) - bound)
    return energy[0] if counts is None else energy


def _mean_contrast(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return contrast from energies (..., sectors, N): every direction counts alike."""
    even = energy / np.maximum(energy.sum(axis=-1, keepdims=True), 1e-12)
    return np.sqrt(np.maximum(even.mean(axis=-2), 0))


def pooled_contrast(series: SeriesPowers, ring: int = REFERENCE_RING) -> NDArray[np.float64]:
    """Return each frame's contrast over the highest one, shape (N,)."""
    contrast = _mean_contrast(_sector_energies(series, ring))
    return np.asarray(contrast / max(float(contrast.max()), 1e-12))


def contrast_errors(series: SeriesPowers) -> NDArray[np.float64]:
    """Return the standard error of log contrast against the sharpest frame's, shape (N,).

    From resampling the tiles (bootstrap), which holds noise, texture and uneven sharpness.
    """
    counts = _resampled(len(series))
    energies = _sector_energies(series, REFERENCE_RING, counts)
    logs = np.log(np.maximum(_mean_contrast(energies), 1e-4))
    top = int(np.argmax(logs.mean(axis=0)))
    return np.asarray((logs - logs[:, [top]]).std(axis=0))


def mean_contrast_errors(transfers: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the standard error of the log of a mean contrast against the highest one's.

    Parameters
    ----------
    transfers : ndarray, shape (T, N)
        Contrast of every tile in every frame.

    Returns
    -------
    ndarray, shape (N,), float64
        From resampling the tiles (bootstrap).
    """
    logs = np.log(np.maximum(_resampled(len(transfers)) @ transfers / len(transfers), 1e-6))
    top = int(np.argmax(logs.mean(axis=0)))
    return np.asarray((logs - logs[:, [top]]).std(axis=0))


def directional_loss(
    series: SeriesPowers,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return how much stronger each frame is blurred along one direction, and which.

    Returns
    -------
    loss, error : ndarray, shape (N,)
        Half the swing of log contrast over directions, against the other frames; its
        standard error.
    angle_deg : ndarray, shape (N,)
        Direction of the blur, clockwise from horizontal as the picture is seen, 0 to 180:
        the convention of the audit's findings too.
    """
    counts = np.concatenate([np.ones((1, len(series)), np.int64), _resampled(len(series))])
    logs = np.mean(
        [
            0.5 * np.log(np.maximum(_sector_energies(series, ring, counts), 1e-9))
            for ring in _SHAKE_RINGS
        ],
        axis=0,
    )
    logs -= logs.mean(axis=1, keepdims=True)
    logs -= np.median(logs, axis=2, keepdims=True)
    middle = (np.arange(SECTORS) + 0.5) * np.pi / SECTORS
    cosine = np.cos(2 * middle) @ logs * 2 / SECTORS
    sine = np.sin(2 * middle) @ logs * 2 / SECTORS
    error = np.hypot(cosine[1:].std(axis=0), sine[1:].std(axis=0))
    # Contrast is weakest for waves along the motion; rows run down, so angles run clockwise.
    angle = np.degrees(np.arctan2(-sine[0], -cosine[0]) / 2) % 180
    return np.hypot(cosine[0], sine[0]), error, angle


def _resampled(tiles: int) -> NDArray[np.int64]:
    """Return how often each tile is drawn in each bootstrap sample, shape (samples, tiles)."""
    rng = np.random.default_rng(0)
    return np.asarray(rng.multinomial(tiles, np.full(tiles, 1 / tiles), _RESAMPLES))
