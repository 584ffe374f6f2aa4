"""Merge to files: everything that can be refused is refused before the work starts."""

from __future__ import annotations

import dataclasses
import math
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from merge.atomic import check_writable
from merge.edits import EditList, edits_record
from merge.errors import MergeError, WriteError
from merge.model import DepthScale, MergeOptions, Progress, Stack
from merge.pipeline.editing import apply_edits
from merge.pipeline.front import Frames, as_stack, with_settings
from merge.pipeline.merging import MergeResult, merge_stack
from merge.pipeline.record import build_record, describe_provenance
from merge.write import (
    check_output,
    write_depth,
    write_depth_preview,
    write_json,
    write_mesh,
    written_together,
)
from merge.write import write_picture as write_pixels


@dataclass(frozen=True)
class OutputFiles:
    """Where the results of one merge go.

    Attributes
    ----------
    picture : str or Path
    depth, record, mesh : str, Path or None
        None = not wanted; the mesh is the depth map as a surface.
    overwrite : bool
        Replace existing files, but never a frame.

    A depth map comes with a picture of it, `depth_preview`.
    """

    picture: Path
    depth: Path | None = None
    record: Path | None = None
    overwrite: bool = False
    mesh: Path | None = None

    def __post_init__(self) -> None:
        for name in ("picture", "depth", "record", "mesh"):
            path = getattr(self, name)
            object.__setattr__(self, name, None if path is None else Path(path))

    @property
    def depth_preview(self) -> Path | None:
        """Where the depth map is shown in colours, beside it; None if there is none."""
        return None if self.depth is None else self.depth.with_name(f"{self.depth.stem}-view.png")


@dataclass(frozen=True, eq=False)
class SavedMerge:
    """A merge and the files that came of it.

    Attributes
    ----------
    result : MergeResult
        Its times now include writing.
    files : OutputFiles
    record : dict or None
        The run's record, when it was asked for.
    """

    result: MergeResult
    files: OutputFiles
    record: dict[str, Any] | None


def merge_to_files(
    stack: Frames,
    files: OutputFiles,
    options: MergeOptions | None = None,
    *,
    edits: EditList | None = None,
    keep_record: bool = False,
    keep_depth: bool = False,
    progress: Progress | None = None,
    **settings: Any,
) -> SavedMerge:
    """Merge a stack and write picture, depth map and record, each whole or not at all.

    Parameters
    ----------
    stack : Stack, path, sequence of paths, or sequence of ndarray
    files : OutputFiles
    options : MergeOptions, optional
    edits : EditList, optional
        Changes to make to the merged picture, from `merge.edits.read_edits`.
    keep_record : bool
        Return the record also when it is not written; it costs reading all files once more.
    keep_depth : bool
        As in `merge_stack`.
    progress : callable, optional
        Called with (stage, frames done, frames in all).
    **settings
        As in `merge_stack`.

    Returns
    -------
    SavedMerge
        What was merged, and the record where it was asked for.

    Raises
    ------
    WriteError
        If an output exists, is a frame, or cannot be written: before the merge where possible.
    MergeError
        If a depth map is asked of a method that makes none, or edits belong to another picture;
        and what `merge_stack` raises.
    """
    stack, options = as_stack(stack), with_settings(options or MergeOptions(), settings)
    _check_files(stack, files, options)
    result = merge_stack(stack, options, keep_depth=keep_depth, progress=progress)
    told = edits_told(edits)
    if edits is not None:
        result = apply_edits(result, edits)
    with written_together():
        return write_merge(result, files, told, keep_record=keep_record)


def write_picture(path: str | Path, result: MergeResult, *, overwrite: bool = False) -> Path:
    """Write a merged picture with the reference frame's metadata, and return its path.

    Parameters
    ----------
    path : str or Path
        Ending in .tif (16 bits), .png (16 bits) or .jpg (8 bits, quality 95).
    result : MergeResult
        From `merge_stack`.
    overwrite : bool
        Replace an existing file, but never a frame.

    Raises
    ------
    WriteError
        If the file exists, is a frame, has an unknown ending or cannot be written. No partial
        file is left.
    """
    return _write_picture(Path(path), result, {}, overwrite=overwrite)


