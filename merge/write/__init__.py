"""Results to files: whole or not at all."""

from merge.atomic import (
    check_writable,
    encode_text,
    hash_file,
    replace_atomically,
    write_json,
    written_path,
    written_together,
)
from merge.write.mesh import write_mesh
from merge.write.picture import (
    DEPTH_KINDS,
    check_output,
    default_output,
    write_depth,
    write_picture,
)
from merge.write.preview import write_depth_preview
