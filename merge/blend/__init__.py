"""Join aligned frames into one picture, frame by frame, without holding the stack.

`DetailBlend` takes at every pyramid level the coefficient with the most local energy, of frames
that `Contenders` tells;
`SurfaceBlend` follows a depth map; `find_veil` and `remove_veil` take a blurred foreground off what
lies behind it; `restore_detail` undoes the small blur of places between two frames; `lend_light`
mends the light of places whose depth is a guess.
"""

from merge.blend.contenders import Contenders, block_strength
from merge.blend.detail import DETAIL_PART_PX, DetailBlend
from merge.blend.guesses import lend_light
from merge.blend.parts import Part, within
from merge.blend.surface import (
    PART_PX,
    Coverage,
    Share,
    SurfaceBlend,
    mixing_position,
    mixing_reach,
    mixing_variance,
    restore_detail,
)
from merge.blend.veil import (
    Veil,
    VeilScene,
    find_veil,
    observed_range,
    remove_veil,
)
