"""Focus measures: how much detail a frame shows, band by band, tile by tile.

The bands are an octave wide. Each is the difference of two Gaussians, the second twice as wide
as the first, built by halving the picture between bands, so the cost hardly depends on their
number. Energies are averaged over small cells in the frame's own geometry and only then read
at the tiles' places: the frame itself is never resampled, so no interpolation blurs it.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.compiled import njit
from merge.model import FloatArray, FrameTransform, TileEnergies
from merge.resizing import reduce_map
from merge.scratch import as_floats, as_halves

# Narrowest Gaussian, in pixels of the measured picture: narrower ones pass mostly noise.
FINEST_SIGMA = 0.7
# From one level's finer Gaussian to its coarser one: sqrt((2 s)^2 - s^2).
_NEXT_SIGMA = FINEST_SIGMA * 3**0.5
_BAND_COUNT = 5
# Band whose orientation a shake of a few pixels leaves as it is: it peaks at 0.045 cycles/px.
_COARSE_LEVEL = 2
SMALLEST_SIDE_PX = 64
# A tile is three cells wide: 12 px, or 24 px in pictures above 3 megapixels. Tiles of 24 px on a
# picture of 0.4 megapixels hold several depths each, and steps came out 7 % too small (0 to 4 %
# with 12 px).
_CELLS_A_TILE = 3
_SMALL_PICTURE_PX = 3_000_000
_BLACK, _WHITE = 0.004, 0.996


@dataclass(frozen=True, eq=False)
class CellEnergies:
    """One frame's measures in its own geometry, until it is known where the frame lies.

    Attributes
    ----------
    maps : list of ndarray, float16
        Square roots of the cells' means: the bands' energies, then three each for the orientation
        of a fine and a coarse band (the last one signed), mean light, share of clipped pixels.
        Half precision keeps 0.1 %.
    shape : tuple of int
        Of the measured picture.
    cell : int
        Side of a cell in its pixels.
    scale : float
        Side of the measured picture over that of the full-size frame.
    """

    maps: list[NDArray[np.float16]]
    shape: tuple[int, int]
    cell: int
    scale: float


def measure_tiles(
    luminance: FloatArray, transform: FrameTransform | None = None, *, scale: float = 1.0
) -> TileEnergies:
    """Return the band energies of one frame in the tiles of the reference frame.

    `measure_cells` and `place_tiles` in one, for a frame whose transform is known.
    """
    return place_tiles(measure_cells(luminance, scale=scale), transform)


def measure_cells(luminance: FloatArray, *, scale: float = 1.0) -> CellEnergies:
    """Return the band energies of one frame, averaged over small cells.

    Parameters
    ----------
    luminance : ndarray, shape (H, W), float32
        The frame, or a reduced copy of it, 0 = black, 1 = white; not moved into the reference's
        geometry. At least `SMALLEST_SIDE_PX` on either side. Linear light for the focus axis:
        blur mixes light.
    scale : float, default 1.0
        Side of `luminance` over the side of the full-size frame, > 0; 0.5 for a half-size copy.

    Raises
    ------
    ValueError
        If the picture is not two-dimensional or too small.
    """
    least = SMALLEST_SIDE_PX
    if luminance.ndim != 2 or min(luminance.shape) < least:
        raise ValueError(
            f"luminance {luminance.shape}: expected (H, W) of at least {least} x {least} px"
        )
    cell = 4 if luminance.size <= _SMALL_PICTURE_PX else 8
    maps = []
    orientation: list[FloatArray] = []
    fine = cv2.GaussianBlur(luminance, (0, 0), FINEST_SIGMA)
    for level in range(_BAND_COUNT):
        coarse = cv2.GaussianBlur(fine, (0, 0), _NEXT_SIGMA)
        side = max(cell >> level, 1)  # coarse levels are as coarse as they are
        directed = level in (0, _COARSE_LEVEL)
        energy, *products = _band_means(fine, coarse, side, directed=directed)
        maps.append(energy)
        orientation += products
        fine = np.ascontiguousarray(coarse[::2, ::2])
    inside = cv2.inRange(luminance, _BLACK, _WHITE)  # 255 there
    maps += [*orientation, reduce_map(luminance, cell, incomplete="drop")]
    maps.append(1 - reduce_map(inside, cell, incomplete="drop").astype(np.float32) / 255)
    roots = [as_halves(np.copysign(np.sqrt(np.abs(m)), m)) for m in maps]
    return CellEnergies(roots, (luminance.shape[0], luminance.shape[1]), cell, scale)


def place_tiles(cells: CellEnergies, transform: FrameTransform | None = None) -> TileEnergies:
    """Return a frame's measures in the tiles of the reference frame.

    Parameters
    ----------
    cells : CellEnergies
        From `measure_cells`.
    transform : FrameTransform, optional
        From full-size pixels of the reference frame to those of this frame. Default identity.

    Returns
    -------
    TileEnergies
        Tiles are 12 px of the measured picture wide (24 px above 3 megapixels); five bands.
    """
    places = _tile_places(cells.shape, cells.cell * _CELLS_A_TILE, transform, cells.scale)
    levels = [*range(_BAND_COUNT), 0, 0, 0, *[_COARSE_LEVEL] * 3, 0, 0]
    maps = np.empty((len(levels), *places.shape[1:]), np.float32)
    for level in range(_BAND_COUNT):
        alike = [k for k, own in enumerate(levels) if own == level]
        maps[alike] = _tile_means([cells.maps[k] for k in alike], level, cells.cell, places)
    sigmas = np.asarray(FINEST_SIGMA * 2.0 ** np.arange(_BAND_COUNT) / cells.scale, np.float64)
    return TileEnergies(
        energy=maps[:_BAND_COUNT],
        orientation=maps[_BAND_COUNT : _BAND_COUNT + 3],
        coarse_orientation=maps[_BAND_COUNT + 3 : _BAND_COUNT + 6],
        level=maps[-2],
        clipped=maps[-1],
        band_sigma_px=sigmas,
        tile_size_px=cells.cell * _CELLS_A_TILE / cells.scale,
    )


def _tile_places(
    shape: tuple[int, ...], side: int, transform: FrameTransform | None, scale: float
) -> NDArray[np.float64]:
    """Return where the tiles' centres lie in the measured picture, (2, R, C): x and y."""
    rows, columns = shape[0] // side, shape[1] // side
    y, x = np.mgrid[0:rows, 0:columns] * side + (side - 1) / 2
    # Pixel centres: full = (reduced + 1/2) / scale - 1/2.
    full = (np.stack([x, y], axis=-1) + 0.5) / scale - 0.5
    moved = full if transform is None else transform.apply(full)
    places = (np.moveaxis(moved, -1, 0) + 0.5) * scale - 0.5
    half = side / 2
    inside = (
        (places[0] >= half - 1)
        & (places[0] <= shape[1] - half)
        & (places[1] >= half - 1)
        & (places[1] <= shape[0] - half)
    )
    return np.where(inside, places, np.nan)


