"""What is wrong with single frames: bumped, soft, shaken, brighter, other settings, unaligned."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

import numpy as np

from merge.diagnose.wording import WORTH_TELLING, list_names, percent, shutter
from merge.model import Array, CaptureSettings, Finding, FrameQuality, Registration, Severity
from merge.model.geometry import JUMP_NEIGHBOURS
from merge.significance import (
    FEWEST,
    FOUND,
    learned_spread,
    proof_limit,
    vector_limit,
    vector_spread,
)

# Jumps must stand out of the rest: frames held by hand all jump. On a tripod moves are about so
# large (each way; common practice, no source), and none is believed to be steadier.
_USUAL_MOVE_PX = 0.5
# A change of the light that shows in a picture.
EXPOSURE_EV = 0.2


def find_unaligned(registration: Registration, names: Sequence[str]) -> list[Finding]:
    """Return a finding for each frame that could not be aligned."""
    return [
        Finding(
            kind="not aligned",
            severity="problem",
            message=f"{names[i]} could not be aligned: {frame.reason or 'no match'}.",
            advice=f"{names[i]} is left out; take it again if it belongs to this bracket.",
            frames=(i,),
        )
        for i, frame in enumerate(registration.frames)
        if frame.transform is None
    ]


def find_unsure_places(
    registration: Registration, names: Sequence[str], tile_px: float
) -> list[Finding]:
    """Return a finding if frames may lie so far off that a tile shows half of what another does."""
    off = {i: registration.frames[i].residual_px for i in registration.aligned}
    unsure = [i for i, px in off.items() if px > tile_px / 2]
    if not unsure:
        return []
    worst = max(unsure, key=lambda i: off[i])
    which = list_names([names[i] for i in unsure])
    return [
        Finding(
            kind="not aligned",
            severity="note",
            message=(
                f"Comparisons disagree on where {which} lie{'s' * (len(unsure) == 1)}, by up to "
                f"{off[worst]:.0f} px: too little shows how the camera moved (stripes show no move "
                "along them, noise hides fine detail). Their focus steps are as unsure."
            ),
            advice="Look whether they merge well; where they do not, leave them out.",
            value=off[worst],
            threshold=tile_px / 2,
            unit="px",
            frames=tuple(unsure),
        )
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
    jumps, limits = _jumps(registration)
    placed = _well_placed(registration)
    for k in np.flatnonzero(jumps > limits).tolist():
        if (frame := placed[k]) not in near:
            findings.append(_bump_finding(float(jumps[k]), float(limits[k]), frame, names))
    return findings


def find_bump_limit_px(registration: Registration) -> float:
    """Return the length of a knock that is found 99 times in 100."""
    moves = _moves(registration)
    if len(moves):
        errors = _place_errors(registration)
        limits = _bump_limits(np.hypot(*moves.T), np.hypot(errors[1:], errors[:-1]), FOUND)
    else:
        _, limits = _jumps(registration, FOUND)
    return float(limits.max(initial=0.0))


def _well_placed(registration: Registration) -> list[int]:
    """Return the frames whose fine detail tells where they lie."""
    return [i for i in registration.aligned if not registration.frames[i].reason]


def _place_errors(registration: Registration) -> Array:
    """Return how unsure the place of each well placed frame is, px, along either direction.

    Pairs of frames that disagree tell no knock: stems show no move along them, and where a
    frame shows nothing sharp that those beside it show, too, its place is a guess.
    """
    errors = [registration.frames[i].residual_px for i in _well_placed(registration)]
    return np.asarray(np.nan_to_num(errors) / 2**0.5)


def _jumps(registration: Registration, more: float = 0.0) -> tuple[Array, Array]:
    """Return how far well placed frames lie off their neighbours' line, and from where it is told.

    ``more`` is in standard errors. Beyond its end a line tells less than amid its points.
    """
    aligned = np.array(_well_placed(registration))
    jumps = np.array([registration.frames[i].jump_px for i in aligned])
    unsure = np.ones(len(aligned))
    for k, frame in enumerate(aligned):
        first = max(k - JUMP_NEIGHBOURS, 0)
        beside = np.delete(aligned[first : k + JUMP_NEIGHBOURS + 1], k - first)
        if len(beside) > 1:
            off = beside - beside.mean()
            square = 1 / len(beside) + (frame - beside.mean()) ** 2 / (off @ off)
            unsure[k] = np.sqrt((1 + square) / (1 + 1 / (2 * JUMP_NEIGHBOURS)))
    unsure = np.maximum(unsure, 1.0)
    errors = _place_errors(registration)
    return jumps, _bump_limits(jumps / unsure, errors, more) * unsure


def _bump_limits(sizes: Array, errors: Array, more: float = 0.0) -> Array:
    """Return the lengths that none of so many moves has by chance, and more standard errors."""
    # The median knows half as much of a spread as all moves do.
    spread, degrees = learned_spread(vector_spread(sizes), len(sizes) // 2, _USUAL_MOVE_PX)
    whole = np.hypot(max(spread, _USUAL_MOVE_PX), errors)
    return np.asarray(whole * (vector_limit(len(sizes), degrees) + more))


def _moves(registration: Registration) -> Array:
    """Return the moves from well placed frame to frame off the usual one, (M, 2); none if few."""
    frames = [registration.frames[i].transform for i in _well_placed(registration)]
    if len(frames) <= FEWEST + 1:  # moves stand between frames
        return np.zeros((0, 2))
    moves = np.diff([t.shift_px(registration.shape) for t in frames if t], axis=0)
    return np.asarray(moves - np.median(moves, axis=0))


def _knocks(registration: Registration) -> list[tuple[int, int, Array, float]]:
    """Return the moves from frame to frame that stand out: both frames, the move, the limit."""
    aligned, moves = _well_placed(registration), _moves(registration)
    if len(moves) == 0:
        return []
    sizes, errors = np.hypot(*moves.T), _place_errors(registration)
    limits = _bump_limits(sizes, np.hypot(errors[1:], errors[:-1]))
    return [
        (aligned[k], aligned[k + 1], moves[k], float(limits[k]))
        for k in np.flatnonzero(sizes > limits).tolist()
    ]


def _returns(out: Array, back: Array) -> bool:
    return bool(np.hypot(*(out + back)) < np.hypot(*out) / 2)


def _bump_finding(size_px: float, limit: float, frame: int, names: Sequence[str]) -> Finding:
    return Finding(
        kind="bumped frame",
        severity="warning",
        message=f"{names[frame]} lies {size_px:.1f} px off its neighbours' trend: a knock?",
        advice=f"{names[frame]} was aligned; where near things stand before far ones, look.",
        value=size_px,
        threshold=limit,
        unit="px",
        frames=(frame,),
    )


def find_soft_frames(quality: FrameQuality, names: Sequence[str]) -> list[Finding]:
    """Return a finding for each frame that is proven softer than the others lead to expect.

    A warning from the size on that the audit says it could have found, below that a note; nothing
    where it could have found none.
    """
    proven = proof_limit(len(names))
    soft = (quality.detail_z < -proven) & (quality.detail_ratio < WORTH_TELLING)
    soft &= np.isfinite(quality.detail_limit)
    shaken = (quality.direction_z > proven) & (quality.direction_ratio < WORTH_TELLING)
    shaken &= np.isfinite(quality.direction_limit)
    # A shake blurs one way; as much blur every way leaves that share twice over.
    shaken &= ~(soft & (quality.detail_ratio < quality.direction_ratio**2))
    soft &= ~shaken
    return [
        *(_shake_finding(quality, i, names) for i in np.flatnonzero(shaken).tolist()),
        *(_soft_finding(quality, i, names) for i in np.flatnonzero(soft).tolist()),
    ]


def _soft_finding(quality: FrameQuality, frame: int, names: Sequence[str]) -> Finding:
    ratio, limit = float(quality.detail_ratio[frame]), float(quality.detail_limit[frame])
    verb, severity, advice = _how_sure(ratio, limit, names[frame])
    return Finding(
        kind="soft frame",
        severity=severity,
        message=(
            f"{names[frame]} {verb} softer in all directions (focus moved during the exposure, "
            f"haze, a nudge): only {percent(ratio)} of the fine detail that the frames beside it "
            "suggest is there."
        ),
        advice=advice,
        value=ratio,
        threshold=min(limit, WORTH_TELLING),
        unit="ratio",
        frames=(frame,),
    )


def _shake_finding(quality: FrameQuality, frame: int, names: Sequence[str]) -> Finding:
    ratio, limit = float(quality.direction_ratio[frame]), float(quality.direction_limit[frame])
    verb, severity, advice = _how_sure(ratio, limit, names[frame])
    angle = 15 * round(float(quality.direction_deg[frame]) / 15) % 180  # not known better
    return Finding(
        kind="shaken frame",
        severity=severity,
        message=(
            f"{names[frame]} {verb} shaken along about {angle}° (clockwise from horizontal in the "
            f"picture as shown): along it there is {percent(ratio)} of the fine detail that there "
            "is across."
        ),
        advice=advice,
        value=ratio,
        threshold=min(limit, WORTH_TELLING),
        unit="ratio",
        frames=(frame,),
    )


def _how_sure(ratio: float, limit: float, name: str) -> tuple[str, Severity, str]:
    """Return verb, severity and advice for a frame of which so much detail is left."""
    if ratio <= limit:
        again = f"Take {name} again, or leave {name} out"
        return "is", "warning", f"{again} where the frames beside it cover its depth."
    told = f"told for sure is {percent(limit)} or less"
    return "may be", "note", f"Look at {name} at 100 %: {told} here."


def find_exposure_jumps(
    gains: Array, settings: Sequence[CaptureSettings], names: Sequence[str]
) -> list[Finding]:
    """Return findings for jumps and drift of the light between frames."""
    ev = np.log2(np.maximum(gains, 1e-6))
    count = len(ev)
    findings = []
    jumps = np.diff(ev)
    usual = np.median(jumps) if count > FEWEST else 0.0
    k = 0
    while k < count - 1:
        jump = jumps[k] - usual
        if abs(jump) < EXPOSURE_EV:
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
    if len(findings) >= FEWEST:
        return [_flicker_finding(findings, settings, names)]
    if not findings and abs(ev[-1] - ev[0]) > EXPOSURE_EV:
        findings.append(
            Finding(
                kind="exposure drift",
                severity="note",
                message=f"The light changes by {ev[-1] - ev[0]:+.1f} EV over the bracket.",
                value=float(ev[-1] - ev[0]),
                threshold=EXPOSURE_EV,
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
    why = (
        f"; {' and '.join(changed)}"
        if changed
        else "; the settings are the same: the light changed"
    )
    known = any(_exposure_fields(s) != (None, None, None) for s in settings[before : before + 2])
    rest = " and then goes back" if alone else ""
    return Finding(
        kind="exposure jump",
        severity="warning",
        message=(
            f"{names[frame]} is {value:+.1f} EV against {others}{rest}{why if known else ''}."
        ),
        advice=(
            "The merge evens the light out where nothing is clipped; set the exposure by hand "
            "next time."
        ),
        value=value,
        threshold=EXPOSURE_EV,
        unit="EV",
        frames=(frame,),
    )


def _flicker_finding(
    jumps: Sequence[Finding], settings: Sequence[CaptureSettings], names: Sequence[str]
) -> Finding:
    """Return one finding about light that changes again and again."""
    worst = max(jumps, key=lambda f: abs(f.value or 0.0))
    frames = tuple(sorted({i for f in jumps for i in f.frames}))
    seen = {_exposure_fields(s) for s in settings}
    why, cure = "", "set the exposure by hand and wait for steady light"
    if len(seen) > 1:
        why, cure = "; the exposure settings change, too", "set the exposure by hand"
    elif seen != {(None, None, None)}:
        why = "; the settings are the same: the light changed"
        cure = (
            "wait for steady light; under lamps that flicker expose for 1/50 s (1/60 s on 60 Hz "
            "mains) or longer"
        )
    return dataclasses.replace(
        worst,
        message=(
            f"The light changes again and again: {len(frames)} of {len(names)} frames jump, by up "
            f"to {worst.value:+.1f} EV ({list_names([names[i] for i in frames])}){why}."
        ),
        advice=f"The merge evens the light out where nothing is clipped; next time {cure}.",
        frames=frames,
    )


def _exposure_fields(s: CaptureSettings) -> tuple[float | None, float | None, float | None]:
    return (s.exposure_time_s, s.f_number, s.iso)


def _changed_fields(one: CaptureSettings, two: CaptureSettings) -> list[str]:
    """Tell what changed from one frame to the next, and from what to what."""
    words = {"exposure_time_s": "exposure time", "f_number": "f-number", "iso": "ISO"}
    changed = []
    for field, word in words.items():
        a, b = getattr(one, field), getattr(two, field)
        if a is not None and b is not None and a != b:
            changed.append(f"{word} went from {_shown(field, a)} to {_shown(field, b)}")
    return changed


_KEEP_SET = {
    "f_number": (
        "Depth of field and diffraction differ from frame to frame: keep one f-number, set by hand."
    ),
    "focal_length_mm": "Take all frames at one focal length.",
    "exposure_time_s": "Set the exposure time by hand, the same for all frames.",
    "iso": "Set the ISO by hand, the same for all frames.",
}
# Lenses without contacts do not tell their f-number; only the time shows that it was changed.
_UNTOLD_SERIES = (
    " If the aperture was changed, which these files do not tell, it is an aperture series: give "
    "'depthweld apertures' its --f-numbers."
)
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
        shown = list_names([f"{names[i]} ({_shown(field, values[i])})" for i in odd])
        advice = _KEEP_SET.get(field, "Take all frames with one camera and lens.")
        if field == "exposure_time_s" and not any(s.f_number for s in settings):
            advice += _UNTOLD_SERIES
        findings.append(
            Finding(
                kind="changed setting",
                severity="problem" if field in {"camera", "lens", "focal_length_mm"} else "warning",
                message=f"The {word} is {_shown(field, usual)}, but not in {shown}.",
                advice=advice,
                value=float(len(odd)),
                threshold=0.0,
                unit="frames",
                frames=tuple(odd),
            )
        )
    return findings


def _shown(field: str, value: Any) -> str:
    """Write a setting as photographers do."""
    if field == "exposure_time_s":
        return shutter(float(value))
    before, after = {"f_number": ("f/", ""), "focal_length_mm": ("", " mm")}.get(field, ("", ""))
    return f"{before}{value:g}{after}" if isinstance(value, int | float) else str(value)
