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

import json
import math
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal, get_args

from merge.errors import ReadError

EditKind = Literal["frame", "detail", "surface"]
FORMAT, VERSION = "depthweld edits", 1
# A polygon of more corners, or a list of more edits, was not made by hand.
_MOST_CORNERS, _MOST_EDITS = 10_000, 10_000
_WIDEST_FEATHER_PX = 256.0


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
    if not isinstance(data, dict):
        raise ValueError("an edit that is no object")
    unknown = sorted(set(data) - set(Edit.__dataclass_fields__))
    if unknown:
        raise ValueError(f"an edit with {unknown[0]!r}, which is unknown")
    try:
        region = tuple((float(x), float(y)) for x, y in data["region"])
        feather, on = float(data.get("feather_px", 8.0)), data.get("on", True)
        kind, frame = data["kind"], data.get("frame", "")
    except KeyError as exc:
        raise ValueError(f"an edit without {exc.args[0]!r}") from exc
    except (TypeError, OverflowError) as exc:
        raise ValueError(f"an edit of other types ({exc})") from exc
    if not isinstance(on, bool) or not isinstance(frame, str) or not isinstance(kind, str):
        raise ValueError("an edit of other types")
    return Edit(kind, region, frame, feather, on)  # type: ignore[arg-type]


def read_edits(path: Path) -> EditList:
    """Return the edits of a file.

    Raises
    ------
    ReadError
        If the file cannot be read or is no such file; the message names it.
    """
    try:
        data = json.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as exc:
        raise ReadError(f"{path}: cannot be read ({exc.strerror}). Check the path.") from exc
    except (ValueError, RecursionError) as exc:
        raise _not_ours(path, "no JSON") from exc
    if not isinstance(data, dict) or data.get("format") != FORMAT:
        raise _not_ours(path, "JSON of another kind")
    if data.get("version") != VERSION:
        raise _not_ours(path, f"version {data.get('version')!r}, expected {VERSION}")
    try:
        shape = int(data["picture"]["height"]), int(data["picture"]["width"])
        if not isinstance(data["edits"], list) or len(data["edits"]) > _MOST_EDITS:
            raise ValueError(f"no list of at most {_MOST_EDITS} edits")
        return EditList(shape, tuple(parse_edit(edit) for edit in data["edits"]))
    except (KeyError, TypeError, ValueError, OverflowError) as exc:
        raise _not_ours(path, f"damaged ({exc})") from exc


def _not_ours(path: Path, found: str) -> ReadError:
    return ReadError(f"{path}: {found}; expected a file of edits that depthweld wrote.")
