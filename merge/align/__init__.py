"""Where every frame lies against the reference frame, and the one resampling that puts it there.

`register_pair` compares two pictures, `register_stack` solves all pairs of neighbours together,
`warp_frame` samples a frame at exact positions, `equalize_exposure` brings its light to the
reference's, `common_area` tells what all frames cover,
`analysis_reduction` how small the compared pictures may be.
"""

from merge.align.area import common_area, valid_area
from merge.align.exposure import equalize_exposure
from merge.align.pair import PairResult, register_pair
from merge.align.warp import needed_area, warp_frame, warp_part
from merge.align.whole_stack import analysis_reduction, register_stack

__all__ = [
    "PairResult",
    "analysis_reduction",
    "common_area",
    "equalize_exposure",
    "needed_area",
    "register_pair",
    "register_stack",
    "valid_area",
    "warp_frame",
    "warp_part",
]
