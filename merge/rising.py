"""Values that should rise from one to the next: which of them do, and the nearest that do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from merge.model import Array, Index


def rising_fit(values: NDArray[np.floating], weights: NDArray[np.floating]) -> Array:
    """Return the rising sequence nearest to some values, in weighted squares; both (n,).

    Neighbours that fall are pooled. SciPy's own, equal to 1e-12, takes 0.15 s to load, for which
    every command would wait.
    """
    pools: list[tuple[float, float, int]] = []
    for pool in zip(values.tolist(), weights.tolist(), [1] * len(values), strict=True):
        mean, weight, count = pool
        while pools and pools[-1][0] >= mean:
            before, own, places = pools.pop()
            mean = (before * own + mean * weight) / (own + weight)
            weight, count = own + weight, places + count
        pools.append((mean, weight, count))
    return np.repeat([pool[0] for pool in pools], [pool[2] for pool in pools])


def longest_rise(values: Array | Index) -> list[int]:
    """Return positions of the longest row of values (n,) that never fall: the others moved.

    Of equals the one that goes by few wide steps and many narrow ones, as days of shooting do:
    the sum of the steps' roots, which stays below one member of the row, is the least.
    """
    count, span = len(values), max(float(np.ptp(values)), 1e-9)
    best, came_from = np.ones(count), np.full(count, -1)
    for k in range(1, count):
        step = values[k] - values[:k]
        reached = np.where(step >= 0, best[:k] + 1 - np.sqrt(np.abs(step) / span) / count, 0.0)
        if reached.max() > 1:
            best[k], came_from[k] = reached.max(), int(reached.argmax())
    row = [int(best.argmax())]
    while came_from[row[-1]] >= 0:
        row.append(int(came_from[row[-1]]))
    return row[::-1]
