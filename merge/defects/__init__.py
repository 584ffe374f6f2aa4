"""What stays fixed on the sensor: hot and dead pixels, dust. Found on a sample of a stack's frames.

The call sequence of a merge:

1. `choose_sample` picks frames; each, as it is read for the first time, goes to a `DefectSearch`,
   which finishes when the frames are aligned. `defects_finding` says what came out.
2. What was kept of every frame is repaired: its sharpness by `repair_measure`, its reduced picture
   by `repair_frame` with `reduce_defects`.
3. `repair_frame` for every frame as it is read again, before exposure is evened out and before it
   is warped.
4. For raw files `find_hot_photosites` on the sample's mosaics; sources that carry the result are
   developed without them, and `repair_frame` has only dust left to do.
"""

from merge.defects.finding import defects_finding
from merge.defects.repair import reduce_defects, repair_frame, repair_measure
from merge.defects.search import (
    DefectSearch,
    choose_sample,
    find_hot_photosites,
)
from merge.defects.types import DustSpot, SensorDefects
