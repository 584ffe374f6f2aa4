"""Focus measures: how much detail a frame shows, band by band, tile by tile.

The bands are an octave wide. Each is the difference of two Gaussians, the second twice as wide
as the first, built by halving the picture between bands, so the cost hardly depends on their
number. Energies are averaged over small cells in the frame's own geometry and only then read
at the tiles' places: the frame itself is never resampled, so no interpolation blurs it.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import FloatArray, FrameTransform, TileEnergies

# Narrowest Gaussian, in pixels of the measured picture: narrower ones pass mostly noise.
FINEST_SIGMA = 0.7
# From one level's finer Gaussian to its coarser one: sqrt((2 s)^2 - s^2).
_NEXT_SIGMA = FINEST_SIGMA * 3**0.5
_BAND_COUNT = 5
# A tile is three cells wide: 12 px, or 24 px in pictures above 3 megapixels. Tiles of 24 px on a
# picture of 0.4 megapixels hold several depths each, and steps came out 7 % too small (0 to 4 %
# with 12 px).
_CELLS_A_TILE = 3
_SMALL_PICTURE_PX = 3_000_000
_BLACK, _WHITE = 0.004, 0.996


def measure_tiles(
    luminance: FloatArray, transform: FrameTransform | None = None, *, scale: float = 1.0
) -> TileEnergies:
    """Return the band energies of one frame in the tiles of the reference frame.

    Parameters
    ----------
    luminance : ndarray, shape (H, W), float32
        The frame, or a reduced copy of it, 0 = black, 1 = white; not moved into the reference's
        geometry. At least 64 px on either side. Linear light for the focus axis: blur mixes
        light, and steps measured in gamma-coded values came out 3 % smaller.
    transform : FrameTransform, optional
        From full-size pixels of the reference frame to those of this frame. Default identity.
    scale : float, default 1.0
        Side of `luminance` over the side of the full-size frame, > 0; 0.5 for a half-size copy.

    Returns
    -------
    TileEnergies
        Tiles are 12 px of `luminance` wide (24 px above 3 megapixels); five bands.

    Raises
    ------
    ValueError
        If the picture is not two-dimensional or too small.
    """
    if luminance.ndim != 2 or min(luminance.shape) < 64:
        raise ValueError(f"luminance {luminance.shape}: expected (H, W) of at least 64 x 64 px")
    cell = 4 if luminance.size <= _SMALL_PICTURE_PX else 8
    places = _tile_places(luminance.shape, cell * _CELLS_A_TILE, transform, scale)
    bands = []
    orientation = np.zeros(0, np.float32)
    fine = cv2.GaussianBlur(luminance, (0, 0), FINEST_SIGMA)
    for level in range(_BAND_COUNT):
        coarse = cv2.GaussianBlur(fine, (0, 0), _NEXT_SIGMA)
        band = cv2.subtract(fine, coarse)
        bands.append(_tile_means(cv2.multiply(band, band), level, cell, places))
        if level == 0:
            orientation = _orientation(band, cell, places)
        fine = np.ascontiguousarray(coarse[::2, ::2])
    outside = ((luminance <= _BLACK) | (luminance >= _WHITE)).astype(np.float32)
    sigmas = np.asarray(FINEST_SIGMA * 2.0 ** np.arange(_BAND_COUNT) / scale, np.float64)
    return TileEnergies(
        energy=np.stack(bands),
        orientation=orientation,
        level=_tile_means(luminance, 0, cell, places),
        clipped=_tile_means(outside, 0, cell, places),
        band_sigma_px=sigmas,
        tile_size_px=cell * _CELLS_A_TILE / scale,
    )


def _tile_places(
    shape: tuple[int, ...], side: int, transform: FrameTransform | None, scale: float
) -> NDArray[np.float64]:
    """Return where the tiles' centres lie in the measured picture, (2, R, C): x and y."""
    rows, columns = shape[0] // side, shape[1] // side
    y, x = np.mgrid[0:rows, 0:columns] * side + (side - 1) / 2
    matrix = np.eye(3) if transform is None else transform.matrix
    # Pixel centres: full = (reduced + 1/2) / scale - 1/2.
    full = np.stack([(x + 0.5) / scale - 0.5, (y + 0.5) / scale - 0.5, np.ones_like(x)])
    moved = np.einsum("ij,jrc->irc", matrix, full)
    places = (moved[:2] / moved[2] + 0.5) * scale - 0.5
    half = side / 2
    inside = (
        (places[0] >= half - 1)
        & (places[0] <= shape[1] - half)
        & (places[1] >= half - 1)
        & (places[1] <= shape[0] - half)
    )
    return np.where(inside, places, np.nan)


def _tile_means(
    values: FloatArray, level: int, cell: int, places: NDArray[np.float64]
) -> FloatArray:
    """Average a map of a pyramid level over the tiles; NaN where a tile lies outside."""
    side = max(cell >> level, 1)
    rows, columns = values.shape[0] // side, values.shape[1] // side
    if side > 1:
        values = cv2.resize(
            values[: rows * side, : columns * side],
            (columns, rows),
            interpolation=cv2.INTER_AREA,
        )
    spacing = side << level  # in pixels of the measured picture
    if spacing == cell:  # coarse levels are about a tile wide as they are
        size = (_CELLS_A_TILE, _CELLS_A_TILE)
        values = cv2.blur(values, size, borderType=cv2.BORDER_REFLECT)
    # Level pixel j lies at j * 2**level; a cell's first pixel at c * spacing.
    first = (side - 1) / 2 * (1 << level)
    x, y = ((places - first) / spacing).astype(np.float32)
    means = cv2.remap(
        values,
        np.nan_to_num(x),
        np.nan_to_num(y),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return np.where(np.isnan(x), np.float32(np.nan), means)


def _orientation(band: FloatArray, cell: int, places: NDArray[np.float64]) -> FloatArray:
    """Return the mean squares and product of a band's differences along x and y, by tile."""
    right = band[:-1, 1:] - band[:-1, :-1]
    down = band[1:, :-1] - band[:-1, :-1]
    products = (cv2.multiply(right, right), cv2.multiply(down, down), cv2.multiply(right, down))
    return np.stack([_tile_means(product, 0, cell, places) for product in products])
