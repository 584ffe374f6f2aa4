"""How much of a band's energy a circle of blur leaves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from merge.model import Array, FloatArray, Index
from merge.optics import defocus_transfer, diffraction_mtf, jinc

# Table: blur diameter over the band's sigma up to this (40 px of the finest at full size), and how
# fast the texture's energy rises from one octave to the next coarser one: factor 2 ** slope. A tile
# holds few waves of a coarse band, so single tiles reach far beyond what textures do; cut at -1,
# steps of 20 px came out 10 % too wide.
LARGEST = 58.0
# Steps of the tables: of diameters over sigma, of cut-offs x, half of it of waves times x (1 - x),
# along which the exact transfer ripples alike for all frequencies, and of diffraction (wavelength
# times f-number over sigma; less does nothing). Straight lines between them are within 0.002.
_STEP = 0.02
_RATIOS = np.arange(0, LARGEST + _STEP / 2, _STEP)
_SLOPES = np.arange(-4.0, 4.01, 0.25)
# Bands from this one on are averaged over tiles for their slope: in a single one it is noise.
_POOLED_BAND = 3
# Frequencies at which the transfer is taken, in cycles per sigma: above 1.2 a band passes nothing.
_FREQUENCIES = np.linspace(0.004, 1.2, 300)
# Waves of defocus up to which the exact transfer is taken; beyond, disk times diffraction is
# within 0.025 of it.
_EXACT_WAVES = 12.0


@dataclass(frozen=True, eq=False)
class BlurTables:
    """What blur leaves of every band, for textures of every slope.

    Attributes
    ----------
    share, derivative : ndarray, float64, shape (bands * slopes, columns)
        Energy left, 1 in focus, and its derivative with respect to diameter over sigma.
    share_single : ndarray, float32
        As ``share``.
    per_unit : float
        Columns a unit of diameter over sigma; the last column serves for all beyond.
    octaves : ndarray, shape (B, slopes)
        Logarithm to base 2 of the energy of every band in focus, up to one constant: what the
        lens does to a power law.
    """

    share: Array
    share_single: FloatArray
    derivative: Array
    octaves: Array
    per_unit: float = 1 / _STEP

    def reach(self, share: float) -> float:
        """Return the diameter over sigma at which blur leaves a share of a flat band's energy."""
        flat = self.share[int(np.flatnonzero(_SLOPES == 0)[0])]
        return float(np.argmax(flat < share)) / self.per_unit

    def choose_rows(self, amplitude: Array) -> Index:
        """Return the table row for each tile's own spectrum.

        Real textures in real lenses fall faster towards fine detail than any single power law,
        and a band's energy then sits at its coarser end, where blur costs less. With one slope
        for all, steps came out 17 % too small on the stereo photograph; with this, 2 %.

        Parameters
        ----------
        amplitude : ndarray, shape (B, K)
            Energy of every band in every tile without blur, finest band first.

        Returns
        -------
        ndarray of int, shape (B, K)
        """
        bands = len(amplitude)
        level = np.log2(np.maximum(amplitude, 1e-12))
        rows = np.empty(amplitude.shape, np.intp)
        for band in range(bands):
            finer, coarser = max(band - 1, 0), min(band + 1, bands - 1)
            seen = level[coarser] - level[finer]
            if band >= _POOLED_BAND:
                seen = np.median(seen, keepdims=True)
            expected = self.octaves[coarser] - self.octaves[finer]
            row = np.interp(seen, expected, np.arange(len(_SLOPES)))
            rows[band] = np.round(row).astype(np.intp) + band * len(_SLOPES)
        return rows


def blur_tables(
    sigma_px: Sequence[float] | Array, diffraction_scale_px: float | None = None
) -> BlurTables:
    """Return the tables for bands of given widths, and for a lens.

    Parameters
    ----------
    sigma_px : sequence of float
        Finer Gaussian of every octave band, finest first.
    diffraction_scale_px : float, optional
        Wavelength times effective f-number, in the same pixels: how far diffraction spreads.
        Without it the blur is taken as the ideal disk.
    """
    return _tables_for(tuple(float(s) for s in sigma_px), diffraction_scale_px or 0.0)


