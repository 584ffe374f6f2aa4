"""Numbers that no scene or camera has are refused before anything is reckoned with them."""

from __future__ import annotations

import math

from merge.errors import MergeError, OptionError
from merge.plan.types import PlanRequest

# What cameras and scenes have, with room: phone pixels begin at 0.5 µm, scientific ones end at
# about 25 µm; f-numbers as in ISO 517. A number outside is rather a wrong unit.
_LIMITS: dict[str, tuple[str, float, float, str, str]] = {
    "pixel_pitch_um": ("pixel pitch", 0.5, 50, "µm", "36x24 mm with 24 megapixels have 6 µm"),
    "tolerance_px": ("tolerance", 0.2, 200, "px", "2 px is usual"),
    "focal_length_mm": ("focal length", 1, 3000, "mm", ""),
    "magnification": ("magnification", 0.005, 100, "", "1 is life size"),
    "near_mm": ("near distance", 1, 1e8, "mm", ""),
    "far_mm": ("far distance", 1, math.inf, "mm", ""),
    "depth_mm": ("depth", 1e-4, math.inf, "mm", ""),
    "pupil_ratio": ("pupil ratio", 0.1, 10, "", ""),
    "f_number": ("f-number", 0.5, 90, "", ""),
    "frames": ("number of frames", 1, 10000, "", ""),
    "time_s": ("time", 0.01, 86400, "s", ""),
    "exposure_s": ("exposure", 1e-6, 3600, "s", ""),
    "exposure_f_number": ("f-number of the exposure", 0.5, 90, "", ""),
    "wavelength_um": ("wavelength", 0.2, 2, "µm", "green light has 0.55 µm"),
    "pause_s": ("pause", 0, 3600, "s", ""),
}


def check_number(field: str, value: float | None, *, low: float | None = None) -> None:
    """Refuse a number that no scene or camera has.

    Parameters
    ----------
    field : str
        One of those of a `PlanRequest`.
    value : float or None
        None is not checked.
    low : float, optional
        In place of a plan's lower limit.

    Raises
    ------
    OptionError
        Names the number and what was expected.
    """
    name, least, high, unit, hint = _LIMITS[field]
    low = least if low is None else low
    if value is not None and not low <= value <= high:
        raise OptionError(_outside(name, value, low, high, unit, hint))


def check_request(request: PlanRequest) -> None:
    """Refuse numbers that no scene or camera has, and what contradicts itself.

    Raises
    ------
    MergeError
        Names the number, what was expected, and what to do.
    """
    for field in _LIMITS:
        check_number(field, getattr(request, field))
    _check_lens(request)
    if not 0 <= request.overlap <= 0.9:
        raise MergeError(f"overlap {100 * request.overlap:g} %: expected 0 to 90 %")
    if (request.exposure_s is None) != (request.exposure_f_number is None):
        raise MergeError(
            "an exposure (--exposure) and the f-number that it was metered at (--exposure-at) "
            "go together"
        )
    if request.time_s is not None and request.frames is not None:
        raise MergeError("give the number of frames or the time available, not both")


def _outside(name: str, value: float, low: float, high: float, unit: str, hint: str) -> str:
    space = f" {unit}" if unit else ""
    ends = f"{low:g} or more" if math.isinf(high) else f"{low:g} to {high:g}"
    advice = f" ({hint})" if hint else ""
    return f"{name} {value:g}{space}: expected {ends}{space}{advice}; check the number and its unit"


def _check_lens(request: PlanRequest) -> None:
    if not 0.5 <= request.widest < request.smallest <= 90:
        raise MergeError(
            f"apertures f/{request.widest:g} to f/{request.smallest:g}: expected the widest "
            "first, within f/0.5 and f/90"
        )
    sharpest = request.sharpest
    if sharpest is not None and not request.widest <= sharpest <= request.smallest:
        raise MergeError(
            f"sharpest f/{sharpest:g}: expected one of the lens's f-numbers, f/{request.widest:g} "
            f"to f/{request.smallest:g} (--widest, --smallest)"
        )
