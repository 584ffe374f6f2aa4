"""Faults of known brackets: what the audit finds, names right, and finds without cause.

Run: ``PYTHONPATH=.:tests python tests/benchmarks/bench_audit.py [--photograph] [--speed]``. Slanted
surfaces always; with ``--photograph`` brackets of the stereo photograph, too; ``--speed`` measures
40 frames of 24 megapixels instead. All seeded. Tolerance is 0.75 of the step, so that a whole
bracket has room to spare and a dropped slice is a gap.
"""

from __future__ import annotations

import sys
import tempfile
import time
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from bench_helpers import kept_results, peak_mib
from blurred_scenes import occluding_disks, slanted_stack
from scenes import blur, photograph_stack

from merge.axis import fit_focus_axis
from merge.diagnose import diagnose_stack
from merge.encoding import encode, linearize
from merge.focus import measure_tiles
from merge.model import (
    CaptureSettings,
    Finding,
    FocusAxis,
    FrameRegistration,
    FrameTransform,
    Registration,
    TileEnergies,
)
from merge.pipeline.auditing import audit_stack
from merge.read import find_frames, read_luminance

WEIGHTS = np.float32([0.299, 0.587, 0.114])
STEPS = {2.0: 14, 3.0: 12, 4.0: 11, 6.0: 9, 9.0: 8, 12.0: 7}
ANGLES = (0, 90, 45, 135)


@dataclass(frozen=True, eq=False)
class Bracket:
    """Frames (H, W) linear light without noise, where they lie, and the truth."""

    name: str
    frames: list[np.ndarray]
    transforms: list[np.ndarray]
    positions_px: np.ndarray
    depth_px: np.ndarray
    sharp: np.ndarray
    step_px: float

    def tiles(self, index: int, light: np.ndarray | None = None, seed: int = 0) -> TileEnergies:
        """Measure a frame (or what took its place) with noise of its own."""
        seen = self.frames[index] if light is None else light
        rng = np.random.default_rng([seed, index])
        noise = 0.004 * np.sqrt(0.25 + 1.5 * np.clip(seen, 0, 1)) * rng.standard_normal(seen.shape)
        moved = FrameTransform(self.transforms[index])
        return measure_tiles((seen + noise).astype(np.float32), moved)


def brackets(photograph: bool) -> Iterator[Bracket]:
    for step, count in STEPS.items():
        scene = slanted_stack(count, step_px=step, noise=0.0)
        still = [np.eye(3)] * count
        yield Bracket(
            f"slanted {step:g} px", scene.frames, still, scene.positions_px, scene.depth_px,
            scene.sharp, step,
        )  # fmt: skip
    for step, count in STEPS.items() if photograph else ():
        made = photograph_stack(count, step_px=step, noise=0.0, scale=0.8)
        frames = [np.ascontiguousarray(linearize(f, "srgb") @ WEIGHTS) for f in made.frames]
        depth = np.interp(made.depth, np.arange(count), made.positions_px)
        sharp = np.ascontiguousarray(linearize(made.truth, "srgb") @ WEIGHTS)
        yield Bracket(
            f"photograph {step:g} px", frames, made.transforms, made.positions_px, depth, sharp,
            step,
        )  # fmt: skip


