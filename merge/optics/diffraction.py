"""Diffraction of a clear circular aperture: Airy pattern, cut-off, transfer, energy, Strehl.

Diffraction is interference of the light that passes the aperture as a whole; it depends on
wavelength and effective f-number only, not on the glass. All functions take the *effective*
f-number (see `effective_f_number`); scalar, paraxial theory, good for f/2 and slower (from
memory: vector effects stay below a percent there).
"""

from __future__ import annotations

import math

import numpy as np

from merge.optics._checks import FloatOrArray, non_negative, plain, positive

GREEN_UM = 0.55
"""Wavelength in µm that stands for white light unless another is given."""

AIRY_ZERO = 3.8317059702075123
"""First zero of the Bessel function J1 (Abramowitz & Stegun 1964, table 9.5: 3.83171)."""


def jinc(x: FloatOrArray) -> FloatOrArray:
    """Return 2 J1(x) / x, the amplitude of a uniform disk's Fourier transform; 1 at x = 0.

    Parameters
    ----------
    x : float or ndarray
        Dimensionless; π f D for a disk of diameter D at frequency f.

    Returns
    -------
    float or ndarray
        In [-0.133, 1].

    Notes
    -----
    J1 from scipy.special (Cephes).
    """
    # Loaded here: it takes longer than numpy, and much of this package needs no Bessel function.
    from scipy.special import j1

    number = np.asarray(x, np.float64)
    safe = np.where(np.abs(number) < 1e-8, 1.0, number)
    return plain(np.where(np.abs(number) < 1e-8, 1.0, 2 * j1(safe) / safe))


def effective_f_number(
    f_number: FloatOrArray, magnification: FloatOrArray, pupil_ratio: FloatOrArray = 1.0
) -> FloatOrArray:
    """Return the f-number that sets diffraction and exposure at close focus.

    The light cone narrows as the image moves away from the exit pupil:
    ``N_eff = N * (1 + m / p)`` [1]_.

    Parameters
    ----------
    f_number : float or ndarray
        Marked f-number N (focal length / entrance-pupil diameter), > 0.
    magnification : float or ndarray
        Lateral magnification m as an unsigned size ratio, image / object, >= 0.
    pupil_ratio : float or ndarray, default 1.0
        Pupil magnification p, exit-pupil / entrance-pupil diameter, > 0.

    Returns
    -------
    float or ndarray
        Effective f-number, dimensionless; shape of the broadcast inputs.

    Raises
    ------
    ValueError
        If an argument is outside the range stated above.

    Notes
    -----
    Paraxial; image space in air. Reversed lens: pass ``f_number / p`` and ``1 / p``, with p
    measured in the normal orientation. Some cameras display the effective number already.

    References
    ----------
    .. [1] J. E. Greivenkamp, *Field Guide to Geometrical Optics*, SPIE FG01 (2004), working
       f-number (from memory); confirmed by tracing rays in the tests.

    Examples
    --------
    >>> effective_f_number(5.6, 1.0)
    11.2
    >>> effective_f_number(8.0, 1.0, pupil_ratio=0.5)
    24.0
    """
    number = positive("f_number", f_number)
    size = non_negative("magnification", magnification)
    return plain(number * (1 + size / positive("pupil_ratio", pupil_ratio)))


def airy_radius_um(wavelength_um: FloatOrArray, f_number: FloatOrArray) -> FloatOrArray:
    """Return the radius of the Airy disk (first dark ring), ``1.2197 λ N``.

    Parameters
    ----------
    wavelength_um : float or ndarray
        λ in µm, > 0.
    f_number : float or ndarray
        Effective f-number N, > 0.

    Returns
    -------
    float or ndarray
        Radius in µm at the sensor.

    Notes
    -----
    First zero of ``2 J1(x)/x`` at x = 3.83171 = π r / (λ N): Born & Wolf, *Principles of
    Optics*, 7th ed., 8.5.2 (from memory); Abramowitz & Stegun, table 9.5.

    Examples
    --------
    >>> round(airy_radius_um(0.55, 8.0), 3)
    5.367
    """
    factor = AIRY_ZERO / math.pi
    return plain(factor * positive("wavelength_um", wavelength_um) * positive("f_number", f_number))


def airy_disk_diameter_um(wavelength_um: FloatOrArray, f_number: FloatOrArray) -> FloatOrArray:
    """Return the diameter of the Airy disk, twice `airy_radius_um`.

    Parameters
    ----------
    wavelength_um, f_number : float or ndarray
        λ in µm; effective f-number; both > 0.

    Returns
    -------
    float or ndarray
        Diameter in µm at the sensor.
    """
    return 2 * airy_radius_um(wavelength_um, f_number)


