"""Every kind of finding there is, and what the rest needs to know of each.

A new kind gets a line here; `tests/test_finding_kinds.py` looks that none is missing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

FindingKind = Literal[
    # about the run of focus planes
    "gap", "end not covered", "dropped slice", "wide steps", "fine steps", "step at the limit",
    "end at the limit", "focus distances", "focus not measured", "diffraction", "quick look",
    # about frames
    "not aligned", "bumped frame", "soft frame", "shaken frame", "duplicate", "out of order",
    "exposure jump", "exposure drift", "changed setting", "motion not followed",
    # about what the frames are at all
    "aperture series", "exposure bracket", "bracket twice", "two scenes", "one focus",
    # about places of a merge
    "moving parts", "sensor defects",
    # of a plan
    "tolerance not held", "exposure not known", "lens assumed", "diffraction exceeds tolerance",
    "less light than one frame", "one frame could do", "one frame is enough",
    "one frame is not enough", "steps finer than a focus scale",
]  # fmt: skip
Panel = Literal["shift", "exposure", "sharpness"]


@dataclass(frozen=True)
class KindFacts:
    """What the rest needs to know of a kind of finding.

    Attributes
    ----------
    hole : bool
        About what no frame shows: something was missed.
    on_axis : bool
        Takes up a stretch of the focus axis, and is drawn there.
    about_frames : bool
        About single frames, which are marked where frames are listed.
    placed : bool
        Has a place in the picture to look at; else it is about the bracket as a whole.
    panel : {"shift", "exposure", "sharpness"} or None
        The curve over the frames that its frames stand out of.
    """

    hole: bool = False
    on_axis: bool = False
    about_frames: bool = False
    placed: bool = True
    panel: Panel | None = None


_WHOLE = KindFacts(placed=False)
_FRAME = KindFacts(about_frames=True)
_FACTS: dict[FindingKind, KindFacts] = {
    "gap": KindFacts(hole=True, on_axis=True),
    "end not covered": KindFacts(hole=True, on_axis=True),
    "dropped slice": KindFacts(hole=True),
    "fine steps": _WHOLE,
    "step at the limit": _WHOLE,
    "focus not measured": _WHOLE,
    "quick look": _WHOLE,
    "diffraction": _WHOLE,
    "exposure drift": _WHOLE,
    "aperture series": _WHOLE,
    "exposure bracket": _WHOLE,
    "bracket twice": _WHOLE,
    "two scenes": _WHOLE,
    "one focus": _WHOLE,
    "changed setting": KindFacts(about_frames=True, placed=False),
    "not aligned": KindFacts(about_frames=True, panel="shift"),
    "bumped frame": KindFacts(about_frames=True, panel="shift"),
    "exposure jump": KindFacts(about_frames=True, panel="exposure"),
    "soft frame": KindFacts(about_frames=True, panel="sharpness"),
    "shaken frame": KindFacts(about_frames=True, panel="sharpness"),
    "duplicate": _FRAME,
    "out of order": _FRAME,
}
FINDING_KINDS: dict[str, KindFacts] = {
    kind: _FACTS.get(kind, KindFacts()) for kind in get_args(FindingKind)
}
