"""Range checks and scalar handling shared by the optics functions."""

from __future__ import annotations

from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

# float or float64 array, whichever the broadcast inputs give; a static type cannot follow that.
FloatOrArray: TypeAlias = Any


def positive(name: str, value: FloatOrArray) -> NDArray[np.float64]:
    """Return ``value`` as float64 after checking that every element is > 0 (inf allowed)."""
    numbers = np.asarray(value, np.float64)
    if not np.all(numbers > 0):
        raise ValueError(f"{name}: expected numbers above 0, got {value!r}")
    return numbers


def non_negative(name: str, value: FloatOrArray) -> NDArray[np.float64]:
    """Return ``value`` as float64 after checking that every element is >= 0 (inf allowed)."""
    numbers = np.asarray(value, np.float64)
    if not np.all(numbers >= 0):
        raise ValueError(f"{name}: expected numbers of 0 or more, got {value!r}")
    return numbers


def plain(numbers: NDArray[np.float64]) -> FloatOrArray:
    """Return a Python float for a 0-d result, the array itself otherwise."""
    return float(numbers) if np.ndim(numbers) == 0 else numbers
