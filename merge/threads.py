"""Work shared among threads: pieces at once, or the next items while one is in use."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import cache
from itertools import islice
from threading import current_thread
from typing import TypeVar

import cv2

Item = TypeVar("Item")
Result = TypeVar("Result")

_NAME = "map-threads"
# Reduced maps of frames that a merge works on at a time: limits of memory are planned for two.
FRAMES_AT_ONCE = min(os.cpu_count() or 1, 2)


def map_threads(work: Callable[[Item], Result], items: Iterable[Item]) -> list[Result]:
    """Return ``work(item)`` of all items, done on as many threads as there are cores.

    Called by ``work`` itself, it goes on in the caller's thread: else all of them would wait for
    one another. The threads stay: starting them anew for every piece took a third of the time of
    registering small pictures.
    """
    pieces, cores = list(items), os.cpu_count() or 1
    if len(pieces) < 2 or cores == 1 or current_thread().name.startswith(_NAME):
        return [work(piece) for piece in pieces]
    return list(_threads(cores).map(work, pieces))


@cache
def _threads(count: int) -> ThreadPoolExecutor:
    return ThreadPoolExecutor(count, thread_name_prefix=_NAME)


@contextmanager
def opencv_on_one_thread() -> Iterator[None]:
    """Leave the cores to whole frames and to `map_threads`.

    OpenCV's own threads between these cost a tenth of an audit and a fifth of a merge's first
    reading.
    """
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)


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
