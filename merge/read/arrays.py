"""Arrays as frames, for programs that have their pictures in memory."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from merge.encoding import parse_transfer
from merge.errors import ReadError
from merge.model import CaptureSettings, FrameSource, Stack

_TYPES = (np.uint8, np.uint16, np.float32)


def stack_arrays(
    arrays: Sequence[NDArray[Any]],
    *,
    names: Sequence[str] | None = None,
    transfer: str | None = None,
    settings: CaptureSettings | None = None,
) -> Stack:
    """Return a stack of pictures that are in memory.

    Parameters
    ----------
    arrays : sequence of ndarray, shape (H, W), (H, W, 1) or (H, W, 3), uint8, uint16 or float
        Frames in shooting order; integers up to their type's largest value, floats 0 = black to
        1 = white. Not modified; floats become float32.
    names : sequence of str, optional
        What to call the frames; default "frame 1" and so on.
    transfer : str, optional
        Curve from linear light to the values: "srgb", "linear" or "gamma:<exponent>"; default
        "srgb" for integers, "linear" for floats.
    settings : CaptureSettings, optional
        How all of them were taken.

    Raises
    ------
    ReadError
        If there is no array, or one is no picture.
    ValueError
        If the names are not as many, or the curve is unknown.

    Examples
    --------
    >>> stack = stack_arrays([np.zeros((40, 60), np.uint8)] * 3)
    >>> len(stack), stack.sources[2].name, stack.sources[0].shape
    (3, 'frame 3', (40, 60, 1))
    """
    if names is None:
        names = [f"frame {number}" for number in range(1, len(arrays) + 1)]
    if len(names) != len(arrays):
        raise ValueError(f"{len(names)} names for {len(arrays)} arrays")
    if transfer is not None:
        parse_transfer(transfer)
    sources = [
        _source(array, name, transfer, settings or CaptureSettings())
        for array, name in zip(arrays, names, strict=True)
    ]
    if not sources:
        raise ReadError("no arrays; give the frames of a bracket in shooting order")
    return Stack(tuple(sources), "position in the list")


def _source(
    array: NDArray[Any], name: str, transfer: str | None, settings: CaptureSettings
) -> FrameSource:
    pixels = np.asarray(array)
    if pixels.dtype.kind == "f":
        pixels = pixels.astype(np.float32, copy=False)
    grey = pixels.ndim == 2
    shape = (*pixels.shape, 1) if grey else pixels.shape
    if len(shape) != 3 or shape[2] not in (1, 3) or pixels.dtype not in _TYPES or not pixels.size:
        raise ReadError(
            f"{name}: an array of shape {pixels.shape} and type {pixels.dtype}, expected (H, W), "
            "(H, W, 1) or (H, W, 3) of uint8, uint16 or float; convert it"
        )
    usual = "linear" if pixels.dtype.kind == "f" else "srgb"
    return FrameSource(
        path=Path(name),
        kind="array",
        shape=(shape[0], shape[1], shape[2]),
        bit_depth=8 * pixels.dtype.itemsize,
        transfer=transfer or usual,
        icc_profile=None,
        settings=settings,
        pixels=pixels.reshape(shape),
    )
