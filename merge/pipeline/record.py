"""What a run did, for its record, for the file's own provenance, and for people."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import importlib.metadata
import math
import platform
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from merge.model import FrameRegistration, FrameSource, Stack
from merge.pipeline.finished import FORMAT, VERSION
from merge.pipeline.inspecting import Inspection
from merge.pipeline.merging import MergeResult
from merge.records import plain_values
from merge.write import hash_file, written_path

_LIBRARIES = (
    "numpy", "opencv-python-headless", "scikit-image", "scipy", "numba",
    "rawpy", "tifffile", "imagecodecs", "pillow", "exifread",
)  # fmt: skip


@dataclass(frozen=True)
class AlignmentSummary:
    """The extremes of what a merge measured of its frames.

    Attributes
    ----------
    shift_px : float
        Largest distance of a frame's centre from that of the reference frame.
    rotation_deg : float
        Largest rotation against the reference frame, unsigned.
    magnification_range : float
        Largest over smallest magnification, at least 1.
    gain_range : float
        Largest over smallest linear light, at least 1.
    """

    shift_px: float
    rotation_deg: float
    magnification_range: float
    gain_range: float

    @property
    def exposure_range_ev(self) -> float:
        """The range of linear light in exposure values (doublings)."""
        return math.log2(self.gain_range)


def measured_extremes(result: MergeResult) -> AlignmentSummary:
    """Return the largest shift and rotation, and the ranges of magnification and exposure."""
    registration = result.registration
    frames = [f for f in registration.frames if f.transform is not None]
    transforms = [f.transform for f in frames if f.transform is not None]
    sizes = [t.magnification for t in transforms]
    gains = [f.gain for f in frames]
    return AlignmentSummary(
        shift_px=max(math.hypot(*t.shift_px(registration.shape)) for t in transforms),
        rotation_deg=max(abs(t.rotation_deg) for t in transforms),
        magnification_range=max(sizes) / min(sizes),
        gain_range=max(gains) / min(gains),
    )


def program_version() -> str:
    """Return this program's version; "unknown" when it runs without being installed."""
    return _version_of("depthweld")


def program_record() -> dict[str, Any]:
    """Return the versions of this program and of what it runs on."""
    return {
        "depthweld": program_version(),
        "python": platform.python_version(),
        "system": platform.platform(),
        "libraries": {name: _version_of(name) for name in _LIBRARIES},
    }


def describe_provenance(result: MergeResult) -> dict[str, Any]:
    """Return what the output itself says about how it came about.

    Names of files only: a picture that is passed on should not tell its maker's folders.
    """
    sources, frames = result.stack.sources, result.registration.frames
    pairs = list(zip(sources, frames, strict=True))
    return {
        "version": program_version(),
        "frames": [s.name for s, f in pairs if f.transform is not None],
        "options": dataclasses.asdict(result.options),
        "reference": sources[result.registration.reference].name,
        "left_out": {s.name: f.reason for s, f in pairs if f.transform is None},
    }


def build_record(result: MergeResult, outputs: Mapping[str, Path]) -> dict[str, Any]:
    """Return everything that is known of a merge, as JSON values.

    Parameters
    ----------
    result : MergeResult
    outputs : mapping of str to Path
        The files written, by what they hold: "picture", "depth".

    Returns
    -------
    dict
        What `inspection_record` gives, and further: of the frames SHA-256 of their files,
        transforms (reference to frame) and gains; options; versions; times in seconds; memory;
        what was written.

    Raises
    ------
    OSError
        If a file cannot be read for its hash.
    """
    extremes = measured_extremes(result)
    box = (*result.origin, *result.pixels.shape[:2])
    record = inspection_record(result.stack, result.inspection)
    own = zip(result.stack.sources, result.registration.frames, strict=True)
    frames = [
        _source_record(source) | known | _geometry_record(frame, result.registration.shape)
        for known, (source, frame) in zip(record["frames"], own, strict=True)
    ]
    record |= {
        "format": FORMAT,
        "version": VERSION,
        "finished_at": dt.datetime.now().astimezone().isoformat(timespec="seconds"),
        "program": program_record(),
        "options": dataclasses.asdict(result.options),
        "reference": result.registration.reference,
        "blurred_coded": result.registration.blurred_coded,
        "frames": frames,
        "passed_over": list(result.stack.skipped),
        "turned": list(result.stack.turned),
        "white_balance": result.stack.white_balance,
        "measured": dataclasses.asdict(extremes)
        | {"exposure_range_ev": extremes.exposure_range_ev},
        "box_in_reference": dict(zip(("row", "column", "height", "width"), box, strict=True)),
        "seconds": result.seconds,
        "peak_memory_bytes": peak_memory_bytes(),
        "written": {what: _file_record(path) for what, path in outputs.items()},
    }
    return dict(plain_values(record))