@lru_cache(maxsize=4)
def _tables_for(sigma_px: tuple[float, ...], diffraction_scale_px: float) -> BlurTables:
    bands = [_band_table(_rounded(diffraction_scale_px / sigma)) for sigma in sigma_px]
    share = np.stack([band[0] for band in bands])
    # In focus, a power law of this slope has this energy in each band; the lens takes its part.
    octaves = np.arange(len(bands))[:, None] * _SLOPES
    flat = share.reshape(-1, len(_RATIOS))
    return BlurTables(
        share=flat,
        share_single=flat.astype(np.float32),
        derivative=np.gradient(share, _STEP, axis=2).reshape(-1, len(_RATIOS)),
        octaves=octaves + np.log2(np.stack([band[1] for band in bands])),
    )


def _rounded(wave: float) -> float:
    """Round to relative steps, so that tables are found again; 0 where diffraction does nothing."""
    return 0.0 if wave < _STEP else (1 + _STEP) ** round(math.log(wave, 1 + _STEP))


@lru_cache(maxsize=16)
def _band_table(wave: float) -> tuple[Array, Array]:
    """Tabulate the mean squared transfer over an octave band, (slopes, columns), 1 in focus.

    Second value: the share of a texture's energy that diffraction leaves in focus, (slopes,).
    ``wave`` is wavelength times f-number over the band's sigma. The band lies between Gaussians
    of sigma and 2 sigma; the texture's power falls with frequency to the power 2 + slope.
    """
    f = _FREQUENCIES
    band = np.exp(-2 * np.pi**2 * f**2) - np.exp(-8 * np.pi**2 * f**2)
    weights = band**2 * f ** (-1 - _SLOPES[:, None])
    weights /= weights.sum(axis=1, keepdims=True)
    disk = _disk_transfer()
    if wave == 0:
        return weights @ (disk**2).T, np.ones(len(_SLOPES))
    sharp = np.asarray(diffraction_mtf(1000 * f, wave, 1.0)) ** 2
    seen = disk**2 * sharp
    waves = _RATIOS / (8 * wave)
    near = waves <= _EXACT_WAVES
    seen[near] = _exact_transfer(waves[near], wave * f) ** 2
    in_focus = weights @ sharp
    return (weights @ seen.T) / in_focus[:, None], in_focus


@lru_cache(maxsize=1)
def _disk_transfer() -> Array:
    """Return the transfer of every disk of the table at every frequency, (columns, F)."""
    nodes = np.linspace(0, 240, 8001)
    return np.interp(np.pi * np.outer(_RATIOS, _FREQUENCIES), nodes, np.asarray(jinc(nodes)))


def _exact_transfer(waves: Array, cutoffs: Array) -> Array:
    """Return the defocused lens's transfer, (len(waves), len(cutoffs)), from one table for all.

    Parameters
    ----------
    waves : ndarray
        Defocus W20 over the wavelength, up to _EXACT_WAVES.
    cutoffs : ndarray
        Frequencies over the cut-off; 0 above 1.
    """
    table = _exact_table()
    x = np.minimum(cutoffs, 1.0)
    column, row = x / _STEP, waves[:, None] * (x * (1 - x)) / (_STEP / 2)
    left = np.minimum(column.astype(np.intp), table.shape[1] - 2)
    top = np.minimum(row.astype(np.intp), len(table) - 2)
    right, lower = column - left, row - top
    above = table[top, left] * (1 - right) + table[top, left + 1] * right
    below = table[top + 1, left] * (1 - right) + table[top + 1, left + 1] * right
    return np.asarray(above * (1 - lower) + below * lower)


@lru_cache(maxsize=1)
def _exact_table() -> Array:
    """Return the transfer by ripple (rows) and frequency over the cut-off (columns)."""
    x = np.linspace(0, 1, round(1 / _STEP) + 1)
    ripple = np.arange(math.ceil(_EXACT_WAVES / 2 / _STEP) + 2) * _STEP / 2
    table = np.zeros((len(ripple), len(x)))
    table[:, 0] = jinc(8 * np.pi * ripple)  # many waves of low frequencies: the disk
    # Nothing is looked up beyond _EXACT_WAVES.
    waves = np.minimum(ripple[:, None] / (x * (1 - x))[1:-1], 2 * _EXACT_WAVES)
    # At wavelength and f-number of 1 a blur of 8 um is one wave, the cut-off 1000 cycles/mm.
    table[:, 1:-1] = defocus_transfer(1000 * x[1:-1], 1.0, 1.0, 8 * waves)
    return table
