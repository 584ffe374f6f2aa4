"""Optics against outside sources: scipy, prysm, numeric pupils, traced rays, tables."""

import math

import numpy as np
import pytest
from prysm import coordinates, otf, propagation, psf, thinlens
from scipy import integrate, optimize, special

from merge import optics

GREEN = 0.55


def numeric_otf(frequency_ratio, defocus_waves, samples=1401):
    """Overlap integral of two shifted defocused pupils on a grid; needs none of our formulas."""
    axis = (np.arange(samples) + 0.5) / samples * 2 - 1
    x, y = np.meshgrid(axis, axis)

    def pupil(shift):
        r2 = (x + shift) ** 2 + y**2
        return (r2 <= 1) * np.exp(2j * np.pi * defocus_waves * r2)

    cell = (2 / samples) ** 2
    return float(
        (pupil(frequency_ratio) * pupil(-frequency_ratio).conj()).real.sum() * cell / np.pi
    )


def trace_blur_um(subject_mm, focus_mm, focal_mm, f_number, pupil_ratio=1.0):
    """Send two marginal rays through a lens with its stop off the principal plane.

    Thin lens at z = 0, object at negative z. A stop in image space at z = s, seen through the
    lens, is the entrance pupil; p = exit/entrance pupil size fixes s = f (1 - p).
    """
    stop = focal_mm * (1 - pupil_ratio)
    entrance_radius = focal_mm / f_number / 2
    stop_radius = entrance_radius * pupil_ratio
    pupil_z = focal_mm / pupil_ratio - focal_mm  # its image by the lens, behind it if p < 1
    lens_to_focus = focus_mm - pupil_z
    image_z = 1 / (1 / focal_mm - 1 / lens_to_focus)
    hits = []
    for edge in (stop_radius, -stop_radius):
        # Ray from the axial point at slope a: height at the lens h = a u, then a' = a - h/f.
        u = subject_mm - pupil_z
        slope = edge / (u + stop * (1 - u / focal_mm))
        height = slope * u
        hits.append(height + image_z * (slope - height / focal_mm))
    return abs(hits[0] - hits[1]) * 1000


# --- diffraction -------------------------------------------------------------------------


def test_jinc_and_energy_match_bessels_integral():
    """Bessel's integral by quadrature: Abramowitz & Stegun (1964), 9.1.21 (from memory)."""
    x = np.concatenate([np.linspace(1e-6, 30, 41), np.geomspace(30, 300, 7)])

    def bessel(order, value):
        integral = integrate.quad(
            lambda t: math.cos(order * t - value * math.sin(t)), 0, math.pi, limit=400
        )
        return integral[0] / math.pi

    j0, j1 = (np.array([bessel(order, v) for v in x]) for order in (0, 1))
    np.testing.assert_allclose(optics.jinc(x), 2 * j1 / x, rtol=0, atol=1e-10)
    radius = x * GREEN * 8 / np.pi
    expected = 1 - j0**2 - j1**2
    np.testing.assert_allclose(optics.encircled_energy(radius, GREEN, 8), expected, atol=1e-10)


def test_airy_disk_diameter_matches_first_bessel_zero():
    """j(1,1) = 3.83171: Abramowitz & Stegun (1964), table 9.5; scipy.special.jn_zeros."""
    expected_um = 2 * 3.83171 / math.pi * 0.55 * 8.0
    assert optics.airy_disk_diameter_um(0.55, 8.0) == pytest.approx(
        expected_um, rel=0.000005 / 3.83171
    )
    assert special.jn_zeros(1, 1)[0] == pytest.approx(optics.AIRY_ZERO, rel=1e-14)


def test_diffraction_mtf_matches_prysm():
    """prysm.otf.diffraction_limited_mtf."""
    frequency = np.linspace(0, 250, 101)
    expected = otf.diffraction_limited_mtf(8.0, 0.55, frequencies=frequency)
    np.testing.assert_allclose(
        optics.diffraction_mtf(frequency, 0.55, 8.0), expected, rtol=1e-6, atol=1e-9
    )


def test_diffraction_psf_matches_prysm_airy_pattern():
    """prysm.psf.airydisk."""
    radius = np.linspace(0.01, 40, 301)
    expected = psf.airydisk(radius, 5.6, 0.55)
    np.testing.assert_allclose(
        optics.diffraction_psf(radius, 0.55, 5.6), expected, rtol=1e-9, atol=1e-12
    )


