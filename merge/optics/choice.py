"""Which aperture for a depth: defocus falls with the f-number, diffraction grows with it."""

from __future__ import annotations

import math

import numpy as np

from merge.optics._checks import FloatOrArray, plain, positive
from merge.optics.diffraction import airy_disk_diameter_um


def worst_blur_um(
    depth_at_sensor_um: FloatOrArray,
    f_number: FloatOrArray,
    wavelength_um: FloatOrArray,
    frames: FloatOrArray = 1,
) -> FloatOrArray:
    """Return the blur at the limits of a depth with diffraction in it.

    Root of the sum of squares of the defocus circle ``Δ/(2 n N)`` and the Airy diameter.

    Parameters
    ----------
    depth_at_sensor_um : float or ndarray
        Distance Δ between the images of near and far end in µm, > 0.
    f_number : float or ndarray
        Effective f-number N, > 0.
    wavelength_um : float or ndarray
        λ in µm, > 0.
    frames : int or ndarray, default 1
        Frames n that share the depth evenly, >= 1.

    Returns
    -------
    float or ndarray
        Diameter in µm.

    Notes
    -----
    Adding squares is a convention: P. K. Hansma, "View camera focusing in practice", Photo
    Techniques, March/April 1996 (from memory). `system_transfer` gives contrast instead.
    """
    defocus = positive("depth_at_sensor_um", depth_at_sensor_um) / (
        2 * positive("frames", frames) * positive("f_number", f_number)
    )
    return plain(np.hypot(defocus, airy_disk_diameter_um(wavelength_um, f_number)))


def best_f_number(
    depth_at_sensor_um: FloatOrArray, wavelength_um: FloatOrArray, frames: FloatOrArray = 1
) -> FloatOrArray:
    """Return the effective f-number with the smallest worst blur, for a number of frames.

    ``N = √(Δ / (2 n · 2.4394 λ))``: where defocus circle and Airy disk are equal.

    Parameters
    ----------
    depth_at_sensor_um, wavelength_um : float or ndarray
        Δ and λ in µm, > 0.
    frames : int or ndarray, default 1
        Frames n that share the depth evenly, >= 1.

    Returns
    -------
    float or ndarray
        Effective f-number. For one frame and green light √(373 Δ/mm); Hansma's rule (1996,
        from memory) says √(375 Δ/mm).

    Examples
    --------
    >>> round(best_f_number(1000.0, 0.55), 1)
    19.3
    """
    depth = positive("depth_at_sensor_um", depth_at_sensor_um)
    unit = np.asarray(airy_disk_diameter_um(wavelength_um, 1.0))
    return plain(np.sqrt(depth / (2 * positive("frames", frames) * unit)))


def frames_to_cover(extent: float, tolerance: float) -> int:
    """Return the fewest focus planes that leave nothing of an extent blurred above a tolerance.

    On an axis of blur-circle diameters a plane holds the tolerance on both of its sides, so n
    planes cover ``2 n tolerance``.

    Parameters
    ----------
    extent : float
        Length to cover in px of blur-circle diameter (or any unit of the tolerance).
    tolerance : float
        Largest blur-circle diameter allowed, same unit, > 0.

    Returns
    -------
    int
        ``ceil(extent / (2 tolerance))``, an exact fit not rounded up by rounding noise; 0 where
        there is nothing to cover. Between two planes that stay, of distance G, frames to add are
        ``frames_to_cover(G, t) - 1``; planes at both ends of a span included,
        ``frames_to_cover(span, t) + 1``.

    Raises
    ------
    ValueError
        If an argument is outside the range stated above.

    Examples
    --------
    >>> frames_to_cover(16.0, 2.0), frames_to_cover(16.1, 2.0), frames_to_cover(-1.0, 2.0)
    (4, 5, 0)
    """
    if not tolerance > 0:
        raise ValueError(f"tolerance: expected a number above 0, got {tolerance!r}")
    return max(0, math.ceil(extent / (2 * tolerance) - _EXACT_FIT))


# Rounding noise of a quotient: an exact fit must not ask for one frame more.
_EXACT_FIT = 1e-9
