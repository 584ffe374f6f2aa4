"""Verdicts on brackets of random scenes: false warnings on whole ones, faults found.

Run: ``PYTHONPATH=.:tests python tests/benchmarks/bench_verdicts.py FIRST LAST``, with seeds. The
tolerance is 2 px, or what the widest step needs where that is more: a warning on a whole bracket
is false. Faults, at a random place each: a dropped and a doubled slice, a swapped pair, a shake of
3 px, softness of sigma 1.2 px, light of +0.4 EV, two frames cut at the far end.
"""

from __future__ import annotations

import sys
from collections import Counter

import cv2
import numpy as np
from bench_audit import shaken
from random_brackets import RandomBracket, random_bracket

from merge.align import register_stack
from merge.axis import fit_focus_axis
from merge.diagnose import diagnose_stack
from merge.encoding import linearize
from merge.errors import RegistrationError
from merge.focus import measure_cells, place_tiles
from merge.model import CaptureSettings, Finding, FocusAxis, FrameRegistration, Registration

WANTED = {
    "dropped": {"gap", "dropped slice", "wide steps"},
    "doubled": {"duplicate"},
    "swapped": {"out of order"},
    "shaken": {"shaken frame"},
    "soft": {"soft frame"},
    "light": {"exposure jump"},
    "cut": {"end not covered"},
}


def judge(
    pictures: list[np.ndarray], frames: list[FrameRegistration], tolerance_px: float
) -> tuple[FocusAxis | None, tuple[Finding, ...]]:
    aligned = [i for i, f in enumerate(frames) if f.transform is not None]
    tiles = [
        place_tiles(measure_cells(linearize(pictures[i], "srgb")), frames[i].transform)
        for i in aligned
    ]
    try:
        axis = fit_focus_axis(tiles)
    except RegistrationError:
        axis = None
    count = len(frames)
    return axis, diagnose_stack(
        axis,
        Registration(tuple(frames), aligned[0], "similarity", pictures[0].shape),
        names=[f"frame{i + 1}" for i in range(count)],
        settings=[CaptureSettings()] * count,
        tolerance_px=tolerance_px,
    )


def with_fault(
    bracket: RandomBracket, pictures: list, frames: list, fault: str, rng: np.random.Generator
) -> tuple[list, list, set[int]]:
    """Return pictures and registration with a fault, and the frames that it concerns."""
    count, k = len(pictures), int(rng.integers(1, len(pictures) - 1))
    light, seed = bracket.frames[k], [int(rng.integers(1 << 30)), 7]
    if fault == "dropped":
        return [*pictures[:k], *pictures[k + 1 :]], [*frames[:k], *frames[k + 1 :]], {k - 1, k}
    if fault == "cut":
        return pictures[:-2], frames[:-2], {count - 3}
    if fault == "swapped":
        order = [*range(k), k + 1, k, *range(k + 2, count)]
        return [pictures[i] for i in order], [frames[i] for i in order], {k, k + 1}
    made = {
        "doubled": lambda: light,
        "shaken": lambda: shaken(light, 3.0, float(rng.choice([0, 45, 90, 135]))),
        "soft": lambda: cv2.GaussianBlur(light, (0, 0), 1.2),
        "light": lambda: light * np.float32(2**0.4),
    }[fault]()
    shot = bracket.shot(made, seed)
    if fault == "doubled":
        return (
            [*pictures[:k], shot, *pictures[k:]],
            [*frames[:k], frames[k], *frames[k:]],
            {k, k + 1},
        )
    return [*pictures[:k], shot, *pictures[k + 1 :]], frames, {k}


def main() -> None:
    first, last = int(sys.argv[1]), int(sys.argv[2])
    false: Counter[str] = Counter()
    found: Counter[str] = Counter()
    tried: Counter[str] = Counter()
    inside: list[bool] = []
    medians: list[float] = []
    for seed in range(first, last):
        bracket = random_bracket(seed)
        rng = np.random.default_rng(seed + 5)
        steps = np.diff(bracket.positions_px)
        tolerance = max(2.0, float(steps.max()) / 2 * rng.uniform(1.0, 1.4))
        pictures = [bracket.shot(f, [seed, i]) for i, f in enumerate(bracket.frames)]
        frames = list(
            register_stack(iter(pictures), shape=pictures[0].shape, transfer="srgb").frames
        )
        axis, findings = judge(pictures, frames, tolerance)
        wrong = [f for f in findings if f.severity != "note"]
        tried["whole"] += 1
        false["brackets"] += bool(wrong)
        false.update(f.kind for f in wrong)
        for f in wrong:
            print(
                f"{seed} {bracket.layout}, {len(pictures)} frames, ISO {bracket.iso}: {f.message}"
            )
        if axis is not None and len(axis.positions_px) == len(pictures):
            medians.append(float(np.median(np.diff(axis.positions_px) / steps)))
            inside += list((axis.step_low_px <= steps) & (axis.step_high_px >= steps))
        for fault in WANTED if len(pictures) >= 5 else ():
            some, where, concerned = with_fault(bracket, pictures, frames, fault, rng)
            _, findings = judge(some, where, tolerance)
            hit = any(f.kind in WANTED[fault] and concerned & set(f.frames) for f in findings)
            tried[fault] += 1
            found[fault] += hit
        sys.stdout.flush()
    whole, bad = tried.pop("whole"), false.pop("brackets")
    print(f"false warnings in {bad} of {whole} whole brackets: {dict(false)}")
    print(", ".join(f"{fault} {found[fault]}/{n}" for fault, n in tried.items()))
    off = np.abs(np.array(medians) - 1)
    print(
        f"median steps off by {np.median(off):.3f} as a rule, 90 % within "
        f"{np.quantile(off, 0.9):.3f}; 90 % intervals hold {100 * np.mean(inside):.1f} %"
    )


if __name__ == "__main__":
    main()