def _tile_means(
    roots: list[NDArray[np.float16]], level: int, cell: int, places: NDArray[np.float64]
) -> FloatArray:
    """Average cells over the tiles, from their signed roots; NaN where a tile lies outside."""
    side = max(cell >> level, 1)
    spacing = side << level  # in pixels of the measured picture
    # Level pixel j lies at j * 2**level; a cell's first pixel at c * spacing.
    first = (side - 1) / 2 * (1 << level)
    means = np.full((len(roots), *places.shape[1:]), np.nan, np.float32)
    wide = spacing == cell  # coarse levels are about a tile wide as they are
    cells = as_floats(np.concatenate(roots)).reshape(len(roots), *roots[0].shape)
    _read_tiles(cells, np.ascontiguousarray((places - first) / spacing), wide, means)
    return means


@njit(nogil=True, error_model="numpy", takes="f3 d3 b f3")
def _read_tiles(  # pragma: no cover - compiled
    roots: FloatArray, places: NDArray[np.float64], wide: bool, means: FloatArray
) -> None:
    """Fill in what lies at the places: cells between which they lie, or means of three by three."""
    last = roots.shape[1] - 1, roots.shape[2] - 1
    rows, columns = np.empty(4, np.int64), np.empty(4, np.int64)
    weights = np.zeros((2, 4), np.float32)
    for i in range(means.shape[1]):
        for j in range(means.shape[2]):
            if np.isnan(places[0, i, j]):
                continue
            x, y = int(np.floor(places[0, i, j])), int(np.floor(places[1, i, j]))
            for axis, off in enumerate((places[1, i, j] - y, places[0, i, j] - x)):
                # Linear interpolation, or that of a sliding mean of three.
                weights[axis, 1:3] = np.float32(1 / 3)
                weights[axis, 0], weights[axis, 3] = (1 - off) / 3, off / 3
                if not wide:
                    weights[axis] = 0
                    weights[axis, 1], weights[axis, 2] = 1 - off, off
            for k in range(4):
                rows[k] = min(max(y - 1 + k, 0), last[0])
                columns[k] = min(max(x - 1 + k, 0), last[1])
            for c in range(len(roots)):
                total = np.float32(0)
                for k in range(4):
                    along = np.float32(0)
                    for m in range(4):
                        root = roots[c, rows[k], columns[m]]
                        along += weights[1, m] * root * abs(root)
                    total += weights[0, k] * along
                means[c, i, j] = total


def _band_means(fine: FloatArray, coarse: FloatArray, side: int, *, directed: bool) -> FloatArray:
    """Return cells' means of a band's square, (1, h, w), or with its slopes' products, (4, h, w).

    These, if ``directed``, are the mean squares of the differences along x and y and their mean
    product; the last row and column have the differences of those before.
    """
    height, width = fine.shape[0] // side, fine.shape[1] // side
    sums = np.zeros((4 if directed else 1, height, width * side), np.float32)
    within = min(width * side, fine.shape[1] - 1)
    _add_rows(fine, coarse, side, within, sums)
    sums[1:, :, within:] = sums[1:, :, within - 1 : within]
    sums /= side
    return np.stack([cv2.resize(s, (width, height), interpolation=cv2.INTER_AREA) for s in sums])


@njit(nogil=True, fastmath=True, error_model="numpy")
def _add_rows(  # pragma: no cover - compiled
    fine: FloatArray, coarse: FloatArray, side: int, within: int, sums: FloatArray
) -> None:
    """Add up a cell's rows, column by column; differences in so many columns."""
    directed, final = len(sums) > 1, len(fine) - 2
    for line in range(sums.shape[1] * side):
        row = line // side
        y = line if line < final else final
        for x in range(sums.shape[2]):
            band = fine[line, x] - coarse[line, x]
            sums[0, row, x] += band * band
        if directed:
            for x in range(within):
                band = fine[y, x] - coarse[y, x]
                right = fine[y, x + 1] - coarse[y, x + 1] - band
                down = fine[y + 1, x] - coarse[y + 1, x] - band
                sums[1, row, x] += right * right
                sums[2, row, x] += down * down
                sums[3, row, x] += right * down
