"""Steps that break the bracket's own rhythm: dropped slices, duplicates, wrong order."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from merge.model import Finding, FocusAxis

Array = NDArray[np.float64]

# Steps on either side that a step is compared with: steps may grow along a bracket.
_NEIGHBOURS = 4
# Largest spread of the neighbours, relative, that still counts as even.
_EVEN = 0.2
# A step reads as a whole number of missing ones from this ratio on.
_DROPPED = 1.6
# A step this small against the usual one is none.
_DUPLICATE = 0.25
_LEAST_STEP_PX = 0.35


def find_dropped(axis: FocusAxis, tolerance_px: float, names: Sequence[str]) -> list[Finding]:
    """Return a finding for each step that is a multiple of its even neighbours."""
    order = np.argsort(axis.positions_px)
    steps = np.diff(axis.positions_px[order])
    findings = []
    for k, step in enumerate(steps):
        usual = _usual_step(steps, k)
        if usual is None or step < _DROPPED * usual:
            continue
        missing = max(round(step / usual) - 1, 1)
        a, b = int(order[k]), int(order[k + 1])
        slices = "a slice is" if missing == 1 else f"{missing} slices are"
        findings.append(
            Finding(
                kind="dropped slice",
                severity="problem" if step / 2 > tolerance_px else "warning",
                message=(
                    f"Between {names[a]} and {names[b]} {slices} missing: the step is "
                    f"{step:.1f} px, its neighbours are {usual:.1f} px."
                ),
                advice="Look for the file on the card, or take the slice again.",
                value=float(step / usual),
                threshold=_DROPPED,
                unit="steps",
                frames=(a, b),
            )
        )
    return findings


def _usual_step(steps: Array, at: int) -> float | None:
    """Return the even step around a place; None where the neighbours are not even."""
    near = [
        steps[k]
        for k in range(max(at - _NEIGHBOURS, 0), min(at + _NEIGHBOURS + 1, len(steps)))
        if k != at
    ]
    near = [s for s in near if s > _LEAST_STEP_PX]
    if len(near) < 3:
        return None
    usual = float(np.median(near))
    spread = float(np.median(np.abs(np.array(near) - usual)))
    return usual if spread <= _EVEN * usual else None


def find_duplicates(axis: FocusAxis, names: Sequence[str]) -> list[Finding]:
    """Return a finding for each pair of frames focused alike."""
    order = np.argsort(axis.positions_px)
    steps = np.diff(axis.positions_px[order])
    if len(steps) == 0:
        return []
    limit = _DUPLICATE * float(np.median(steps)) if len(steps) > 2 else _LEAST_STEP_PX
    findings = []
    for k, step in enumerate(steps):
        if step >= limit:
            continue
        a, b = sorted((int(order[k]), int(order[k + 1])))
        findings.append(
            Finding(
                kind="duplicate",
                severity="warning",
                message=f"{names[b]} is focused like {names[a]} ({step:.1f} px apart).",
                advice=f"Leave {names[b]} out: it adds nothing but noise and time.",
                value=float(step),
                threshold=limit,
                unit="px",
                frames=(a, b),
            )
        )
    return findings


def find_wrong_order(
    axis: FocusAxis, names: Sequence[str], shot_order: Sequence[int]
) -> list[Finding]:
    """Return one finding if frames were shot or named out of order, with the right order.

    Parameters
    ----------
    axis : FocusAxis
    names : sequence of str
        Of the frames on it.
    shot_order : sequence of int
        Their indices in shooting order.
    """
    frames = np.argsort(shot_order)
    positions, names = axis.positions_px[frames], [names[i] for i in frames]
    steps = np.abs(np.diff(positions[np.argsort(positions)]))
    blurry = _DUPLICATE * float(np.median(steps)) if len(steps) else 0.0
    backward = np.flatnonzero(np.diff(positions) < -blurry)
    if len(backward) == 0:
        return []
    order = np.argsort(positions)
    stray = _strays(positions)
    if len(stray) == 1 and len(backward) == 1 and _is_swap(order, int(backward[0])):
        stray = [int(backward[0]), int(backward[0]) + 1]
        what = f"{names[stray[0]]} and {names[stray[1]]} are swapped"
    else:
        shown = [names[i] for i in stray[:6]] + (["…"] if len(stray) > 6 else [])
        what = f"{len(stray)} of {len(names)} frames stand out of order ({', '.join(shown)})"
    listed = ", ".join(str(shot_order[frames[i]] + 1) for i in order)
    if len(order) > 40:
        listed = "see the focus axis"
    return [
        Finding(
            kind="out of order",
            severity="warning",
            message=f"{what}; by focus the frames as shot follow as {listed}.",
            advice="Check how the files were named and sorted; the merge uses the right order.",
            value=float(len(stray)),
            threshold=0.0,
            unit="frames",
            frames=tuple(sorted(int(frames[i]) for i in stray)),
        )
    ]


def _is_swap(order: NDArray[np.intp], at: int) -> bool:
    swapped = np.arange(len(order))
    swapped[[at, at + 1]] = at + 1, at
    return bool((order == swapped).all())


def _strays(positions: Array) -> list[int]:
    """Return the frames outside a longest rising run, the fewest to move."""
    count = len(positions)
    length, before = np.ones(count, int), np.full(count, -1)
    for i in range(count):
        lower = np.flatnonzero(positions[:i] < positions[i])
        if len(lower):
            best = lower[length[lower].argmax()]
            length[i], before[i] = length[best] + 1, best
    kept, at = set(), int(length.argmax())
    while at >= 0:
        kept.add(at)
        at = int(before[at])
    return [i for i in range(count) if i not in kept]
