"""What a camera does between the frames of a stack, as few numbers.

A frame's map takes a point p of the reference frame, at position z on the focus axis, to

    r(H p + (z + c) e)

H is a 3x3 matrix of one of several families; e is the way of the frame's camera, times K: what it
does to a point is linear in inverse depth (R. Hartley and A. Zisserman, Multiple View Geometry,
2nd ed. 2004, section 13.3, plane plus parallax, from memory), and so is the position on the focus
axis, which is infinity at z = -c; and r is a radial change of size, 1 + k times the squared
distance from the centre. Points are normalised: from the picture's centre, in units of half its
longer side; positions are those of tiles, from -1 to 1.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from merge.model import Array, Index, MotionModel

# Parameters of one frame. Each moves the picture's rim by about its own value.
_OWN = {"shift": 2, "similarity": 4, "camera": 4, "affine": 6, "perspective": 8}
# Where the fit of a common bend starts: a lens of 50 mm on a sensor 36 mm wide.
_FIRST_BEND = 0.13


@dataclass(frozen=True)
class CameraModel:
    """Which motion is fitted.

    Attributes
    ----------
    family : {"shift", "similarity", "camera", "affine", "perspective"}
        Of H. A camera turns about its lens and changes its picture's size: shift x and y, size
        and turn as in a similarity, but the shifts bend the frame as rotations do, by one
        number for the whole stack: half the longer side over the focal length, squared.
    rolls : bool
        Whether frames turn in the picture; only a similarity and a camera may be without.
    radial : int
        Numbers by which the radial change follows the focus, 0 to 2.
    parallax : bool
        Whether frames have one.
    """

    family: MotionModel
    rolls: bool = True
    radial: int = 0
    parallax: bool = False

    @property
    def own(self) -> int:
        """Number of parameters of a frame."""
        return self.flat + (3 if self.parallax else 0)

    @property
    def flat(self) -> int:
        """Number of those that H takes."""
        return _OWN[self.family] - int(not self.rolls)

    @property
    def bends(self) -> bool:
        """Whether one number for the bend is fitted."""
        return self.family == "camera"

    @property
    def sways(self) -> bool:
        """Whether c is fitted: shifts do what turns do not, so both can be told apart."""
        return self.bends and self.parallax

    @property
    def shared(self) -> int:
        """Number of parameters of the stack: bend, c, radial ones."""
        return int(self.bends) + int(self.sways) + self.radial


@dataclass(frozen=True, eq=False)
class Motion:
    """A model with its parameters.

    Attributes
    ----------
    model : CameraModel
    own : ndarray, shape (N, p)
        Of every frame; 0 for the reference frame.
    shared : ndarray, shape (g,)
    progress : ndarray, shape (N,)
        How far focus is from the reference frame's, within -1 and 1.
    """

    model: CameraModel
    own: Array
    shared: Array
    progress: Array

    @property
    def bend(self) -> float:
        """Half the longer side over the focal length, squared."""
        return float(max(self.shared[0], 0.0)) if self.model.bends else 0.0

    def matrices(self) -> Array:
        """Return H of every frame, shape (N, 3, 3)."""
        own = self.own[:, : self.model.flat]
        if not self.model.rolls:
            own = np.concatenate([own, np.zeros((len(own), 1))], 1)
        return _family_matrices(self.model.family, own, self.bend)

    def radial_powers(self) -> Array:
        """Return what the radial parameters are multiplied by in every frame, shape (N, radial)."""
        return np.asarray(self.progress[:, None] ** np.arange(1, self.model.radial + 1))

    def radial(self) -> Array:
        """Return k of every frame, shape (N,)."""
        first = self.model.shared - self.model.radial
        return np.asarray(self.radial_powers() @ self.shared[first:])

    @property
    def infinity(self) -> float:
        """Return c."""
        return float(self.shared[1]) if self.model.sways else 0.0

    def parallax(self) -> Array:
        """Return e of every frame, shape (N, 3)."""
        if not self.model.parallax:
            return np.zeros((len(self.own), 3))
        return self.own[:, -3:]

    def matrix_slopes(self) -> Array:
        """Return how H of every frame reacts to its own parameters and the bend.

        Shape (N, 3, 3, own or own + 1).
        """
        columns, step = [], np.finfo(float).eps ** (1 / 3)  # least error of central differences
        for k in range(self.model.own + int(self.model.bends)):
            sides = []
            for sign in (1, -1):
                own, shared = self.own.copy(), self.shared.copy()
                if k < self.model.own:
                    own[:, k] += sign * step
                else:
                    shared[0] += sign * step
                sides.append(replace(self, own=own, shared=shared).matrices())
            columns.append((sides[0] - sides[1]) / (2 * step))
        return np.stack(columns, 3)


def first_motion(model: CameraModel, matrices: Array, reference: int) -> Motion:
    """Return a motion near to normalised ``matrices`` (N, 3, 3) of the frames."""
    m = matrices / matrices[:, 2:, 2:]
    own = np.zeros((len(m), _OWN[model.family]))
    own[:, 0], own[:, 1] = m[:, 0, 2], m[:, 1, 2]
    size, turn = (m[:, 0, 0] + m[:, 1, 1]) / 2, (m[:, 1, 0] - m[:, 0, 1]) / 2
    if model.family == "similarity":
        own[:, 2], own[:, 3] = size - 1, turn
    elif model.family == "camera":
        own[:, 2], own[:, 3] = np.log(np.hypot(size, turn)), np.arctan2(turn, size)
    elif model.family in ("affine", "perspective"):
        own[:, 2], own[:, 3] = m[:, 0, 0] - 1, m[:, 0, 1]
        own[:, 4], own[:, 5] = m[:, 1, 0], m[:, 1, 1] - 1
    if model.family == "perspective":
        own[:, 6:8] = m[:, 2, :2]
    own[reference] = 0
    shared = np.zeros(model.shared)
    shared[: int(model.bends)] = _FIRST_BEND
    away = np.arange(len(m)) - reference
    return Motion(model, own[:, : model.own], shared, away / max(int(np.abs(away).max()), 1))


def enriched(motion: Motion, model: CameraModel) -> Motion:
    """Return a motion of another model that does the same as far as that model can."""
    old = motion.model
    own, shared = np.zeros((len(motion.own), model.own)), np.zeros(model.shared)
    own[:, : old.flat] = motion.own[:, : old.flat]
    if model.family == "camera" and old.family == "similarity":
        turn = motion.own[:, 3] if old.rolls else np.zeros(len(own))
        own[:, 2] = np.log(np.hypot(1 + motion.own[:, 2], turn))
        if model.rolls:
            own[:, 3] = np.arctan2(turn, 1 + motion.own[:, 2])
    if model.bends:
        shared[0] = motion.shared[0] if old.bends else _FIRST_BEND
    if model.sways and old.sways:
        shared[1] = motion.shared[1]
    first = model.shared - model.radial
    kept = min(old.radial, model.radial)
    shared[first : first + kept] = motion.shared[old.shared - old.radial :][:kept]
    if old.parallax:
        own[:, -3:] = motion.own[:, -3:]
    return Motion(model, own, shared, motion.progress)


def _family_matrices(family: MotionModel, own: Array, bend: float) -> Array:
    """Return the matrices (N, 3, 3) of normalised parameters (N, p)."""
    m = np.zeros((len(own), 3, 3))
    m[:] = np.eye(3)
    if family == "camera":
        size = np.exp(own[:, 2])
        m[:, 0, 0] = m[:, 1, 1] = size * np.cos(own[:, 3])
        m[:, 1, 0] = size * np.sin(own[:, 3])
        m[:, 0, 1] = -m[:, 1, 0]
        return np.asarray(m @ _turn(own[:, 0], own[:, 1], bend))
    m[:, :2, 2] = own[:, :2]
    if family == "similarity":
        m[:, 0, 0] += own[:, 2]
        m[:, 1, 1] += own[:, 2]
        m[:, 0, 1], m[:, 1, 0] = -own[:, 3], own[:, 3]
    elif family in ("affine", "perspective"):
        m[:, 0, 0] += own[:, 2]
        m[:, 0, 1] = own[:, 3]
        m[:, 1, 0] = own[:, 4]
        m[:, 1, 1] += own[:, 5]
    if family == "perspective":
        m[:, 2, :2] = own[:, 6:8]
    return m


def _turn(x: Array, y: Array, bend: float) -> Array:
    """Return K R 1/K of rotations about axes in the picture that move its centre by (x, y).

    Rodrigues' formula, with a focal length of ``bend ** -0.5``; without a bend a shift.
    """
    angle = np.sqrt(bend * (x * x + y * y))
    sine = np.sinc(angle / np.pi)  # sin(angle) / angle
    half = np.sinc(angle / (2 * np.pi)) ** 2 / 2  # (1 - cos(angle)) / angle²
    m = np.empty((len(x), 3, 3))
    m[:, 0, 0] = 1 - half * bend * x * x
    m[:, 0, 1] = m[:, 1, 0] = -half * bend * x * y
    m[:, 1, 1] = 1 - half * bend * y * y
    m[:, 0, 2], m[:, 1, 2] = sine * x, sine * y
    m[:, 2, 0], m[:, 2, 1] = -sine * bend * x, -sine * bend * y
    m[:, 2, 2] = 1 - half * bend * (x * x + y * y)
    return m


def invert(m: Array) -> Array:
    """Return the inverses of 2x2 matrices (2, 2, n): ten times as fast as the general routine."""
    (a, b), (c, d) = m
    return np.asarray(np.array([[d, -b], [-c, a]]) / (a * d - b * c))


def multiply(a: Array, b: Array) -> Array:
    """Return the products of 2x2 matrices (2, 2, n) and others (2, k, n)."""
    return np.asarray(a[:, 0, None] * b[0] + a[:, 1, None] * b[1])


@dataclass(frozen=True, eq=False)
class Projection:
    """Points seen by frames, one frame for each point.

    Attributes
    ----------
    seen : ndarray, shape (2, n)
    slope : ndarray, shape (2, 2, n)
        Derivative with respect to the point.
    """

    seen: Array
    slope: Array


class Projector:
    """Maps points by a motion, with derivatives.

    Points are the last axis of everything, along which numpy's loops run.

    Parameters
    ----------
    motion : Motion
    frame : ndarray, shape (n,)
        Of every point.
    position : ndarray, shape (n,)
        Of every point on the focus axis.
    """

    def __init__(self, motion: Motion, frame: Index, position: Array) -> None:
        self._motion, self._frame = motion, frame
        self._z = position + motion.infinity
        self._all = motion.matrices()
        self._m = self._of_frames(self._all)
        self._k = motion.radial()[frame]
        self._e = self._of_frames(motion.parallax())

    def _of_frames(self, values: Array) -> Array:
        """Return of values (N, ...) of all frames those of every point, (..., n)."""
        last = np.ascontiguousarray(np.moveaxis(values, 0, -1))
        return np.asarray(np.take(last, self._frame, axis=-1))

    def _homogeneous(self, points: Array) -> Array:
        h = self._m[:, 0] * points[0] + self._m[:, 1] * points[1]
        return np.asarray(h + self._m[:, 2] + self._z * self._e)

    def _through(self, h: Array, change: Array) -> Array:
        """Return the derivative of the seen point, given that of h; shapes (3, k, n), (2, k, n)."""
        q = h[:2] / h[2]
        moved = (change[:2] - q[:, None] * change[2]) / h[2]
        if not self._motion.model.radial:
            return np.asarray(moved)
        along = q[0] * moved[0] + q[1] * moved[1]
        size = 1 + self._k * (q * q).sum(0)
        return np.asarray(size * moved + 2 * self._k * q[:, None] * along)

    def project(self, points: Array) -> Projection:
        """Return where points (2, n) of the reference are seen."""
        h = self._homogeneous(points)
        q = h[:2] / h[2]
        seen = q * (1 + self._k * (q * q).sum(0))
        return Projection(seen, self._through(h, self._m[:, :2]))

    def locate(self, seen: Array) -> tuple[Array, Array]:
        """Return the reference points (2, n) that are seen there, and `Projection.slope`."""
        inverse = self._of_frames(np.asarray(np.linalg.inv(self._all), np.float64))
        h = inverse[:, 0] * seen[0] + inverse[:, 1] * seen[1] + inverse[:, 2]
        points = h[:2] / h[2]
        found = self.project(points)
        for _ in range(2 if self._motion.model.radial or self._motion.model.parallax else 0):
            step = multiply(invert(found.slope), (found.seen - seen)[:, None])
            points = points - step[:, 0]
            found = self.project(points)
        return points, found.slope

    def parameter_slopes(self, points: Array) -> Array:
        """Return how seen points react to own and shared parameters, shape (2, p + g, n)."""
        motion, model = self._motion, self._motion.model
        slopes = self._of_frames(motion.matrix_slopes())
        h = self._homogeneous(points)
        change = slopes[:, 0] * points[0] + slopes[:, 1] * points[1] + slopes[:, 2]
        if model.parallax:
            for k in range(3):
                change[k, model.own - 3 + k] = self._z
        if model.sways:
            change = np.concatenate([change, self._e[:, None]], 1)
        moved = self._through(h, change)
        if not model.radial:
            return moved
        q = h[:2] / h[2]
        radial = q * (q * q).sum(0)
        powers = self._of_frames(motion.radial_powers())
        return np.concatenate([moved, radial[:, None] * powers], 1)
