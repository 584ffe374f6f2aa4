"""Numbers as a photographer reads them: f-numbers, changes, lengths of a rail and a focus scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from merge.optics import f_number_series

_LOWEST_MARK, _HIGHEST_MARK = 0.5, 90.0
# From three times on a percentage no longer tells how much that is.
_MOST_PERCENT = 3.0


def f_text(number: float) -> str:
    """Return an f-number as it is marked: two digits.

    Examples
    --------
    >>> f_text(5.6568), f_text(11.0)
    ('f/5.7', 'f/11')
    """
    return f"f/{number:.2g}"


def counted(count: int, one: str) -> str:
    """Return a number with its noun.

    Examples
    --------
    >>> counted(1, "focus bracket"), counted(3, "focus bracket")
    ('1 focus bracket', '3 focus brackets')
    """
    return f"{count} {one}" if count == 1 else f"{count} {one}s"


def marked_from(number: float) -> str:
    """Return the marked third stop at or above an f-number, as one closes to it.

    Examples
    --------
    >>> marked_from(8.3), marked_from(8.0), marked_from(166.0)
    ('f/9', 'f/8', 'a smaller aperture than f/90')
    """
    for marked, exact in f_number_series("third", widest=_LOWEST_MARK, smallest=_HIGHEST_MARK):
        if max(marked, exact) >= number * (1 - 1e-9):
            return f"f/{marked:g}"
    return f"a smaller aperture than f/{_HIGHEST_MARK:g}"


def change_text(share: float, digits: int = 0) -> str:
    """Return a relative change: in percent, from three times on as a factor.

    Examples
    --------
    >>> change_text(-0.12), change_text(0.5), change_text(49.2), change_text(float("nan"))
    ('−12 %', '+50 %', '50 times', '—')
    """
    if math.isnan(share):
        return "—"
    if 1 + share >= _MOST_PERCENT:
        return f"{1 + share:.2g} times" if 1 + share < 100 else "over 100 times"
    percent = round(100 * share, digits) + 0.0
    return "0 %" if percent == 0 else f"{percent:+.{digits}f} %".replace("-", "−")


def mm_text(length_mm: float) -> str:
    """Return a length as finely as a rail is set: three digits, below 0.1 mm in µm.

    Examples
    --------
    >>> mm_text(0.0123), mm_text(0.119), mm_text(4.881), mm_text(48.81)
    ('12.3 µm', '0.119 mm', '4.88 mm', '48.8 mm')
    """
    size = abs(length_mm)
    if size == 0:
        return "0 mm"
    if size < 0.1:
        micrometres = 1000 * length_mm
        return (
            f"{micrometres:.0f} µm"
            if size >= 0.02 and _whole(micrometres)
            else f"{micrometres:.1f} µm"
        )
    if size < 1:
        return f"{length_mm:.3f} mm"
    return f"{length_mm:.2f} mm" if size < 10 else f"{length_mm:.1f} mm"


def _whole(number: float) -> bool:
    return abs(number - round(number)) < 0.05


def rail_texts(lengths_mm: Sequence[float], step_mm: float | None) -> list[str]:
    """Return places on a rail, all to the digit that its step is set to."""
    digits = 4 if step_mm is not None and step_mm < 0.02 else 3
    return [f"{round(v, digits) + 0.0:.{digits}f} mm".replace("-", "−") for v in lengths_mm]


def metres_text(distance_mm: float, step_mm: float = math.inf) -> str:
    """Return a distance with three digits, more where steps are so fine that they need them.

    Parameters
    ----------
    distance_mm : float
    step_mm : float
        Distance to the neighbouring value in a list; its second digit is shown.

    Examples
    --------
    >>> metres_text(643.4), metres_text(301.24, 1.2), metres_text(float("inf"))
    ('0.643 m', '0.3012 m', 'infinity')
    """
    if distance_mm > 1e7:
        return "infinity"
    metres = distance_mm / 1000
    if metres >= 1000:
        return f"{metres / 1000:.2f} km"
    digits = 0 if metres >= 100 else max(0, 2 - math.floor(math.log10(metres)))
    if 0 < step_mm < math.inf:
        digits = max(digits, min(6, 1 - math.floor(math.log10(step_mm / 1000))))
    return f"{metres:.{digits}f} m"


def least_steps_mm(distances_mm: Sequence[float]) -> list[float]:
    """Return each value's distance to its nearer neighbour; infinity for a single one."""
    out = []
    for i, value in enumerate(distances_mm):
        beside = [
            abs(value - distances_mm[k]) for k in (i - 1, i + 1) if 0 <= k < len(distances_mm)
        ]
        out.append(min((b for b in beside if b > 0), default=math.inf))
    return out


def seconds_text(value: float | None) -> str:
    """Return a time as a camera shows it."""
    if value is None:
        return "?"
    return f"1/{1 / value:.0f} s" if value < 0.3 else f"{value:.3g} s"


def json_values(value: Any) -> Any:
    """Return nested values in JSON's own types: null for NaN, infinity spelled out.

    Examples
    --------
    >>> json_values({"a": (1.5, float("nan")), "b": float("inf")})
    {'a': [1.5, None], 'b': 'Infinity'}
    """
    if isinstance(value, dict):
        return {key: json_values(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [json_values(item) for item in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None if math.isnan(value) else "Infinity" if value > 0 else "-Infinity"
    return value


def size_text(size_bytes: int) -> str:
    """Return a file's size.

    Examples
    --------
    >>> size_text(83_000), size_text(2_340_000)
    ('83 kB', '2.3 MB')
    """
    return f"{size_bytes / 1e3:.0f} kB" if size_bytes < 1e6 else f"{size_bytes / 1e6:.1f} MB"
