"""Verdicts on brackets of random scenes: false warnings on whole ones, faults found.

Run: ``PYTHONPATH=.:tests python tests/benchmarks/bench_verdicts.py FIRST LAST [--whole]``, with
seeds; ``--whole`` leaves the faults out. The tolerance is 2 px, or what the widest step needs where
that is more: a warning on a whole bracket is false. Faults, at a random place each: a dropped and a
doubled slice, a swapped pair, a shake of 3 px, softness of sigma 1.2 px, light of +0.4 EV, two
frames cut at the far end. Each is judged against what the audit says that it could have found, too:
its true size, from the frames without noise, over the limit that the faulted bracket's own audit
states.
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, replace

import cv2
import numpy as np
from bench_helpers import kept_results
from random_brackets import RandomBracket, random_bracket

from merge.diagnose import DetectionLimits
from merge.focus import measure_cells, place_tiles
from merge.model import Finding, FocusAxis, FrameTransform
from merge.pipeline.auditing import audit_stack

WANTED = {
    "dropped": {"gap", "dropped slice", "wide steps"},
    "doubled": {"duplicate"},
    "swapped": {"out of order"},
    "shaken": {"shaken frame"},
    "soft": {"soft frame"},
    "light": {"exposure jump"},
    "cut": {"end not covered"},
}


@dataclass(frozen=True)
class Verdict:
    """What `audit` says of pictures; ``ranks`` are the given frames' places in order of focus."""

    findings: tuple[Finding, ...]
    axis: FocusAxis | None
    limits: DetectionLimits | None
    ranks: np.ndarray

    @property
    def whole(self) -> bool:
        """Whether every frame is on the axis."""
        return self.axis is not None and len(self.axis.positions_px) == len(self.ranks)


def judge(pictures: list[np.ndarray], tolerance_px: float) -> Verdict:
    """Audit pictures as the command does, but never refuse them; findings count given frames."""
    result = audit_stack(pictures, tolerance=tolerance_px, anyway=True)
    shot = result.stack.shot_order or tuple(range(len(pictures)))
    found = [replace(f, frames=tuple(shot[i] for i in f.frames)) for f in result.findings]
    limits = result.inspection.limits
    return Verdict(tuple(found), result.axis, limits, np.argsort(shot))


@dataclass(frozen=True)
class Fault:
    """A bracket with a fault: what was made of it, and the frames that it concerns.

    `k` is where it was made, `left` the share of the finest energy that a soft frame keeps in what
    is in focus, or a shaken one along the shake over that across.
    """

    pictures: list
    concerned: set[int]
    k: int
    left: float = 1.0


def energy_left(frames: np.ndarray, k: int, after: np.ndarray, angle_deg: float | None) -> float:
    """Return the share of finest energy left where frame ``k`` is sharper than those beside it.

    With an angle, in the whole frame along it over that across.
    """
    place = FrameTransform(np.eye(3))
    shown = [np.ascontiguousarray(f) for f in (*frames[k - 1 : k + 2], after)]
    nearer, before, farther, faulty = (place_tiles(measure_cells(f), place) for f in shown)
    if angle_deg is None:
        energy = np.nan_to_num([t.energy[0] for t in (nearer, before, farther, faulty)])
        in_focus = energy[1] >= energy[:3].max(axis=0)
        return float(energy[3][in_focus].sum() / energy[1][in_focus].sum())
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    sides = []
    for t in (before, faulty):
        xx, yy, xy = (float(np.nansum(part)) for part in t.orientation)
        along = xx * c * c + yy * s * s + 2 * xy * c * s
        sides.append(along / (xx + yy - along))
    return sides[1] / sides[0]


def shaken(light: np.ndarray, length_px: float, angle_deg: float) -> np.ndarray:
    """Smear along a line, exactly: its transfer is a sinc."""
    pad = cv2.copyMakeBorder(light, 32, 32, 32, 32, cv2.BORDER_REFLECT)
    y, x = np.fft.fftfreq(pad.shape[0])[:, None], np.fft.fftfreq(pad.shape[1])[None]
    angle = np.radians(angle_deg)
    transfer = np.sinc(length_px * (x * np.cos(angle) + y * np.sin(angle)))
    return np.fft.ifft2(np.fft.fft2(pad) * transfer).real[32:-32, 32:-32].astype(np.float32)


def with_fault(
    bracket: RandomBracket, pictures: list, fault: str, rng: np.random.Generator
) -> Fault:
    """Return a bracket with a fault at a random place."""
    count, k = len(pictures), int(rng.integers(1, len(pictures) - 1))
    light, seed = bracket.frames[k], [int(rng.integers(1 << 30)), 7]
    if fault == "dropped":
        return Fault([*pictures[:k], *pictures[k + 1 :]], {k - 1, k}, k)
    if fault == "cut":
        return Fault(pictures[:-2], {count - 3}, count - 3)
    if fault == "swapped":
        order = [*range(k), k + 1, k, *range(k + 2, count)]
        return Fault([pictures[i] for i in order], {k, k + 1}, k)
    angle = float(rng.choice([0, 45, 90, 135])) if fault == "shaken" else None
    made = {
        "doubled": lambda: light,
        "shaken": lambda: shaken(light, 3.0, angle or 0.0),
        "soft": lambda: cv2.GaussianBlur(light, (0, 0), 1.2),
        "light": lambda: light * np.float32(2**0.4),
    }[fault]()
    shot = photographed(bracket, made, seed)
    if fault == "doubled":
        return Fault([*pictures[:k], shot, *pictures[k:]], {k, k + 1}, k)
    left = energy_left(bracket.frames, k, made, angle)
    return Fault([*pictures[:k], shot, *pictures[k + 1 :]], {k}, k, left)


