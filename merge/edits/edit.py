"""What a person changed in a merged picture, as plain data and as an open JSON file.

The file (one object)::

    {"format": "depthweld edits", "version": 1,
     "picture": {"width": 6000, "height": 4000},
     "edits": [{"kind": "frame", "frame": "EXA_0007.jpg", "feather_px": 8.0, "on": true,
                "region": [[812.0, 344.5], [850.0, 350.0], [840.0, 391.0]]}, …]}

``picture`` is the size of the merged picture that the edits belong to. ``region`` is a closed
polygon of (x, y) in pixels of that picture, integer coordinates at pixel centres. ``kind`` says
where the region's pixels come from: "frame" (the frame of that file name), "detail" or "surface"
(that way of merging). Edits are applied in their order; those that are not ``on`` are skipped.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from merge.errors import ReadError
from merge.json_files import find_fault, read_json

EditKind = Literal["frame", "detail", "surface"]
FORMAT, VERSION = "depthweld edits", 1
# A polygon of more corners, or a list of more edits, was not made by hand.
_MOST_CORNERS, _MOST_EDITS = 10_000, 10_000
_WIDEST_FEATHER_PX = 256.0
_SOURCE = "depthweld review"
_COORDINATE = {"type": "number", "minimum": -1e6, "maximum": 1e6}
EDIT_SCHEMA: dict[str, Any] = {
    "type": "object",
    "required": ["kind", "region"],
    "additionalProperties": False,
    "properties": {
        "kind": {"enum": list(get_args(EditKind))},
        "frame": {"type": "string", "maxLength": 4096},
        "region": {
            "type": "array",
            "minItems": 3,
            "maxItems": _MOST_CORNERS,
            "items": {"type": "array", "minItems": 2, "maxItems": 2, "items": _COORDINATE},
        },
        "feather_px": {"type": "number", "minimum": 1, "maximum": _WIDEST_FEATHER_PX},
        "on": {"type": "boolean"},
    },
}
_LENGTH = {"type": "integer", "minimum": 1, "maximum": 1_000_000}
_SCHEMA: dict[str, Any] = {
    "type": "object",
    "required": ["format", "version", "picture", "edits"],
    "properties": {
        "format": {"const": FORMAT},
        "version": {"const": VERSION},
        "picture": {
            "type": "object",
            "required": ["width", "height"],
            "properties": {"width": _LENGTH, "height": _LENGTH},
        },
        "edits": {"type": "array", "maxItems": _MOST_EDITS, "items": {"type": "object"}},
    },
}


@dataclass(frozen=True)
class Edit:
    """One region of a merged picture, replaced.

    Attributes
    ----------
    kind : {"frame", "detail", "surface"}
        Where its pixels come from.
    region : tuple of (float, float)
        Closed polygon, (x, y) in pixels of the merged picture; at least three corners.
    frame : str
        File name of the frame for kind "frame", else empty.
    feather_px : float
        Width over which the coarsest tones of both sides mix, 1 to 256 px; fine detail changes
        over at the region's border itself.
    on : bool
        Whether the edit counts.
    """

    kind: EditKind
    region: tuple[tuple[float, float], ...]
    frame: str = ""
    feather_px: float = 8.0
    on: bool = True

    def __post_init__(self) -> None:
        """Refuse what cannot be applied.

        Raises
        ------
        ValueError
            If a value is outside the range stated above.
        """
        if self.kind not in get_args(EditKind):
            raise ValueError(f"kind {self.kind!r}, expected one of {', '.join(get_args(EditKind))}")
        if (self.kind == "frame") != bool(self.frame):
            raise ValueError("a frame's name belongs to kind 'frame', and to no other kind")
        if not 3 <= len(self.region) <= _MOST_CORNERS:
            raise ValueError(
                f"a region of {len(self.region)} corners, expected 3 to {_MOST_CORNERS}"
            )
        if not all(math.isfinite(v) and abs(v) < 1e6 for corner in self.region for v in corner):
            raise ValueError("a region with a corner that lies nowhere")
        if not 1 <= self.feather_px <= _WIDEST_FEATHER_PX:
            raise ValueError(
                f"feather_px {self.feather_px!r}, expected 1 to {_WIDEST_FEATHER_PX:g}"
            )


@dataclass(frozen=True)
class EditList:
    """The edits of one merged picture.

    Attributes
    ----------
    shape : (int, int)
        (H, W) of the picture.
    edits : tuple of Edit
        In the order in which they are applied.
    """

    shape: tuple[int, int]
    edits: tuple[Edit, ...] = ()


def edits_record(edits: EditList) -> dict[str, Any]:
    """Return what the JSON file holds."""
    return {
        "format": FORMAT,
        "version": VERSION,
        "picture": {"width": edits.shape[1], "height": edits.shape[0]},
        "edits": [_plain(edit) for edit in edits.edits],
    }


def _plain(edit: Edit) -> dict[str, Any]:
    return asdict(edit) | {"region": [list(corner) for corner in edit.region]}


def parse_edit(data: Any) -> Edit:
    """Return an edit from a plain JSON object.

    Raises
    ------
    ValueError
        If it is no edit.
    """
    fault = find_fault(data, EDIT_SCHEMA)
    if fault:
        raise ValueError(fault)
    region = tuple((float(x), float(y)) for x, y in data["region"])
    feather, on = float(data.get("feather_px", 8.0)), data.get("on", True)
    return Edit(data["kind"], region, data.get("frame", ""), feather, on)


def read_edits(path: Path) -> EditList:
    """Return the edits of a file.

    Raises
    ------
    ReadError
        If the file cannot be read or is no such file; the message names it.
    """
    data = read_json(path, schema=_SCHEMA, source=_SOURCE)
    shape = data["picture"]["height"], data["picture"]["width"]
    try:
        return EditList(shape, tuple(parse_edit(edit) for edit in data["edits"]))
    except ValueError as exc:
        raise ReadError(f"{path}: {exc}, expected the output of '{_SOURCE}'") from exc
