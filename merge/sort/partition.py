"""The cheapest way to cut a row of shots into groups, and by how much it is the cheapest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.model import Array
from merge.sort.costs import KINDS, NEVER, Evidence, cost_tables

# Their shots belong to no group.
SINGLE_KINDS = ("one focus", "single")


@dataclass(frozen=True)
class Part:
    """One group of the cheapest cut.

    Attributes
    ----------
    kind : str
        One of `merge.sort.costs.KINDS`.
    start, stop : int
        Half-open range of shots.
    margins : tuple of float
        How much more the best cut without this group costs, in log odds; shots of one focus
        end as single pictures, each with the same, because they stand or fall together.
    """

    kind: str
    start: int
    stop: int
    margins: tuple[float, ...]


def cut(evidence: Evidence) -> list[Part]:
    """Return the parts of the cheapest cut of a scene's shots, in order."""
    n = len(evidence.shots)
    tables = np.stack([cost_tables(evidence)[kind] for kind in KINDS])
    tables = tables + evidence.start[None, :n, None]
    best_kind, cheapest = tables.argmin(axis=0), tables.min(axis=0)
    before, came_from = _forward(cheapest)
    after = _backward(cheapest)
    through = tables + before[None, :n, None] + after[None, None, :]
    parts, stop = [], n
    while stop > 0:
        start = int(came_from[stop])
        kind = int(best_kind[start, stop])
        margins = _margins(through, kind, start, stop, float(before[n]))
        parts.append(Part(KINDS[kind], start, stop, margins))
        stop = start
    return parts[::-1]


def _forward(cheapest: Array) -> tuple[Array, NDArray[np.intp]]:
    n = len(cheapest)
    before, came_from = np.zeros(n + 1), np.zeros(n + 1, np.intp)
    for stop in range(1, n + 1):
        costs = before[:stop] + cheapest[:stop, stop]
        came_from[stop] = int(costs.argmin())
        before[stop] = costs[came_from[stop]]
    return before, came_from


def _backward(cheapest: Array) -> Array:
    n = len(cheapest)
    after = np.zeros(n + 1)
    for start in range(n - 1, -1, -1):
        after[start] = (cheapest[start, start + 1 :] + after[start + 1 :]).min()
    return after


def _margins(through: Array, kind: int, start: int, stop: int, best: float) -> tuple[float, ...]:
    """Return what the best cuts cost more in which the shots lie in other groups."""
    if KINDS[kind] in SINGLE_KINDS:
        others = through[[i for i, k in enumerate(KINDS) if k not in SINGLE_KINDS]]
        each = [others[:, : k + 1, k + 1 :].min() for k in range(start, stop)]
        return (float(min(min(each) - best, NEVER)),) * len(each)
    covering = through[:, : start + 1, start + 1 :].copy()
    covering[kind, start, stop - start - 1] = NEVER
    return (float(min(covering.min() - best, NEVER)),)