def photographed(bracket: RandomBracket, light: np.ndarray, seed: list[int]) -> np.ndarray:
    """Return what a camera's JPEG holds of light, 8 bits."""
    return np.rint(255 * bracket.shot(light, seed)).astype(np.uint8)


def exceeds(
    fault: str, made: Fault, told: Verdict, positions_px: np.ndarray, whole: Verdict
) -> bool:
    """Tell whether a fault is larger than what the audit says that it could find.

    Of what lies beyond a cut end the whole bracket's audit tells how much it is.
    """
    # Limits stand in order of the axis, where a soft frame may be out of its place.
    ranks, limits = told.ranks, told.limits
    assert limits is not None
    k = int(ranks[made.k])
    pair = int(ranks[made.k : made.k + 2].min())
    if fault == "dropped":
        wide = (positions_px[made.k + 1] - positions_px[made.k - 1]) / 2
        return bool(wide >= limits.gap_px[k - 1] or limits.missing_slices[k - 1] <= 1)
    if fault == "doubled":
        return bool(limits.duplicate_px[pair] > 0)
    if fault == "swapped":
        return bool(positions_px[made.k + 1] - positions_px[made.k] >= limits.backward_px[pair])
    if fault == "shaken":
        return bool(made.left <= limits.shaken_ratio[k])
    if fault == "soft":
        return bool(made.left <= limits.soft_ratio[k])
    if fault == "light":
        return 0.4 >= limits.exposure_ev
    if not whole.whole:
        return False
    axis = whole.axis
    beyond = axis.tile_positions_px - axis.positions_px[whole.ranks[made.k]]
    beyond = np.nan_to_num(beyond, nan=0.0)
    far = (beyond > limits.end_px[1]) & (beyond < limits.end_reach_px)
    share = axis.tile_detail[far].sum() / max(axis.tile_detail.sum(), 1e-12)
    return bool(share >= limits.end_share)


def main() -> None:
    first, last, faulty = int(sys.argv[1]), int(sys.argv[2]), "--whole" not in sys.argv
    false: Counter[str] = Counter()
    found: Counter[str] = Counter()
    tried: Counter[str] = Counter()
    above: Counter[str] = Counter()
    found_above: Counter[str] = Counter()
    inside: list[bool] = []
    medians: list[float] = []
    for seed in range(first, last):
        bracket = random_bracket(seed)
        rng = np.random.default_rng(seed + 5)
        steps = np.diff(bracket.positions_px)
        tolerance = max(2.0, float(steps.max()) / 2 * rng.uniform(1.0, 1.4))
        pictures = [photographed(bracket, f, [seed, i]) for i, f in enumerate(bracket.frames)]
        whole = judge(pictures, tolerance)
        wrong = [f for f in whole.findings if f.severity != "note"]
        tried["whole"] += 1
        false["brackets"] += bool(wrong)
        false.update(f.kind for f in wrong)
        for f in wrong:
            print(
                f"{seed} {bracket.layout}, {len(pictures)} frames, ISO {bracket.iso}: {f.message}"
            )
        if whole.whole:
            axis = whole.axis
            medians.append(float(np.median(np.diff(axis.positions_px) / steps)))
            inside += list((axis.step_low_px <= steps) & (axis.step_high_px >= steps))
        for fault in WANTED if len(pictures) >= 5 and faulty else ():
            made = with_fault(bracket, pictures, fault, rng)
            told = judge(made.pictures, tolerance)
            hit = any(
                f.kind in WANTED[fault] and made.concerned & set(f.frames) for f in told.findings
            )
            tried[fault] += 1
            found[fault] += hit
            if told.whole and exceeds(fault, made, told, bracket.positions_px, whole):
                above[fault] += 1
                found_above[fault] += hit
                if not hit:
                    print(
                        f"{seed} {bracket.layout}, {len(pictures)} frames: {fault} at {made.k + 1}"
                    )
        sys.stdout.flush()
    count, bad = tried.pop("whole"), false.pop("brackets")
    print(f"false warnings in {bad} of {count} whole brackets: {dict(false)}")
    print("faults found: " + ", ".join(f"{fault} {found[fault]}/{n}" for fault, n in tried.items()))
    shown = ", ".join(f"{fault} {found_above[fault]}/{above[fault]}" for fault in tried)
    print(f"of those above the stated limit: {shown}")
    off = np.abs(np.array(medians) - 1)
    print(
        f"median steps off by {np.median(off):.3f} as a rule, 90 % within "
        f"{np.quantile(off, 0.9):.3f}; 90 % intervals hold {100 * np.mean(inside):.1f} %"
    )


if __name__ == "__main__":
    with kept_results(__file__):
        main()
