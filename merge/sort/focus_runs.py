"""Where focus moves one way, stays, or jumps back, among shots of one scene and setting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.sort.likeness import Likeness, focus_distances

# Differences of log energy (natural) between two shots that a still focus stays below: noise,
# leaves and JPEG error of 200 px previews measured 0.05 to 0.15.
STILL = 0.22
# Recorded distances are coarse; a step back below this share of the run's way is rounding.
_ROUNDING = 0.03


@dataclass(frozen=True, eq=False)
class FocusRun:
    """Neighbouring shots of one setting.

    Attributes
    ----------
    start, stop : int
        Half-open range of the shots in their scene.
    moved : bool
        Focus differs between the shots.
    recorded : bool
        The files' focus distances tell it.
    strength : float
        How far the pictures say that focus moved, in units of what a still focus shows.
    """

    start: int
    stop: int
    moved: bool
    recorded: bool
    strength: float


def find_runs(
    likenesses: list[Likeness],
    distances_m: list[float | None],
    breaks: list[int],
    *,
    start: int,
) -> list[FocusRun]:
    """Cut shots of one scene and setting where focus jumps back, and tell where it moved.

    Parameters
    ----------
    likenesses : list of Likeness
    distances_m : list of float or None
        Recorded focus distances.
    breaks : list of int
        Positions that a pause precedes; a run goes over one only if focus goes on there.
    start : int
        Position of the first shot in its scene, added to the results' ranges.
    """
    far = focus_distances(likenesses)
    dioptres = _dioptres(distances_m)
    cuts = _cut_recorded(dioptres) if dioptres is not None else _cut_seen(far)
    edges = sorted({0, *cuts, *(b for b in breaks if not _goes_on(b, cuts, far, dioptres))})
    ends = [*edges[1:], len(likenesses)]
    return [
        _judge(a, b, far[a:b, a:b], None if dioptres is None else dioptres[a:b], start)
        for a, b in zip(edges, ends, strict=True)
    ]


def _dioptres(distances_m: list[float | None]) -> NDArray[np.float64] | None:
    """Return inverse distances when all are known and at least two differ."""
    known = [d for d in distances_m if d is not None and d > 0]
    if len(known) < len(distances_m) or len(set(known)) < 2:
        return None
    return np.array([1.0 / d for d in known])


def _cut_recorded(dioptres: NDArray[np.float64]) -> list[int]:
    """Return where recorded distances turn: the run restarts at the end of the longer step."""
    steps = np.diff(dioptres)
    tolerance = _ROUNDING * float(np.ptp(dioptres))
    cuts, start, direction = [], 0, 0.0
    for i, step in enumerate(steps):
        if abs(step) <= tolerance:
            continue
        if direction and np.sign(step) != direction:
            only_step = i - start == 1
            if only_step and abs(steps[start]) > 1.5 * abs(step):
                cuts.append(start + 1)
                start, direction = start + 1, float(np.sign(step))
                continue
            cuts.append(i + 1)
            start, direction = i + 1, 0.0
            continue
        direction = float(np.sign(step))
    return cuts


def _cut_seen(far: NDArray[np.float64]) -> list[int]:
    """Return where a shot looks more like an earlier one than like the one before it."""
    count = len(far)
    steps = np.array([far[i, i + 1] for i in range(count - 1)])
    if count < 2 or steps.max() < STILL:
        return []
    usual = float(np.median(steps))
    cuts, start = [], 0
    for k in range(1, count):
        step = steps[k - 1]
        if step < STILL or k - start < 2:
            continue
        nearest = float(far[k, start : k - 1].min())
        if nearest < 0.4 * step or (step > 2 * usual and nearest < 0.8 * step):
            cuts.append(k)
            start = k
    return _cut_strays(cuts, far, steps, usual)


def _cut_strays(
    cuts: list[int], far: NDArray[np.float64], steps: NDArray[np.float64], usual: float
) -> list[int]:
    """Add a cut after a lone first shot that belongs into the middle of its run."""
    strays = []
    for first in [0, *cuts]:
        stop = min([c for c in cuts if c > first], default=len(far))
        if stop - first < 4 or steps[first] <= 2 * usual:
            continue
        if float(far[first, first + 2 : stop].min()) < 0.6 * steps[first]:
            strays.append(first + 1)
    return sorted({*cuts, *strays})


def _goes_on(
    at: int,
    cuts: list[int],
    far: NDArray[np.float64],
    dioptres: NDArray[np.float64] | None,
) -> bool:
    """Tell whether focus goes on in its direction over a pause before shot ``at``."""
    if at in cuts:
        return False
    first = max([c for c in cuts if c < at], default=0)
    if at - first < 2:
        return False
    if dioptres is not None:
        way, step = dioptres[at - 1] - dioptres[first], dioptres[at] - dioptres[at - 1]
        usual = abs(way) / (at - 1 - first)
        return bool(way * step > 0 and abs(step) <= 3 * usual)
    usual = float(np.median([far[i, i + 1] for i in range(first, at - 1)]))
    step = float(far[at - 1, at])
    # Far from focus everything looks alike, so only the shot before the last tells the way.
    farther = float(far[at - 2, at]) > float(far[at - 2, at - 1])
    nearest = float(far[at, first : at - 1].min()) > step
    moved = float(far[first:at, first:at].max()) > STILL
    return moved and farther and nearest and step <= 3 * usual


def _judge(
    a: int,
    b: int,
    far: NDArray[np.float64],
    dioptres: NDArray[np.float64] | None,
    start: int,
) -> FocusRun:
    recorded = dioptres is not None and b - a > 1 and len(set(dioptres.tolist())) > 1
    count = b - a
    if count < 2:
        return FocusRun(start + a, start + b, False, False, 0.0)
    # Over a run that moves, distant shots differ more than neighbours; noise, wind and a
    # changing light differ alike at any distance.
    neighbours = float(np.median([far[i, i + 1] for i in range(count - 1)]))
    span = float(far.max())
    grows = count == 2 or span > 1.6 * neighbours or neighbours > 2 * STILL
    strength = span / STILL
    seen = strength > 1.0 and grows
    return FocusRun(start + a, start + b, bool(recorded or seen), bool(recorded), strength)
