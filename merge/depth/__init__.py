"""Which frame is sharpest at every pixel, to a fraction of a frame.

Each frame leaves a reduced, half-precision map of its local detail; the maps of all frames are
then filtered along picture edges and their peak along the stack is located.
"""

from merge.depth.coarse import settle_smooth_places
from merge.depth.ends import mark_ends
from merge.depth.evidence import Evidence, find_flat_areas, weigh_evidence
from merge.depth.guide import FocusComposite
from merge.depth.highlights import settle_highlights
from merge.depth.locating import locate_depth
from merge.depth.measuring import (
    REACH_WIDE,
    detail_of,
    measure_detail,
    measure_reduction,
    measure_samples,
)
from merge.depth.nearness import first_is_near
from merge.depth.occlusion import refine_occlusion_edges
from merge.depth.planes import follow_planes
from merge.depth.rims import BlurRims, settle_rims
