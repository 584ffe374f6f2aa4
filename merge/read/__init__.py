"""Files to frames; alone imports the raw and HEIF decoders."""

from merge.read.arrays import stack_arrays
from merge.read.blank import BlankRows
from merge.read.frame import (
    probe_frame,
    read_frame,
    read_luminance,
    read_preview,
    read_samples,
)
from merge.read.raw import read_mosaic
from merge.read.stack import check_stack, find_frames
