"""The names that a program may import from `merge`: additions and removals are decisions."""

import subprocess
import sys

import pytest

import merge

PUBLIC = {
    # reading and checking
    "check_stack", "find_frames", "probe_frame", "read_frame", "stack_arrays",
    # the jobs
    "assess_apertures", "audit_stack", "build_record", "depth_in_mm", "merge_stack",
    "apply_edits", "merge_to_files", "read_edits", "plan_bracket", "plan_reshoot",
    "sort_folder", "write_depth", "write_picture", "optics", "plan",
    # what they take and give
    "AuditOptions", "AuditResult", "CaptureSettings", "DepthMap", "Edit", "EditList", "Finding",
    "FocusAxis", "Frame", "FrameSource", "FrameTransform", "Inspection", "MergeOptions",
    "MergeResult", "OutputFiles", "PlanRequest", "Registration", "SavedMerge", "Stack",
    # what goes wrong
    "FrameMismatchError", "MemoryLimitError", "MergeError", "OptionError", "ReadError",
    "RegistrationError", "WriteError",
}  # fmt: skip


def test_public_names_are_these():
    assert set(merge.__all__) == PUBLIC
    assert len(merge.__all__) == len(PUBLIC)


@pytest.mark.parametrize("name", sorted(PUBLIC))
def test_public_name_can_be_imported_and_is_documented(name):
    assert getattr(merge, name).__doc__


def test_unknown_name_is_refused():
    with pytest.raises(AttributeError, match="no attribute 'merge_everything'"):
        _ = merge.merge_everything


def test_importing_the_package_loads_no_decoder():
    """`depthweld --help` stays fast because the heavy libraries wait until they are used."""
    code = "import sys, merge; print(sorted({'cv2', 'numba', 'rawpy', 'scipy'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