def judge(tiles: list[TileEnergies], step_px: float) -> tuple[FocusAxis, tuple[Finding, ...]]:
    axis = fit_focus_axis(tiles)
    count = len(tiles)
    frames = (FrameRegistration(FrameTransform(np.eye(3)), jump_px=0.1),) * count
    findings = diagnose_stack(
        axis,
        Registration(frames, count // 2, "similarity", (100, 100)),
        names=[str(i) for i in range(count)],
        settings=[CaptureSettings()] * count,
        tolerance_px=0.75 * step_px,
    )
    return axis, findings


def shaken(light: np.ndarray, length_px: float, angle_deg: float) -> np.ndarray:
    """Smear along a line, exactly: its transfer is a sinc."""
    pad = cv2.copyMakeBorder(light, 32, 32, 32, 32, cv2.BORDER_REFLECT)
    y, x = np.fft.fftfreq(pad.shape[0])[:, None], np.fft.fftfreq(pad.shape[1])[None]
    angle = np.radians(angle_deg)
    transfer = np.sinc(length_px * (x * np.cos(angle) + y * np.sin(angle)))
    return np.fft.ifft2(np.fft.fft2(pad) * transfer).real[32:-32, 32:-32].astype(np.float32)


def true_share(bracket: Bracket, low: float, high: float) -> float:
    """Share of fine contrast that lies more than the tolerance inside a gap."""
    bands = [cv2.GaussianBlur(bracket.sharp, (0, 0), s) for s in (0.7, 1.4, 2.8)]
    detail = np.sqrt(cv2.blur((bands[0] - bands[1]) ** 2 + (bands[1] - bands[2]) ** 2, (12, 12)))
    tolerance = 0.75 * bracket.step_px
    inside = (bracket.depth_px > low + tolerance) & (bracket.depth_px < high - tolerance)
    return float(detail[inside].sum() / detail.sum())


class Score:
    """Counts of one bracket: right out of tried, and findings without cause."""

    def __init__(self) -> None:
        self.rows: dict[str, list[int]] = {}
        self.notes: list[str] = []

    def add(self, case: str, right: bool, other: list[str], note: str = "") -> None:
        """Count one try; what went wrong is kept for reading."""
        row = self.rows.setdefault(case, [0, 0, 0])
        row[0] += right
        row[1] += 1
        row[2] += bool(other)
        if not right or other:
            self.notes.append(f"{case} {note}: {other}")


def faults(bracket: Bracket) -> Score:
    score = Score()
    whole = [bracket.tiles(i) for i in range(len(bracket.frames))]
    axis, findings = judge(whole, bracket.step_px)
    ratio = np.diff(axis.positions_px) / bracket.step_px
    in_bars = abs(np.median(ratio) - 1) <= 0.06 and np.abs(ratio - 1).max() <= 0.15
    score.add("steps", bool(in_bars), [], f"{np.median(ratio):.3f} {np.abs(ratio - 1).max():.3f}")
    score.add("complete", not findings, [f.kind for f in findings])
    count = len(whole)
    for k in range(1, count - 1):
        _drop(bracket, whole, k, score)
    for k in range(0, count - 1, 2):
        tiles = [*whole[:k], whole[k + 1], whole[k], *whole[k + 2 :]]
        _expect(score, "swapped", tiles, bracket, ("out of order", (k, k + 1)))
    for k in range(1, count, 3):
        tiles = [*whole[:k], bracket.tiles(k - 1, seed=5), *whole[k:]]
        _expect(score, "duplicate", tiles, bracket, ("duplicate", (k - 1, k)))
        bright = bracket.tiles(k, bracket.frames[k] * np.float32(2**0.3))
        tiles = [*whole[:k], bright, *whole[k + 1 :]]
        _expect(score, "exposure", tiles, bracket, ("exposure jump", (k,)))
    for k in range(1, count - 1, 2):
        angle = ANGLES[k // 2 % 4]
        smeared = bracket.tiles(k, shaken(bracket.frames[k], 3.0, angle))
        tiles = [*whole[:k], smeared, *whole[k + 1 :]]
        _expect(score, "shake", tiles, bracket, ("shaken frame", (k,)), ("sharp in no frame",))
    # The slanted surface begins half a step inside; a cut leaves a step or more beyond the end.
    most = 2 if bracket.name.startswith("slanted") else 1
    for cut, end in ((whole[most:], 0), (whole[:-most], count - most - 1)):
        found = _expect(score, "end cut", cut, bracket, ("end not covered", (end,)))
        told = [f.value for f in found if f.kind == "end not covered" and f.frames == (end,)]
        true = _true_extent(bracket, most, first=end == 0)
        near = bool(told) and abs(told[0] - true) <= bracket.step_px
        score.add("extent of cut", near, [], f"{end} {told} {true:.1f}")
    _, found = judge([whole[2], whole[min(6, count - 1)]], bracket.step_px)
    score.add("two-frame hole", any(f.kind == "gap" for f in found), [])
    return score


def _drop(bracket: Bracket, whole: list[TileEnergies], k: int, score: Score) -> None:
    _, found = judge([*whole[:k], *whole[k + 1 :]], bracket.step_px)
    kinds = {(f.kind, f.frames) for f in found}
    right = {("dropped slice", (k - 1, k)), ("gap", (k - 1, k))} <= kinds
    other = [f.kind for f in found if f.frames != (k - 1, k)]
    score.add("dropped", right, other, str(k))
    gaps = [f for f in found if f.kind == "gap" and f.frames == (k - 1, k)]
    if gaps:
        low, high = bracket.positions_px[k - 1], bracket.positions_px[k + 1]
        truth = true_share(bracket, low, high)
        told = gaps[0].message.split("; ")[1].split(" of the")[0]
        share = 0.0 if "less" in told else float(told.split(" %")[0]) / 100
        near = abs(share - truth) <= max(0.3 * truth, 0.01)
        score.add("share in gap", near, [], f"{k} {share:.3f} {truth:.3f}")


def _expect(
    score: Score,
    case: str,
    tiles: list[TileEnergies],
    bracket: Bracket,
    wanted: tuple[str, tuple[int, ...]],
    allowed: tuple[str, ...] = (),
) -> tuple[Finding, ...]:
    _, found = judge(tiles, bracket.step_px)
    right = wanted in {(f.kind, f.frames) for f in found}
    other = [f"{f.kind} {f.frames}" for f in found if (f.kind, f.frames) != wanted]
    other = [o for o in other if not o.startswith(allowed)] if allowed else other
    score.add(case, right, other, str(wanted[1]))
    return found


def _true_extent(bracket: Bracket, cut: int, *, first: bool) -> float:
    """Return the blur beyond an end that lost so many frames: of what is out of tolerance, most."""
    positions = bracket.positions_px
    beyond = bracket.depth_px - positions[-cut - 1]
    if first:
        beyond = positions[cut] - bracket.depth_px
    return float(np.quantile(beyond[beyond > 0.75 * bracket.step_px], 0.8))


def speed() -> None:
    """Audit 40 JPEGs of 24 megapixels; compare with decoding them once."""
    texture = occluding_disks(1000, 1500, 3)
    texture = np.tile(np.hstack([texture, texture[:, ::-1]]), (4, 2))
    blurred = [encode(blur(texture, d), "srgb") for d in range(0, 26, 2)]
    levels = [(np.clip(b, 0, 1) * 255).astype(np.uint8) for b in blurred]
    edges = np.linspace(0, texture.shape[1], 41).astype(int)
    with tempfile.TemporaryDirectory() as folder:
        for i in range(40):
            frame = np.empty(texture.shape, np.uint8)
            for band in range(40):
                here = slice(edges[band], edges[band + 1])
                frame[:, here] = levels[min(abs(band - i), len(levels) - 1)][:, here]
            path = Path(folder) / f"frame_{i:02d}.jpg"
            cv2.imwrite(str(path), cv2.merge([frame] * 3), [cv2.IMWRITE_JPEG_QUALITY, 92])
        del blurred, levels, texture
        stack = find_frames(Path(folder))
        start = time.perf_counter()
        for source in stack.sources:
            read_luminance(source)
        decoded = time.perf_counter() - start
        result = audit_stack(stack)
        steps = np.diff(result.axis.positions_px) if result.axis else np.array([np.nan])
        peak = peak_mib(_audit_folder, folder)
        print(
            f"40 frames of 24 MP: decoding once {decoded:.1f} s, audit {result.seconds:.1f} s "
            f"({result.seconds / decoded:.2f} x), steps {np.median(steps):.2f} px (2 px), "
            f"peak {peak:.0f} MiB over the libraries"
        )


def _audit_folder(folder: str) -> None:
    audit_stack(find_frames(Path(folder)))


def main() -> None:
    warnings.simplefilter("ignore")
    if "--speed" in sys.argv:
        speed()
        return
    for bracket in brackets("--photograph" in sys.argv):
        score = faults(bracket)
        cells = [
            f"{case} {right}/{tried}" + (f" ({false} with more)" if false else "")
            for case, (right, tried, false) in score.rows.items()
        ]
        print(f"{bracket.name}: {', '.join(cells)}")
        for note in score.notes:
            print(f"    {note}")
        sys.stdout.flush()


if __name__ == "__main__":
    with kept_results(__file__):
        main()
