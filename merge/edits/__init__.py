"""Repairs of a finished merge: regions taken from one frame or from another way of blending."""

from merge.edits.blending import affected_box, join_patch
from merge.edits.edit import (
    EDIT_SCHEMA,
    Edit,
    EditKind,
    EditList,
    edits_record,
    parse_edit,
    read_edits,
)
from merge.edits.region import find_regions, local_difference

__all__ = [
    "EDIT_SCHEMA",
    "Edit",
    "EditKind",
    "EditList",
    "affected_box",
    "edits_record",
    "find_regions",
    "join_patch",
    "local_difference",
    "parse_edit",
    "read_edits",
]
