"""Noise as the fit itself sees it: what is left of a tile's energy where blur leaves nothing.

The lowest energies in a stack (`preparing.brightness_noise`) are a start only: they are the lowest
of many tries, and raw development and JPEG take more noise from the finest band than from the next.
"""

from __future__ import annotations

import dataclasses

import numpy as np

from merge.axis.preparing import StackEnergies
from merge.axis.residuals import TYPICAL, Windows, compare, slopes_of
from merge.model import Array, Index

# Relative scatter of noise between tiles of three cells, from the finest band on; measured on
# white noise.
_SCATTER = (0.17, 0.25, 0.43)
# A factor is believed where it stands out of its own error by more than about this: tiles of two
# depths, too, keep energy where they are blurred.
_BELIEVED = 20.0
# A factor on the noise of either band, at most and at least, in one round.
_MOST = 4.0
# A bound on time: with twice as many steps at ISO 6400 change by 0.6 %.
_ROUNDS = 8


def with_seen_noise(
    data: StackEnergies, tiles: Index, windows: Windows, frames_px: Array, tiles_px: Array
) -> StackEnergies:
    """Return the energies with the noise that explains them best where tiles are out of focus.

    Parameters
    ----------
    data : StackEnergies
    tiles : ndarray of int, shape (K,)
        Those in ``windows``.
    windows : Windows
    frames_px, tiles_px : ndarray, shape (N,) and (K,)
        A fit of them.
    """
    slopes = slopes_of(windows)
    for _ in range(2):
        fit = compare(windows, slopes, frames_px, tiles_px, rounds=2)
        slopes = slopes_of(windows, fit.amplitude)
    factors: list[float] = []
    for band in range(len(data.sigma_px)):
        usual = factors[-1] if factors else 1.0
        if band < len(_SCATTER):
            peak = windows.peak[:, band, None]
            texture = fit.amplitude[:, band, None] * fit.share[:, band] * peak
            noise = np.broadcast_to(data.noise[band, tiles][:, None], texture.shape)
            seen = windows.value[:, band] * peak + noise
            used = windows.used
            usual = _factor(seen[used] - texture[used], texture[used], noise[used], band, usual)
        factors.append(usual)
    noise = data.noise * np.array(factors)[:, None]
    energy = np.where(data.usable, data.energy + data.noise - noise, 0.0)
    return dataclasses.replace(data, energy=energy, noise=noise)


def _factor(left: Array, texture: Array, noise: Array, band: int, usual: float) -> float:
    """Return what the noise must be multiplied by to explain what texture leaves, robustly."""
    factor = usual
    weight = np.zeros_like(left)
    for _ in range(_ROUNDS):
        error = np.hypot(TYPICAL * texture, _SCATTER[band] * max(factor, 0.1) * noise) + 1e-15
        off = (left - factor * noise) / error
        weight = 1 / (error**2 * (1 + (off / 1.5) ** 2))
        factor = float(
            np.clip((weight * noise * left).sum() / (weight * noise**2).sum(), 0.0, _MOST)
        )
    told = factor**2 * float((weight * noise**2).sum())
    share = told / (told + _BELIEVED**2)
    return float(usual * (max(factor, 1 / _MOST) / usual) ** share)
