"""Standards and habits of the trade: f-number series, circles of confusion, sensor formats."""

from __future__ import annotations

import math
from typing import Literal

from merge.optics._checks import FloatOrArray, plain, positive

Stops = Literal["full", "half", "third"]
_STEPS_PER_STOP: dict[Stops, int] = {"full": 1, "half": 2, "third": 3}

# Marked values, f/0.5 upwards. Full stops: ISO 517:2008 (from memory). Half and third stops:
# engraved on lenses and shown by cameras, common practice, no source.
_FULL = (0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0, 45.0, 64.0, 90.0)
_HALF = (
    0.5, 0.6, 0.7, 0.8, 1.0, 1.2, 1.4, 1.7, 2.0, 2.4, 2.8, 3.3, 4.0, 4.8, 5.6, 6.7, 8.0, 9.5,
    11.0, 13.0, 16.0, 19.0, 22.0, 27.0, 32.0, 38.0, 45.0, 54.0, 64.0, 76.0, 90.0,
)  # fmt: skip
_THIRD = (
    0.5, 0.56, 0.63, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2, 1.4, 1.6, 1.8, 2.0, 2.2, 2.5, 2.8, 3.2, 3.5,
    4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0, 13.0, 14.0, 16.0, 18.0, 20.0, 22.0,
    25.0, 29.0, 32.0, 36.0, 40.0, 45.0, 51.0, 57.0, 64.0, 72.0, 81.0, 90.0,
)  # fmt: skip
_SERIES: dict[Stops, tuple[float, ...]] = {"full": _FULL, "half": _HALF, "third": _THIRD}


def f_number_series(
    stops: Stops = "full", *, widest: float = 1.0, smallest: float = 32.0
) -> list[tuple[float, float]]:
    """Return marked and exact f-numbers, widest aperture first.

    Parameters
    ----------
    stops : {"full", "half", "third"}, default "full"
        Spacing: exact values are powers of 2^(1/2), 2^(1/4), 2^(1/6).
    widest, smallest : float
        Marked values at the ends, inclusive, within 0.5 to 90.

    Returns
    -------
    list of (float, float)
        (marked, exact).

    Raises
    ------
    ValueError
        If the name of the series is unknown.

    Examples
    --------
    >>> [marked for marked, _ in f_number_series(widest=4, smallest=16)]
    [4.0, 5.6, 8.0, 11.0, 16.0]
    >>> [round(exact, 2) for _, exact in f_number_series(widest=4, smallest=16)]
    [4.0, 5.66, 8.0, 11.31, 16.0]
    """
    if stops not in _SERIES:
        raise ValueError(f"stops: expected 'full', 'half' or 'third', got {stops!r}")
    steps = _STEPS_PER_STOP[stops]
    exact = (2 ** (index / (2 * steps) - 1) for index in range(len(_SERIES[stops])))
    pairs = zip(_SERIES[stops], exact, strict=True)
    return [(marked, value) for marked, value in pairs if widest <= marked <= smallest]


def nearest_f_number(
    f_number: float, stops: Stops = "third", *, widest: float = 0.5, smallest: float = 90.0
) -> float:
    """Return the marked f-number closest in stops to any f-number.

    Parameters
    ----------
    f_number : float
        > 0.
    stops : {"full", "half", "third"}, default "third"
        Series to take it from.
    widest, smallest : float
        Marked values that bound the choice, inclusive, within 0.5 to 90.

    Returns
    -------
    float
        A marked value of `f_number_series`.

    Raises
    ------
    ValueError
        If the f-number is not above 0, or no marked value lies within the bounds.

    Examples
    --------
    >>> nearest_f_number(6.06), nearest_f_number(6.06, "full"), nearest_f_number(6.06, "half")
    (6.3, 5.6, 5.6)
    """
    positive("f_number", f_number)
    series = f_number_series(stops, widest=widest, smallest=smallest)
    if not series:
        raise ValueError(f"no {stops} stop lies between f/{widest:g} and f/{smallest:g}")
    return min(series, key=lambda pair: abs(math.log(pair[1] / f_number)))[0]