@pytest.mark.parametrize(("ring", "share"), [(3.8317, 0.838), (7.0156, 0.910), (10.1735, 0.938)])
def test_encircled_energy_at_dark_rings(ring, share):
    """Born & Wolf, Principles of Optics, 7th ed., table 8.2 (from memory): 0.838 0.910 0.938."""
    radius = ring * GREEN * 8 / math.pi
    assert optics.encircled_energy(radius, GREEN, 8.0) == pytest.approx(share, abs=0.0005)


def test_encircled_energy_is_the_integral_of_the_psf():
    """Numeric integration; also the normalisation that diffraction_psf's docstring states."""
    norm = math.pi / (4 * (GREEN * 8) ** 2)
    share, _ = integrate.quad(
        lambda r: norm * 2 * math.pi * r * optics.diffraction_psf(r, GREEN, 8.0), 0, 6.0
    )
    assert optics.encircled_energy(6.0, GREEN, 8.0) == pytest.approx(share, rel=1e-8)


def test_strehl_of_a_fourteenth_wave_is_the_marechal_limit():
    """Maréchal: 0.80 (linear form) at λ/14 rms; exact 0.82 from the exponential (from memory)."""
    assert optics.strehl_ratio(1 / 14) == pytest.approx(0.82, abs=0.005)


def test_strehl_approximation_holds_in_its_stated_range():
    waves = np.linspace(0, 0.15 * 2 * math.sqrt(3), 200)
    sigma = waves / (2 * math.sqrt(3))
    error = np.abs(optics.strehl_ratio(sigma) - optics.defocus_strehl(waves))
    assert error[sigma <= 1 / 14].max() <= 0.004
    assert error.max() <= 0.038


def test_defocus_strehl_is_the_numeric_pupil_mean():
    """|mean of exp(2πi W ρ²) over the disk|² by quadrature; 0.81 at λ/4 (Rayleigh)."""
    for waves in (0.1, 0.25, 0.5, 0.9):
        real = integrate.quad(lambda t, w=waves: math.cos(2 * math.pi * w * t), 0, 1)[0]
        imaginary = integrate.quad(lambda t, w=waves: math.sin(2 * math.pi * w * t), 0, 1)[0]
        assert optics.defocus_strehl(waves) == pytest.approx(real**2 + imaginary**2, rel=1e-9)
    assert optics.defocus_strehl(0.25) == pytest.approx(0.81, abs=0.005)


# --- defocus -----------------------------------------------------------------------------


@pytest.mark.parametrize("waves", [0.1, 0.25, 0.5, 1.0, 2.0, 4.0])
def test_defocus_transfer_matches_scipy_double_integral(waves):
    """Adaptive quadrature (scipy.integrate.quad) of the overlap of the shifted pupils."""
    for ratio in (0.1, 0.3, 0.6):
        value, _ = integrate.quad(
            lambda x, s=ratio: math.sqrt(1 - (x + s) ** 2) * math.cos(8 * math.pi * waves * s * x),
            0,
            1 - ratio,
            epsabs=1e-12,
            epsrel=1e-12,
            limit=400,
        )
        frequency = ratio * optics.cutoff_cy_per_mm(GREEN, 5.6)
        ours = optics.defocus_transfer(frequency, GREEN, 5.6, waves * 8 * GREEN * 5.6)
        assert ours == pytest.approx(4 / math.pi * value, abs=1e-9)


