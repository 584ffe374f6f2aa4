"""Values of ours as JSON: one way for everything that is printed or written."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from pathlib import PurePath
from typing import Any

import numpy as np


def plain_values(value: Any) -> Any:
    """Return a value made of what JSON knows, nested as deep as may be.

    Records become objects, arrays and tuples lists, paths strings; a number that is not known, or
    infinite, becomes null.

    Examples
    --------
    >>> plain_values({"gain": float("nan"), "box": (1, np.float32(2.5))})
    {'gain': None, 'box': [1, 2.5]}
    """
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = dataclasses.fields(value)
        return {field.name: plain_values(getattr(value, field.name)) for field in fields}
    if isinstance(value, Mapping):
        return {str(key): plain_values(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain_values(item) for item in value]
    if isinstance(value, np.ndarray):
        return plain_values(value.tolist())
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, PurePath):
        return str(value)
    return None if isinstance(value, float) and not math.isfinite(value) else value