def circle_of_confusion_um(diagonal_mm: FloatOrArray, divisor: FloatOrArray = 1500) -> FloatOrArray:
    """Return the tolerated blur circle as a share of the sensor's diagonal, ``d / divisor``.

    Parameters
    ----------
    diagonal_mm : float or ndarray
        Sensor diagonal d in mm, > 0.
    divisor : float or ndarray, default 1500
        1500: common practice, no source; 1730: attributed to a lens maker's tables, from
        memory; 1442 gives the 0.030 mm engraved for 36x24 mm, common practice. All of them
        mean a whole print seen from its diagonal; they are lax for a 100 % view.

    Returns
    -------
    float or ndarray
        Diameter in µm.

    Examples
    --------
    >>> round(circle_of_confusion_um(43.27), 1)
    28.8
    """
    return plain(1000 * positive("diagonal_mm", diagonal_mm) / positive("divisor", divisor))


def parse_tolerance_px(text: str, *, pixel_pitch_um: float, diagonal_mm: float | None) -> float:
    """Return a tolerated blur-circle diameter in pixels.

    Parameters
    ----------
    text : str
        "2px", "0.03mm" on the sensor, or "d/1500" of the sensor's diagonal. A number without a
        unit is refused: 0.03 is rather mm, 2 rather px.
    pixel_pitch_um : float
        In µm, > 0.
    diagonal_mm : float or None
        Sensor diagonal in mm; needed for "d/…" only.

    Returns
    -------
    float
        Pixels, > 0.

    Raises
    ------
    ValueError
        If the text is none of these, not above 0, or a diagonal is needed and not known.

    Examples
    --------
    >>> parse_tolerance_px("0.03mm", pixel_pitch_um=6.0, diagonal_mm=None)
    5.0
    """
    stripped = text.strip().lower().replace(" ", "")
    try:
        if stripped.startswith("d/"):
            if diagonal_mm is None:
                raise ValueError(f"tolerance {text!r} needs the sensor's size, which is not known")
            value = 1000 * diagonal_mm / float(stripped[2:]) / pixel_pitch_um
        elif stripped.endswith("mm"):
            value = 1000 * float(stripped[:-2]) / pixel_pitch_um
        elif stripped.endswith("px"):
            value = float(stripped[:-2])
        else:
            value = math.nan
    except (ValueError, ZeroDivisionError) as error:
        if "sensor" in str(error):
            raise
        value = math.nan
    if not (value > 0 and math.isfinite(value)):
        raise ValueError(f"tolerance {text!r}: expected for example 2px, 0.03mm or d/1500, above 0")
    return value


def pixel_pitch_from_sensor_um(width_mm: float, height_mm: float, megapixels: float) -> float:
    """Return the pitch of square pixels that fill a sensor, ``√(width · height / count)``, in µm.

    Parameters
    ----------
    width_mm, height_mm : float
        Sensor size in mm, > 0.
    megapixels : float
        Millions of pixels, > 0.

    Examples
    --------
    >>> round(pixel_pitch_from_sensor_um(36.0, 24.0, 24.0), 6)
    6.0
    """
    area = float(positive("width_mm", width_mm) * positive("height_mm", height_mm))
    return math.sqrt(area / float(positive("megapixels", megapixels)))


def equivalent_settings(
    focal_length_mm: FloatOrArray, f_number: FloatOrArray, size_ratio: FloatOrArray
) -> tuple[FloatOrArray, FloatOrArray]:
    """Return focal length and f-number that give the same picture on another sensor size.

    Equal framing, perspective, depth of field *and* diffraction relative to the picture: both
    scale with the sensor, ``f' = f s``, ``N' = N s``, since blur circle (f²/N) and Airy disk
    (λN) then both grow by s, as the picture does.

    Parameters
    ----------
    focal_length_mm, f_number : float or ndarray
        Settings on the first sensor, > 0.
    size_ratio : float or ndarray
        Second diagonal over first diagonal, s, > 0.

    Returns
    -------
    focal_length_mm, f_number : float or ndarray
        Settings on the second sensor.

    Notes
    -----
    Distant subjects, where m << 1; close up N is the effective f-number. Common practice; the
    statement is proved in the tests from the functions for blur and diffraction.

    Examples
    --------
    >>> equivalent_settings(25.0, 4.0, 2.0)
    (50.0, 8.0)
    """
    ratio = positive("size_ratio", size_ratio)
    focal = positive("focal_length_mm", focal_length_mm)
    return plain(focal * ratio), plain(positive("f_number", f_number) * ratio)
