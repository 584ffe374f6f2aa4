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
from merge.gaussian import blur_across, blur_along, half_of_taps, mirror_line
from merge.model import FloatArray, FrameTransform, TileEnergies
from merge.resizing import mirrored
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
_WHITE = 0.996


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
    picture = np.ascontiguousarray(luminance, np.float32)
    levels = []
    for level in range(_BAND_COUNT):  # coarse levels are as coarse as they are
        means, picture = _measure_octave(picture, level, max(cell >> level, 1))
        levels.append(means)
    maps = [means[0] for means in levels]
    maps += [*levels[0][1:4], *levels[_COARSE_LEVEL][1:], *levels[0][4:]]
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


def _measure_octave(
    picture: FloatArray, level: int, side: int
) -> tuple[list[FloatArray], FloatArray]:
    """Return cells' means of a picture's finest band, (h, w) each, and what is left, half as large.

    Of its square, in the levels that tell orientation of its slopes' products, too, and in the
    first one of light and of clipped pixels: see `_take_octave`.
    """
    height, width = (length // side for length in picture.shape)
    kinds = 6 if level == 0 else 4 if level == _COARSE_LEVEL else 1
    sums = np.zeros((kinds, height, width * side), np.float32)
    coarse = np.empty([(length + 1) // 2 for length in picture.shape], np.float32)
    narrow = half_of_taps(FINEST_SIGMA)[: None if level == 0 else 0]
    _take_octave(picture, narrow, half_of_taps(_NEXT_SIGMA), side, sums, coarse)
    beyond = picture.shape[1] - 1  # the last column has no difference of its own
    sums[1:4, :, beyond:] = sums[1:4, :, beyond - 1 : beyond]
    size, share = (width, height), np.float32(1 / side)
    return [cv2.resize(s, size, interpolation=cv2.INTER_AREA) * share for s in sums], coarse


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def _add_picture(  # pragma: no cover - compiled
    line: FloatArray, light: FloatArray, clipped: FloatArray
) -> None:
    for x in range(len(light)):
        light[x] += line[x]
    for x in range(len(clipped)):
        clipped[x] += np.float32(1) if line[x] > np.float32(_WHITE) else np.float32(0)


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def _add_slopes(  # pragma: no cover - compiled
    band: FloatArray, below: FloatArray, sums: FloatArray, row: int
) -> None:
    along, down, both = sums[1, row], sums[2, row], sums[3, row]
    after = band[1:]
    for x in range(min(len(along), len(after))):
        right, under = after[x] - band[x], below[x] - band[x]
        along[x] += right * right
        down[x] += under * under
        both[x] += right * under


@njit(nogil=True, fastmath=True, error_model="numpy", takes="f2 f1 f1 i f3 f2")
def _take_octave(  # pragma: no cover - compiled
    picture: FloatArray,
    narrow: FloatArray,
    wide: FloatArray,
    side: int,
    sums: FloatArray,
    coarse: FloatArray,
) -> None:
    """Take the finest band off a picture, line by line, so that what is in use stays at hand.

    Parameters
    ----------
    picture : ndarray, shape (H, W)
    narrow, wide : ndarray
        Halves of the taps of the band's finer Gaussian, none where the picture has it already, and
        of what makes the coarser one of it.
    side : int
        Of a cell.
    sums : ndarray, shape (1, 4 or 6, H // side, W // side * side)
        To these a cell's lines are added, column by column: the band's square; its differences'
        squares, along x and y, and their product, the last line having those before; the picture; 1
        where it is clipped.
    coarse : ndarray, shape (ceil(H / 2), ceil(W / 2))
        Filled with every other pixel of the coarser Gaussian.
    """
    (height, width), rows = picture.shape, sums.shape[1] * side
    beside = len(wide) - 1
    margin = beside + max(len(narrow) - 1, 0)
    padded = np.empty(width + 2 * margin, np.float32)
    # Rings of the lines that are in use: blurred along x, then along y, twice.
    once = np.empty((2 * (margin - beside) + 1, width + 2 * beside), np.float32)
    fine = np.empty((beside + 1, width + 2 * beside), np.float32)
    twice = np.empty((2 * beside + 1, width), np.float32)
    bands, blurred = np.empty((2, width), np.float32), np.empty(width, np.float32)
    for y in range(-margin, height + margin):
        line = picture[mirrored(y, height)]
        mirror_line(line, margin, padded)
        if len(sums) > 4 and 0 <= y < rows:
            _add_picture(line, sums[4, y // side], sums[5, y // side])
        at = y - margin + beside
        sharp = fine[at % len(fine)]
        if len(narrow):
            blur_along(padded, narrow, once[y % len(once)])
            if at >= -beside:
                blur_across(once, at, narrow, sharp)
        else:
            for x in range(len(sharp)):
                sharp[x] = padded[x]
        blur_along(sharp, wide, twice[at % len(twice)])
        at -= beside
        if at < 0:
            continue
        blur_across(twice, at, wide, blurred)
        if at % 2 == 0:
            kept = coarse[at // 2]
            for x in range(len(kept)):
                kept[x] = blurred[2 * x]
        band, above, sharp = bands[at % 2], bands[1 - at % 2], fine[at % len(fine), beside:]
        for x in range(width):
            band[x] = sharp[x] - blurred[x]
        if at < rows:
            total = sums[0, at // side]
            for x in range(len(total)):
                total[x] += band[x] * band[x]
        if len(sums) > 1 and at > 0:
            for place in range(at - 1, min(at + (at == height - 1), rows)):
                _add_slopes(above, band, sums, place // side)
