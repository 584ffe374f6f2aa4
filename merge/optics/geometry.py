"""Where things are sharp: blur circles, limits of depth of field, focus shifts, brackets.

Distances are in mm from the *entrance pupil* (for a thin lens with pupil ratio 1: from the
lens) unless a name says ``from_sensor``. The blur circle of a plane at u when focus is at u0,
with magnification m of the focus plane and pupil diameter A = f/N, is exact for an ideal lens:
``D = m A |u - u0| / u`` where ``m = f / (u0 - f/p)``.
"""

from __future__ import annotations

import math

import numpy as np

from merge.optics._checks import FloatOrArray, non_negative, plain, positive
from merge.optics.diffraction import effective_f_number


def magnification_at(
    focus_distance_mm: FloatOrArray, focal_length_mm: FloatOrArray, pupil_ratio: FloatOrArray = 1.0
) -> FloatOrArray:
    """Return the magnification of the plane in focus, ``m = f / (u0 - f/p)``.

    Parameters
    ----------
    focus_distance_mm : float or ndarray
        Distance u0 of the plane in focus from the entrance pupil in mm, > f/p; inf gives 0.
    focal_length_mm : float or ndarray
        f in mm, > 0.
    pupil_ratio : float or ndarray, default 1.0
        Pupil magnification p, > 0.

    Returns
    -------
    float or ndarray
        Unsigned size ratio image / object.

    Raises
    ------
    ValueError
        If the plane is too close for a real image.

    Notes
    -----
    Gaussian optics: the entrance pupil lies f (1/p - 1) behind the front principal plane, so
    u0 = f (1/m + 1/p). Greivenkamp, *Field Guide to Geometrical Optics* (from memory).

    Examples
    --------
    >>> magnification_at(200.0, 100.0)
    1.0
    """
    focal = positive("focal_length_mm", focal_length_mm)
    reach = positive("focus_distance_mm", focus_distance_mm) - focal / positive(
        "pupil_ratio", pupil_ratio
    )
    if not np.all(reach > 0):
        raise ValueError(
            f"focus_distance_mm: {focus_distance_mm!r} is too close for a real image with a focal "
            f"length of {focal_length_mm!r} mm"
        )
    return plain(focal / reach)


def magnification_from_sensor_distance(
    distance_from_sensor_mm: FloatOrArray, focal_length_mm: FloatOrArray
) -> FloatOrArray:
    """Return the magnification of a plane at a distance measured from the sensor.

    Thin lens: ``d = f (2 + m + 1/m)``, of the two solutions the one with m <= 1.

    Parameters
    ----------
    distance_from_sensor_mm : float or ndarray
        d in mm as on a focus scale, >= 4 f; inf gives 0.
    focal_length_mm : float or ndarray
        f in mm, > 0.

    Returns
    -------
    float or ndarray
        Magnification in [0, 1].

    Raises
    ------
    ValueError
        If d < 4 f: a thin lens has no image there. Give the magnification instead.

    Notes
    -----
    Neglects the gap between a real lens's principal planes (a few cm); harmless for landscapes,
    not close up.

    Examples
    --------
    >>> magnification_from_sensor_distance(400.0, 100.0)
    1.0
    """
    focal = positive("focal_length_mm", focal_length_mm)
    distance = positive("distance_from_sensor_mm", distance_from_sensor_mm)
    excess = distance / focal - 2
    if not np.all(excess >= 2):
        raise ValueError(
            f"distance_from_sensor_mm: {distance_from_sensor_mm!r} is less than four focal lengths "
            f"({4 * float(np.max(focal)):g} mm)"
        )
    # 2 / (t + √(t² - 4)) is the smaller root without cancellation, and 0 at infinity.
    finite = np.where(np.isinf(excess), 2.0, excess)
    root = 2 / (finite + np.sqrt(finite**2 - 4))
    return plain(np.where(np.isinf(excess), 0.0, root))


def distance_from_sensor_mm(
    magnification: FloatOrArray, focal_length_mm: FloatOrArray
) -> FloatOrArray:
    """Return the distance from sensor to subject of a thin lens, ``d = f (2 + m + 1/m)``.

    Parameters
    ----------
    magnification : float or ndarray
        Unsigned size ratio m, >= 0.
    focal_length_mm : float or ndarray
        f in mm, > 0.

    Returns
    -------
    float or ndarray
        Distance in mm from the sensor mark; inf for m = 0.
    """
    size = non_negative("magnification", magnification)
    focal = positive("focal_length_mm", focal_length_mm)
    safe = np.where(size > 0, size, 1.0)
    return plain(np.where(size > 0, focal * (2 + safe + 1 / safe), np.inf))


