"""A finished merge, as its record tells it."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import Any, get_args

from merge.edits import EDIT_SCHEMA, Edit, parse_edit
from merge.json_files import read_json
from merge.model import AuditOptions, BlendMethod, Extent, MergeOptions, MotionModel

FORMAT, VERSION = "depthweld merge record", 1
_SOURCE = "depthweld merge --record"
_PATH = {"type": "string", "minLength": 1, "maxLength": 4096}
_SIZE = {"type": ["number", "null"], "exclusiveMinimum": 0}
_OPTIONS: dict[str, Any] = {
    "method": {"enum": list(get_args(BlendMethod))},
    "motion": {"enum": list(get_args(MotionModel))},
    "model": {"enum": list(get_args(MotionModel))},  # as earlier records call it
    "extent": {"enum": list(get_args(Extent))},
    "reference": {"type": ["integer", "null"], "minimum": 0},
    "equalize_exposure": {"type": "boolean"},
    "strict": {"type": "boolean"},
    "memory_limit_bytes": {"type": ["integer", "null"], "exclusiveMinimum": 0},
    "audit": {
        "type": "object",
        "properties": {
            "anyway": {"type": "boolean"},
            "quick": {"type": "boolean"},
            "tolerance": {"type": "string", "maxLength": 100},
            "pixel_pitch_um": _SIZE,
            "magnification": _SIZE,
            "pupil_ratio": {"type": "number", "exclusiveMinimum": 0},
            "f_number": _SIZE,
        },
    },
}
_FINDING = {
    "type": "object",
    "required": ["severity", "message", "advice"],
    "properties": {name: {"type": "string"} for name in ("severity", "message", "advice")},
}
_SCHEMA: dict[str, Any] = {
    "type": "object",
    "required": ["format", "version", "frames", "options", "written", "findings"],
    "properties": {
        "format": {"const": FORMAT},
        "version": {"const": VERSION},
        "frames": {
            "type": "array",
            "minItems": 1,
            "maxItems": 10_000,
            "items": {"type": "object", "required": ["path"], "properties": {"path": _PATH}},
        },
        "options": {"type": "object", "properties": _OPTIONS},
        "written": {
            "type": "object",
            "required": ["picture"],
            "properties": {
                "picture": {
                    "type": "object",
                    "required": ["path"],
                    "properties": {"path": _PATH},
                }
            },
        },
        "findings": {"type": "array", "items": _FINDING},
        "edits": {"type": "array", "items": EDIT_SCHEMA},
    },
}


@dataclass(frozen=True)
class FinishedMerge:
    """What a merge was made of and what came of it.

    Attributes
    ----------
    frames : tuple of Path
    options : MergeOptions
    picture : Path
    findings : tuple of dict
        With severity, message and advice.
    edits : tuple of Edit
        That the picture holds.
    """

    frames: tuple[Path, ...]
    options: MergeOptions
    picture: Path
    findings: tuple[dict[str, Any], ...]
    edits: tuple[Edit, ...]


def is_record(path: Path) -> bool:
    """Tell whether a JSON file says that it is the record of a merge.

    Raises
    ------
    ReadError
        If it is no JSON.
    """
    sources = f"depthweld sort FOLDER --json' or '{_SOURCE}"
    return read_json(path, schema={"type": "object"}, source=sources).get("format") == FORMAT


def read_finished(path: Path) -> FinishedMerge:
    """Return what the record of a merge tells.

    Raises
    ------
    ReadError
        If the file cannot be read or is no such record.
    """
    data = read_json(path, schema=_SCHEMA, source=_SOURCE)
    options = data["options"]
    options = options | {"motion": options.get("motion", options.get("model", "auto"))}
    audit = AuditOptions(**_known(AuditOptions, options.get("audit", {})))
    return FinishedMerge(
        tuple(Path(frame["path"]) for frame in data["frames"]),
        MergeOptions(**_known(MergeOptions, options) | {"audit": audit}),
        Path(data["written"]["picture"]["path"]),
        tuple(data["findings"]),
        tuple(parse_edit(edit) for edit in data.get("edits", [])),
    )


def _known(kind: type[MergeOptions] | type[AuditOptions], values: dict[str, Any]) -> dict[str, Any]:
    """Return the settings that this version knows; records of others may hold more."""
    names = {field.name for field in dataclasses.fields(kind)}
    return {name: value for name, value in values.items() if name in names}
