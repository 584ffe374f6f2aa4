"""Results to files: whole or not at all."""

from merge.write.atomic import hash_file, replace_atomically, write_json
from merge.write.picture import check_output, default_output, write_depth, write_picture
from merge.write.preview import write_depth_preview

__all__ = [
    "check_output",
    "default_output",
    "hash_file",
    "replace_atomically",
    "write_depth",
    "write_depth_preview",
    "write_json",
    "write_picture",
]
