"""Numbers for the next shoot: f-number, frames, focus positions; and how to close a gap."""

from merge.plan.bracket import plan_bracket, sharpest_f_number
from merge.plan.findings import frames_text
from merge.plan.reshoot import plan_reshoot
from merge.plan.types import (
    REFERENCE_CYCLES_PER_PX,
    ApertureOption,
    FramePosition,
    Plan,
    PlanRequest,
    Reshoot,
    ReshootFrame,
)

__all__ = [
    "REFERENCE_CYCLES_PER_PX",
    "ApertureOption",
    "FramePosition",
    "Plan",
    "PlanRequest",
    "Reshoot",
    "ReshootFrame",
    "frames_text",
    "plan_bracket",
    "plan_reshoot",
    "sharpest_f_number",
]
