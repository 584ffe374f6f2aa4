"""How sharp frames are where, and how deep the subject lies."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.model.types import FloatArray


@dataclass(frozen=True, eq=False)
class TileEnergies:
    """How much detail one frame shows in every tile, in the geometry of the reference frame.

    A tile that the frame does not cover is NaN in every array.

    Attributes
    ----------
    energy : ndarray, shape (B, R, C), float32
        Mean square of the band-passed luminance in every tile; band b holds what lies between
        Gaussians of ``band_sigma_px[b]`` and twice that.
    orientation : ndarray, shape (3, R, C), float32
        Mean squares of the finest band's differences between neighbouring pixels: along x,
        along y, and their mean product.
    level : ndarray, shape (R, C), float32
        Mean luminance of every tile, as measured (linear light for the focus axis).
    clipped : ndarray, shape (R, C), float32
        Share of a tile's pixels at white, 0 to 1.
    band_sigma_px : ndarray, shape (B,), float64
        Finer Gaussian of every band, in pixels of the full-size frame.
    tile_size_px : float
        Side of a tile in pixels of the full-size reference frame.
    coarse_orientation : ndarray, shape (3, R, C), float32
        As `orientation`, of the third band.
    """

    energy: FloatArray
    orientation: FloatArray
    level: FloatArray
    clipped: FloatArray
    band_sigma_px: NDArray[np.float64]
    tile_size_px: float
    coarse_orientation: FloatArray


@dataclass(frozen=True, eq=False)
class FrameQuality:
    """What each frame shows beside its place on the focus axis.

    Attributes
    ----------
    detail_ratio : ndarray, shape (N,), float64
        Energy of the finest detail in focus over what the other frames lead to expect; 1 = as
        expected or more, below 1 = soft. NaN where too little tells.
    detail_z : ndarray, shape (N,), float64
        How many standard errors that lies above what is usual in the stack; NaN where too little
        tells.
    direction_ratio : ndarray, shape (N,), float64
        Finest detail along the direction that lost most over that along the one that lost
        least, relative to the neighbours; 1 = no direction, well below 1 = shaken; NaN where
        too few tiles tell.
    direction_z : ndarray, shape (N,), float64
        Size of that loss in standard errors.
    direction_deg : ndarray, shape (N,), float64
        Direction that lost most, degrees from the x axis towards y, in [0, 180).
    gains : ndarray, shape (N,), float64
        Linear light over the middle frame's, from the tiles' means.
    detail_limit, direction_limit : ndarray, shape (N,), float64
        What ``detail_ratio`` and ``direction_ratio`` must have fallen to for a frame to be proven
        soft or shaken, 99 times in 100; NaN where none could be, and the ratios, too.
    """

    detail_ratio: NDArray[np.float64]
    detail_z: NDArray[np.float64]
    direction_ratio: NDArray[np.float64]
    direction_z: NDArray[np.float64]
    direction_deg: NDArray[np.float64]
    gains: NDArray[np.float64]
    detail_limit: NDArray[np.float64]
    direction_limit: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class FocusAxis:
    """Frames and tiles on one axis whose unit is pixels of blur-circle diameter.

    Attributes
    ----------
    positions_px : ndarray, shape (N,), float64
        Position of every frame, the first at 0; a tile at p is blurred by a disk of
        diameter |position - p| px in that frame.
    step_low_px, step_high_px : ndarray, shape (N-1,), float64
        Ends of the 90 % confidence interval of every step.
    tile_positions_px : ndarray, shape (R, C), float64
        Position of the subject in every tile; NaN where it has no usable detail.
    tile_detail : ndarray, shape (R, C), float64
        Contrast that the fine detail of every tile has in focus (root mean square of the two
        finest bands), the weight of a tile in shares; 0 where it has none.
    tile_size_px : int
        Side of a tile in pixels of the reference frame.
    quality : FrameQuality or None
        What each frame shows beside its place.
    covariance_px : ndarray, shape (N, N), float64, or None
        Of the positions, from the scatter of the tiles.
    blur_error_px : float
        Standard error of the place of tiles of one depth and texture together.
    scale_error : float
        Standard error that all distances on the axis share, relative; it comes on top.
    end_reach_px : float
        Farther beyond an end frame nothing is told from a backdrop that no frame comes near.
    one_focus : bool
        Whether one focus at several apertures explains the frames better than places on an axis,
        by five errors; looked for only where f-numbers are not told.
    """

    positions_px: NDArray[np.float64]
    step_low_px: NDArray[np.float64]
    step_high_px: NDArray[np.float64]
    tile_positions_px: NDArray[np.float64]
    tile_detail: NDArray[np.float64]
    tile_size_px: int
    quality: FrameQuality | None = None
    covariance_px: NDArray[np.float64] | None = None
    blur_error_px: float = 0.0
    scale_error: float = 0.0
    end_reach_px: float = math.inf
    one_focus: bool = False


@dataclass(frozen=True, eq=False)
class DepthMap:
    """Which frame is sharpest at every pixel, to a fraction of a frame.

    Attributes
    ----------
    position : ndarray, shape (H, W), float32
        In frames, 0 = first frame of the stack.
    confidence : ndarray, shape (H, W), float32
        0 = filled from neighbours, 1 = certain.
    exact : ndarray, shape (H, W), float32, or None
        The depth itself where ``position`` is meant for mixing frames, and so drawn towards the
        sharper of two; None where both are the same.
    beyond : ndarray, shape (H, W), int8, or None
        1 where what is seen lies beyond the last frame and is sharp in none, -1 the same before
        the first, else 0; None where that was not looked for.
    near_first : bool or None
        Whether the first frame is the near end; None where neither files nor pictures tell.
    """

    position: FloatArray
    confidence: FloatArray
    exact: FloatArray | None = None
    beyond: NDArray[np.int8] | None = None
    near_first: bool | None = None


@dataclass(frozen=True)
class DepthScale:
    """What a depth in frames is in millimetres.

    Attributes
    ----------
    frames : tuple of int
        Frames whose place is known, rising.
    mm : tuple of float
        Their places.
    origin : str
        Where from: "first frame, at the subject" or "sensor".
    pixel_mm : float or None
        Size of a pixel at the subject, where the scale is one of lengths there.
    """

    frames: tuple[int, ...]
    mm: tuple[float, ...]
    origin: str
    pixel_mm: float | None = None

    def in_mm(self, position: FloatArray) -> NDArray[np.float64]:
        """Return places, in frames, in millimetres; linear between frames."""
        return np.interp(position, self.frames, self.mm)
