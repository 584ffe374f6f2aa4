"""What of the picture lies within tolerance of a focus plane: gaps, ends, steps too fine."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.model import Finding, FocusAxis, Severity

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
Box = tuple[int, int, int, int]

# Shares of the picture's detail from which a hole counts as a problem, and below which it is
# only noted.
_PROBLEM_SHARE, _NOTE_SHARE = 0.01, 0.002
# Share of detail that must lie beyond an end before it counts: single tiles are placed wrongly (up
# to 0.0021 on known whole brackets; one step cut off the photograph leaves 0.01).
# Known whole brackets of 12 px steps had up to 5 such tiles, ends cut by a step 12 and more.
_END_SHARE, _END_TILES = 0.003, 6
# Gaps from this many on, and in half of the steps or more, have one cause.
_FEWEST_WIDE = 4
# Beyond this f-number diffraction takes more than a narrower step gives; common practice, no
# source.
_SMALLEST_ADVISED = 16.0
# Weighted share of the tiles beyond an end that its extent covers: the farthest are unsure.
_END_EXTENT = 0.7


@dataclass(frozen=True)
class Coverage:
    """How well a bracket covers its subject.

    Attributes
    ----------
    worst_blur_px : float
        Largest blur between two neighbouring planes: half the widest step.
    tolerance_px : float
        Blur-circle diameter that is allowed.
    outside_share : float
        Share of the picture's detail that no frame shows within tolerance, 0 to 1.
    outside : ndarray of bool, shape (R, C)
        The tiles concerned.
    """

    worst_blur_px: float
    tolerance_px: float
    outside_share: float
    outside: Mask


def measure_coverage(axis: FocusAxis, tolerance_px: float) -> Coverage:
    """Return how much detail lies farther than the tolerance from every focus plane."""
    frames = np.sort(axis.positions_px)
    apart = np.abs(axis.tile_positions_px[..., None] - frames).min(axis=-1)
    outside = np.nan_to_num(apart, nan=0.0) > tolerance_px
    return Coverage(
        worst_blur_px=float(np.diff(frames).max() / 2),
        tolerance_px=tolerance_px,
        outside_share=_share(axis, outside),
        outside=outside,
    )


def find_gaps(
    axis: FocusAxis, tolerance_px: float, names: Sequence[str], distances_m: Sequence[float | None]
) -> list[Finding]:
    """Return a finding for every pair of neighbouring planes with too much blur between."""
    order = np.argsort(axis.positions_px)
    findings = []
    for a, b in itertools.pairwise(order.tolist()):
        start, end = axis.positions_px[a], axis.positions_px[b]
        blur = float(end - start) / 2
        if blur <= tolerance_px:
            continue
        tiles = axis.tile_positions_px
        inside = (tiles > start + tolerance_px) & (tiles < end - tolerance_px)
        share = _share(axis, inside)
        extra = max(math.ceil(blur / tolerance_px - 1e-9) - 1, 1)
        findings.append(
            Finding(
                kind="gap",
                severity=_severity(share, blur, tolerance_px),
                message=(
                    f"Gap between {names[a]} and {names[b]}: what lies midway is blurred by "
                    f"{blur:.1f} px in both; {_percent(share)} of the picture's detail lies in "
                    f"it, beyond {tolerance_px:.2g} px."
                ),
                advice=_refocus(names[a], names[b], distances_m[a], distances_m[b], extra),
                value=blur,
                threshold=tolerance_px,
                unit="px",
                frames=(a, b),
                box=_box(axis, inside),
            )
        )
    return findings


def find_wide_steps(
    axis: FocusAxis, tolerance_px: float, names: Sequence[str], f_number: float | None
) -> list[Finding]:
    """Return one finding if most steps are wider than allowed: one cause, not many gaps.

    Parameters
    ----------
    f_number : float or None
        Marked, the same in all frames; None where it is not known.
    """
    order = np.argsort(axis.positions_px)
    frames = axis.positions_px[order]
    blurs = np.diff(frames) / 2
    wide = np.flatnonzero(blurs > tolerance_px)
    if len(wide) < max(_FEWEST_WIDE, len(blurs) / 2):
        return []
    worst = int(blurs.argmax())
    typical = float(np.median(blurs[wide]))
    a, b = names[order[worst]], names[order[worst + 1]]
    apart = np.abs(axis.tile_positions_px[..., None] - frames).min(axis=-1)
    between = (axis.tile_positions_px > frames[0]) & (axis.tile_positions_px < frames[-1])
    outside = between & (np.nan_to_num(apart, nan=0.0) > tolerance_px)
    share = _share(axis, outside)
    which = f"All {len(blurs)}" if len(wide) == len(blurs) else f"{len(wide)} of {len(blurs)}"
    return [
        Finding(
            kind="wide steps",
            severity=_severity(share, typical, tolerance_px),
            message=(
                f"{which} steps are wider than {tolerance_px:.2g} px of blur allow: midway it "
                f"reaches {typical:.1f} px as a rule, {blurs[worst]:.1f} px at worst (between {a} "
                f"and {b}); {_percent(share)} of the picture's detail lies beyond."
            ),
            advice=_narrower(frames, typical / tolerance_px, tolerance_px, f_number),
            value=typical,
            threshold=tolerance_px,
            unit="px",
            frames=tuple(sorted({int(order[k + side]) for k in wide.tolist() for side in (0, 1)})),
            box=_box(axis, outside),
        )
    ]


def _narrower(frames: Array, over: float, tolerance_px: float, f_number: float | None) -> str:
    """Tell what covers the same depth within tolerance: more frames, or a smaller aperture."""
    count = math.ceil(float(np.ptp(frames)) / (2 * tolerance_px) - 1e-9) + 1
    advice = f"Next time take {count} frames over the same depth"
    smaller = None if f_number is None else f_number * over
    if smaller is not None and smaller <= _SMALLEST_ADVISED:
        advice += f", or as many as now at about f/{smaller:.2g}"
    return advice + "."


def find_uncovered_ends(
    axis: FocusAxis, tolerance_px: float, names: Sequence[str]
) -> list[Finding]:
    """Return a finding for either end that the subject reaches beyond."""
    order = np.argsort(axis.positions_px)
    findings = []
    for frame, side in ((int(order[0]), -1.0), (int(order[-1]), 1.0)):
        beyond = side * (axis.tile_positions_px - axis.positions_px[frame])
        outside = np.nan_to_num(beyond, nan=-1.0) > tolerance_px
        share = _share(axis, outside)
        if share < _END_SHARE or np.count_nonzero(outside) < _END_TILES:
            continue
        extent = _weighted_quantile(beyond[outside], axis.tile_detail[outside], _END_EXTENT)
        extra = math.ceil((extent - tolerance_px) / (2 * tolerance_px) - 1e-9)
        findings.append(
            Finding(
                kind="end not covered",
                severity=_severity(share, extent, tolerance_px),
                message=(
                    f"The subject goes on beyond {names[frame]}: up to {extent:.1f} px of blur "
                    f"there; {_percent(share)} of the picture's detail is still sharpening at "
                    "this end."
                ),
                advice=(
                    f"Add {_frames(extra)} beyond {names[frame]}, one step of "
                    f"{2 * tolerance_px:.1f} px each."
                ),
                value=extent,
                threshold=tolerance_px,
                unit="px",
                frames=(frame,),
                box=_box(axis, outside),
            )
        )
    return findings


def find_unsharp_parts(
    axis: FocusAxis, tolerance_px: float, names: Sequence[str], spoilt: Sequence[int]
) -> list[Finding]:
    """Return a finding if soft or shaken frames leave parts that no other frame shows sharply.

    Parameters
    ----------
    spoilt : sequence of int
        The frames that are soft or shaken.
    """
    sound = np.setdiff1d(np.arange(len(axis.positions_px)), spoilt)
    if len(spoilt) == 0 or len(sound) == 0:
        return []
    apart = np.abs(axis.tile_positions_px[..., None] - axis.positions_px)
    near = np.nan_to_num(apart.min(axis=-1), nan=np.inf) <= tolerance_px
    lost = near & (np.nan_to_num(apart[..., sound].min(axis=-1), nan=0.0) > tolerance_px)
    share = _share(axis, lost)
    if share < _NOTE_SHARE:
        return []
    which = ", ".join(names[i] for i in spoilt)
    return [
        Finding(
            kind="sharp in no frame",
            severity="problem" if share >= _PROBLEM_SHARE else "warning",
            message=(
                f"{_percent(share)} of the picture's detail is sharp in no frame: only {which} "
                "could show it."
            ),
            advice=f"Take {which} again.",
            value=share,
            threshold=_NOTE_SHARE,
            unit="share of detail",
            frames=tuple(spoilt),
            box=_box(axis, lost),
        )
    ]


def find_needless_frames(axis: FocusAxis, tolerance_px: float) -> list[Finding]:
    """Return a finding if a fraction of the frames would have kept the tolerance."""
    frames = np.sort(axis.positions_px)
    count = len(frames)
    every = 1
    while 2 * (every + 1) < count and _thinned_blur(frames, every + 1) <= tolerance_px:
        every += 1
    if every == 1:
        return []
    step = float(np.median(np.diff(frames)))
    word = {2: "second", 3: "third", 4: "fourth", 5: "fifth"}.get(every, f"{every}th")
    return [
        Finding(
            kind="fine steps",
            severity="note",
            message=(
                f"Steps of {step:.1f} px are finer than needed: every {word} frame would do "
                f"(at most {_thinned_blur(frames, every):.1f} px of blur between planes)."
            ),
            advice="Take wider steps next time, or merge a part of the frames.",
            value=step,
            threshold=2 * tolerance_px / every,
            unit="px",
            frames=(),
        )
    ]


def _thinned_blur(frames: Array, every: int) -> float:
    """Return the worst blur when only every so-many-th frame is kept, and the last."""
    kept = np.append(frames[::every], frames[-1])
    return float(np.diff(kept).max() / 2)


def _share(axis: FocusAxis, tiles: Mask) -> float:
    whole = float(axis.tile_detail[np.isfinite(axis.tile_positions_px)].sum())
    return float(axis.tile_detail[tiles].sum()) / whole if whole > 0 else 0.0


def _severity(share: float, blur_px: float, tolerance_px: float) -> Severity:
    if share < _NOTE_SHARE:
        return "note"
    return "problem" if share >= _PROBLEM_SHARE and blur_px > 1.25 * tolerance_px else "warning"


def _box(axis: FocusAxis, tiles: Mask) -> Box | None:
    """Return (row, column, height, width) around the middle 90 % of the tiles' detail."""
    rows, columns = np.nonzero(tiles)
    if len(rows) == 0:
        return None
    weight = axis.tile_detail[rows, columns]
    size = axis.tile_size_px
    top, left = (_weighted_quantile(v, weight, 0.05) for v in (rows, columns))
    bottom, right = (_weighted_quantile(v, weight, 0.95) for v in (rows, columns))
    return (
        int(top) * size,
        int(left) * size,
        (int(bottom) - int(top) + 1) * size,
        (int(right) - int(left) + 1) * size,
    )


def _weighted_quantile(values: NDArray[np.generic], weights: Array, share: float) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    if total[-1] <= 0:
        return float(np.quantile(values.astype(float), share))
    return float(values[order][np.searchsorted(total, share * total[-1])])


def _refocus(first: str, second: str, near_m: float | None, far_m: float | None, extra: int) -> str:
    where = f"midway between {first} and {second}"
    if extra > 1:
        where = f"evenly spaced between {first} and {second}"
    if near_m and far_m and near_m != far_m:
        # Focus planes are even at the sensor where the reciprocal distances are.
        places = [
            1 / (1 / near_m + (k / (extra + 1)) * (1 / far_m - 1 / near_m))
            for k in range(1, extra + 1)
        ]
        where = "focused at " + ", ".join(f"{p:.3g} m" for p in places)
    return f"Take {_frames(extra)} more, {where}."


def _frames(count: int) -> str:
    return "one frame" if count == 1 else f"{count} frames"


def _percent(share: float) -> str:
    return "less than 0.1 %" if share < 0.001 else f"{100 * share:.2g} %"
