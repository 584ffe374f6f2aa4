"""Names of array types and of the choices that options have."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]
BoolArray = NDArray[np.bool_]
Array = NDArray[np.float64]
Index = NDArray[np.intp]
Box = tuple[int, int, int, int]  # row, column, height, width

FileKind = Literal["jpeg", "png", "tiff", "raw", "heif", "array"]
MotionModel = Literal["auto", "shift", "similarity", "camera", "affine", "perspective", "none"]
BlendMethod = Literal["auto", "detail", "surface"]
Extent = Literal["common", "reference"]
Severity = Literal["note", "warning", "problem"]  # from least to worst
# Called with (stage, frames done, frames in all).
Progress = Callable[[str, int, int], None]
