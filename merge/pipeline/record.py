"""What a run did, for its record, for the file's own provenance, and for people."""

from __future__ import annotations

import dataclasses
import datetime as dt
import importlib.metadata
import math
import platform
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from merge.model import FrameRegistration, FrameSource, MergeOptions, MergeResult
from merge.write import hash_file, written_path

FORMAT = "depthweld merge record"
VERSION = 1
_LIBRARIES = (
    "numpy", "opencv-python-headless", "scikit-image", "scipy", "numba",
    "rawpy", "tifffile", "imagecodecs", "pillow", "exifread",
)  # fmt: skip


@dataclass(frozen=True)
class Measured:
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


def measured_extremes(result: MergeResult) -> Measured:
    """Return the largest shift and rotation, and the ranges of magnification and exposure."""
    registration = result.registration
    frames = [f for f in registration.frames if f.transform is not None]
    transforms = [f.transform for f in frames if f.transform is not None]
    sizes = [t.magnification for t in transforms]
    gains = [f.gain for f in frames]
    return Measured(
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


def settings_record(options: MergeOptions) -> dict[str, Any]:
    """Return the settings as JSON values."""
    return dataclasses.asdict(options)


def describe_provenance(result: MergeResult) -> dict[str, Any]:
    """Return what the output itself says about how it came about.

    Names of files only: a picture that is passed on should not tell its maker's folders.
    """
    sources, frames = result.stack.sources, result.registration.frames
    pairs = list(zip(sources, frames, strict=True))
    return {
        "version": program_version(),
        "frames": [s.name for s, f in pairs if f.transform is not None],
        "settings": settings_record(result.options),
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
        Frames with SHA-256 of their files, transforms (reference to frame) and gains; settings;
        findings (frame indices from 0); versions; times in seconds; memory; what was written.

    Raises
    ------
    OSError
        If a file cannot be read for its hash.
    """
    measured = measured_extremes(result)
    box = (*result.origin, *result.pixels.shape[:2])
    frames = zip(result.stack.sources, result.registration.frames, strict=True)
    record = {
        "format": FORMAT,
        "version": VERSION,
        "finished_at": dt.datetime.now().astimezone().isoformat(timespec="seconds"),
        "program": program_record(),
        "settings": settings_record(result.options),
        "ordered_by": result.stack.ordered_by,
        "reference": result.registration.reference,
        "frames": [_frame_record(s, f, result.registration.shape) for s, f in frames],
        "passed_over": list(result.stack.skipped),
        "white_balance": result.stack.white_balance,
        "measured": dataclasses.asdict(measured)
        | {"exposure_range_ev": measured.exposure_range_ev},
        "box_in_reference": dict(zip(("row", "column", "height", "width"), box, strict=True)),
        "findings": [dataclasses.asdict(finding) for finding in result.findings],
        "seconds": result.seconds,
        "peak_memory_bytes": peak_memory_bytes(),
        "written": {what: _file_record(path) for what, path in outputs.items()},
    }
    return dict(_as_json(record))


def peak_memory_bytes() -> int | None:
    """Return the most memory that this process has held so far; None where the system hides it."""
    if sys.platform == "win32":
        return None
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return int(peak if sys.platform == "darwin" else peak * 1024)


def _frame_record(
    source: FrameSource, frame: FrameRegistration, shape: tuple[int, int]
) -> dict[str, Any]:
    settings = source.settings
    record: dict[str, Any] = _file_record(source.path) | {
        "used": frame.transform is not None,
        "camera": settings.camera,
        "lens": settings.lens,
        "captured_at": settings.captured_at and settings.captured_at.isoformat(),
        "exposure_time_s": settings.exposure_time_s,
        "f_number": settings.f_number,
        "iso": settings.iso,
        "focal_length_mm": settings.focal_length_mm,
        "focus_distance_m": settings.focus_distance_m,
    }
    if frame.transform is None:
        return record | {"reason": frame.reason}
    return record | {
        "matrix": frame.transform.matrix.tolist(),
        "shift_px": frame.transform.shift_px(shape),
        "magnification": frame.transform.magnification,
        "rotation_deg": frame.transform.rotation_deg,
        "gain": frame.gain,
        "falloff": frame.falloff,
        "residual_px": frame.residual_px,
        "jump_px": frame.jump_px,
    }


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


def _as_json(value: Any) -> Any:
    """Return plain values; a number that is not known becomes null."""
    if isinstance(value, Mapping):
        return {str(key): _as_json(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_as_json(item) for item in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
