"""What stays fixed on the sensor while the picture moves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class DustSpot:
    """The shadow of one speck of dust on the sensor, alike in every frame of a stack.

    Attributes
    ----------
    row, column : float
        Its centre in frame coordinates, px.
    spacing_px : float
        Distance between the radii that `transmission` is given at.
    transmission : tuple of float
        Linear light that the speck lets through, at radii 0, ``spacing_px``, ... from the centre,
        in (0, 1]; the last one is 1, and so is everything beyond.
    """

    row: float
    column: float
    spacing_px: float
    transmission: tuple[float, ...]

    @property
    def radius_px(self) -> float:
        """Radius beyond which nothing is changed, in pixels."""
        return self.spacing_px * (len(self.transmission) - 1)


@dataclass(frozen=True, eq=False)
class SensorDefects:
    """What stays fixed on the sensor while the picture moves, in frame coordinates.

    Attributes
    ----------
    shape : tuple of int
        (H, W) of the frames.
    spots : int
        Number of hot or dead pixels; developing spreads one over several pixels of a frame.
    pixels : ndarray, shape (M, 2), int32
        (row, column) of every pixel of a frame that they reach, without repetition.
    dust : tuple of DustSpot
    """

    shape: tuple[int, int]
    spots: int
    pixels: NDArray[np.int32]
    dust: tuple[DustSpot, ...] = ()
