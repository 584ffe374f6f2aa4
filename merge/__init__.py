"""Sort, check and merge focus brackets into one picture that is sharp throughout."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from merge.errors import (
        FrameMismatchError,
        MemoryLimitError,
        MergeError,
        MergeWarning,
        ReadError,
        RegistrationError,
        WriteError,
    )
    from merge.model import (
        AuditOptions,
        CaptureSettings,
        DepthMap,
        Finding,
        Frame,
        FrameSource,
        FrameTransform,
        MergeOptions,
        Registration,
        Stack,
    )
    from merge.pipeline.auditing import AuditResult, audit_stack
    from merge.pipeline.merging import MergeResult, merge_stack
    from merge.pipeline.record import build_record
    from merge.pipeline.saving import OutputFiles, SavedMerge, merge_to_files
    from merge.pipeline.sorting import sort_folder
    from merge.plan import PlanRequest, plan_bracket
    from merge.read import check_stack, find_frames, probe_frame, read_frame
    from merge.write import write_depth, write_picture

__all__ = [
    "AuditOptions",
    "AuditResult",
    "CaptureSettings",
    "DepthMap",
    "Finding",
    "Frame",
    "FrameMismatchError",
    "FrameSource",
    "FrameTransform",
    "MemoryLimitError",
    "MergeError",
    "MergeOptions",
    "MergeResult",
    "MergeWarning",
    "OutputFiles",
    "PlanRequest",
    "ReadError",
    "Registration",
    "RegistrationError",
    "SavedMerge",
    "Stack",
    "WriteError",
    "audit_stack",
    "build_record",
    "check_stack",
    "find_frames",
    "merge_stack",
    "merge_to_files",
    "plan_bracket",
    "probe_frame",
    "read_frame",
    "sort_folder",
    "write_depth",
    "write_picture",
]

_HOMES = (
    "errors", "model", "read", "write", "plan", "pipeline.merging", "pipeline.saving",
    "pipeline.record", "pipeline.auditing", "pipeline.sorting",
)  # fmt: skip


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used: decoders and compilers take half a second."""
    if name in __all__:
        for home in _HOMES:
            module = import_module(f"merge.{home}")
            if hasattr(module, name):
                return getattr(module, name)
    raise AttributeError(f"module 'merge' has no attribute {name!r}")
