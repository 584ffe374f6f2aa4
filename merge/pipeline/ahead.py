"""Work on one item after the other, the next ones already under way on threads."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import islice
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")


def work_ahead(
    work: Callable[[Item], Result], items: Iterable[Item], *, threads: int = 1
) -> Iterator[Result]:
    """Yield ``work(item)`` in the items' order.

    While one result is in use, the next ``threads`` are being made; no more are held. What has not
    begun when the caller stops is left.
    """
    waiting = iter(items)
    with ThreadPoolExecutor(threads) as pool:
        running = [pool.submit(work, item) for item in islice(waiting, threads)]
        try:
            while running:
                result = running.pop(0).result()
                running += [pool.submit(work, item) for item in islice(waiting, 1)]
                yield result
                del result  # not held while the next one is waited for
        finally:
            for job in running:
                job.cancel()
