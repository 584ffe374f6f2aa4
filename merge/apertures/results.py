"""What an aperture series tells."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class ApertureFrame:
    """One frame of a series.

    Attributes
    ----------
    name : str
        File name.
    f_number : float
        Marked f-number.
    contrast : float
        Contrast at the reference frequency over that of the sharpest frame, mean over the
        picture's places that show detail in any frame.
    error : float
        Standard error of ``contrast`` from the spread over tiles.
    diffraction : float
        What diffraction alone leaves of the contrast at this f-number, 0 to 1; NaN if the
        pixel pitch is unknown.
    expected : float
        What the other frames predict for ``contrast``; equal to it unless `fault` is set.
    fault : str
        Why the frame does not fit the others, in words; empty if it does.
    """

    name: str
    f_number: float
    contrast: float
    error: float
    diffraction: float
    expected: float
    fault: str = ""


@dataclass(frozen=True)
class StopCost:
    """What closing from one f-number to the next does to the contrast.

    Attributes
    ----------
    from_f_number, to_f_number : float
    change : float
        Relative change of contrast, negative = lost.
    diffraction : float
        The change that diffraction alone predicts; NaN without pixel pitch.
    rest : float
        What is left: aberration, focus and shake (``(1 + change) / (1 + diffraction) - 1``).
    """

    from_f_number: float
    to_f_number: float
    change: float
    diffraction: float
    rest: float


@dataclass(frozen=True)
class Region:
    """One part of the picture.

    Attributes
    ----------
    name : str
        "centre", "corners", "foreground", "background" or "whole picture".
    tiles : int
        Textured tiles it rests on.
    best : int
        Index of its sharpest frame among those without fault.
    best_f_number : float
        Where its contrast peaks, between the frames.
    contrast : tuple of float
        Per frame, over the region's sharpest.
    blur_px : float
        Median diameter of its blur circles at the best f-number for the plane of focus, in px;
        0 in focus, NaN if it cannot be told.
    """

    name: str
    tiles: int
    best: int
    best_f_number: float
    contrast: tuple[float, ...]
    blur_px: float


@dataclass(frozen=True, eq=False)
class EdgeResponse:
    """Spatial frequency response at one slanted edge of one frame.

    Attributes
    ----------
    box : tuple of int
        (row, column, height, width) in the frame.
    angle_deg : float
        Between the edge and the nearest pixel axis.
    frequency : ndarray, shape (F,), float64
        Cycles a pixel across the edge, 0 to 1.
    response : ndarray, shape (F,), float64
        1 at zero frequency.
    mtf50 : float
        Cycles a pixel at which the response first falls to one half; NaN if it never does.
    """

    box: tuple[int, int, int, int]
    angle_deg: float
    frequency: NDArray[np.float64]
    response: NDArray[np.float64]
    mtf50: float


@dataclass(frozen=True, eq=False)
class ApertureReport:
    """The answers about a series; frames are ordered by f-number.

    Attributes
    ----------
    frames : tuple of ApertureFrame
    best : int
        Index of the sharpest frame as a whole, among those without fault.
    ranking : tuple of int
        Indices from the sharpest to the softest by measured contrast.
    alike : tuple of int
        Frames whose contrast the measurement cannot tell from the best one's.
    enough : bool
        Whether there are f-numbers enough to tell where the best lies: three. Without them
        `best_f_number`, `limit` and `frames_needed` are no answers.
    best_f_number : float
        Where contrast peaks in the plane of focus, between the frames.
    best_at_end : str
        "widest" or "narrowest" when the peak is at the end of the series, else empty.
    in_focus_f_number : float
        The f-number to set for the plane of focus: of those that a camera has, in the steps of
        the series, the one with the highest contrast.
    in_focus : tuple of float
        Contrast of every frame in the plane of focus, over the sharpest.
    costs : tuple of StopCost
    regions : tuple of Region
    limit : {"depth", "places", "diffraction", "neither", "not told"}
        "depth": places differ in the f-number they want, for their depth; "places": for the
        lens (corners, curved field); "diffraction": all want the same one; "neither": all are
        still gaining at the narrowest.
    frames_needed : int
        Frames of a bracket at `in_focus_f_number` that hold every place within
        `tolerance_px`; 1 when one frame does, 0 when it cannot be told.
    winners : ndarray, shape (R, C), float64
        F-number, of those that can be set, at which each place is sharpest; NaN without
        texture.
    edges : tuple of (EdgeResponse or None)
        Per frame, at one edge common to all; empty when no edge was found.
    frequency : float
        Reference frequency, cycles a pixel.
    tolerance_px : float
    """

    frames: tuple[ApertureFrame, ...]
    best: int
    ranking: tuple[int, ...]
    alike: tuple[int, ...]
    enough: bool
    best_f_number: float
    best_at_end: str
    in_focus_f_number: float
    in_focus: tuple[float, ...]
    costs: tuple[StopCost, ...]
    regions: tuple[Region, ...]
    limit: str
    frames_needed: int
    winners: NDArray[np.float64]
    edges: tuple[EdgeResponse | None, ...]
    frequency: float
    tolerance_px: float
