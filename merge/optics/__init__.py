"""Optics of a photograph that can be cited: pure functions, usable without the rest.

>>> from merge import optics
>>> working = optics.effective_f_number(8.0, magnification=1.0)
>>> round(optics.airy_disk_diameter_um(optics.GREEN_UM, working), 1)
21.5

Arguments are scalars or arrays that broadcast; a scalar result is a Python float. Units stand in
the names; an argument outside its range is a ValueError that names it.

- Diffraction: `effective_f_number`, `airy_disk_diameter_um`, `cutoff_cy_per_mm`,
  `diffraction_mtf`, `diffraction_psf`, `encircled_energy`, `strehl_ratio`, `jinc`.
- Defocus and pixels: `disk_transfer`, `defocus_transfer` (exact), `defocus_waves`,
  `defocus_strehl`, `pixel_aperture_mtf`, `system_transfer`, `find_mtf50_cy_per_mm`,
  `diffraction_blur_um`, `nyquist_cy_per_mm`.
- Thin lens: `magnification_at`, `blur_circle_um`, `depth_of_field_limits_mm`,
  `hyperfocal_distance_mm`, `macro_depth_mm`, `depth_at_sensor_um`, the focus shifts and distances.
- Brackets and apertures: `bracket_distances_mm`, `bracket_blur_um`, `focus_between_m`,
  `frames_to_cover`, `best_f_number`, `worst_blur_um`.
- Conventions of the trade: `f_number_series` (ISO 517), `nearest_f_number`,
  `circle_of_confusion_um`, `equivalent_settings`, `pixel_pitch_from_sensor_um`,
  `parse_tolerance_px`.

Books and standards are cited from memory (marked so); every formula is confirmed in the tests by
an independent route: scipy, a physical-optics package, numeric pupils, or traced rays.
"""

from merge.optics.between import focus_between_m
from merge.optics.choice import best_f_number, frames_to_cover, worst_blur_um
from merge.optics.conventions import (
    Stops,
    circle_of_confusion_um,
    equivalent_settings,
    f_number_series,
    nearest_f_number,
    parse_tolerance_px,
    pixel_pitch_from_sensor_um,
)
from merge.optics.defocus import (
    defocus_strehl,
    defocus_transfer,
    defocus_waves,
    diffraction_blur_um,
    disk_transfer,
    find_mtf50_cy_per_mm,
    nyquist_cy_per_mm,
    pixel_aperture_mtf,
    system_transfer,
)
from merge.optics.diffraction import (
    AIRY_ZERO,
    GREEN_UM,
    airy_disk_diameter_um,
    airy_radius_um,
    cutoff_cy_per_mm,
    diffraction_mtf,
    diffraction_psf,
    effective_f_number,
    encircled_energy,
    jinc,
    strehl_ratio,
)
from merge.optics.geometry import (
    blur_circle_um,
    bracket_blur_um,
    bracket_distances_mm,
    depth_at_sensor_um,
    depth_of_field_limits_mm,
    distance_from_sensor_mm,
    entrance_pupil_distance_mm,
    focus_shift_at_sensor_um,
    focus_shift_at_subject_um,
    hyperfocal_distance_mm,
    macro_depth_mm,
    magnification_at,
    magnification_from_sensor_distance,
)

__all__ = [
    "AIRY_ZERO",
    "GREEN_UM",
    "Stops",
    "airy_disk_diameter_um",
    "airy_radius_um",
    "best_f_number",
    "blur_circle_um",
    "bracket_blur_um",
    "bracket_distances_mm",
    "circle_of_confusion_um",
    "cutoff_cy_per_mm",
    "defocus_strehl",
    "defocus_transfer",
    "defocus_waves",
    "depth_at_sensor_um",
    "depth_of_field_limits_mm",
    "diffraction_blur_um",
    "diffraction_mtf",
    "diffraction_psf",
    "disk_transfer",
    "distance_from_sensor_mm",
    "effective_f_number",
    "encircled_energy",
    "entrance_pupil_distance_mm",
    "equivalent_settings",
    "f_number_series",
    "find_mtf50_cy_per_mm",
    "focus_between_m",
    "focus_shift_at_sensor_um",
    "focus_shift_at_subject_um",
    "frames_to_cover",
    "hyperfocal_distance_mm",
    "jinc",
    "macro_depth_mm",
    "magnification_at",
    "magnification_from_sensor_distance",
    "nearest_f_number",
    "nyquist_cy_per_mm",
    "parse_tolerance_px",
    "pixel_aperture_mtf",
    "pixel_pitch_from_sensor_um",
    "strehl_ratio",
    "system_transfer",
    "worst_blur_um",
]
