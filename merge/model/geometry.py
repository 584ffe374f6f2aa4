"""Where frames lie against the reference frame."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from merge.model.types import MotionModel


@dataclass(frozen=True, eq=False)
class SmoothField:
    """A displacement that changes smoothly over the picture: a polynomial of the place.

    Attributes
    ----------
    coefficients : ndarray, shape (2, K)
        Displacement in px (x, y) for each of `field_powers`.
    centre : (x, y)
        Of the picture, px.
    half : float
        Half its longer side, px: the unit of places.
    """

    coefficients: NDArray[np.float64]
    centre: tuple[float, float]
    half: float

    @classmethod
    def over(cls, coefficients: NDArray[np.float64], shape: tuple[int, int]) -> SmoothField:
        """Return the field over a picture of ``shape`` (H, W)."""
        return cls(coefficients, ((shape[1] - 1) / 2, (shape[0] - 1) / 2), max(shape) / 2)

    def at(self, points: NDArray[np.floating]) -> NDArray[np.float64]:
        """Return the displacement (..., 2) at points (..., 2), px."""
        degree = FIELD_DEGREES[self.coefficients.shape[1]]
        powers = field_powers((points - np.asarray(self.centre)) / self.half, degree)
        return np.asarray(powers @ self.coefficients.T)

    def rescaled(self, factor: float, origin: tuple[float, float] = (0.0, 0.0)) -> SmoothField:
        """Return the same for pictures ``factor`` times as long that begin at ``origin`` (x, y)."""
        x, y = (
            (c + 0.5) * factor - 0.5 - first for c, first in zip(self.centre, origin, strict=True)
        )
        return SmoothField(self.coefficients * factor, (x, y), self.half * factor)


@dataclass(frozen=True, eq=False)
class FrameTransform:
    """Map from reference pixels to a frame's pixels: the direction a warper samples in.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3), float64
        Homogeneous, acting on (x, y, 1) columns; ``matrix[2, 2] == 1``.
    parallax : ndarray, shape (3,), or None
        What is added to ``matrix @ (x, y, 1)`` for each px that a pixel lies beyond ``plane_px`` on
        the focus axis, because the camera moved; None where it did not.
    plane_px : float
        Position on the focus axis where ``matrix`` alone holds: this frame's own.
    radial : float
        Change of size with the distance from the frame's centre, because the lens distorts
        otherwise at another focus: distances r grow by ``radial * r**2``; in 1/px².
    centre : (x, y)
        Of that distortion, and where the size is stated, in the frame's pixels.
    field : SmoothField or None
        What moves a reference pixel before all else: what air or a lens does that no camera's
        motion explains.
    """

    matrix: NDArray[np.float64]
    parallax: NDArray[np.float64] | None = None
    plane_px: float = 0.0
    radial: float = 0.0
    centre: tuple[float, float] = (0.0, 0.0)
    field: SmoothField | None = None

    @property
    def is_matrix(self) -> bool:
        """Whether the matrix alone is the map, at every depth."""
        return self.parallax is None and self.field is None and not self.radial

    def at_position(self, position_px: float) -> FrameTransform:
        """Return the map of what lies at one position on the focus axis, without parallax."""
        if self.parallax is None:
            return self
        matrix = self.matrix.copy()
        matrix[:, 2] += (position_px - self.plane_px) * self.parallax
        return replace(self, matrix=matrix / matrix[2, 2], parallax=None)

    @property
    def magnification(self) -> float:
        """Size of the subject in this frame over its size in the reference frame, at `centre`."""
        steps = np.array([[0.5, 0.0], [-0.5, 0.0], [0.0, 0.5], [0.0, -0.5]])
        right, left, below, above = self.apply(np.asarray(self.centre) + steps)
        return math.sqrt(abs(float(np.linalg.det(np.stack([right - left, below - above])))))

    @property
    def rotation_deg(self) -> float:
        """Rotation of this frame against the reference, in degrees."""
        return math.degrees(math.atan2(self.matrix[1, 0], self.matrix[0, 0]))

    def apply(
        self, points: NDArray[np.floating], position_px: NDArray[np.floating] | None = None
    ) -> NDArray[np.float64]:
        """Return where points of the reference frame lie in this frame.

        Parameters
        ----------
        points : ndarray, shape (..., 2)
            (x, y) in pixels.
        position_px : ndarray, shape (...), optional
            Of the points on the focus axis; default where this frame is in focus.

        Returns
        -------
        ndarray, shape (..., 2), float64
        """
        if self.field is not None:
            points = points + self.field.at(points)
        moved = points @ self.matrix[:, :2].T + self.matrix[:, 2]
        if self.parallax is not None and position_px is not None:
            moved = moved + (position_px - self.plane_px)[..., None] * self.parallax
        seen = np.asarray(moved[..., :2] / moved[..., 2:])
        if self.radial:
            away = seen - self.centre
            seen = seen + away * (self.radial * (away**2).sum(axis=-1, keepdims=True))
        return seen

    def shift_px(self, shape: tuple[int, ...]) -> tuple[float, float]:
        """Return (x, y) shift in pixels of the centre of a picture of ``shape`` (H, W, ...)."""
        centre = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
        x, y = self.apply(centre) - centre
        return float(x), float(y)


# Neighbours on each side whose line tells where a frame is expected (`FrameRegistration.jump_px`).
JUMP_NEIGHBOURS = 3


@dataclass(frozen=True, eq=False)
class FrameRegistration:
    """Where one frame lies against the reference, and how well that is known.

    Attributes
    ----------
    transform : FrameTransform or None
        None when the frame could not be aligned.
    gain : float
        Linear light of this frame over that of the reference frame; divide by it.
    colour_gains : tuple of float, or None
        The same of red, green and blue, where the colour of the light changed; None where all
        three have ``gain``.
    falloff : float
        Change of that ratio from centre to corner: it is ``gain * exp(falloff * r2)`` with r2 the
        squared distance from the centre, 1 at the corners.
    residual_px : float
        Disagreement of this frame's pair measurements with the whole-stack solution
        (root mean square over the picture's corners and centre), in pixels; NaN if unknown.
    jump_px : float
        Departure of its position from the line through its neighbours, in pixels; large for a
        bumped tripod.
    reason : str
        Why the frame could not be aligned, or is not placed well; empty where it is.
    """

    transform: FrameTransform | None
    gain: float = 1.0
    falloff: float = 0.0
    colour_gains: tuple[float, float, float] | None = None
    residual_px: float = math.nan
    jump_px: float = 0.0
    reason: str = ""


# Degree of a field by its number of powers.
FIELD_DEGREES = {6: 2, 10: 3}


def field_powers(points: NDArray[np.floating], degree: int) -> NDArray[np.float64]:
    """Return 1, u, v, u², uv, v² … of normalised points (..., 2), shape (..., K)."""
    u, v = points[..., 0], points[..., 1]
    return np.stack([u ** (n - k) * v**k for n in range(degree + 1) for k in range(n + 1)], -1)


@dataclass(frozen=True, eq=False)
class Misfit:
    """How neighbouring frames disagree after alignment, smoothly over the picture.

    Attributes
    ----------
    fields : mapping of (frame, frame) to ndarray, shape (2, 6)
        Displacement in px, quadratic in the distance from the reference frame's centre in units of
        half its longer side; see `field_powers`.
    shape : (H, W)
        Of the reference frame.
    evidence : float
        Standard errors by which the fields predict parts of the picture that they were not fitted
        to.
    """

    fields: Mapping[tuple[int, int], NDArray[np.float64]]
    shape: tuple[int, int]
    evidence: float

    def size_px(
        self, one: int, other: int, points: NDArray[np.floating]
    ) -> NDArray[np.float64] | None:
        """Return how far two frames disagree at points (..., 2) of the reference frame, px.

        None for frames that were not compared.
        """
        field = self.fields.get((one, other), self.fields.get((other, one)))
        if field is None:
            return None
        away = SmoothField.over(field, self.shape).at(points)
        return np.asarray(np.hypot(away[..., 0], away[..., 1]))

    def renumbered(self, order: Sequence[int]) -> Misfit:
        """Return the same for frames in another order: for each frame its index before."""
        place = {before: now for now, before in enumerate(order)}
        fields = {(place[a], place[b]): field for (a, b), field in self.fields.items()}
        return replace(self, fields=fields)


@dataclass(frozen=True, eq=False)
class Registration:
    """The whole stack's geometry and exposure against one reference frame.

    Attributes
    ----------
    frames : tuple of FrameRegistration
        One for each frame of the stack, in its order.
    reference : int
        Index of the reference frame; its transform is the identity.
    model : str
        Motion model fitted, or chosen.
    shape : tuple of int
        (H, W) of the frames.
    reason : str
        Why it was chosen, in a few words; empty where it was asked for.
    other_scene : tuple of int
        Frames that could not be aligned with these but agree with one another, and look otherwise.
    blurred_coded : bool
        Blur mixes the frames' stored values, not their light, as in drawn or simulated ones.
    """

    frames: tuple[FrameRegistration, ...]
    reference: int
    model: MotionModel
    shape: tuple[int, int]
    reason: str = ""
    other_scene: tuple[int, ...] = ()
    blurred_coded: bool = False

    @property
    def aligned(self) -> tuple[int, ...]:
        """Indices of the frames that could be aligned."""
        return tuple(i for i, f in enumerate(self.frames) if f.transform is not None)
