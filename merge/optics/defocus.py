"""What defocus and pixels do to contrast, and all of it together.

Defocus is given as the diameter D of the geometric blur circle on the sensor. Its wavefront
error is ``W20 = D / (8 N)`` at the pupil's edge (defocus Δz' = D N at the sensor).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from merge.optics._checks import FloatOrArray, non_negative, plain, positive
from merge.optics.diffraction import cutoff_cy_per_mm, jinc

# Beyond this many wavelengths of defocus the quadrature would need hundreds of nodes.
MOST_DEFOCUS_WAVES = 60.0


def nyquist_cy_per_mm(pixel_pitch_um: FloatOrArray) -> FloatOrArray:
    """Return the finest pattern that pixels can hold, 1 / (2 · pitch).

    Parameters
    ----------
    pixel_pitch_um : float or ndarray
        Centre distance of neighbouring pixels in µm, > 0.

    Returns
    -------
    float or ndarray
        Frequency in cycles/mm at the sensor.
    """
    return plain(500 / positive("pixel_pitch_um", pixel_pitch_um))


def pixel_aperture_mtf(
    frequency_cy_per_mm: FloatOrArray, pixel_pitch_um: FloatOrArray, fill: FloatOrArray = 1.0
) -> FloatOrArray:
    """Return the contrast that averaging over a square pixel leaves, ``|sinc(f a)|``.

    Parameters
    ----------
    frequency_cy_per_mm : float or ndarray
        Frequency f along the pixel's side, cycles/mm, >= 0.
    pixel_pitch_um : float or ndarray
        Centre distance of neighbouring pixels in µm, > 0.
    fill : float or ndarray, default 1.0
        Light-sensitive width a over pitch, (0, 1]; micro-lenses make it about 1.

    Returns
    -------
    float or ndarray
        Transfer in [0, 1]; 2/π at Nyquist for full pixels.

    Notes
    -----
    Without demosaicing and anti-alias filter. G. D. Boreman, *Modulation Transfer Function in
    Optical and Electro-Optical Systems*, SPIE (2001), detector footprint MTF (from memory).

    Examples
    --------
    >>> round(pixel_aperture_mtf(nyquist_cy_per_mm(4.0), 4.0), 4)
    0.6366
    """
    frequency = non_negative("frequency_cy_per_mm", frequency_cy_per_mm)
    width_mm = positive("pixel_pitch_um", pixel_pitch_um) * positive("fill", fill) / 1000
    return plain(np.abs(np.sinc(frequency * width_mm)))


def disk_transfer(
    frequency_cy_per_mm: FloatOrArray, blur_diameter_um: FloatOrArray
) -> FloatOrArray:
    """Return the transfer of the geometric blur disk, ``2 J1(πfD) / (πfD)``.

    Parameters
    ----------
    frequency_cy_per_mm : float or ndarray
        Frequency f at the sensor in cycles/mm, >= 0.
    blur_diameter_um : float or ndarray
        Diameter D of the blur circle in µm, >= 0.

    Returns
    -------
    float or ndarray
        Signed transfer in [-0.133, 1]; negative where the pattern is reversed.

    Notes
    -----
    Ray optics only; alone it neglects diffraction, and multiplied by `diffraction_mtf` it
    counts small defocus too heavily. Measured difference of that product from
    `defocus_transfer`, the exact form (W20 = D / (8N)):

    - all frequencies: up to 0.25 (at W20 = 0.4 λ, mid frequencies); within 0.06 from 3 λ on,
      within 0.025 from 10 λ on;
    - up to 0.25 of the cut-off: within 0.015 below 0.1 λ, up to 0.20 at worst;
    - up to 0.1 of the cut-off: within 0.031 below 0.5 λ, within 0.10 for any defocus.

    So the disk is good enough for strong blur (D >= 24 λN: 100 µm at f/8) and for coarse
    detail; for blur of one or two pixels, where tolerances live, take the exact form.

    References
    ----------
    .. [1] Goodman, *Introduction to Fourier Optics*, 3rd ed., 6.4.3 (from memory).
    """
    frequency = non_negative("frequency_cy_per_mm", frequency_cy_per_mm)
    diameter_mm = non_negative("blur_diameter_um", blur_diameter_um) / 1000
    return jinc(math.pi * frequency * diameter_mm)


def defocus_waves(
    blur_diameter_um: FloatOrArray, wavelength_um: FloatOrArray, f_number: FloatOrArray
) -> FloatOrArray:
    """Return the wavefront error W20 at the pupil's edge in wavelengths, ``D / (8 N λ)``.

    Parameters
    ----------
    blur_diameter_um : float or ndarray
        Geometric blur-circle diameter D in µm, >= 0.
    wavelength_um, f_number : float or ndarray
        λ in µm; effective f-number N; both > 0.

    Returns
    -------
    float or ndarray
        Wavelengths; Rayleigh's quarter wave is D = 2 λ N.

    Notes
    -----
    Paraxial: ``W20 = Δz' / (8 N²)``, ``D = Δz' / N``. Its root mean square over the pupil is
    ``W20 / (2 √3)``.
    """
    diameter = non_negative("blur_diameter_um", blur_diameter_um)
    scale = positive("wavelength_um", wavelength_um) * positive("f_number", f_number)
    return plain(diameter / (8 * scale))


def defocus_strehl(defocus_in_waves: FloatOrArray) -> FloatOrArray:
    """Return the exact on-axis Strehl ratio of pure defocus, ``sinc²(W20)``.

    Parameters
    ----------
    defocus_in_waves : float or ndarray
        W20 in wavelengths (see `defocus_waves`).

    Returns
    -------
    float or ndarray
        1 in focus, 0.81 at a quarter wave, 0 at one wave.

    Notes
    -----
    ``(sin(πW) / (πW))²``: Born & Wolf, 7th ed., 8.8.2 (from memory); paraxial.

    Examples
    --------
    >>> round(defocus_strehl(0.25), 3)
    0.811
    """
    return plain(np.sinc(np.asarray(defocus_in_waves, np.float64)) ** 2)


def defocus_transfer(
    frequency_cy_per_mm: FloatOrArray,
    wavelength_um: FloatOrArray,
    f_number: FloatOrArray,
    blur_diameter_um: FloatOrArray,
) -> FloatOrArray:
    """Return the exact transfer of a diffraction-limited lens out of focus.

    Autocorrelation of the defocused circular pupil. With x = f λ N, W = W20 / λ and the
    substitution u = cos θ it is one smooth integral:
    ``T = (4/π) ∫₀^acos(x) sin²θ cos(8π W x (cos θ - x)) dθ``.

    Parameters
    ----------
    frequency_cy_per_mm : float or ndarray
        Frequency f at the sensor in cycles/mm, >= 0.
    wavelength_um, f_number : float or ndarray
        λ in µm; effective f-number N; both > 0.
    blur_diameter_um : float or ndarray
        Geometric blur-circle diameter D in µm, >= 0, up to 480 λN (60 wavelengths of W20).

    Returns
    -------
    float or ndarray
        Signed transfer in [-0.14, 1]; includes diffraction; 0 above the cut-off.

    Raises
    ------
    ValueError
        If an argument is out of range; beyond 60 wavelengths use `disk_transfer`.

    Notes
    -----
    Scalar, paraxial, one wavelength. Equals H. H. Hopkins, "The frequency response of a
    defocused optical system", Proc. R. Soc. Lond. A 231, 91-103 (1955), whose result is a
    Bessel series (from memory); checked against a numeric pupil in the tests.

    Examples
    --------
    >>> round(defocus_transfer(50.0, 0.55, 8.0, 0.0), 4)
    0.7222
    >>> round(defocus_transfer(50.0, 0.55, 8.0, 12.0), 4)
    0.5481
    """
    frequency = non_negative("frequency_cy_per_mm", frequency_cy_per_mm)
    waves = np.asarray(defocus_waves(blur_diameter_um, wavelength_um, f_number))
    if np.any(waves > MOST_DEFOCUS_WAVES):
        raise ValueError(
            f"blur_diameter_um: {np.max(waves):.0f} wavelengths of defocus; the exact form is "
            f"made for up to {MOST_DEFOCUS_WAVES:.0f}, use disk_transfer beyond"
        )
    x = np.minimum(frequency / cutoff_cy_per_mm(wavelength_um, f_number), 1.0)
    x, waves = np.broadcast_arrays(x, waves)
    phase = 8 * math.pi * waves * x
    # Half a node a radian of phase, plus what the smooth rest needs for 1e-12.
    count = 32 + math.ceil(0.6 * float(np.max(phase * (1 - x), initial=0.0)))
    nodes, weights = _quadrature(-(-count // 8))
    total = np.zeros(x.shape)
    half = np.arccos(x) / 2
    for node, weight in zip(nodes, weights, strict=True):
        theta = half * (node + 1)
        total += weight * np.sin(theta) ** 2 * np.cos(phase * (np.cos(theta) - x))
    return plain(4 / math.pi * half * total)


@lru_cache(maxsize=64)
def _quadrature(eighths: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return Gauss-Legendre nodes and weights, eight for each of ``eighths``."""
    nodes, weights = np.polynomial.legendre.leggauss(8 * eighths)
    return nodes, weights


