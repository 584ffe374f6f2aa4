"""Where every frame lies against the reference frame, and the one resampling that puts it there.

`register_pair` compares two pictures, `StackRegistration` takes frames one by one and solves all
pairs of neighbours together, `register_stack` does so for pictures at hand,
`warp_frame` samples a frame at exact positions, `equalize_exposure` brings its light to the
reference's, `small_colours` gives what changes of colour are measured on, `common_area` tells what
all frames cover, `analysis_reduction` how small the compared pictures may be.
"""

from merge.align.area import common_area, valid_area
from merge.align.exposure import SmallColours, equalize_exposure, small_colours
from merge.align.geometry import median_positions
from merge.align.motion import rescale_transform
from merge.align.pair import PairResult, register_pair
from merge.align.warp import find_places, needed_area, warp_frame, warp_part
from merge.align.whole_stack import StackRegistration, analysis_reduction, register_stack
