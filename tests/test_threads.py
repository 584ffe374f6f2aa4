"""Work shared out among threads that stay."""

from __future__ import annotations

import pytest

from merge.threads import share_out


def test_work_that_shares_out_its_own_work_ends():
    """More pieces than any machine has cores, so that all threads wait for inner ones."""
    sums = share_out(lambda n: sum(share_out(lambda k: n * k, range(50))), range(500))
    assert sums == [n * 1225 for n in range(500)]


def test_a_failure_reaches_the_caller():
    def work(n: int) -> float:
        return 1 / n

    with pytest.raises(ZeroDivisionError):
        share_out(work, [1, 0, 2])
