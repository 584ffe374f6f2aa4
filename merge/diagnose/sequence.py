"""Steps that break the bracket's own rhythm: dropped slices, duplicates, wrong order."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.diagnose.steps import Steps, steps_of
from merge.diagnose.wording import list_names, two_apart
from merge.model import Finding, FocusAxis
from merge.model.geometry import JUMP_NEIGHBOURS
from merge.rising import longest_rise
from merge.significance import EVEN, FEWEST, learned_spread, proof_limit

# Between one step and two; one less lies between one and none.
MORE_THAN_ONE = 1.5
# Blur that nobody sees. Frames with so much midway between them may differ, however wide the
# others' steps; within half of it frames are focused alike where no rhythm can be told.
UNSEEN_PX = 0.75


def find_dropped(axis: FocusAxis, tolerance_px: float, names: Sequence[str]) -> list[Finding]:
    """Return a finding for each step proven to be a multiple of its even neighbours."""
    steps = steps_of(axis)
    findings = []
    for k, step in enumerate(steps.step_px):
        usual = usual_step(steps, k)
        if usual is None or usual.spread > EVEN * usual.step_px:
            continue
        ratio = step / usual.step_px
        if ratio - steps.limit * usual.ratio_error(ratio) < MORE_THAN_ONE:
            continue
        missing = max(round(ratio) - 1, 1)
        a, b = steps.order[k : k + 2].tolist()
        slices = "a slice is" if missing == 1 else f"{missing} slices are"
        findings.append(
            Finding(
                kind="dropped slice",
                severity="problem" if step / 2 > tolerance_px else "warning",
                message=(
                    f"Between {names[a]} and {names[b]} {slices} missing: the step is "
                    f"{two_apart(step, usual.step_px)} px, its neighbours are "
                    f"{two_apart(usual.step_px, step)} px."
                ),
                advice=(
                    "Look for the file on the card, or take the slice again."
                    if missing == 1
                    else "Look for the files on the card, or take the slices again."
                ),
                value=float(ratio),
                threshold=MORE_THAN_ONE,
                unit="steps",
                frames=(a, b),
            )
        )
    return findings


@dataclass(frozen=True)
class _Usual:
    """The step around a place, how far single ones spread about it, and how many there are."""

    step_px: float
    spread: float
    count: int
    error_px: float

    def ratio_error(self, ratio: float) -> float:
        """Return the standard error of a step over the usual one.

        What the neighbours show themselves of their errors counts for more than what is usual.
        """
        seen, _ = learned_spread(self.spread, self.count, self.error_px)
        return float(np.hypot(seen, ratio * seen / np.sqrt(self.count)) / self.step_px)


def usual_step(steps: Steps, at: int) -> _Usual | None:
    """Return the step around a place; None where there are too few neighbours."""
    first = max(at - JUMP_NEIGHBOURS, 0)
    near = [k for k in range(first, min(at + JUMP_NEIGHBOURS + 1, len(steps.step_px))) if k != at]
    near = [k for k in near if steps.step_px[k] > UNSEEN_PX / 2]
    if len(near) < FEWEST:
        return None
    # Along a straight line of their logarithms (by medians: P. K. Sen, 1968): steps may grow.
    own = np.log(steps.step_px[near])
    place = np.array(near, float)
    slope = np.median([(own[j] - own[i]) / (place[j] - place[i]) for i, j in _pairs(len(near))])
    level = own + slope * (at - place)
    usual = float(np.exp(np.median(level)))
    spread = 1.48 * float(np.median(np.abs(level - np.median(level)))) * usual
    error = float(np.median(steps.error_px[[*near, at]]))
    return _Usual(usual, spread, len(near), max(error, float(steps.error_px[at])))


def _pairs(count: int) -> Iterator[tuple[int, int]]:
    return itertools.combinations(range(count), 2)


def find_duplicates(axis: FocusAxis, names: Sequence[str]) -> list[Finding]:
    """Return a finding for each pair of frames that are proven to be focused alike.

    None where such steps lead on, together, by what is seen: they are fine, not frames too many.
    """
    steps = steps_of(axis)
    alike = [k for k in range(len(steps.step_px)) if _focused_alike(steps, k)]
    findings = []
    for run in np.split(alike, np.flatnonzero(np.diff(alike) > 1) + 1):
        if len(run) >= FEWEST and steps.step_px[run].sum() > 2 * UNSEEN_PX:
            continue
        for k in run.tolist():
            a, b = sorted(steps.order[k : k + 2].tolist())
            findings.append(
                Finding(
                    kind="duplicate",
                    severity="warning",
                    message=(
                        f"{names[b]} is focused like {names[a]} ({steps.step_px[k]:.1f} px apart)."
                    ),
                    advice=f"Leave {names[b]} out: a second frame of one focus adds only time.",
                    value=float(steps.step_px[k]),
                    threshold=duplicate_limit(steps, k)[0],
                    unit="px",
                    frames=(a, b),
                )
            )
    return findings


def _focused_alike(steps: Steps, k: int) -> bool:
    limit, error = duplicate_limit(steps, k)
    proven = steps.step_px[k] + steps.limit * error < limit
    return bool(steps.step_px[k] <= 2 * UNSEEN_PX and proven and not _lies_astride(steps, k))


def _lies_astride(steps: Steps, k: int) -> bool:
    """Tell whether two frames may as well lie on either side of what is sharp in both.

    Blur is the same there. Then the steps beside theirs are longer by what theirs lacks; a second
    frame of one focus leaves them as they are.
    """
    usual = usual_step(steps, k)
    near = steps.step_px[max(k - 1, 0) : k + 2]
    return usual is not None and float(near.sum()) > (len(near) - 0.5) * usual.step_px


def duplicate_limit(steps: Steps, k: int) -> tuple[float, float]:
    """Return below which distance two frames are focused alike, and that distance's error, px."""
    usual = usual_step(steps, k)
    if usual is None:
        # The few tiles at an end scatter less by chance than those of the steps before it.
        beside = steps.error_px[max(k - JUMP_NEIGHBOURS, 0) : k + JUMP_NEIGHBOURS + 1]
        return UNSEEN_PX / 2, max(float(np.median(beside)), float(steps.error_px[k]))
    return (MORE_THAN_ONE - 1) * usual.step_px, usual.ratio_error(0.0) * usual.step_px


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
    ranks = np.argsort(np.argsort(axis.positions_px, kind="stable"))[frames]
    names = [names[i] for i in frames]
    # Frames were put in another order where that was proven, so their finding needs no proof again.
    if (np.diff(frames) == 1).all() and not leads_back(axis, frames).any():
        return []
    backward, order = np.flatnonzero(np.diff(ranks) < 0), np.argsort(ranks)
    stray = sorted(set(range(len(ranks))) - set(longest_rise(ranks)))
    if len(stray) == 1 and len(backward) == 1 and _is_swap(order, int(backward[0])):
        stray = [int(backward[0]), int(backward[0]) + 1]
        what = f"{names[stray[0]]} and {names[stray[1]]} are swapped"
    else:
        shown = list_names([names[i] for i in stray])
        what = f"{len(stray)} of {len(names)} frames stand out of order ({shown})"
    listed = ", ".join(str(shot_order[frames[i]] + 1) for i in order)
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


def leads_back(axis: FocusAxis, frames: NDArray[np.intp]) -> NDArray[np.bool_]:
    """Tell of every step from frame to frame whether it leads back beyond chance.

    Parameters
    ----------
    axis : FocusAxis
    frames : ndarray of int, shape (N,)
        Its frames in the order of the steps.

    Returns
    -------
    ndarray of bool, shape (N - 1,)
    """
    step = np.diff(axis.positions_px[frames])
    if axis.covariance_px is None:
        return np.asarray(step < 0)
    own = axis.covariance_px[np.ix_(frames, frames)]
    variance = np.diag(own)[1:] + np.diag(own)[:-1] - 2 * np.diag(own, 1)
    error = np.sqrt(np.maximum(variance, 0))
    return np.asarray(step < -np.maximum(proof_limit(len(step)) * error, UNSEEN_PX / 2))


def _is_swap(order: NDArray[np.intp], at: int) -> bool:
    swapped = np.arange(len(order))
    swapped[[at, at + 1]] = at + 1, at
    return bool((order == swapped).all())
