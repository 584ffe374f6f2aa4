"""What is wrong with single frames: bumped, soft, shaken, brighter, other settings, strangers."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from merge.model import CaptureSettings, Finding, FrameQuality, Registration

Array = NDArray[np.float64]

# Jumps below this are the registration's own noise; above, they must stand out of the rest, too:
# frames held by hand all jump.
_JUMP_PX = 1.5
_JUMP_RATIO, _JUMP_SPREADS = 2.5, 7.5
# Moves between fewer frames have no trend to stand out of.
_FEWEST_FOR_KNOCKS = 5
# Fine detail over the other frames' expectation, relative to the stack's median: this low, and
# this many times the frames' usual spread below it.
_SOFT_RATIO = 0.85
_SPREADS = 4.0
_LEAST_SPREAD = 0.03
# Detail along the worst direction over the best: below this the loss has a direction. Clean
# frames of known brackets gave 0.90 and more, frames shaken by 3 px 0.61 to 0.96.
_SHAKEN_RATIO, _SHAKEN_SPREADS = 0.83, 3.0
# A frame that leans less counts as shaken if it has lost detail, too: few clean ones do both.
_LEANING_RATIO, _LEANING_SPREADS = 0.95, 1.0
_DULL_RATIO, _DULL_SPREADS = 0.90, 3.0
# A frame with more detail than this over expectation is not shaken: its neighbour is.
_LIVELY_RATIO = 1.05
_EXPOSURE_EV = 0.2
_DRIFT_EV = 0.5


def find_strangers(registration: Registration, names: Sequence[str]) -> list[Finding]:
    """Return a finding for each frame that could not be aligned."""
    return [
        Finding(
            kind="not aligned",
            severity="problem",
            message=f"{names[i]} does not belong to this bracket: {frame.reason or 'no match'}.",
            advice=f"Leave {names[i]} out.",
            frames=(i,),
        )
        for i, frame in enumerate(registration.frames)
        if frame.transform is None
    ]


def find_bumps(registration: Registration, names: Sequence[str]) -> list[Finding]:
    """Return a finding for each frame that jumped from its neighbours' trend, and each knock.

    A frame that comes back is told from a camera that stayed where it was knocked to.
    """
    knocks = _knocks(registration)
    findings: list[Finding] = []
    near: set[int] = set()
    for place, (before, frame, moved, limit) in enumerate(knocks):
        follower = knocks[place + 1] if place + 1 < len(knocks) else None
        leader = knocks[place - 1] if place else None
        near |= set(range(before - 2, frame + 3))
        if leader is not None and leader[1] == before and _returns(leader[2], moved):
            continue
        size = float(np.hypot(*moved))
        if follower is not None and follower[0] == frame and _returns(moved, follower[2]):
            findings.append(_bump_finding(size, limit, frame, names))
            continue
        findings.append(
            Finding(
                kind="bumped frame",
                severity="warning",
                message=(
                    f"The camera moved by {size:.1f} px between {names[before]} and "
                    f"{names[frame]}, and stayed there: a knock?"
                ),
                advice="The frames were aligned; where near things stand before far ones, look.",
                value=size,
                threshold=limit,
                unit="px",
                frames=(before, frame),
            )
        )
    jumps = np.array([f.jump_px if f.transform is not None else 0.0 for f in registration.frames])
    limit = _bump_limit(jumps)
    alone = [i for i in np.flatnonzero(jumps > limit).tolist() if i not in near]
    return findings + [_bump_finding(float(jumps[i]), limit, i, names) for i in alone]


def _bump_limit(sizes: Array) -> float:
    usual = float(np.median(sizes))
    spread = float(np.median(np.abs(sizes - usual)))
    return max(_JUMP_PX, _JUMP_RATIO * usual, usual + _JUMP_SPREADS * spread)


def _knocks(registration: Registration) -> list[tuple[int, int, Array, float]]:
    """Return the moves from frame to frame that stand out: both frames, the move, the limit."""
    aligned = [(i, f.transform) for i, f in enumerate(registration.frames) if f.transform]
    if len(aligned) < _FEWEST_FOR_KNOCKS:
        return []
    moves = np.diff([t.shift_px(registration.shape) for _, t in aligned], axis=0)
    moves = moves - np.median(moves, axis=0)
    sizes = np.hypot(*moves.T)
    limit = _bump_limit(sizes)
    return [
        (aligned[k][0], aligned[k + 1][0], moves[k], limit)
        for k in np.flatnonzero(sizes > limit).tolist()
    ]


def _returns(out: Array, back: Array) -> bool:
    return bool(np.hypot(*(out + back)) < np.hypot(*out) / 2)


def _bump_finding(size_px: float, limit: float, frame: int, names: Sequence[str]) -> Finding:
    return Finding(
        kind="bumped frame",
        severity="warning",
        message=f"{names[frame]} lies {size_px:.1f} px off its neighbours' trend: a knock?",
        advice="It was aligned; look at the overlay of this frame before you trust it.",
        value=size_px,
        threshold=limit,
        unit="px",
        frames=(frame,),
    )


def find_soft_frames(quality: FrameQuality, names: Sequence[str]) -> list[Finding]:
    """Return a finding for each frame softer than the others lead to expect."""
    ratio = quality.detail_ratio[:, :2]
    if len(ratio) < 3:
        return []
    # Of a few frames none is usual.
    ratio = np.where(np.isfinite(ratio).sum(axis=0) * 2 >= len(ratio), ratio, np.nan)
    if np.isfinite(ratio).any(axis=0).all():
        ratio = ratio / np.nanmedian(ratio, axis=0)
    # Where steps are so wide that no neighbour witnesses, a loss with a direction still shows.
    least = np.where(np.isfinite(ratio), ratio, 1.0).min(axis=1)
    limit = min(_SOFT_RATIO, _outside(least, _SPREADS))
    soft = set(np.flatnonzero(least < limit).tolist())
    shaken = _shaken(quality.direction_ratio, least)
    findings = [_shake_finding(quality, i, names) for i in sorted(shaken)]
    for i in sorted(soft - shaken):
        findings.append(
            Finding(
                kind="soft frame",
                severity="warning",
                message=(
                    f"{names[i]} is softer in all directions (focus moved during the exposure, "
                    f"haze, a nudge): its fine detail holds {100 * least[i]:.0f} % of the energy "
                    "that its neighbours lead to expect."
                ),
                advice="Take it again, or leave it out where its neighbours cover its depth.",
                value=float(least[i]),
                threshold=limit,
                unit="ratio",
                frames=(i,),
            )
        )
    return findings


def _outside(values: Array, spreads: float) -> float:
    """Return the value so many usual spreads below the median; -inf if nothing is known."""
    known = values[np.isfinite(values)]
    if len(known) == 0:
        return -np.inf
    middle = float(np.median(known))
    upper = known[known >= middle]  # the lower half may hold what is looked for
    spread = 1.48 * float(np.median(upper - middle))
    return middle - spreads * max(spread, _LEAST_SPREAD)


def _shaken(direction: Array, detail: Array) -> set[int]:
    """Return the frames whose loss has a direction.

    A shaken frame makes its neighbours look as if they had lost across it, so of frames side by
    side that lean only those count that have lost detail, or the one with least.
    """
    known = np.where(np.isfinite(direction), direction, 1.0)
    dull = detail < min(_DULL_RATIO, _outside(detail, _DULL_SPREADS))
    leaning = known < min(_LEANING_RATIO, _outside(direction, _LEANING_SPREADS))
    suspect = (known < min(_SHAKEN_RATIO, _outside(direction, _SHAKEN_SPREADS))) | (leaning & dull)
    suspect &= detail <= _LIVELY_RATIO
    shaken: set[int] = set()
    group: list[int] = []
    for i in range(len(detail) + 1):
        if i < len(detail) and suspect[i]:
            group.append(i)
        elif group:
            shaken |= {k for k in group if dull[k]} or {min(group, key=lambda k: detail[k])}
            group = []
    return shaken


def _shake_finding(quality: FrameQuality, frame: int, names: Sequence[str]) -> Finding:
    ratio = float(quality.direction_ratio[frame])
    angle = 15 * round(float(quality.direction_deg[frame]) / 15) % 180  # not known better
    return Finding(
        kind="shaken frame",
        severity="warning",
        message=(
            f"{names[frame]} is shaken along about {angle}° (clockwise from "
            f"horizontal): its fine detail there holds {100 * ratio:.0f} % of that across."
        ),
        advice="Take it again, or leave it out where its neighbours cover its depth.",
        value=ratio,
        threshold=_SHAKEN_RATIO,
        unit="ratio",
        frames=(frame,),
    )


def find_exposure_jumps(
    gains: Array, settings: Sequence[CaptureSettings], names: Sequence[str]
) -> list[Finding]:
    """Return findings for jumps and drift of the light between frames."""
    ev = np.log2(np.maximum(gains, 1e-6))
    count = len(ev)
    findings = []
    jumps = np.diff(ev)
    usual = np.median(jumps) if count > 3 else 0.0
    k = 0
    while k < count - 1:
        jump = jumps[k] - usual
        if abs(jump) < _EXPOSURE_EV:
            k += 1
            continue
        # One frame that jumps and comes back is one finding, about that frame.
        back = k + 1 < count - 1 and abs(jump + jumps[k + 1] - usual) < abs(jump) / 2
        first_alone = k == 0 and not back
        frame = k if first_alone else k + 1
        value = float(-jump if first_alone else jump)
        others = f"{names[k]}" if not first_alone else f"{names[1]}"
        findings.append(_exposure_finding(value, frame, k, settings, names, others, alone=back))
        k += 2 if back else 1
    if not findings and abs(ev[-1] - ev[0]) > _DRIFT_EV:
        findings.append(
            Finding(
                kind="exposure drift",
                severity="note",
                message=f"The light changes by {ev[-1] - ev[0]:+.1f} EV over the bracket.",
                value=float(ev[-1] - ev[0]),
                threshold=_DRIFT_EV,
                unit="EV",
            )
        )
    return findings


def _exposure_finding(
    value: float,
    frame: int,
    before: int,
    settings: Sequence[CaptureSettings],
    names: Sequence[str],
    others: str,
    *,
    alone: bool,
) -> Finding:
    changed = _changed_fields(settings[before], settings[before + 1])
    why = f"; its {' and '.join(changed)} changed" if changed else "; its settings are the same"
    known = any(_exposure_fields(s) != (None, None, None) for s in settings[before : before + 2])
    rest = " and then goes back" if alone else ""
    return Finding(
        kind="exposure jump",
        severity="warning",
        message=(
            f"{names[frame]} is {abs(value):.1f} EV {'brighter' if value > 0 else 'darker'} than "
            f"{others}{rest}{why if known else ''}."
        ),
        advice="The merge evens it out where nothing is clipped; set exposure by hand next time.",
        value=value,
        threshold=_EXPOSURE_EV,
        unit="EV",
        frames=(frame,),
    )


def _exposure_fields(s: CaptureSettings) -> tuple[float | None, float | None, float | None]:
    return (s.exposure_time_s, s.f_number, s.iso)


def _changed_fields(one: CaptureSettings, two: CaptureSettings) -> list[str]:
    words = ("exposure time", "f-number", "ISO")
    pairs = zip(words, _exposure_fields(one), _exposure_fields(two), strict=True)
    return [word for word, a, b in pairs if a is not None and b is not None and a != b]


_FIELDS = {
    "camera": "camera",
    "lens": "lens",
    "focal_length_mm": "focal length",
    "f_number": "f-number",
    "exposure_time_s": "exposure time",
    "iso": "ISO",
}


def find_changed_settings(
    settings: Sequence[CaptureSettings], names: Sequence[str]
) -> list[Finding]:
    """Return a finding for each setting that is not one and the same in all frames."""
    findings = []
    for field, word in _FIELDS.items():
        values = [getattr(s, field) for s in settings]
        known = [v for v in values if v is not None]
        if len(set(known)) < 2:
            continue
        usual = max(set(known), key=known.count)
        odd = [i for i, v in enumerate(values) if v is not None and v != usual]
        shown = ", ".join(f"{names[i]} ({_shown(values[i])})" for i in odd[:4])
        more = f" and {len(odd) - 4} more" if len(odd) > 4 else ""
        findings.append(
            Finding(
                kind="changed setting",
                severity="problem" if field in {"camera", "lens", "focal_length_mm"} else "warning",
                message=f"The {word} is {_shown(usual)}, but not in {shown}{more}.",
                advice=(
                    "Depth of field and diffraction differ from frame to frame."
                    if field == "f_number"
                    else ""
                ),
                value=float(len(odd)),
                threshold=0.0,
                unit="frames",
                frames=tuple(odd),
            )
        )
    return findings


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