def entrance_pupil_distance_mm(
    magnification: FloatOrArray, focal_length_mm: FloatOrArray, pupil_ratio: FloatOrArray = 1.0
) -> FloatOrArray:
    """Return the distance of the plane in focus from the pupil, ``u0 = f (1/m + 1/p)``.

    Parameters
    ----------
    magnification : float or ndarray
        Unsigned size ratio m, >= 0.
    focal_length_mm : float or ndarray
        f in mm, > 0.
    pupil_ratio : float or ndarray, default 1.0
        Pupil magnification p, > 0.

    Returns
    -------
    float or ndarray
        Distance in mm from the entrance pupil; inf for m = 0.
    """
    size = non_negative("magnification", magnification)
    focal = positive("focal_length_mm", focal_length_mm)
    safe = np.where(size > 0, size, 1.0)
    reach = 1 / safe + 1 / positive("pupil_ratio", pupil_ratio)
    return plain(np.where(size > 0, focal * reach, np.inf))


def blur_circle_um(
    subject_distance_mm: FloatOrArray,
    focus_distance_mm: FloatOrArray,
    focal_length_mm: FloatOrArray,
    f_number: FloatOrArray,
    pupil_ratio: FloatOrArray = 1.0,
) -> FloatOrArray:
    """Return the blur-circle diameter of a point anywhere in the scene.

    Parameters
    ----------
    subject_distance_mm : float or ndarray
        Distance u of the point from the entrance pupil in mm, > 0; inf for a star.
    focus_distance_mm : float or ndarray
        Distance u0 of the plane in focus, > f/p; inf allowed.
    focal_length_mm, f_number : float or ndarray
        f in mm; marked f-number N; both > 0.
    pupil_ratio : float or ndarray, default 1.0
        Pupil magnification p, > 0.

    Returns
    -------
    float or ndarray
        Diameter D in µm at the sensor, 0 in the plane in focus.

    Notes
    -----
    ``D = (f²/N) |1/u0 - 1/u| / (1 - f/(p u0))``; ideal lens, ray optics, no diffraction.
    Handbook form for p = 1: S. F. Ray, *Applied Photographic Optics*, 3rd ed. (2002), depth
    of field (from memory); confirmed by tracing rays in the tests.

    Examples
    --------
    >>> round(blur_circle_um(math.inf, 10000.0, 50.0, 2.0), 2)
    125.63
    """
    focal = positive("focal_length_mm", focal_length_mm)
    magnification_at(focus_distance_mm, focal_length_mm, pupil_ratio)
    subject = 1 / positive("subject_distance_mm", subject_distance_mm)
    focus = 1 / positive("focus_distance_mm", focus_distance_mm)
    area = focal**2 / positive("f_number", f_number) * 1000
    return plain(area * np.abs(focus - subject) / (1 - focal * focus / pupil_ratio))


def hyperfocal_distance_mm(
    focal_length_mm: FloatOrArray,
    f_number: FloatOrArray,
    circle_um: FloatOrArray,
    pupil_ratio: FloatOrArray = 1.0,
) -> FloatOrArray:
    """Return the nearest focus at which infinity is blurred by the circle, ``f²/(Nc) + f/p``.

    Parameters
    ----------
    focal_length_mm, f_number : float or ndarray
        f in mm; marked f-number N; both > 0.
    circle_um : float or ndarray
        Tolerated blur-circle diameter c in µm, > 0.
    pupil_ratio : float or ndarray, default 1.0
        Pupil magnification p, > 0.

    Returns
    -------
    float or ndarray
        Distance in mm from the entrance pupil; half of it is the near limit.

    Notes
    -----
    Ideal lens, exact. Ray, *Applied Photographic Optics*, 3rd ed. (from memory).

    Examples
    --------
    >>> round(hyperfocal_distance_mm(50.0, 8.0, 30.0) / 1000, 2)
    10.47
    """
    focal = positive("focal_length_mm", focal_length_mm)
    circle_mm = positive("circle_um", circle_um) / 1000
    reach = focal**2 / (positive("f_number", f_number) * circle_mm)
    return plain(reach + focal / positive("pupil_ratio", pupil_ratio))


