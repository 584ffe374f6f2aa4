"""What stays fixed on the sensor: hot and dead pixels, dust. Found on a sample of a stack's frames.

The call sequence of a merge, with the transforms known from reduced luminance:

1. `choose_sample` picks the frames to look at.
2. For raw frames `find_hot_photosites` on their mosaics; their sources then carry the result, and
   every later reading is free of them.
3. `find_sensor_defects` on the sample's pixels as read.
4. `repair_frame` on every frame as read, before exposure is evened out and before it is warped.
"""

from merge.defects.finding import defects_finding
from merge.defects.repair import repair_frame
from merge.defects.search import choose_sample, find_hot_photosites, find_sensor_defects

__all__ = [
    "choose_sample",
    "defects_finding",
    "find_hot_photosites",
    "find_sensor_defects",
    "repair_frame",
]
