"""What moved between the frames of an aligned stack, and the one frame to take it from.

`find_moving_parts` compares neighbouring frames by what neither defocus nor noise explains,
`hold_still` puts every part that moved into one frame of a depth map, `moving_findings` tells.
"""

from merge.moving.parts import (
    MovingPart,
    MovingParts,
    box_of,
    hold_still,
    moving_findings,
    place_words,
)
from merge.moving.search import find_moving_parts