def depth_of_field_limits_mm(
    focus_distance_mm: FloatOrArray,
    focal_length_mm: FloatOrArray,
    f_number: FloatOrArray,
    circle_um: FloatOrArray,
    pupil_ratio: FloatOrArray = 1.0,
) -> tuple[FloatOrArray, FloatOrArray]:
    """Return the nearest and farthest distances blurred by no more than the circle.

    ``u_near = u0 mA/(mA + c)``, ``u_far = u0 mA/(mA - c)``, inf once c >= mA.

    Parameters
    ----------
    focus_distance_mm : float or ndarray
        Distance u0 of the plane in focus from the entrance pupil in mm, > f/p; inf allowed.
    focal_length_mm, f_number : float or ndarray
        f in mm; marked f-number N (A = f/N); both > 0.
    circle_um : float or ndarray
        Tolerated blur-circle diameter c in µm, > 0.
    pupil_ratio : float or ndarray, default 1.0
        Pupil magnification p, > 0.

    Returns
    -------
    near, far : float or ndarray
        Distances from the entrance pupil in mm.

    Notes
    -----
    Exact for an ideal lens, ray optics. For p = 1 identical with the handbook forms
    ``u(H - f)/(H + u - 2f)`` and ``u(H - f)/(H - u)``.

    Examples
    --------
    >>> near, far = depth_of_field_limits_mm(5000.0, 50.0, 8.0, 30.0)
    >>> round(near), round(far)
    (3389, 9527)
    """
    focal = positive("focal_length_mm", focal_length_mm)
    magnification_at(focus_distance_mm, focal_length_mm, pupil_ratio)
    inverse = 1 / positive("focus_distance_mm", focus_distance_mm)
    # 1/u = 1/u0 ± k y0 with k = cN/f² and y0 = 1 - f/(p u0); stays finite at u0 = inf.
    circle_mm = positive("circle_um", circle_um) / 1000
    spread = circle_mm * positive("f_number", f_number) / focal**2
    spread = spread * (1 - focal * inverse / pupil_ratio)
    near = 1 / (inverse + spread)
    open_end = inverse <= spread
    far = np.where(open_end, np.inf, 1 / np.where(open_end, 1.0, inverse - spread))
    return plain(near), plain(far)


def macro_depth_mm(
    circle_um: FloatOrArray,
    f_number: FloatOrArray,
    magnification: FloatOrArray,
    pupil_ratio: FloatOrArray = 1.0,
) -> FloatOrArray:
    """Return the total depth of field close up, ``2 c N (1 + m/p) / m²``.

    Parameters
    ----------
    circle_um : float or ndarray
        Tolerated blur-circle diameter c in µm, > 0.
    f_number : float or ndarray
        Marked f-number N, > 0.
    magnification : float or ndarray
        m, > 0.
    pupil_ratio : float or ndarray, default 1.0
        Pupil magnification p, > 0.

    Returns
    -------
    float or ndarray
        Depth in mm at the subject.

    Notes
    -----
    First term of the exact limits; too small by the share (c/(mA))², A = f/N: below 0.01 % for
    m >= 0.1, f/22, f = 50 mm, c = 2 µm. Ray, *Applied Photographic Optics* (from memory).

    Examples
    --------
    >>> round(macro_depth_mm(30.0, 8.0, 1.0), 3)
    0.96
    """
    size = positive("magnification", magnification)
    working = effective_f_number(f_number, magnification, pupil_ratio)
    return plain(2 * positive("circle_um", circle_um) / 1000 * working / size**2)


def focus_shift_at_sensor_um(
    blur_diameter_um: FloatOrArray, f_number: FloatOrArray
) -> FloatOrArray:
    """Return how far the sensor is from the image of a point, ``Δz' = D N_eff``.

    Parameters
    ----------
    blur_diameter_um : float or ndarray
        Blur-circle diameter D in µm, >= 0.
    f_number : float or ndarray
        Effective f-number, > 0.

    Returns
    -------
    float or ndarray
        Distance in µm, paraxial.
    """
    return plain(
        non_negative("blur_diameter_um", blur_diameter_um) * positive("f_number", f_number)
    )


def focus_shift_at_subject_um(
    blur_diameter_um: FloatOrArray, f_number: FloatOrArray, magnification: FloatOrArray
) -> FloatOrArray:
    """Return how far a point is from the plane in focus, ``Δz = D N_eff / m²``.

    Parameters
    ----------
    blur_diameter_um : float or ndarray
        Blur-circle diameter D in µm, >= 0.
    f_number : float or ndarray
        Effective f-number, > 0.
    magnification : float or ndarray
        Unsigned size ratio m, > 0.

    Returns
    -------
    float or ndarray
        Distance in µm at the subject; longitudinal magnification m²: small shifts only.
    """
    shift = np.asarray(focus_shift_at_sensor_um(blur_diameter_um, f_number))
    return plain(shift / positive("magnification", magnification) ** 2)


