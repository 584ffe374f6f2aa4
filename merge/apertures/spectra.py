"""Tiles of a frame → their spectra, aligned between frames and freed from noise."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from merge.encoding import linearize
from merge.model import FloatArray

TILE = 96
# Rings of spatial frequency, cycles a pixel, half an octave apart; each ±7 % wide. 0.25 is
# half of Nyquist's: the finest detail that survives in every frame of common series.
RINGS = (0.0625, 0.0884, 0.125, 0.177, 0.25, 0.354)
RING_WIDTH = 0.07
REFERENCE_RING = RINGS.index(0.25)
SECTORS = 6
# 121 tiles gave errors of 0.1 to 0.5 % on photographs; more only cost time and memory.
_MAX_TILES = 200
_CLIPPED, _DARK = 0.985, 0.002


@dataclass(frozen=True, eq=False)
class TileGrid:
    """Where tiles lie in the reference frame.

    Attributes
    ----------
    corners : ndarray, shape (T, 2), int64
        (row, column) of each tile's first pixel.
    cells : ndarray, shape (T, 2), int64
        (row, column) of each tile in the map.
    map_shape : tuple of int
    shape : tuple of int
        (H, W) of the reference frame.
    tile_px : int
        Side of a tile.
    """

    corners: NDArray[np.int64]
    cells: NDArray[np.int64]
    map_shape: tuple[int, int]
    shape: tuple[int, int]
    tile_px: int = TILE


@dataclass(frozen=True, eq=False)
class TileSpectra:
    """Spectra of one frame's tiles.

    Attributes
    ----------
    values : ndarray, shape (T, B), complex64
        Windowed spectrum of linear light over its mean, at the frequencies of `Bins`.
    light : ndarray, shape (T,), float32
        Mean linear light.
    usable : ndarray, shape (T,), bool
        Inside the frame, not clipped, not black.
    """

    values: NDArray[np.complex64]
    light: FloatArray
    usable: NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Bins:
    """Frequencies kept of a tile's spectrum, sorted by ring and sector.

    Attributes
    ----------
    index : ndarray, shape (B,), int64
        Into the flattened half spectrum.
    fx, fy : ndarray, shape (B,), float32
        Cycles a pixel.
    starts : ndarray, shape (rings * sectors,), int64
        First bin of each ring's sector.
    """

    index: NDArray[np.int64]
    fx: FloatArray
    fy: FloatArray
    starts: NDArray[np.int64]


def make_bins() -> Bins:
    """Return the frequencies of all rings."""
    fy = np.fft.fftfreq(TILE)[:, None] + np.zeros(TILE // 2 + 1)
    fx = np.fft.rfftfreq(TILE)[None, :] + np.zeros((TILE, 1))
    radius = np.hypot(fx, fy).ravel()
    angle = np.mod(np.arctan2(fy, fx).ravel(), np.pi)
    sector = np.minimum((angle * SECTORS / np.pi).astype(int), SECTORS - 1)
    label = np.full(radius.size, -1)
    for k, ring in enumerate(RINGS):
        inside = np.abs(radius / ring - 1) <= RING_WIDTH
        label[inside] = k * SECTORS + sector[inside]
    # The spectrum of a real tile repeats itself on the axis fx = 0.
    label[(fx.ravel() == 0) & (fy.ravel() < 0)] = -1
    order = np.argsort(label, kind="stable")
    order = order[label[order] >= 0]
    starts = np.searchsorted(label[order], np.arange(len(RINGS) * SECTORS))
    return Bins(
        index=order,
        fx=fx.ravel()[order].astype(np.float32),
        fy=fy.ravel()[order].astype(np.float32),
        starts=starts,
    )


def choose_tiles(luminance: FloatArray) -> TileGrid:
    """Return tiles spread over the picture, in each cell where detail is strongest.

    Parameters
    ----------
    luminance : ndarray, shape (H, W), float32
        The reference frame, in its own encoding.

    Raises
    ------
    ValueError
        If the picture is smaller than three tiles a side.
    """
    height, width = luminance.shape
    margin = 8
    if min(height, width) < 3 * TILE:
        raise ValueError(f"{width} x {height} px: expected at least {3 * TILE} px a side")
    cell = max(TILE // 3, round((height * width / _MAX_TILES) ** 0.5))
    rows = max(1, (height - 2 * margin - TILE) // cell + 1)
    columns = max(1, (width - 2 * margin - TILE) // cell + 1)
    row, column = np.mgrid[0:rows, 0:columns]
    corners = np.stack([margin + row.ravel() * cell, margin + column.ravel() * cell], axis=1)
    if cell >= 2 * TILE:
        corners = corners + _best_inside(luminance, corners, cell)
    cells = np.stack([row.ravel(), column.ravel()], axis=1)
    return TileGrid(
        corners.astype(np.int64), cells.astype(np.int64), (rows, columns), (height, width)
    )


def _best_inside(luminance: FloatArray, corners: NDArray[np.int64], cell: int) -> NDArray[np.int64]:
    """Return for each cell the offset of the tile with the most detail."""
    step = TILE // 8
    # Half size shows detail as well and takes a quarter of the time.
    half = cv2.resize(
        luminance,
        (luminance.shape[1] // 2, luminance.shape[0] // 2),
        interpolation=cv2.INTER_AREA,
    )
    fine = cv2.Laplacian(half, cv2.CV_32F, ksize=1)
    small = cv2.resize(
        np.abs(fine, out=fine),
        (luminance.shape[1] // step, luminance.shape[0] // step),
        interpolation=cv2.INTER_AREA,
    )
    total = cv2.boxFilter(small, -1, (8, 8), anchor=(0, 0), borderType=cv2.BORDER_REFLECT)
    room = (cell - TILE) // step
    offsets = np.zeros_like(corners)
    for i, (top, left) in enumerate(corners // step):
        part = total[top : top + room + 1, left : left + room + 1]
        if part.size:
            offsets[i] = np.unravel_index(int(part.argmax()), part.shape)
    return offsets * step


def tile_spectra(
    luminance: FloatArray, corners: NDArray[np.int64], transfer: str, bins: Bins
) -> TileSpectra:
    """Return the spectra of one frame's tiles.

    Parameters
    ----------
    luminance : ndarray, shape (H, W), float32
        In the frame's own encoding.
    corners : ndarray, shape (T, 2), int64
        First pixel of each tile in *this* frame.
    transfer : str
        Curve of the encoding (see `merge.encoding`).
    bins : Bins
    """
    height, width = luminance.shape
    inside = ((corners >= 0) & (corners <= (height - TILE, width - TILE))).all(axis=1)
    safe = np.clip(corners, 0, (height - TILE, width - TILE))
    coded = np.stack([luminance[r : r + TILE, c : c + TILE] for r, c in safe])
    clipped = (coded >= _CLIPPED).mean(axis=(1, 2)) > 0.002
    light = linearize(coded, transfer)
    mean = light.mean(axis=(1, 2))
    usable = inside & ~clipped & (mean > _DARK)
    hann = np.hanning(TILE + 1)[:TILE].astype(np.float32)
    window = np.outer(hann, hann)
    window /= np.sqrt((window**2).sum())
    relative = light / np.maximum(mean, 1e-6)[:, None, None] - 1
    weighted_mean = (relative * window).sum(axis=(1, 2)) / window.sum()
    # Three times as fast as numpy's on many small transforms.
    spectrum = scipy.fft.rfft2((relative - weighted_mean[:, None, None]) * window, axes=(1, 2))
    values = spectrum.reshape(len(corners), -1)[:, bins.index].astype(np.complex64)
    return TileSpectra(values, mean.astype(np.float32), usable)


def align_spectra(moving: TileSpectra, reference: TileSpectra, bins: Bins) -> TileSpectra:
    """Return spectra with each tile's remaining shift against the reference undone.

    The phase of the cross-spectrum is a plane whose slope is the shift; it is fitted from
    coarse to fine, so that shifts up to 4 px do not wrap.

    Parameters
    ----------
    moving, reference : TileSpectra
        Of the same tiles.
    bins : Bins
        The frequencies of both.
    """
    values = moving.values
    radius = np.hypot(bins.fx, bins.fy)
    for limit in (0.075, 0.15, 0.3):
        near = radius <= limit
        cross = values[:, near] * reference.values[:, near].conj()
        weight = np.abs(cross)
        phase = np.angle(cross)
        fx, fy = bins.fx[near], bins.fy[near]
        a, b, c = weight @ (fx * fx), weight @ (fx * fy), weight @ (fy * fy)
        p, q = (weight * phase) @ fx, (weight * phase) @ fy
        determinant = np.maximum(a * c - b * b, 1e-12)
        dx, dy = (c * p - b * q) / determinant, (a * q - b * p) / determinant
        angle = (dx[:, None] * bins.fx + dy[:, None] * bins.fy).astype(np.float32)
        turn = np.empty(angle.shape, np.complex64)
        turn.real, turn.imag = np.cos(angle), -np.sin(angle)
        values = values * turn
    return TileSpectra(values, moving.light, moving.usable)


def tile_powers(
    spectra: list[TileSpectra], bins: Bins
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what every two frames share, and the noise of smooth tiles.

    Parameters
    ----------
    spectra : list of TileSpectra
        N frames, aligned.

    Returns
    -------
    shared : ndarray, shape (T, rings, sectors, N, N), float64
        Real part of the mean cross-spectrum; a frame's own power on the diagonal.
    noise : ndarray, shape (T, rings, N), float64
        Power that smooth tiles of like brightness do not share with other frames.
    """
    sizes = np.diff(np.append(bins.starts, len(bins.index)))
    count, tiles = len(spectra), len(spectra[0].values)
    shared = np.zeros((tiles, len(RINGS), SECTORS, count, count))
    for i in range(count):
        for j in range(i, count):
            product = (spectra[i].values * spectra[j].values.conj()).real
            sums = np.add.reduceat(product, bins.starts, axis=1) / sizes
            pooled = sums.reshape(tiles, len(RINGS), SECTORS)
            shared[..., i, j] = shared[..., j, i] = pooled
    bins_of_ring = sizes.reshape(len(RINGS), SECTORS).sum(axis=1)
    signs = _contrast_signs(shared.mean(axis=2), bins_of_ring)
    shared *= (signs[..., :, None] * signs[..., None, :])[:, :, None]
    light = np.stack([s.light for s in spectra], axis=1).astype(np.float64)
    return shared, _smooth_noise(shared.mean(axis=2), light)