def system_transfer(
    frequency_cy_per_mm: FloatOrArray,
    *,
    f_number: FloatOrArray,
    wavelength_um: FloatOrArray,
    pixel_pitch_um: FloatOrArray,
    blur_diameter_um: FloatOrArray = 0.0,
) -> FloatOrArray:
    """Return the transfer of diffraction, defocus and pixel together.

    Product of `defocus_transfer` (which holds diffraction) and `pixel_aperture_mtf`.

    Parameters
    ----------
    frequency_cy_per_mm : float or ndarray
        Frequency at the sensor in cycles/mm, >= 0.
    f_number : float or ndarray
        Effective f-number, > 0.
    wavelength_um, pixel_pitch_um : float or ndarray
        In µm, > 0.
    blur_diameter_um : float or ndarray, default 0
        Geometric blur-circle diameter in µm, >= 0.

    Returns
    -------
    float or ndarray
        Signed transfer in [-0.14, 1]; a perfect lens otherwise (no aberrations, no shake, no
        demosaicing).
    """
    return plain(
        np.asarray(defocus_transfer(frequency_cy_per_mm, wavelength_um, f_number, blur_diameter_um))
        * pixel_aperture_mtf(frequency_cy_per_mm, pixel_pitch_um)
    )


def find_mtf50_cy_per_mm(
    transfer: Callable[[float], float], upper_cy_per_mm: float, *, level: float = 0.5
) -> float:
    """Return the first frequency at which a transfer has fallen to a level.

    Parameters
    ----------
    transfer : callable
        Frequency in cycles/mm to transfer; 1 at frequency 0, continuous.
    upper_cy_per_mm : float
        Where the search ends, > 0; the cut-off for instance.
    level : float, default 0.5
        Transfer looked for, in (0, 1).

    Returns
    -------
    float
        Cycles/mm to a relative 1e-9; NaN if the level is not reached below the upper end.

    Raises
    ------
    ValueError
        If an argument is outside the range stated above.

    Notes
    -----
    Scans 512 even steps for the first crossing, then halves the interval.
    """
    if not (upper_cy_per_mm > 0 and 0 < level < 1):
        raise ValueError(
            f"expected an upper end above 0 and a level between 0 and 1, got {upper_cy_per_mm!r} "
            f"and {level!r}"
        )
    grid = np.linspace(0.0, upper_cy_per_mm, 513)
    crossed = next((f for f in grid[1:] if transfer(float(f)) <= level), None)
    if crossed is None:
        return math.nan
    high = float(crossed)
    low = high - upper_cy_per_mm / 512
    while high - low > 1e-9 * high:
        middle = (low + high) / 2
        low, high = (middle, high) if transfer(middle) > level else (low, middle)
    return (low + high) / 2


def diffraction_blur_um(wavelength_um: FloatOrArray, f_number: FloatOrArray) -> FloatOrArray:
    """Return the diameter of the blur disk as soft as diffraction, ``1.7454 λ N``.

    The disk whose own MTF50 (0.70508 / D) equals that of diffraction (0.40397 / (λN)): 0.715
    of the Airy disk's diameter. It puts diffraction on the scale in which a tolerance for
    defocus is given.

    Parameters
    ----------
    wavelength_um, f_number : float or ndarray
        λ in µm; effective f-number N; both > 0.

    Returns
    -------
    float or ndarray
        Diameter in µm at the sensor.
    """
    scale = positive("wavelength_um", wavelength_um) * positive("f_number", f_number)
    return plain(_DISK_MTF50 / _DIFFRACTION_MTF50 * scale)


# Roots of 2 J1(πx)/(πx) = 1/2 and of (2/π)(acos x - x √(1 - x²)) = 1/2; solved again from
# scipy.special in the tests.
_DISK_MTF50 = 0.7050848445
_DIFFRACTION_MTF50 = 0.4039727533
