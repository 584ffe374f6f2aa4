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
