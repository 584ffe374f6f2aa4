"""Sort, check and merge focus brackets into one picture that is sharp throughout.

    import merge
    result = merge.merge_stack("beetle/", method="surface", tolerance="2px")
    merge.write_picture("beetle.tif", result)

`merge.optics` holds the formulas, `merge.plan` what is planned with them.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from merge import optics, plan
    from merge.edits import Edit, EditList, read_edits
    from merge.errors import (
        FrameMismatchError,
        MemoryLimitError,
        MergeError,
        OptionError,
        ReadError,
        RegistrationError,
        WriteError,
    )
    from merge.model import (
        AuditOptions,
        CaptureSettings,
        DepthMap,
        Finding,
        FocusAxis,
        Frame,
        FrameSource,
        FrameTransform,
        MergeOptions,
        Registration,
        Stack,
    )
    from merge.pipeline.apertures import assess_apertures
    from merge.pipeline.auditing import AuditResult, audit_stack
    from merge.pipeline.depth_units import depth_in_mm
    from merge.pipeline.editing import apply_edits
    from merge.pipeline.inspecting import Inspection
    from merge.pipeline.merging import MergeResult, merge_stack
    from merge.pipeline.record import build_record
    from merge.pipeline.saving import OutputFiles, SavedMerge, merge_to_files, write_picture
    from merge.pipeline.sorting import sort_folder
    from merge.plan import PlanRequest, plan_bracket, plan_reshoot
    from merge.read import check_stack, find_frames, probe_frame, read_frame, stack_arrays
    from merge.write import write_depth

__all__ = [
    "AuditOptions",
    "AuditResult",
    "CaptureSettings",
    "DepthMap",
    "Edit",
    "EditList",
    "Finding",
    "FocusAxis",
    "Frame",
    "FrameMismatchError",
    "FrameSource",
    "FrameTransform",
    "Inspection",
    "MemoryLimitError",
    "MergeError",
    "MergeOptions",
    "MergeResult",
    "OptionError",
    "OutputFiles",
    "PlanRequest",
    "ReadError",
    "Registration",
    "RegistrationError",
    "SavedMerge",
    "Stack",
    "WriteError",
    "apply_edits",
    "assess_apertures",
    "audit_stack",
    "build_record",
    "check_stack",
    "depth_in_mm",
    "find_frames",
    "merge_stack",
    "merge_to_files",
    "optics",
    "plan",
    "plan_bracket",
    "plan_reshoot",
    "probe_frame",
    "read_edits",
    "read_frame",
    "sort_folder",
    "stack_arrays",
    "write_depth",
    "write_picture",
]

_MODULES = ("optics", "plan")
# Searched in this order.
_HOMES = (
    "errors", "model", "read", "plan", "pipeline.merging", "pipeline.auditing", "pipeline.saving",
    "pipeline.record", "pipeline.inspecting", "pipeline.depth_units", "pipeline.apertures",
    "pipeline.sorting", "pipeline.editing", "edits",
)  # fmt: skip


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used: decoders and compilers take half a second."""
    if name in _MODULES:
        return import_module(f"merge.{name}")
    if name in __all__:
        for home in _HOMES:
            module = import_module(f"merge.{home}")
            if hasattr(module, name):
                return getattr(module, name)
    raise AttributeError(f"module 'merge' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
