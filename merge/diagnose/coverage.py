"""What of the picture lies within tolerance of a focus plane: gaps, ends, steps too fine."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from merge.diagnose.advice import add_between, add_beyond
from merge.diagnose.sequence import UNSEEN_PX, usual_step
from merge.diagnose.steps import Steps, steps_of
from merge.diagnose.wording import counted, percent, two_apart
from merge.model import Array, BoolArray, Box, Finding, FocusAxis, Severity
from merge.significance import EVEN, FEWEST, NINETY, not_alone, proof_limit, tile_blocks

# Shares of the picture's detail from which a hole counts as a problem, and below which it is
# only noted.
PROBLEM_SHARE, _NOTE_SHARE = 0.01, 0.002
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
    outside: BoolArray


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
    axis: FocusAxis,
    tolerance_px: float,
    names: Sequence[str],
    distances_m: Sequence[float | None],
    subject_mm_per_px: float | None = None,
    focal_length_mm: float | None = None,
) -> list[Finding]:
    """Return a finding for every pair of neighbouring planes proven to have too much blur between.

    If most steps are too wide together, each of them is. ``subject_mm_per_px`` is how far a rail
    goes for one px of blur.
    """
    steps = steps_of(axis)
    proven = _proven_wide(steps, tolerance_px) | _all_wide(steps, tolerance_px)
    findings = []
    for k in np.flatnonzero(proven).tolist():
        a, b = steps.order[k : k + 2].tolist()
        start, end = steps.frames_px[k : k + 2].tolist()
        blur = (end - start) / 2
        tiles = axis.tile_positions_px
        inside = (tiles > start + tolerance_px) & (tiles < end - tolerance_px)
        share = _share(axis, inside)
        extra = max(math.ceil(blur / tolerance_px - 1e-9) - 1, 1)
        low, high = steps.half_interval_px(k)
        findings.append(
            Finding(
                kind="gap",
                severity=_severity(share, blur, tolerance_px),
                message=(
                    f"Gap between {names[a]} and {names[b]}: what lies midway is blurred by "
                    f"{two_apart(blur, tolerance_px)} px in both ({low:.1f} to {high:.1f}); "
                    f"{percent(share)} of the picture's detail lies in it, beyond "
                    f"{tolerance_px:.3g} px."
                ),
                advice=add_between(
                    (names[a], names[b]),
                    (distances_m[a], distances_m[b]),
                    extra,
                    None if subject_mm_per_px is None else (end - start) * subject_mm_per_px,
                    focal_length_mm,
                ),
                value=blur,
                threshold=tolerance_px,
                unit="px",
                frames=(a, b),
                box=_box(axis, inside),
                interval=(low, high),
            )
        )
    return findings


def find_steps_at_limit(
    axis: FocusAxis, tolerance_px: float, names: Sequence[str]
) -> list[Finding]:
    """Return one note about the steps that read wider than allowed, but are not proven to be."""
    steps = steps_of(axis)
    proven = _proven_wide(steps, tolerance_px) | _all_wide(steps, tolerance_px)
    unsure = np.flatnonzero((steps.step_px / 2 > tolerance_px) & ~proven)
    if len(unsure) == 0:
        return []
    k = int(unsure[steps.step_px[unsure].argmax()])
    a, b = steps.order[k : k + 2].tolist()
    low, high = steps.half_interval_px(k)
    blur = float(steps.step_px[k]) / 2
    which = f"The step between {names[a]} and {names[b]} is"
    if len(unsure) > 1:
        which = f"{len(unsure)} of {len(steps.step_px)} steps are"
    where = "" if len(unsure) == 1 else f" at most, between {names[a]} and {names[b]}"
    return [
        Finding(
            kind="step at the limit",
            severity="note",
            message=(
                f"{which} at the limit: midway {two_apart(blur, tolerance_px)} px of the "
                f"{tolerance_px:.3g} px allowed{where}, somewhere from {low:.1f} to {high:.1f} px."
            ),
            value=blur,
            threshold=tolerance_px,
            unit="px",
            frames=tuple(sorted({int(steps.order[j + s]) for j in unsure for s in (0, 1)})),
            interval=(low, high),
        )
    ]


def _proven_wide(steps: Steps, tolerance_px: float) -> BoolArray:
    return steps.step_px - steps.limit * steps.whole_error_px() > 2 * tolerance_px


def _all_wide(steps: Steps, tolerance_px: float) -> BoolArray:
    """Return the steps wider than allowed where most are, with one cause, and that is proven."""
    wide = steps.step_px > 2 * tolerance_px
    none = np.zeros_like(wide)
    if wide.sum() < max(FEWEST, len(wide) / 2):
        return none
    typical = float(np.median(steps.step_px[wide]))
    own = float(np.median(steps.error_px[wide])) / math.sqrt(wide.sum())
    error = math.hypot(own, steps.scale_error * typical)
    return wide if typical - proof_limit(1) * error > 2 * tolerance_px else none


def find_wide_steps(
    axis: FocusAxis, tolerance_px: float, names: Sequence[str], f_number: float | None
) -> list[Finding]:
    """Return one finding if most steps are wider than allowed: one cause, not many gaps.

    Parameters
    ----------
    f_number : float or None
        Marked, the same in all frames; None where it is not known.
    """
    steps = steps_of(axis)
    wide = np.flatnonzero(_all_wide(steps, tolerance_px))
    if len(wide) == 0:
        return []
    order, frames, blurs = steps.order, steps.frames_px, steps.step_px / 2
    tiles = axis.tile_positions_px
    apart = np.abs(tiles[..., None] - frames).min(axis=-1)
    outside = np.nan_to_num(apart, nan=0.0) > tolerance_px
    between = [(tiles > frames[k]) & (tiles < frames[k + 1]) & outside for k in wide.tolist()]
    # Where no detail suffers, nothing is to be added.
    matters = [_share(axis, inside) >= _NOTE_SHARE for inside in between]
    worst = int(max(wide[matters] if any(matters) else wide, key=lambda k: blurs[k]))
    typical = float(np.median(blurs[wide]))
    a, b = names[order[worst]], names[order[worst + 1]]
    outside &= (tiles > frames[0]) & (tiles < frames[-1])
    share = _share(axis, outside)
    which = f"All {len(blurs)}" if len(wide) == len(blurs) else f"{len(wide)} of {len(blurs)}"
    idle = len(wide) - sum(matters)
    rest = f" (with no detail in {idle} of them)" if idle and share >= _NOTE_SHARE else ""
    usual, most = two_apart(typical, tolerance_px), f"{blurs[worst]:.1f}"
    # The worst of those that matter may be none of the widest.
    rule = f"{usual} px as a rule, " if usual != most and typical < blurs[worst] else ""
    spread = NINETY * steps.scale_error * typical
    return [
        Finding(
            kind="wide steps",
            severity=_severity(share, typical, tolerance_px),
            message=(
                f"{which} steps are wider than {tolerance_px:.3g} px of blur allow{rest}: midway "
                f"it reaches {rule}{most} px at worst (between {a} and {b}); {percent(share)} of "
                "the picture's detail lies beyond."
            ),
            advice=_narrower(frames, typical / tolerance_px, tolerance_px, f_number),
            value=typical,
            threshold=tolerance_px,
            unit="px",
            frames=tuple(sorted({int(order[k + side]) for k in wide.tolist() for side in (0, 1)})),
            box=_box(axis, outside),
            interval=(typical - spread, typical + spread),
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
    axis: FocusAxis,
    tolerance_px: float,
    names: Sequence[str],
    infinity_px: Mapping[int, float] | None = None,
    distances_m: Sequence[float | None] | None = None,
    subject_mm_per_px: float | None = None,
    focal_length_mm: float | None = None,
) -> list[Finding]:
    """Return a finding for either end that the subject is proven to reach beyond.

    So much of its detail as counts must lie beyond the tolerance by more than the end's own error,
    in several places.

    Parameters
    ----------
    infinity_px : mapping of int to float, optional
        Blur of infinity in the frame that is focused farthest: nothing lies beyond.
    distances_m, subject_mm_per_px, focal_length_mm : optional
        As for gaps: to tell where more frames are to be focused.
    """
    steps = steps_of(axis)
    findings = []
    for end, side in ((0, -1.0), (-1, 1.0)):
        frame = int(steps.order[end])
        beyond = side * (axis.tile_positions_px - axis.positions_px[frame])
        beyond = np.nan_to_num(beyond, nan=-1.0)
        beyond = np.minimum(beyond, (infinity_px or {}).get(frame, np.inf))
        own = math.hypot(steps.error_px[end], axis.blur_error_px)
        error = end_error_px(axis, end, tolerance_px)
        outside = not_alone(beyond > tolerance_px)
        share = _share(axis, outside)
        if share < _NOTE_SHARE:
            continue
        extent = _weighted_quantile(beyond[outside], axis.tile_detail[outside], _END_EXTENT)
        spread = NINETY * math.hypot(own, steps.scale_error * extent)
        places = np.unique(tile_blocks(outside.shape)[outside.ravel()])
        # All that lies beyond, as a whole, or enough of it by itself.
        least = tolerance_px + lacking_px(steps, end) + proof_limit(2) * error
        sure = extent > least or _share(axis, not_alone(beyond > least)) >= PROBLEM_SHARE
        sure &= len(places) > 1  # one thing alone may be misread as a whole
        before = int(steps.order[1 if end == 0 else -2])
        read = f"({max(extent - spread, 0):.1f} to {extent + spread:.1f})"
        rest = f"{percent(share)} of the picture's detail is still sharpening at this end."
        finding = Finding(
            kind="end not covered",
            # Tiles of two depths and backdrops look like less than that.
            severity="note" if share < PROBLEM_SHARE else _severity(share, extent, tolerance_px),
            message=(
                f"The subject goes on beyond {names[frame]}: up to {extent:.1f} px of blur there "
                f"{read}; {rest}"
            ),
            advice=add_beyond(
                (names[before], names[frame]),
                (None, None) if distances_m is None else (distances_m[before], distances_m[frame]),
                (float(steps.step_px[end]), extent - tolerance_px, tolerance_px),
                subject_mm_per_px,
                focal_length_mm,
            ),
            value=extent,
            threshold=tolerance_px,
            unit="px",
            frames=(frame,),
            box=_box(axis, outside),
            interval=(max(extent - spread, 0.0), extent + spread),
        )
        findings.append(finding if sure else _end_at_limit(finding, names[frame], read, rest))
    return findings


def end_error_px(axis: FocusAxis, end: int, tolerance_px: float) -> float:
    """Return the standard error of what lies at the tolerance beyond the end 0 or -1, px.

    Of two frames, one change tells their step and what lies beyond: nothing checks either.
    """
    steps = steps_of(axis)
    if len(steps.step_px) == 1:
        return math.inf
    own = math.hypot(steps.error_px[end], axis.blur_error_px)
    return math.hypot(own, steps.scale_error * tolerance_px)


def lacking_px(steps: Steps, end: int) -> float:
    """Return by how much the step at end 0 or -1 is shorter than its neighbours' rhythm, px.

    What no frame passes tells by its own spectrum how blurred it is in the last one. A texture that
    is softer than that foretells shows as much beyond the end as the last step lacks.
    """
    usual = usual_step(steps, end % len(steps.step_px))
    if usual is None or usual.spread > EVEN * usual.step_px:
        return 0.0
    # A gap among few neighbours is no rhythm that grows towards the end.
    usual_px = min(usual.step_px, float(np.median(steps.step_px)))
    return max(usual_px - float(steps.step_px[end]), 0.0)


def _end_at_limit(end: Finding, name: str, read: str, rest: str) -> Finding:
    """Return a note in place of a finding about an end that is not proven."""
    assert end.value is not None
    assert end.threshold is not None
    return Finding(
        kind="end at the limit",
        severity="note",
        message=(
            f"The end at {name} is at the limit: up to {two_apart(end.value, end.threshold)} px of "
            f"the {end.threshold:.3g} px allowed {read}; {rest}"
        ),
        value=end.value,
        threshold=end.threshold,
        unit=end.unit,
        frames=end.frames,
        box=end.box,
        interval=end.interval,
    )


def add_unsharp_parts(
    axis: FocusAxis, tolerance_px: float, names: Sequence[str], spoilt: Sequence[Finding]
) -> list[Finding]:
    """Return findings about soft or shaken frames with what no other frame shows sharply.

    Parameters
    ----------
    spoilt : sequence of Finding
        One for each soft or shaken frame.
    """
    frames = [f.frames[0] for f in spoilt]
    apart = np.abs(np.nan_to_num(axis.tile_positions_px, nan=np.inf)[..., None] - axis.positions_px)
    sound = np.delete(apart, frames, axis=-1).min(axis=-1, initial=np.inf)
    nearest = apart.argmin(axis=-1)
    findings = []
    for finding, frame in zip(spoilt, frames, strict=True):
        lost = (nearest == frame) & (apart[..., frame] <= tolerance_px) & (sound > tolerance_px)
        share, name = _share(axis, lost), names[frame]
        if share >= _NOTE_SHARE:
            finding = replace(
                finding,
                severity="problem" if share >= PROBLEM_SHARE else "warning",
                message=(
                    f"{finding.message} {percent(share)} of the picture's detail is sharp in no "
                    f"frame: only {name} could show it."
                ),
                advice=f"Take {name} again.",
                box=_box(axis, lost),
            )
        findings.append(finding)
    return findings


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
    size = f"{step:.1f}" if step >= 0.1 else "less than 0.1"
    much = "could be wider"
    if step <= UNSEEN_PX / 2:
        much = "are finer than anyone sees, and single ones are not judged"
    return [
        Finding(
            kind="fine steps",
            severity="note",
            message=(
                f"The steps, {size} px, {much}: every {counted(every)} frame would do "
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


def _share(axis: FocusAxis, tiles: BoolArray) -> float:
    whole = float(axis.tile_detail[np.isfinite(axis.tile_positions_px)].sum())
    return float(axis.tile_detail[tiles].sum()) / whole if whole > 0 else 0.0


def _severity(share: float, blur_px: float, tolerance_px: float) -> Severity:
    if share < _NOTE_SHARE:
        return "note"
    return "problem" if share >= PROBLEM_SHARE and blur_px > 1.25 * tolerance_px else "warning"


def _box(axis: FocusAxis, tiles: BoolArray) -> Box | None:
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