def depth_at_sensor_um(
    near_mm: FloatOrArray,
    far_mm: FloatOrArray,
    focal_length_mm: FloatOrArray,
    pupil_ratio: FloatOrArray = 1.0,
) -> FloatOrArray:
    """Return how far apart the images of the near and the far end lie behind the lens.

    Parameters
    ----------
    near_mm, far_mm : float or ndarray
        Distances from the entrance pupil in mm, near <= far, near > f/p; far may be inf.
    focal_length_mm : float or ndarray
        f in mm, > 0.
    pupil_ratio : float or ndarray, default 1.0
        Pupil magnification p, > 0.

    Returns
    -------
    float or ndarray
        Distance in µm: ``f (m_near - m_far)``, since the image lies f m behind the focal point.
    """
    near = np.asarray(magnification_at(near_mm, focal_length_mm, pupil_ratio))
    far = np.asarray(magnification_at(far_mm, focal_length_mm, pupil_ratio))
    return plain(1000 * np.asarray(focal_length_mm) * (near - far))


def bracket_blur_um(
    near_mm: float,
    far_mm: float,
    frames: FloatOrArray,
    *,
    focal_length_mm: FloatOrArray,
    f_number: FloatOrArray,
    pupil_ratio: FloatOrArray = 1.0,
) -> FloatOrArray:
    """Return the worst blur anywhere between near and far with the best focus positions.

    With ``y = 1 - f/(p u)`` every frame covers an interval of y with one and the same ratio
    of ends, (1 + κ)/(1 - κ), κ = c N/(f p). n frames in even ratios therefore give
    ``c = (f p/N) tanh(ln(y_far/y_near) / (2n))``, exact for an ideal lens.

    Parameters
    ----------
    near_mm, far_mm : float
        Distances from the entrance pupil in mm, near < far; far may be inf.
    frames : int or ndarray
        Number of frames n, >= 1 (fractions are allowed for curves).
    focal_length_mm, f_number : float or ndarray
        f in mm; marked f-number; both > 0.
    pupil_ratio : float or ndarray, default 1.0
        Pupil magnification p, > 0.

    Returns
    -------
    float or ndarray
        Largest blur-circle diameter in µm.
    """
    count = positive("frames", frames)
    scale = np.asarray(focal_length_mm) * pupil_ratio / positive("f_number", f_number)
    ratio = _log_ratio(near_mm, far_mm, focal_length_mm, pupil_ratio)
    return plain(1000 * scale * np.tanh(ratio / (2 * count)))


def bracket_distances_mm(
    near_mm: float, far_mm: float, frames: int, *, focal_length_mm: float, pupil_ratio: float = 1.0
) -> list[float]:
    """Return the focus distances of n frames that share a depth evenly, near to far.

    Parameters
    ----------
    near_mm, far_mm : float
        Distances from the entrance pupil in mm, near < far; far may be inf.
    frames : int
        Number of frames, >= 1.
    focal_length_mm, pupil_ratio : float
        f in mm; pupil magnification; both > 0.

    Returns
    -------
    list of float
        Distances in mm from the entrance pupil. Every junction of two frames, and both ends,
        are blurred by the same circle, `bracket_blur_um`; the f-number does not matter.

    Raises
    ------
    ValueError
        If an argument is outside the range stated above.

    Notes
    -----
    Frame i: y = y_near r^i / (1 - κ), r = (1 + κ)/(1 - κ), κ = tanh(ln(y_far/y_near)/(2n)).
    """
    if frames < 1:
        raise ValueError(f"frames: expected 1 or more, got {frames!r}")
    ratio = _log_ratio(near_mm, far_mm, focal_length_mm, pupil_ratio)
    kappa = math.tanh(ratio / (2 * frames))
    first = (1 - focal_length_mm / (pupil_ratio * near_mm)) / (1 - kappa)
    y = [first * math.exp(ratio * index / frames) for index in range(frames)]
    return [focal_length_mm / (pupil_ratio * (1 - value)) for value in y]


def _log_ratio(
    near_mm: float, far_mm: float, focal_length_mm: FloatOrArray, pupil_ratio: FloatOrArray
) -> FloatOrArray:
    """Return ln(y_far / y_near) of `bracket_blur_um`."""
    if not near_mm < far_mm:
        raise ValueError(f"expected near below far, got {near_mm!r} and {far_mm!r} mm")
    magnification_at(near_mm, focal_length_mm, pupil_ratio)
    scale = np.asarray(focal_length_mm, np.float64) / pupil_ratio
    return np.log1p(-scale / far_mm) - np.log1p(-scale / near_mm)
