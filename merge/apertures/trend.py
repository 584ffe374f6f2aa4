"""The trend over f-numbers: the best aperture, the cost of each stop, frames against it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.optimize import isotonic_regression

from merge.apertures.results import StopCost
from merge.optics import GREEN_UM, Stops, diffraction_mtf, f_number_series

# Contrast below the trend that is a fault of the frame, of the contrast expected. Focus that
# shifts with the aperture costs up to about 5 % on simulated lenses.
_BELOW_TREND = 0.08
# Swing of log contrast over directions: of a frame below the trend, and of any frame.
_SHAKEN_BELOW, _SHAKEN = 0.06, 0.16
_SIGMAS = 3.0
# Contrast that diffraction must leave for the lens's part to be told from noise.
_LEAST_DIFFRACTION = 0.05


def diffraction_contrast(
    f_numbers: Sequence[float], frequency: float, pitch_um: float | None
) -> NDArray[np.float64]:
    """Return what diffraction leaves of the contrast; NaN without pixel pitch.

    Parameters
    ----------
    f_numbers : sequence of float
        Effective f-numbers.
    frequency : float
        Cycles a pixel.
    pitch_um : float or None
    """
    if pitch_um is None:
        return np.full(len(f_numbers), np.nan)
    per_mm = 1000 * frequency / pitch_um
    return np.array([float(diffraction_mtf(per_mm, GREEN_UM, n)) for n in f_numbers])


def find_faults(
    contrast: NDArray[np.float64],
    errors: NDArray[np.float64],
    diffraction: NDArray[np.float64],
    directional: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]],
) -> list[str]:
    """Return for each frame, ordered by f-number, why it does not fit the others, or "".

    Notes
    -----
    Nothing makes a frame sharper than its lens. Without diffraction's part, closing the
    aperture only lowers aberration and defocus, so what a wider aperture reached every
    smaller one must reach; a frame that does not was shaken or focused elsewhere. A shaken
    frame is also soft along one direction more than the others are.
    """
    rest = lens_part(contrast, diffraction)
    swing, swing_error, angle_deg = directional
    faults = []
    reached = 0.0
    for i, value in enumerate(rest):
        allowed = _BELOW_TREND + _SIGMAS * float(errors[i])
        below = bool(np.isfinite(value)) and value < reached * (1 - allowed)
        if np.isnan(diffraction[0]):
            below = _below_neighbours(contrast, i, allowed)
        if swing[i] - _SIGMAS * swing_error[i] > (_SHAKEN_BELOW if below else _SHAKEN):
            faults.append(f"shaken along about {_told_angle(angle_deg[i])}°{_CONVENTION}")
        elif below:
            faults.append("softer than a wider aperture allows: focused elsewhere or shaken")
        else:
            faults.append("")
            reached = max(reached, float(np.nan_to_num(value)))
    return faults


_CONVENTION = " (clockwise from horizontal)"


def _told_angle(angle_deg: float) -> int:
    """Return a direction as finely as it is known, 0 to 165."""
    return 15 * round(float(angle_deg) / 15) % 180


def lens_part(
    contrast: NDArray[np.float64], diffraction: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return contrast without diffraction's part; NaN where diffraction leaves too little."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(diffraction > _LEAST_DIFFRACTION, contrast / diffraction, np.nan)


def _below_neighbours(contrast: NDArray[np.float64], i: int, allowed: float) -> bool:
    """Tell whether a frame is softer than both neighbours: no lens does that."""
    if not 0 < i < len(contrast) - 1:
        return False
    return bool(contrast[i] < (1 - allowed) * min(contrast[i - 1], contrast[i + 1]))


def expected_contrast(
    f_numbers: Sequence[float],
    contrast: NDArray[np.float64],
    diffraction: NDArray[np.float64],
    faults: Sequence[str],
) -> NDArray[np.float64]:
    """Return the contrast of each frame; of one with a fault, what the others predict.

    Between neighbours the lens's part is taken to change evenly with the logarithm of the
    f-number; beyond the last good frame it stays.
    """
    good = np.array([not f for f in faults])
    if good.all() or not good.any():
        return contrast.copy()
    part = lens_part(contrast, diffraction)
    use = good & np.isfinite(part)
    position = np.log2(np.asarray(f_numbers))
    known = np.isfinite(diffraction).all() and use.any()
    values = part if known else contrast
    source = use if known else good
    filled = np.interp(position, position[source], values[source])
    if known:
        filled = filled * diffraction
    return np.where(good, contrast, filled)


def steadied_contrast(
    contrast: NDArray[np.float64], errors: NDArray[np.float64], diffraction: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return contrasts moved within two standard errors towards what a lens can do.

    The lens's part never falls with rising f-number; its closest rising sequence (weighted by
    the errors) times diffraction takes noise out of the
    order of frames whose contrasts lie close together.
    """
    part = lens_part(contrast, diffraction)
    known = np.isfinite(part)
    steady = contrast.copy()
    if known.sum() > 1:
        weights = 1 / np.maximum(errors[known], 1e-3) ** 2
        steady[known] = isotonic_regression(part[known], weights=weights).x * diffraction[known]
    return np.clip(steady, contrast * (1 - 2 * errors), contrast * (1 + 2 * errors))