@pytest.mark.parametrize("waves", [0.0, 0.25, 0.6, 1.5, 3.0])
def test_defocus_transfer_matches_prysm_propagation(waves):
    """prysm: pupil → wavefront → focus → |FFT of the PSF|, defocus as W20 at the edge."""
    diameter, focal, wavelength, samples = 10.0, 80.0, 0.55, 1024
    x, y = coordinates.make_xy_grid(samples, diameter=diameter * 1.02)
    r, _ = coordinates.cart_to_polar(x, y)
    step = float(x[0, 1] - x[0, 0])
    amplitude = (r <= diameter / 2).astype(float)
    phase_nm = waves * wavelength * 1000 * (r / (diameter / 2)) ** 2
    wavefront = propagation.Wavefront.from_amp_and_phase(amplitude, phase_nm, wavelength, step)
    focused = wavefront.focus(focal, Q=2)
    mtf = otf.mtf_from_psf(focused.intensity)
    row = mtf.data[mtf.data.shape[0] // 2, mtf.data.shape[1] // 2 :]
    frequency = np.arange(row.size) * mtf.dx
    keep = frequency < 0.9 * optics.cutoff_cy_per_mm(wavelength, focal / diameter)
    ours = np.abs(
        optics.defocus_transfer(
            frequency[keep],
            wavelength,
            focal / diameter,
            waves * 8 * wavelength * focal / diameter,
        )
    )
    np.testing.assert_allclose(ours, row[keep], atol=1.5e-4)


def test_defocus_transfer_without_defocus_is_diffraction_alone():
    frequency = np.linspace(0, 260, 53)
    np.testing.assert_allclose(
        optics.defocus_transfer(frequency, GREEN, 8.0, 0.0),
        optics.diffraction_mtf(frequency, GREEN, 8.0),
        atol=1e-12,
    )


def test_disk_transfer_range_is_as_its_docstring_says():
    number = 8.0
    cutoff = optics.cutoff_cy_per_mm(GREEN, number)
    frequency = np.linspace(0, 1, 201) * cutoff
    waves = np.linspace(0, 20, 401)
    diameter = (waves * 8 * GREEN * number)[:, None]
    exact = optics.defocus_transfer(frequency, GREEN, number, diameter)
    product = optics.disk_transfer(frequency, diameter) * optics.diffraction_mtf(
        frequency, GREEN, number
    )
    error = np.abs(exact - product)
    quarter, tenth = frequency <= 0.25 * cutoff, frequency <= 0.1 * cutoff
    assert 0.20 < error.max() <= 0.2505
    assert error[waves >= 3].max() <= 0.06
    assert error[waves >= 10].max() <= 0.025
    assert error[waves <= 0.1][:, quarter].max() <= 0.015
    assert error[:, quarter].max() <= 0.20
    assert error[waves <= 0.5][:, tenth].max() <= 0.031
    assert error[:, tenth].max() <= 0.10


def test_disk_transfer_is_the_fourier_transform_of_a_disk():
    """Line spread of a disk is a half ellipse: cosine integral by scipy.integrate."""
    diameter, frequency = 20.0, 60.0
    radius = diameter / 2000
    value, _ = integrate.quad(
        lambda x: math.sqrt(radius**2 - x**2) * math.cos(2 * math.pi * frequency * x),
        -radius,
        radius,
    )
    expected = value / (math.pi * radius**2 / 2)
    assert optics.disk_transfer(frequency, diameter) == pytest.approx(expected, rel=1e-6)


def test_defocus_transfer_refuses_what_it_cannot_integrate():
    with pytest.raises(ValueError, match="use disk_transfer"):
        optics.defocus_transfer(10.0, GREEN, 2.0, 5000.0)


def test_pixel_mtf_at_nyquist_is_two_over_pi():
    """Boreman, MTF in Optical and Electro-Optical Systems (2001): 0.64 (from memory)."""
    nyquist = optics.nyquist_cy_per_mm(5.0)
    assert nyquist == pytest.approx(100.0)
    assert optics.pixel_aperture_mtf(nyquist, 5.0) == pytest.approx(2 / math.pi, rel=1e-12)


def test_mtf50_of_diffraction_and_disk_match_scipy_roots():
    """Roots by scipy.optimize.brentq on scipy.special.j1; fixes diffraction_blur_um too."""
    disk = optimize.brentq(lambda x: 2 * special.j1(np.pi * x) / (np.pi * x) - 0.5, 0.1, 1)
    airy = optimize.brentq(
        lambda x: 2 / np.pi * (np.arccos(x) - x * np.sqrt(1 - x * x)) - 0.5, 0.1, 0.9
    )
    cutoff = optics.cutoff_cy_per_mm(GREEN, 8.0)
    found = optics.find_mtf50_cy_per_mm(lambda f: optics.diffraction_mtf(f, GREEN, 8.0), cutoff)
    assert found == pytest.approx(airy * cutoff, rel=1e-7)
    assert optics.diffraction_blur_um(GREEN, 8.0) == pytest.approx(
        disk / airy * GREEN * 8, rel=1e-7
    )


def test_mtf50_is_nan_when_the_level_is_not_reached():
    assert math.isnan(optics.find_mtf50_cy_per_mm(lambda f: 1.0, 100.0))


# --- geometry ----------------------------------------------------------------------------


@pytest.mark.parametrize("pupil_ratio", [0.6, 1.0, 1.7])
@pytest.mark.parametrize(("subject", "focus"), [(900.0, 1500.0), (1e6, 1500.0), (160.0, 175.0)])
def test_blur_circle_matches_traced_rays(subject, focus, pupil_ratio):
    """Marginal rays through a thin lens with a displaced stop."""
    ours = optics.blur_circle_um(subject, focus, 50.0, 4.0, pupil_ratio)
    assert ours == pytest.approx(trace_blur_um(subject, focus, 50.0, 4.0, pupil_ratio), rel=1e-9)


@pytest.mark.parametrize("pupil_ratio", [0.6, 1.0, 1.7])
def test_effective_f_number_is_the_slope_of_the_traced_cone(pupil_ratio):
    """Image distance over exit-pupil diameter, from the pupil's place behind a thin lens."""
    focal, number, size = 50.0, 4.0, 0.8
    image = focal * (1 + size)
    exit_pupil = focal * (1 - pupil_ratio)
    cone = (image - exit_pupil) / (focal / number * pupil_ratio)
    assert optics.effective_f_number(number, size, pupil_ratio) == pytest.approx(cone, rel=1e-12)


@pytest.mark.parametrize("pupil_ratio", [0.6, 1.0, 1.7])
def test_depth_of_field_limits_are_blurred_by_the_circle(pupil_ratio):
    near, far = optics.depth_of_field_limits_mm(3000.0, 50.0, 8.0, 20.0, pupil_ratio)
    for limit in (near, far):
        assert trace_blur_um(limit, 3000.0, 50.0, 8.0, pupil_ratio) == pytest.approx(20.0, rel=1e-9)


def test_depth_of_field_limits_match_the_handbook_form():
    """u(H - f)/(H + u - 2f) and u(H - f)/(H - u): Ray, Applied Photographic Optics (memory)."""
    hyperfocal = optics.hyperfocal_distance_mm(50.0, 8.0, 30.0)
    near, far = optics.depth_of_field_limits_mm(5000.0, 50.0, 8.0, 30.0)
    assert near == pytest.approx(5000 * (hyperfocal - 50) / (hyperfocal + 5000 - 100), rel=1e-12)
    assert far == pytest.approx(5000 * (hyperfocal - 50) / (hyperfocal - 5000), rel=1e-12)


@pytest.mark.parametrize(
    ("focal", "number", "metres"),
    [(50, 8, 10.5), (35, 8, 5.1), (24, 11, 1.8), (28, 8, 3.3), (100, 16, 20.9)],
)
def test_hyperfocal_distance_matches_the_usual_table(focal, number, metres):
    """Hyperfocal tables for 36x24 mm, c = 0.030 mm: common practice, no source."""
    distance = optics.hyperfocal_distance_mm(focal, number, 30.0) / 1000
    assert distance == pytest.approx(metres, abs=0.05)


def test_hyperfocal_focus_reaches_from_its_half_to_infinity():
    hyperfocal = optics.hyperfocal_distance_mm(24.0, 8.0, 20.0)
    near, far = optics.depth_of_field_limits_mm(hyperfocal * (1 - 1e-12), 24.0, 8.0, 20.0)
    assert near == pytest.approx(hyperfocal / 2, rel=1e-9)
    assert far > 1e9
    assert optics.depth_of_field_limits_mm(math.inf, 24.0, 8.0, 20.0)[1] == math.inf


def test_thin_lens_distances_match_prysm():
    """prysm.thinlens: object distance to image distance; magnification is their ratio."""
    for size in (0.05, 0.5, 1.0):
        subject = optics.entrance_pupil_distance_mm(size, 60.0)
        image = abs(thinlens.object_to_image_dist(60.0, -subject))
        assert image / subject == pytest.approx(size, rel=1e-9)
        assert subject + image == pytest.approx(
            optics.distance_from_sensor_mm(size, 60.0), rel=1e-9
        )


def test_defocus_waves_match_prysm():
    """prysm.thinlens.image_displacement_to_defocus with an image shift of D N."""
    shift = optics.focus_shift_at_sensor_um(12.0, 8.0)
    expected = thinlens.image_displacement_to_defocus(shift, 8.0, 0.55)
    assert optics.defocus_waves(12.0, 0.55, 8.0) == pytest.approx(abs(expected), rel=1e-9)


@pytest.mark.parametrize("size", [0.05, 0.5, 1.0])
def test_magnification_and_sensor_distance_are_inverse(size):
    distance = optics.distance_from_sensor_mm(size, 90.0)
    assert optics.magnification_from_sensor_distance(distance, 90.0) == pytest.approx(size)


def test_magnification_at_infinity_is_zero_both_ways():
    assert optics.magnification_from_sensor_distance(math.inf, 50.0) == 0.0
    assert optics.distance_from_sensor_mm(0.0, 50.0) == math.inf


@pytest.mark.parametrize("size", [0.1, 0.5, 1.0, 4.0])
def test_macro_depth_matches_the_exact_limits(size):
    u0 = optics.entrance_pupil_distance_mm(size, 50.0)
    near, far = optics.depth_of_field_limits_mm(u0, 50.0, 8.0, 8.0)
    assert optics.macro_depth_mm(8.0, 8.0, size) == pytest.approx(far - near, rel=2e-4)


def test_macro_depth_matches_the_usual_table():
    """36x24 mm, c = 0.030 mm, f/8 at 1:1: 0.96 mm; common practice, no source."""
    assert optics.macro_depth_mm(30.0, 8.0, 1.0) == pytest.approx(0.96, abs=0.005)


def test_focus_shifts_agree_with_traced_geometry():
    size, number = 1.0, 4.0
    u0 = optics.entrance_pupil_distance_mm(size, 60.0)
    blur = trace_blur_um(u0 + 0.01, u0, 60.0, number)
    working = optics.effective_f_number(number, size)
    shift = optics.focus_shift_at_subject_um(blur, working, size)
    assert shift == pytest.approx(10.0, rel=2e-4)


@pytest.mark.parametrize("pupil_ratio", [0.7, 1.0, 1.4])
@pytest.mark.parametrize(("near", "far"), [(600.0, math.inf), (300.0, 420.0)])
def test_bracket_distances_blur_all_junctions_and_ends_equally(near, far, pupil_ratio):
    focal, number, frames = 35.0, 5.6, 4
    distances = optics.bracket_distances_mm(
        near, far, frames, focal_length_mm=focal, pupil_ratio=pupil_ratio
    )
    blur = optics.bracket_blur_um(
        near, far, frames, focal_length_mm=focal, f_number=number, pupil_ratio=pupil_ratio
    )
    grid = 1 / np.linspace(1 / near, 1 / far if math.isfinite(far) else 1e-9, 4001)
    every = [[trace_blur_um(u, u0, focal, number, pupil_ratio) for u0 in distances] for u in grid]
    best = np.min(every, axis=1)
    assert best.max() == pytest.approx(blur, rel=1e-3)
    assert best[[0, -1]] == pytest.approx([blur, blur], rel=1e-4)


def test_depth_at_sensor_is_the_distance_of_the_images():
    near, far = 500.0, 2000.0
    images = [1 / (1 / 50 - 1 / u) for u in (near, far)]
    assert optics.depth_at_sensor_um(near, far, 50.0) == pytest.approx(
        1000 * (images[0] - images[1]), rel=1e-12
    )


# --- conventions and facts of the trade -----------------------------------------------------


def test_full_stops_are_those_of_the_standard():
    """ISO 517:2008, f-number series (from memory)."""
    marked = [m for m, _ in optics.f_number_series("full", widest=0.5, smallest=90)]
    assert marked == [0.5, 0.7, 1, 1.4, 2, 2.8, 4, 5.6, 8, 11, 16, 22, 32, 45, 64, 90]


@pytest.mark.parametrize(("stops", "limit"), [("full", 0.03), ("half", 0.034), ("third", 0.048)])
def test_marked_f_numbers_lie_near_the_exact_powers(stops, limit):
    """Third and half stops: common practice, no source. Exact: powers of √2."""
    pairs = optics.f_number_series(stops, widest=1.0, smallest=90)
    steps = {"full": 1, "half": 2, "third": 3}[stops]
    for index, (marked, exact) in enumerate(pairs):
        assert exact == pytest.approx(2 ** (index / (2 * steps)), rel=1e-12)
        assert abs(marked / exact - 1) < limit


@pytest.mark.parametrize("stops", ["full", "half", "third"])
def test_the_nearest_f_number_is_marked_and_within_half_a_step(stops):
    """ISO 517 (from memory) and the half and third stops that cameras show."""
    marked = [m for m, _ in optics.f_number_series(stops, widest=0.5, smallest=90)]
    steps = {"full": 1, "half": 2, "third": 3}[stops]
    for number in np.geomspace(0.5, 90, 200):
        found = optics.nearest_f_number(number, stops)
        exact = 2 ** (marked.index(found) / (2 * steps) - 1)
        assert abs(2 * math.log2(exact / number)) <= 0.5 / steps + 0.02
    assert optics.nearest_f_number(3.0, "third", widest=4, smallest=22) == 4
    with pytest.raises(ValueError, match="no full stop"):
        optics.nearest_f_number(6.0, "full", widest=5.7, smallest=7)


def test_every_full_stop_is_among_the_third_and_half_stops():
    full = dict(optics.f_number_series("full", widest=0.5, smallest=90))
    for stops in ("half", "third"):
        assert full.items() <= dict(optics.f_number_series(stops, widest=0.5, smallest=90)).items()


def test_diffraction_becomes_visible_between_f8_and_f16_on_24_megapixels():
    """Common practice, no source: by two measures, Airy disk 2 px wide and blur as soft as 2 px."""
    pitch = optics.pixel_pitch_from_sensor_um(36.0, 24.0, 24.0)
    by_airy = 2 * pitch / optics.airy_disk_diameter_um(GREEN, 1.0)
    by_mtf = 2 * pitch / optics.diffraction_blur_um(GREEN, 1.0)
    assert 8 < by_airy < 16
    assert 8 < by_mtf < 16


def test_equal_framing_and_depth_of_field_give_equal_relative_diffraction():
    small, large = (25.0, 4.0), optics.equivalent_settings(25.0, 4.0, 2.0)
    airy = [optics.airy_disk_diameter_um(GREEN, number) for _, number in (small, large)]
    assert airy[1] / airy[0] == pytest.approx(2.0, rel=1e-12)
    circles = [
        optics.blur_circle_um(math.inf, 1e5, focal, number) for focal, number in (small, large)
    ]
    # Equal within f/u0, the magnification, which the rule neglects.
    assert circles[1] / circles[0] == pytest.approx(2.0, rel=5e-4)


def test_circle_of_confusion_conventions_for_36x24():
    """0.029 mm by d/1500, 0.025 by d/1730, 0.030 engraved: common practice, no source."""
    diagonal = math.hypot(36, 24)
    assert optics.circle_of_confusion_um(diagonal) == pytest.approx(29, abs=0.5)
    assert optics.circle_of_confusion_um(diagonal, 1730) == pytest.approx(25, abs=0.5)
    assert optics.circle_of_confusion_um(diagonal, 1442) == pytest.approx(30, abs=0.5)


@pytest.mark.parametrize(
    ("text", "pixels"), [("2px", 2), ("1.5 px", 1.5), ("0.03mm", 7.5), ("d/1500", 7.2111)]
)
def test_tolerance_is_read_in_all_its_units(text, pixels):
    diagonal = math.hypot(36, 24)
    found = optics.parse_tolerance_px(text, pixel_pitch_um=4.0, diagonal_mm=diagonal)
    assert found == pytest.approx(pixels, abs=1e-4)


@pytest.mark.parametrize(
    "text", ["", "px", "0px", "-1px", "d/0", "nan", "two", "2", "0.03", "infpx"]
)
def test_tolerance_refuses_what_is_no_size(text):
    with pytest.raises(ValueError, match="expected for example 2px"):
        optics.parse_tolerance_px(text, pixel_pitch_um=4.0, diagonal_mm=43.0)


def test_tolerance_by_diagonal_needs_the_sensor():
    with pytest.raises(ValueError, match="sensor's size"):
        optics.parse_tolerance_px("d/1500", pixel_pitch_um=4.0, diagonal_mm=None)


# --- choice of aperture ------------------------------------------------------------------


def test_best_f_number_matches_the_published_rule():
    """Hansma (1996), N = √(375 Δ/mm), from memory; 0.4 % for 550 nm."""
    for depth_mm in (0.2, 1.0, 5.0):
        expected = math.sqrt(375 * depth_mm)
        assert optics.best_f_number(depth_mm * 1000, GREEN) == pytest.approx(expected, rel=0.004)


@pytest.mark.parametrize("frames", [1, 4])
def test_best_f_number_minimises_the_worst_blur(frames):
    """scipy.optimize.minimize_scalar."""
    found = optimize.minimize_scalar(
        lambda n: optics.worst_blur_um(800.0, n, GREEN, frames), bounds=(1, 60), method="bounded"
    )
    assert optics.best_f_number(800.0, GREEN, frames) == pytest.approx(found.x, rel=1e-4)


@pytest.mark.parametrize("tolerance", [0.7, 2.0])
def test_frames_to_cover_is_the_fewest_that_leave_no_place_too_blurred(tolerance):
    """Brute force: planes placed evenly, the worst blur looked for on a fine grid."""

    def worst(extent, count):
        planes = (np.arange(count) + 0.5) / count * extent
        places = np.linspace(0, extent, 4001)
        return np.abs(places[:, None] - planes).min(axis=1).max()

    for extent in (0.3, 2.8, 8.0, 8.1, 33.6):
        count = optics.frames_to_cover(extent, tolerance)
        assert worst(extent, count) <= tolerance * (1 + 1e-9)
        assert count == 1 or worst(extent, count - 1) > tolerance
    assert optics.frames_to_cover(0.0, tolerance) == 0
    # 0.3 / 0.1 is 2.9999999999999996, 0.6 / 0.1 above 6 in floating point: still exact fits.
    assert optics.frames_to_cover(0.6, 0.1) == 3
    with pytest.raises(ValueError, match="tolerance"):
        optics.frames_to_cover(1.0, 0.0)


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: optics.effective_f_number(0.0, 1.0), "f_number"),
        (lambda: optics.effective_f_number(4.0, -1.0), "magnification"),
        (lambda: optics.airy_radius_um(-0.5, 8.0), "wavelength_um"),
        (lambda: optics.magnification_at(40.0, 50.0), "too close"),
        (lambda: optics.magnification_from_sensor_distance(150.0, 50.0), "four focal lengths"),
        (lambda: optics.bracket_distances_mm(500, 400, 3, focal_length_mm=50), "near below far"),
        (lambda: optics.bracket_distances_mm(400, 500, 0, focal_length_mm=50), "1 or more"),
        (lambda: optics.f_number_series("quarter"), "third"),
        (lambda: optics.diffraction_mtf(np.nan, 0.5, 8), "frequency"),
    ],
)
def test_out_of_range_arguments_are_refused_by_name(call, word):
    with pytest.raises(ValueError, match=word):
        call()


