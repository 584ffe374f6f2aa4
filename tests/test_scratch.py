"""Arrays kept for a second pass, in memory or on disk."""

from __future__ import annotations

import shutil
import tempfile
from collections import namedtuple
from pathlib import Path

import numpy as np
import pytest

from merge.errors import WriteError
from merge.scratch import ScratchStack

IN_MEMORY, ON_DISK = 1 << 30, 0
FULL_DEVICE = Path("/dev/full")


@pytest.fixture
def arrays() -> list[np.ndarray]:
    rng = np.random.default_rng(8)
    return [rng.random((31, 17, 3), np.float32) for _ in range(5)]


@pytest.fixture
def folder(tmp_path, monkeypatch) -> Path:
    """Where temporary files go during a test."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    return tmp_path


@pytest.mark.parametrize("dtype", [np.float16, np.float32])
def test_stack_on_disk_equals_the_stack_in_memory(arrays, folder, dtype):
    shape = arrays[0].shape
    with (
        ScratchStack(5, shape, dtype, memory_bytes=IN_MEMORY) as memory,
        ScratchStack(5, shape, dtype, memory_bytes=ON_DISK) as disk,
    ):
        for array in arrays:
            memory.append(array)
            disk.append(array)
        assert len(memory) == len(disk) == 5
        for array, one, two in zip(arrays, memory, disk, strict=True):
            assert one.dtype == two.dtype == dtype
            np.testing.assert_array_equal(one, array.astype(dtype))
            np.testing.assert_array_equal(two, one)


def test_arrays_come_back_in_any_order_while_others_are_still_added(arrays, folder):
    with ScratchStack(5, arrays[0].shape, np.float32, memory_bytes=ON_DISK) as stack:
        for array in arrays[:3]:
            stack.append(array)
        np.testing.assert_array_equal(stack[2], arrays[2])
        np.testing.assert_array_equal(stack[0], arrays[0])
        stack.append(arrays[3])
        np.testing.assert_array_equal(stack[3], arrays[3])
        np.testing.assert_array_equal(stack[1], arrays[1])


@pytest.mark.parametrize("memory_bytes", [IN_MEMORY, ON_DISK])
def test_stack_keeps_a_copy(arrays, folder, memory_bytes):
    with ScratchStack(1, arrays[0].shape, np.float32, memory_bytes=memory_bytes) as stack:
        given = arrays[0].copy()
        stack.append(given)
        given[:] = -1
        np.testing.assert_array_equal(stack[0], arrays[0])


def test_small_stack_writes_no_file_and_large_one_leaves_none(arrays, folder, monkeypatch):
    opened, make = [], tempfile.TemporaryFile

    def made(**options):
        opened.append(make(**options))
        return opened[-1]

    monkeypatch.setattr(tempfile, "TemporaryFile", made)
    each = arrays[0].nbytes
    with ScratchStack(5, arrays[0].shape, np.float32, memory_bytes=5 * each) as stack:
        stack.append(arrays[0])
        assert opened == []
    with ScratchStack(5, arrays[0].shape, np.float32, memory_bytes=5 * each - 1) as stack:
        stack.append(arrays[0])
        (file,) = opened
        assert file.seek(0, 2) == each
    assert file.closed
    assert list(folder.iterdir()) == []


@pytest.mark.parametrize("memory_bytes", [IN_MEMORY, ON_DISK])
@pytest.mark.parametrize("index", [1, -1])
def test_an_index_outside_the_stack_is_refused(arrays, folder, memory_bytes, index):
    with ScratchStack(5, arrays[0].shape, np.float32, memory_bytes=memory_bytes) as stack:
        stack.append(arrays[0])
        with pytest.raises(IndexError):
            stack[index]


def test_wrong_shape_is_refused(arrays):
    with (
        ScratchStack(5, (31, 17), np.float32, memory_bytes=IN_MEMORY) as stack,
        pytest.raises(ValueError, match=r"shape \(31, 17, 3\), expected \(31, 17\)"),
    ):
        stack.append(arrays[0])


def test_too_little_disk_is_told_before_anything_is_written(folder, monkeypatch):
    usage = namedtuple("usage", "total used free")
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage(10e9, 8.8e9, 1.2e9))
    words = rf"{folder}: 1\.2 GB free, but 3\.0 GB are needed .* set TMPDIR to another disk"
    with pytest.raises(WriteError, match=words):
        ScratchStack(3, (25_000, 20_000), np.float16, memory_bytes=1 << 20)
    assert list(folder.iterdir()) == []


@pytest.mark.skipif(not FULL_DEVICE.exists(), reason="needs the always full device of Linux")
@pytest.mark.parametrize("side", [10, 400])
def test_disk_that_fills_up_is_told_with_what_to_do(folder, monkeypatch, side):
    """Also for an array so small that it would wait in the file's buffer."""
    monkeypatch.setattr(tempfile, "TemporaryFile", lambda **_: FULL_DEVICE.open("r+b"))
    words = r"disk full .* make room or set TMPDIR"
    with (
        pytest.raises(WriteError, match=words),
        ScratchStack(2, (side, side), np.float32, memory_bytes=ON_DISK) as stack,
    ):
        stack.append(np.zeros((side, side), np.float32))