def _write_picture(
    path: Path, result: MergeResult, told: dict[str, Any], *, overwrite: bool
) -> Path:
    return write_pixels(
        path,
        result.pixels,
        source=result.stack.sources[result.registration.reference],
        provenance=describe_provenance(result) | told,
        overwrite=overwrite,
        inputs=result.stack.inputs,
    )


def edits_told(edits: EditList | None) -> list[dict[str, Any]]:
    """Return the edits that count, as the record and the picture tell them."""
    return [] if edits is None else [e for e in edits_record(edits)["edits"] if e["on"]]


def write_merge(
    result: MergeResult,
    files: OutputFiles,
    edits: list[dict[str, Any]],
    *,
    keep_record: bool = False,
) -> SavedMerge:
    """Write what was asked for, the record last: where it is, everything is.

    Parameters
    ----------
    result : MergeResult
        Its pixels hold the edits.
    files : OutputFiles
    edits : list of dict
        From `edits_told`.
    keep_record : bool
        Return the record also when it is not written.

    Raises
    ------
    WriteError
        If an output cannot be written.
    """
    began = time.perf_counter()
    told = {"edits": len(edits)} if edits else {}
    _write_picture(files.picture, result, told, overwrite=files.overwrite)
    written = {"picture": files.picture}
    kept: dict[str, Any] = {"overwrite": files.overwrite, "inputs": result.stack.inputs}
    if result.depth is not None:
        scale = depth_scale(result)
        if files.depth is not None and files.depth_preview is not None:
            write_depth(files.depth, result.depth, scale=scale, **kept)
            write_depth_preview(files.depth_preview, result.depth, **kept)
            written["depth"] = files.depth
        if files.mesh is not None:
            write_mesh(files.mesh, result.depth, result.pixels, scale=scale, **kept)
            written["mesh"] = files.mesh
    seconds = result.seconds | {"write": time.perf_counter() - began}
    result = dataclasses.replace(result, seconds=seconds)
    record = None
    if keep_record or files.record is not None:
        record = build_record(result, written) | {"edits": edits}
    if files.record is not None:
        write_json(files.record, record, **kept)
    return SavedMerge(result, files, record)


def depth_scale(result: MergeResult) -> DepthScale | None:
    """Return what the frames are in millimetres: at the subject close up, else from the sensor.

    None where neither the files nor the options tell.
    """
    inspection = result.inspection
    places = sorted(inspection.places, key=lambda place: place.frame)
    frames = tuple(place.frame for place in places)
    if len(places) < 2:
        return None
    sensor, mm = (
        [v for v in lengths if v is not None]
        for lengths in ([p.sensor_mm for p in places], [p.subject_mm for p in places])
    )
    if len(mm) == len(places):
        # Along the axis lengths at the sensor are m² of those at the subject, across it m; the
        # files may have told m.
        along, pitch_um = mm[-1] - mm[0], inspection.pixel_pitch_um
        size = math.sqrt((sensor[-1] - sensor[0]) / along) if along else 0.0
        pixel_mm = pitch_um / 1000 / size if pitch_um and size else None
        return DepthScale(frames, tuple(mm), "first frame, at the subject", pixel_mm)
    for told in ([p.measured_m for p in places], [p.recorded_m for p in places]):
        mm = [1000 * v for v in told if v is not None]
        if len(mm) == len(places):
            return DepthScale(frames, tuple(mm), "sensor")
    return None


def _check_files(stack: Stack, files: OutputFiles, options: MergeOptions) -> None:
    kept: dict[str, Any] = {"overwrite": files.overwrite, "inputs": stack.inputs}
    check_output(files.picture, **kept)
    others: tuple[tuple[Path | None, str, tuple[str, ...]], ...] = (
        (files.depth, "a depth map", (".tif", ".tiff")),
        (files.depth_preview, "", ()),
        (files.mesh, "a surface", (".ply",)),
        (files.record, "a record", (".json",)),
    )
    names = [files.picture.absolute()]
    for path, what, endings in others:
        if path is None:
            continue
        if path in (files.depth, files.mesh) and options.method == "detail":
            raise MergeError("method detail makes no depth map; choose auto or surface")
        check_writable(path, **kept)
        if endings and path.suffix.lower() not in endings:
            raise WriteError(f"{path}: {what} is written as {endings[0]}; choose that ending")
        names.append(path.absolute())
    if len(set(names)) < len(names):
        raise WriteError(f"{files.picture}: asked for twice; give each output its own name")
