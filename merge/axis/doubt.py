"""Frames whose place nothing tells: as good a fit has them midway between their neighbours.

Blur is the same on either side of focus, and a frame near the focus of all its tiles shows little
of how near. A solution then may be the wrong one of two, with small errors about it.
"""

from __future__ import annotations

import numpy as np

from merge.axis.residuals import TYPICAL, Windows, compare, slopes_of, take_tiles
from merge.axis.searching import search_tiles
from merge.model import Array
from merge.significance import EVEN, FEWEST, NINETY, blocks_score

# Scales that are tried where few frames tell it.
_WIDER = np.geomspace(1 / 4, 4, 17)


def take_middle(data: Windows, frames_px: Array, tiles_px: Array) -> tuple[Array, Array]:
    """Return frames put midway where that fits as well, and how far each may lie off.

    Parameters
    ----------
    data : Windows
    frames_px, tiles_px : ndarray, shape (N,) and (K,)
        A solution, frames rising.

    Returns
    -------
    frames_px, doubt_px : ndarray, shape (N,)
        ``doubt_px`` is 0 where the middle is ruled out, or the frame lies there. Of a few frames
        it tells how wide or narrow they may lie as well.
    """
    steps = np.diff(frames_px)
    usual = float(np.median(steps))
    if len(steps) < FEWEST:
        return frames_px, _doubt_of_few(data, frames_px, tiles_px)
    if not (steps > 0).all():
        return frames_px, np.zeros(len(frames_px))
    ends = frames_px[1] - usual, frames_px[-2] + usual
    middle = np.concatenate([[ends[0]], (frames_px[:-2] + frames_px[2:]) / 2, [ends[1]]])
    moved, doubt = frames_px.copy(), np.zeros(len(frames_px))
    for frame in np.flatnonzero(np.abs(middle - frames_px) > EVEN * usual).tolist():
        if worse_by(data, frames_px, tiles_px, frame, float(middle[frame])) < NINETY:
            doubt[frame] = abs(middle[frame] - frames_px[frame])
            moved[frame] = middle[frame]
    return moved, doubt


def _doubt_of_few(data: Windows, frames_px: Array, tiles_px: Array) -> Array:
    """Return how far off frames may be together where so few tell their scale: the same fit, wider.

    What a frame shows less of than the one beside it may be blurred by a wide step, or by a narrow
    one that lies beyond blur that both show.
    """
    usual = float(np.abs(np.diff(frames_px)).max())
    own = _cost(data, frames_px, tiles_px, usual)
    as_well = [
        abs(wider - 1)
        for wider in _WIDER
        if blocks_score(
            _cost(data, wider * frames_px, wider * tiles_px, wider * usual) - own, data.blocks
        )
        < NINETY
    ]
    return np.abs(frames_px) * max(as_well, default=0.0) / NINETY


def worse_by(
    data: Windows, frames_px: Array, tiles_px: Array, frame: int, place_px: float
) -> float:
    """Return by how many standard errors the fit is worse with a frame in another place.

    Parameters
    ----------
    data : Windows
    frames_px, tiles_px : ndarray, shape (N,) and (K,)
    frame : int
    place_px : float
        The other one.
    """
    concerned = ((data.frames == frame) & data.used).any(axis=1)
    if not concerned.any():
        return 0.0
    some, tiles = take_tiles(data, concerned), tiles_px[concerned]
    moved = frames_px.copy()
    moved[frame] = place_px
    reach = 1.2 * abs(place_px - frames_px[frame])
    return blocks_score(
        _cost(some, moved, tiles, reach) - _cost(some, frames_px, tiles, reach), some.blocks
    )


def _cost(data: Windows, frames_px: Array, tiles_px: Array, reach_px: float) -> Array:
    """Return every tile's cost at its best place within reach, its spectrum taken there."""
    slopes = slopes_of(data)
    places = tiles_px
    for wide in (1.0, 0.25):
        candidates = places + np.linspace(-wide, wide, 13)[:, None] * reach_px
        places, _ = search_tiles(data, slopes, frames_px, candidates, scale=TYPICAL)
        slopes = slopes_of(data, compare(data, slopes, frames_px, places, rounds=2).amplitude)
    candidates = places + np.linspace(-0.25, 0.25, 9)[:, None] * reach_px
    return search_tiles(data, slopes, frames_px, candidates, scale=TYPICAL, rounds=2)[1]
