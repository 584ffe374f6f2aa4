"""Arrays kept for later: in memory while they are small, else in a temporary file."""

from __future__ import annotations

import mmap
import os
import shutil
import tempfile
import threading
from collections.abc import Iterator
from contextlib import suppress
from types import TracebackType
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.errors import WriteError
from merge.model import FloatArray


def as_floats(values: NDArray[Any]) -> FloatArray:
    """Return a copy of an array, or of a part of one, of a stack in single precision.

    From half precision in a fifth of the time that numpy takes (0.3 ns a value against 1.5).
    """
    if values.dtype != np.float16:
        return values.astype(np.float32)
    return cv2.add(values, 0, dtype=cv2.CV_32F).reshape(values.shape)


def as_halves(values: FloatArray) -> NDArray[np.float16]:
    """Return a copy of an array in half precision, as fast as `as_floats` undoes it."""
    return cv2.add(values, 0, dtype=cv2.CV_16F).reshape(values.shape)


class ScratchStack:
    """Arrays of one shape and type, appended once and read back in any order, by any thread.

    Parameters
    ----------
    count : int
        How many arrays will come.
    shape : tuple of int
    dtype : numpy dtype
    memory_bytes : int
        Up to this size in all they stay in memory; above, they go to an unnamed file in the
        system's temporary folder (`TMPDIR`), which vanishes when closed.

    Raises
    ------
    WriteError
        If the temporary folder has too little room, before anything is written.
    """

    def __init__(
        self, count: int, shape: tuple[int, ...], dtype: Any, *, memory_bytes: int
    ) -> None:
        self._shape, self._dtype = shape, np.dtype(dtype)
        self._each = int(np.prod(shape)) * self._dtype.itemsize
        self._arrays: list[NDArray[Any]] = []
        self._length = 0
        self._file = None
        self._lock = threading.Lock()
        if count * self._each > memory_bytes:
            _check_room(count * self._each)
            self._file = tempfile.TemporaryFile(prefix="depthweld-", dir=tempfile.gettempdir())

    def __enter__(self) -> ScratchStack:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def restart(self) -> None:
        """Forget the arrays, so that others can be appended in their place."""
        self._arrays.clear()
        self._length = 0

    def close(self) -> None:
        """Let go of the arrays, and of the file."""
        self._arrays.clear()
        if self._file is not None:
            with suppress(OSError):  # what a full disk did not take was told when it was added
                self._file.close()

    def __len__(self) -> int:
        return self._length

    def append(self, array: NDArray[Any]) -> None:
        """Keep a copy of ``array`` in this stack's type."""
        stored = np.ascontiguousarray(array)
        if self._dtype == np.float16 and stored.dtype == np.float32:
            stored = as_halves(stored)
        stored = np.asarray(stored, self._dtype)
        if stored.shape != self._shape:
            raise ValueError(f"shape {stored.shape}, expected {self._shape}")
        if self._file is None:
            self._arrays.append(stored if stored is not array else stored.copy())
        else:
            try:
                with self._lock:
                    self._file.seek(self._length * self._each)
                    self._file.write(stored.data)
                    self._file.flush()
            except OSError as exc:
                raise _disk_full() from exc
        self._length += 1

    def __getitem__(self, index: int) -> NDArray[Any]:
        if not 0 <= index < self._length:
            raise IndexError(index)
        if self._file is None:
            return self._arrays[index]
        out = np.empty(self._shape, self._dtype)
        with self._lock:
            self._file.seek(index * self._each)
            self._file.readinto(out.data)
        return out

    def __iter__(self) -> Iterator[NDArray[Any]]:
        return (self[k] for k in range(self._length))


class ScratchPicture:
    """One array in a temporary file, filled and read like any other.

    Parameters
    ----------
    shape : tuple of int
    dtype : numpy dtype

    Attributes
    ----------
    values : ndarray
        The array; the file lives as long as it does.

    Raises
    ------
    WriteError
        If the temporary folder has too little room.
    """

    def __init__(self, shape: tuple[int, ...], dtype: Any) -> None:
        size = int(np.prod(shape)) * np.dtype(dtype).itemsize
        _check_room(size)
        with tempfile.TemporaryFile(prefix="depthweld-", dir=tempfile.gettempdir()) as file:
            try:
                # A full disk must show now: later, writing to the mapping would end the process.
                if hasattr(os, "posix_fallocate"):
                    os.posix_fallocate(file.fileno(), 0, size)
                else:
                    file.truncate(size)
            except OSError as exc:
                raise _disk_full() from exc
            self._map = mmap.mmap(file.fileno(), size)
        self.values = np.frombuffer(self._map, dtype).reshape(shape)

    def release(self) -> None:
        """Let go of the memory that its pages take; they come back from the file when needed."""
        self._map.flush()
        release_pages(self.values)


def release_pages(values: NDArray[Any]) -> None:
    """Let go of the memory of a `ScratchPicture`'s array or a part of it; others stay as they are.

    The whole picture's pages go, and come back from the file when they are needed.
    """
    base: object = values
    while isinstance(base, np.ndarray):
        base = base.base
    if isinstance(base, memoryview):
        base = base.obj
    if isinstance(base, mmap.mmap) and hasattr(mmap, "MADV_DONTNEED"):
        base.madvise(mmap.MADV_DONTNEED)


def _check_room(needed: int) -> None:
    folder = tempfile.gettempdir()
    free = shutil.disk_usage(folder).free
    if free < needed * 1.02:
        raise WriteError(
            f"{folder}: {free / 1e9:.1f} GB free, but {needed / 1e9:.1f} GB are needed for "
            "intermediate results; make room or set TMPDIR to another disk"
        )


def _disk_full() -> WriteError:
    return WriteError(
        f"{tempfile.gettempdir()}: disk full while keeping intermediate results; "
        "make room or set TMPDIR to another disk"
    )