def inspection_record(stack: Stack, inspection: Inspection) -> dict[str, Any]:
    """Return what is known of a bracket as JSON values, alike for an audit and a merge.

    Parameters
    ----------
    stack : Stack
    inspection : Inspection
        Of its frames.

    Returns
    -------
    dict
        Frames count from 0, in the order of their focus; what is not known is None.
    """
    axis, coverage = inspection.axis, inspection.coverage
    axis_record = None if axis is None else {
        "unit": "px of blur-circle diameter",
        "frames": inspection.aligned,
        "positions_px": axis.positions_px,
        "step_low_px": axis.step_low_px,
        "step_high_px": axis.step_high_px,
        "confidence": 0.9,
        "all_frames": len(inspection.aligned) == len(stack),
        "diffraction_scale_px": inspection.diffraction_scale_px,
        "places": inspection.places,
    }  # fmt: skip
    coverage_record = None if coverage is None else {
        "worst_blur_px": coverage.worst_blur_px,
        "outside_share": coverage.outside_share,
    }  # fmt: skip
    record = {
        "tolerance_px": inspection.tolerance_px,
        "pixel_pitch_um": inspection.pixel_pitch_um,
        "magnification": inspection.magnification,
        "settings": _common_settings(stack, inspection),
        "ordered_by": stack.ordered_by,
        "shot_order": stack.shot_order or tuple(range(len(stack))),
        "frames": [
            _frame_record(source, frame)
            for source, frame in zip(stack.sources, inspection.registration.frames, strict=True)
        ],
        "focus_axis": axis_record,
        "axis_problem": inspection.axis_problem or None,
        "coverage": coverage_record,
        "detection_limits": inspection.limits,
        "slices": inspection.slices,
        "findings": inspection.findings,
    }
    return dict(plain_values(record))


def peak_memory_bytes() -> int | None:
    """Return the most memory that this process has held so far; None where the system hides it."""
    if sys.platform == "win32":
        return None
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return int(peak if sys.platform == "darwin" else peak * 1024)


def _common_settings(stack: Stack, inspection: Inspection) -> dict[str, float | None]:
    """Return what all frames have alike; None where they differ or do not tell."""
    settings = [s.settings for s in stack.sources]
    values = {}
    for name in ("focal_length_mm", "iso", "exposure_time_s"):
        known = {getattr(s, name) for s in settings}
        values[name] = known.pop() if len(known) == 1 else None
    for name in ("f_number", "effective_f_number"):  # as used
        numbers = {getattr(s, name) for s in inspection.slices}
        values[name] = numbers.pop() if len(numbers) == 1 else None
    return values


def _frame_record(source: FrameSource, frame: FrameRegistration) -> dict[str, Any]:
    settings = source.settings
    return {
        "name": source.name,
        "aligned": frame.transform is not None,
        "reason": frame.reason or None,
        "camera": settings.camera,
        "lens": settings.lens,
        "captured_at": settings.captured_at and settings.captured_at.isoformat(),
        "exposure_time_s": settings.exposure_time_s,
        "f_number": settings.f_number,
        "iso": settings.iso,
        "focal_length_mm": settings.focal_length_mm,
        "focus_distance_m": settings.focus_distance_m,
        "gain": frame.gain,
        "jump_px": frame.jump_px,
    }


def _geometry_record(frame: FrameRegistration, shape: tuple[int, int]) -> dict[str, Any]:
    if frame.transform is None:
        return {}
    return {
        "matrix": frame.transform.matrix,
        "radial_per_px2": frame.transform.radial,
        "field": frame.transform.field and dataclasses.asdict(frame.transform.field),
        "parallax": frame.transform.parallax,
        "plane_px": None if frame.transform.parallax is None else frame.transform.plane_px,
        "shift_px": frame.transform.shift_px(shape),
        "magnification": frame.transform.magnification,
        "rotation_deg": frame.transform.rotation_deg,
        "falloff": frame.falloff,
        "colour_gains": frame.colour_gains,
        "residual_px": frame.residual_px,
    }


def _source_record(source: FrameSource) -> dict[str, Any]:
    if source.pixels is None:
        return _file_record(source.path)
    data = source.pixels.tobytes()
    return {"path": None, "bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}


def _file_record(path: Path) -> dict[str, Any]:
    return {
        "name": path.name,
        "path": str(path.resolve()),
        "bytes": written_path(path).stat().st_size,
        "sha256": hash_file(path),
    }


def _version_of(distribution: str) -> str:
    try:
        return importlib.metadata.version(distribution)
    except importlib.metadata.PackageNotFoundError:
        return "unknown"
