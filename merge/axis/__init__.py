"""The focus axis: how far apart the focus planes are, in pixels of blur, from the frames alone.

Put frame i at position s_i and a small tile of the subject at p_t on one axis whose unit is
pixels of blur-circle diameter: the tile is blurred by a disk of diameter D = |s_i - p_t| in
that frame, and its energy in band b is a_tb T_b(D), with T_b the squared transfer of the disk
averaged over the band. The tile's own texture a_tb cancels, because only the change along the
stack is used. The scale is not free: the way energy falls from frame to frame fixes it.
"""

from merge.axis.fitting import fit_focus_axis
