"""Join aligned frames into one picture, frame by frame, without holding the stack.

`DetailBlend` takes at every pyramid level the coefficient with the most local energy, of frames
that `Contenders` tells; `SurfaceBlend` follows a depth map; `remove_foreground_blur` takes a
blurred foreground off what lies behind it; `restore_detail` undoes the small blur of places between
two frames; `lend_light` mends the light of places whose depth is a guess.
"""

from merge.blend.contenders import Contenders, block_strength
from merge.blend.detail import DETAIL_PART_PX, DetailBlend
from merge.blend.foreground import (
    ForegroundBlur,
    OcclusionScene,
    find_foreground_blur,
    observed_range,
    remove_foreground_blur,
)
from merge.blend.guesses import lend_light
from merge.blend.mixing import (
    mixing_position,
    mixing_reach,
    mixing_variance,
    restore_detail,
)
from merge.blend.parts import Part, within
from merge.blend.surface import (
    PART_PX,
    Coverage,
    SurfaceBlend,
    WeightedPatch,
)