def cutoff_cy_per_mm(wavelength_um: FloatOrArray, f_number: FloatOrArray) -> FloatOrArray:
    """Return the spatial frequency above which no contrast is left, ``1 / (λ N)``.

    Parameters
    ----------
    wavelength_um : float or ndarray
        λ in µm, > 0.
    f_number : float or ndarray
        Effective f-number N, > 0.

    Returns
    -------
    float or ndarray
        Cut-off in cycles/mm at the sensor. Compare with Nyquist, `nyquist_cy_per_mm`.

    Notes
    -----
    Incoherent light, circular aperture: J. W. Goodman, *Introduction to Fourier Optics*,
    3rd ed., 6.3 (from memory).

    Examples
    --------
    >>> round(cutoff_cy_per_mm(0.5, 8.0), 6)
    250.0
    """
    return plain(1000 / (positive("wavelength_um", wavelength_um) * positive("f_number", f_number)))


def diffraction_mtf(
    frequency_cy_per_mm: FloatOrArray, wavelength_um: FloatOrArray, f_number: FloatOrArray
) -> FloatOrArray:
    """Return the contrast that diffraction leaves of a sine pattern.

    ``(2/π) (acos x - x √(1 - x²))`` with x = frequency / cut-off; 0 above the cut-off.

    Parameters
    ----------
    frequency_cy_per_mm : float or ndarray
        Spatial frequency at the sensor in cycles/mm, >= 0.
    wavelength_um : float or ndarray
        λ in µm, > 0.
    f_number : float or ndarray
        Effective f-number, > 0.

    Returns
    -------
    float or ndarray
        Modulation transfer in [0, 1].

    Notes
    -----
    Perfect lens in focus, clear circular aperture, one wavelength: Goodman, 3rd ed., eq. 6-31
    (from memory).

    Examples
    --------
    >>> round(diffraction_mtf(125.0, 0.5, 8.0), 4)
    0.391
    """
    frequency = non_negative("frequency_cy_per_mm", frequency_cy_per_mm)
    x = np.minimum(frequency / cutoff_cy_per_mm(wavelength_um, f_number), 1.0)
    return plain(2 / math.pi * (np.arccos(x) - x * np.sqrt(1 - x * x)))


def diffraction_psf(
    radius_um: FloatOrArray, wavelength_um: FloatOrArray, f_number: FloatOrArray
) -> FloatOrArray:
    """Return the Airy pattern's brightness at a radius, 1 at the centre.

    ``(2 J1(x)/x)²`` with x = π r / (λ N).

    Parameters
    ----------
    radius_um : float or ndarray
        Distance r from the centre at the sensor in µm, >= 0.
    wavelength_um : float or ndarray
        λ in µm, > 0.
    f_number : float or ndarray
        Effective f-number, > 0.

    Returns
    -------
    float or ndarray
        Relative irradiance in [0, 1]. To integrate to 1 over the plane multiply by
        π / (4 λ² N²).

    Notes
    -----
    Born & Wolf, 7th ed., 8.5.2, eq. 14 (from memory).
    """
    radius = non_negative("radius_um", radius_um)
    scale = positive("wavelength_um", wavelength_um) * positive("f_number", f_number)
    return plain(np.asarray(jinc(math.pi * radius / scale)) ** 2)


def encircled_energy(
    radius_um: FloatOrArray, wavelength_um: FloatOrArray, f_number: FloatOrArray
) -> FloatOrArray:
    """Return the share of the Airy pattern's light within a radius, ``1 - J0² - J1²``.

    Parameters
    ----------
    radius_um : float or ndarray
        Radius in µm at the sensor, >= 0; x = π r / (λ N).
    wavelength_um : float or ndarray
        λ in µm, > 0.
    f_number : float or ndarray
        Effective f-number, > 0.

    Returns
    -------
    float or ndarray
        Share in [0, 1); 0.838 at the first dark ring.

    Notes
    -----
    Rayleigh's result: Born & Wolf, 7th ed., 8.5.2, eq. 18 and table 8.2 (from memory).

    Examples
    --------
    >>> round(encircled_energy(airy_radius_um(0.55, 8.0), 0.55, 8.0), 3)
    0.838
    """
    from scipy.special import j0, j1

    radius = non_negative("radius_um", radius_um)
    scale = positive("wavelength_um", wavelength_um) * positive("f_number", f_number)
    x = np.asarray(math.pi * radius / scale)
    return plain(1 - j0(x) ** 2 - j1(x) ** 2)


def strehl_ratio(rms_wavefront_error_waves: FloatOrArray) -> FloatOrArray:
    """Return the peak brightness of a slightly aberrated lens over that of a perfect one.

    ``exp(-(2πσ)²)`` with σ the root-mean-square wavefront error in wavelengths.

    Parameters
    ----------
    rms_wavefront_error_waves : float or ndarray
        σ in wavelengths, >= 0.

    Returns
    -------
    float or ndarray
        Strehl ratio in (0, 1].

    Notes
    -----
    Mahajan's form of Maréchal's approximation (V. N. Mahajan, J. Opt. Soc. Am. 73, 860, 1983,
    from memory). Measured on pure defocus against the exact ratio: within 0.004 for σ <= 1/14
    wave, within 0.038 for σ <= 0.15; do not use it above.

    Examples
    --------
    >>> round(strehl_ratio(1 / 14), 2)
    0.82
    """
    sigma = non_negative("rms_wavefront_error_waves", rms_wavefront_error_waves)
    return plain(np.exp(-((2 * math.pi * sigma) ** 2)))