def test_functions_take_arrays_and_broadcast():
    numbers = np.array([[4.0], [8.0]])
    frequency = np.array([10.0, 50.0, 90.0])
    grid = optics.defocus_transfer(frequency, GREEN, numbers, 10.0)
    assert grid.shape == (2, 3)
    assert grid[1, 2] == pytest.approx(optics.defocus_transfer(90.0, GREEN, 8.0, 10.0), abs=1e-12)


def test_focus_between_two_frames_is_even_at_the_sensor():
    """A thin lens of 50 mm: the image lies v = f u / (u - f) behind it, u + v from the sensor."""
    image_mm = [50 * u / (u - 50) for u in (600.0, 2000.0)]
    first, second = ((u + v) / 1000 for u, v in zip((600.0, 2000.0), image_mm, strict=True))
    middle = sum(image_mm) / 2
    wanted = (50 * middle / (middle - 50) + middle) / 1000
    assert optics.focus_between_m(0.5, first, second, 50.0) == pytest.approx(wanted, rel=1e-9)
    assert optics.focus_between_m(0.0, first, second, 50.0) == pytest.approx(first)
    assert optics.focus_between_m(2.0, first, second, 50.0) == np.inf
    assert optics.focus_between_m(0.5, 1.0, 3.0) == pytest.approx(1.5)  # even in 1/m
