"""Coarse light of places whose depth is a guess.

Where neither fine nor coarse detail tells how deep a place lies, as beside blurred near ground or
between an insect's legs, a depth map may choose a frame that shows it under another thing's blur.
`DetailBlend` needs no depth: what it says otherwise there than the frame chosen, beyond noise, is
nearer to the truth as a rule. Only coarse light is taken from it, since its fine detail is noise.
"""

from __future__ import annotations

from collections.abc import Iterable

import cv2
import numpy as np

from merge.blend.common import weigh
from merge.blend.detail import DetailBlend
from merge.blend.parts import within
from merge.model import FloatArray
from merge.samples import EIGHT_BIT_STEP

# Light is lent from so many times a pixel's noise on, from twice as much in full, in a band between
# Gaussians of these sigmas, px of the reduced picture. Rendered fly, reeds, moss, all / backdrop:
# +0.12 / +0.27, +0.15 / +0.13 and +0.01 / -0.04 dB; with 10 and 16 px +0.08 / +0.03, +0.06 / +0.03
# and +0.02 / -0.07; with 7 and no upper end +0.14 / +0.50, +0.14 / +0.38 and +0.01 / -0.53.
_NOISES = 5.0
_BAND_PX = 1.0, 8.0
# Noise of rounding to 8 bits: light without any differs by as much.
_LEAST_NOISE = EIGHT_BIT_STEP / 12**0.5


def lend_light(
    picture: FloatArray, frames: Iterable[FloatArray], guessed: FloatArray, noise: float
) -> FloatArray:
    """Return what is to be added to a picture merged by depth.

    Parameters
    ----------
    picture : ndarray, shape (h, w, C), float32
        The merged picture, reduced, in the frames' encoding.
    frames : iterable of ndarray, shape (h, w, C), float32
        All of them, aligned and reduced alike.
    guessed : ndarray, shape (h, w), float32
        Share of a place whose depth is a guess, 0 to 1.
    noise : float
        Standard deviation of a pixel of the frames before they were reduced.

    Returns
    -------
    ndarray, shape (h, w, C), float32
    """
    blend = DetailBlend(picture.shape)
    for frame in frames:
        blend.add(frame)
    apart = np.empty_like(picture)
    for part in blend.own_parts:
        apart[within(part.inner, (0, 0, *picture.shape[:2]))] = blend.take(part)
    apart -= picture
    fine, coarse = (cv2.GaussianBlur(apart, (0, 0), sigma) for sigma in _BAND_PX)
    band = (fine - coarse).reshape(picture.shape)
    beyond = np.abs(band).max(axis=2) / np.float32(_NOISES * max(noise, _LEAST_NOISE))
    share = np.clip(beyond - 1, 0, 1) * guessed
    return weigh(band, cv2.GaussianBlur(share, (0, 0), 1.0))