def _contrast_signs(
    shared: NDArray[np.float64], bins_of_ring: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Return -1 where strong defocus turned light into dark, shape (T, rings, N).

    Beyond the first zero of the blur disk's transfer the pattern is reversed, and a tile's
    cross-spectrum with a sharper frame is negative; the energy is there all the same. Only
    what noise would do once in thousands is turned.
    """
    count = shared.shape[-1]
    own = np.einsum("...ii->...i", shared)
    # The sharpest frame after noise: the one that shares most.
    sharing = np.abs(shared * (1 - np.eye(count))).sum(axis=-1)
    sharpest = sharing.argmax(axis=-1)[..., None]
    with_sharpest = np.take_along_axis(shared, sharpest[..., None], axis=-1)[..., 0]
    power = own * np.take_along_axis(own, sharpest, axis=-1)
    # The window correlates neighbouring bins: about half of them count.
    chance = np.sqrt(power / (bins_of_ring[:, None] / 2))
    return np.where(with_sharpest < -3.5 * chance, -1.0, 1.0)


def _smooth_noise(shared: NDArray[np.float64], light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return noise over squared light of every tile, ring and frame, by class of brightness."""
    noise = np.zeros(shared.shape[:3])
    order = np.argsort(light.mean(axis=1))
    for members in np.array_split(order, max(1, min(4, len(order) // 20))):
        scale = light[members][:, None, :, None] * light[members][:, None, None, :]
        linear = shared[members] * scale
        own = np.diagonal(linear, axis1=2, axis2=3)
        weight = 1 / np.maximum(own.mean(axis=2), 1e-14) ** 2
        weight /= weight.sum(axis=0)
        pooled = np.einsum("tr,trij->rij", weight, linear)
        variance = np.clip(np.einsum("rii->ri", pooled) - shared_energies(pooled), 0, None)
        noise[members] = variance / np.maximum(light[members], 1e-6)[:, None, :] ** 2
    return noise


def shared_energies(shared: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return each frame's signal energy from what every two frames share.

    Parameters
    ----------
    shared : ndarray, shape (..., N, N)
        Cross-spectra; the diagonal, which holds noise, is not used from three frames on.

    Returns
    -------
    ndarray, shape (..., N)

    Notes
    -----
    Frames of one subject share h_i h_j of their amplitudes, whatever their noise, and moving
    leaves lower every product alike; so h is the vector whose products come closest to the
    off-diagonal elements. Two frames do not determine it: there the diagonal is taken, less
    an equal share of what both do not have in common.
    """
    count = shared.shape[-1]
    own = np.maximum(np.einsum("...ii->...i", shared), 0)
    cross = np.maximum(shared, 0) * (1 - np.eye(count))
    if count < 2:
        return own
    if count == 2:
        common = np.minimum(cross[..., 0, 1], np.sqrt(own.prod(axis=-1)))
        # The smaller root of (own_0 - n)(own_1 - n) = common²: one noise for both.
        half_sum, half_gap = own.mean(axis=-1), (own[..., 0] - own[..., 1]) / 2
        noise = half_sum - np.sqrt(half_gap**2 + common**2)
        return np.maximum(own - noise[..., None], 0)
    amplitude = np.sqrt(cross.sum(axis=-1) / (count - 1))
    for _ in range(60):
        others = (amplitude**2).sum(axis=-1, keepdims=True) - amplitude**2
        found = np.einsum("...ij,...j->...i", cross, amplitude) / np.maximum(others, 1e-30)
        amplitude = 0.5 * (amplitude + found)
    return amplitude**2