def best_f_number(
    f_numbers: Sequence[float],
    contrast: NDArray[np.float64],
    frequency_over_pitch: float | None = None,
) -> tuple[float, str]:
    """Return where contrast peaks between the frames, and whether that is an end.

    Between frames the lens's part follows a smooth curve without overshoot (monotone cubic)
    over log f-number, and diffraction its own law; without pixel pitch a parabola goes through
    log contrast at the sharpest frame and its neighbours.

    Parameters
    ----------
    f_numbers : sequence of float
        Rising.
    contrast : ndarray, shape (N,)
    frequency_over_pitch : float, optional
        Reference frequency in cycles/mm at the sensor.

    Returns
    -------
    f_number : float
    end : {"", "widest", "narrowest"}
    """
    numbers, curve = _between(f_numbers, contrast, frequency_over_pitch)
    if len(numbers) < 2:
        return float(numbers[0]), "widest"
    position = 2 * np.log2(numbers)
    fine = np.linspace(position[0], position[-1], 24 * (len(numbers) - 1) + 1)
    top = int(np.argmax(curve(fine)))
    narrowest = "narrowest" if numbers[-1] == max(f_numbers) else ""
    end = {0: "widest", len(fine) - 1: narrowest}.get(top, "")
    return float(2 ** (fine[top] / 2)), end


def best_marked(
    f_numbers: Sequence[float],
    contrast: NDArray[np.float64],
    frequency_over_pitch: float | None = None,
) -> float:
    """Return the f-number with the highest contrast among those that can be set.

    Those are the frames' own and, between them, the marks of the coarsest series of ISO 517
    (full stops) or of the cameras' half and third stops that all frames belong to.

    Parameters
    ----------
    f_numbers, contrast, frequency_over_pitch
        As for `best_f_number`.
    """
    numbers, curve = _between(f_numbers, contrast, frequency_over_pitch)
    if len(numbers) < 2:
        return float(numbers[0])
    marks = {float(n): float(n) for n in numbers}
    for stops in _SERIES:
        series = dict(f_number_series(stops, widest=0.5, smallest=90))
        if stops == _SERIES[-1] or all(round(n, 2) in series for n in numbers.tolist()):
            inside = {m: e for m, e in series.items() if numbers[0] < m < numbers[-1]}
            marks = inside | marks
            break
    order = sorted(marks)
    found = curve(2 * np.log2(np.array([marks[m] for m in order])))
    return order[int(np.argmax(found))]


_SERIES: tuple[Stops, ...] = ("full", "half", "third")


def _between(
    f_numbers: Sequence[float], contrast: NDArray[np.float64], per_mm: float | None
) -> tuple[NDArray[np.float64], Callable[[NDArray[np.float64]], NDArray[np.float64]]]:
    """Return the f-numbers that tell something, and log contrast over twice their log2."""
    numbers, contrast = _each_once(f_numbers, contrast)
    if per_mm is not None and len(numbers) > 1:
        # Near the cut-off the lens's part would be noise over nothing.
        told = _diffraction(per_mm, numbers) > _LEAST_DIFFRACTION
        if told.sum() > 1:
            numbers, contrast = numbers[told], contrast[told]
        else:
            per_mm = None
    position, log = 2 * np.log2(numbers), np.log(np.maximum(contrast, 1e-6))
    if per_mm is None or len(numbers) < 2:
        return numbers, lambda at: _parabola(position, log, at)
    own = np.log(np.maximum(_diffraction(per_mm, numbers), 1e-6))
    part = PchipInterpolator(position, log - own)

    def curve(at: NDArray[np.float64]) -> NDArray[np.float64]:
        loss = np.log(np.maximum(_diffraction(per_mm, 2 ** (at / 2)), 1e-6))
        return np.asarray(part(at)) + loss

    return numbers, curve


def _each_once(
    f_numbers: Sequence[float], values: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return each f-number once, with its frames' highest value: what the lens can do there."""
    numbers, which = np.unique(np.asarray(f_numbers, np.float64), return_inverse=True)
    return numbers, np.array([values[which == k].max() for k in range(len(numbers))])


def _diffraction(per_mm: float, f_numbers: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(diffraction_mtf(per_mm, GREEN_UM, f_numbers))


def _parabola(
    x: NDArray[np.float64], y: NDArray[np.float64], at: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the parabola through the highest point and its neighbours, within their range."""
    top = int(np.clip(np.argmax(y), 1, max(len(x) - 2, 1)))
    near = slice(top - 1, top + 2)
    if len(x) < 3 or int(np.argmax(y)) != top:
        return np.interp(at, x, y)
    curve = np.polyval(np.polyfit(x[near] - x[top], y[near], 2), at - x[top])
    inside = (at >= x[top - 1]) & (at <= x[top + 1])
    return np.where(inside, curve, -np.inf)


def stop_costs(
    f_numbers: Sequence[float],
    contrast: NDArray[np.float64],
    diffraction: NDArray[np.float64],
) -> tuple[StopCost, ...]:
    """Return the change from each f-number to the next, split."""
    costs = []
    numbers, contrast = _each_once(f_numbers, contrast)
    _, diffraction = _each_once(f_numbers, diffraction)
    for i in range(len(numbers) - 1):
        change = float(contrast[i + 1] / max(contrast[i], 1e-9) - 1)
        predicted = float("nan")
        if diffraction[i] > 0:
            predicted = float(diffraction[i + 1] / diffraction[i] - 1)
        rest = float("nan")
        if diffraction[i + 1] > _LEAST_DIFFRACTION:
            rest = (1 + change) / (1 + predicted) - 1
        costs.append(StopCost(float(numbers[i]), float(numbers[i + 1]), change, predicted, rest))
    return tuple(costs)
