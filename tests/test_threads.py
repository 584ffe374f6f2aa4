"""Work shared out among threads that stay."""

from __future__ import annotations

import os
from threading import current_thread, main_thread

import numpy as np
import pytest
from small_brackets import small_bracket

from merge import merge_stack
from merge.threads import map_threads


@pytest.fixture(autouse=True)
def two_cores(monkeypatch):
    """Whatever the machine has, and whatever workers of the tests are given."""
    monkeypatch.setattr(os, "cpu_count", lambda: 2)


def in_the_callers_thread() -> list[bool]:
    return map_threads(lambda _: current_thread() is main_thread(), range(4))


def test_work_that_shares_out_its_own_work_ends():
    """More pieces than any machine has cores, so that all threads wait for inner ones."""
    sums = map_threads(lambda n: sum(map_threads(lambda k: n * k, range(50))), range(500))
    assert sums == [n * 1225 for n in range(500)]


def test_a_failure_reaches_the_caller():
    def work(n: int) -> float:
        return 1 / n

    with pytest.raises(ZeroDivisionError):
        map_threads(work, [1, 0, 2])


def test_threads_change_no_result(monkeypatch):
    frames, _ = small_bracket(4, height=260, width=390)
    shared = merge_stack(frames)
    assert not any(in_the_callers_thread())
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    assert all(in_the_callers_thread())
    alone = merge_stack(frames)
    np.testing.assert_array_equal(shared.pixels, alone.pixels)
    np.testing.assert_array_equal(shared.axis.positions_px, alone.axis.positions_px)
