"""Hot and dead pixels of developed frames and of raw mosaics."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from merge.defects.evidence import PictureMotion, widest_px
from merge.defects.spikes import WINDOW
from merge.model import FloatArray

# Diameter, over the reach, of the disk that a point is blurred to when it reaches the pixels that
# it has to be above, even if it is clipped white: twice as far as they are. Without it six
# highlights of coins count as hot pixels.
_BLURRED_BEYOND = 4.0


def judge_spikes(
    positions: NDArray[np.int64],
    present: NDArray[np.bool_],
    motion: PictureMotion,
    *,
    reach: int,
    side: int,
) -> NDArray[np.bool_]:
    """Return which steady spikes are defects, shape (M,).

    Parameters
    ----------
    positions : ndarray, shape (M, 2)
        (row, column) in frames.
    present : ndarray, shape (M, K), bool
        From `SpikeSearch.steady`.
    motion : PictureMotion
    reach : int
        Of the search.
    side : int
        Distance, in pixels of the frames, of neighbours in what was searched.
    """
    # Moved so far, a point is one of those that its old place would have to be above. What is told
    # by frames that do not show the spike tells nothing: a thing may be blurred away there.
    defects = [
        motion.blurred_px(seen) >= _BLURRED_BEYOND * reach * side
        or widest_px(motion.offsets_px(row, column)[seen]) >= reach * side
        for (row, column), seen in zip(positions.tolist(), present, strict=True)
    ]
    return np.array(defects, bool)


def separate_spikes(places: NDArray[np.int32]) -> list[tuple[int, int]]:
    """Return (row, column) of spikes; those within one window, as of two channels, are one."""
    kept: list[tuple[int, int]] = []
    taken: set[tuple[int, int]] = set()
    for row, column in sorted({(int(p[0]), int(p[1])) for p in places}):
        if (row, column) not in taken:
            kept.append((row, column))
        near = range(-(WINDOW // 2), WINDOW // 2 + 1)
        taken |= {(row + i, column + j) for i in near for j in near}
    return kept


def reached_pixels(
    places: NDArray[np.int32], windows: FloatArray, shape: tuple[int, ...]
) -> NDArray[np.int32]:
    """Return (M, 2) row, column of all pixels that spikes reach, each once.

    Parameters
    ----------
    places : ndarray, shape (N, 4), int32
    windows : ndarray, shape (N, 7, 7, C), float32
        Mean surroundings.
    shape : tuple of int
        (H, W, ...) of the frames.
    """
    half = WINDOW // 2
    rim = np.ones((WINDOW, WINDOW), bool)
    rim[1:-1, 1:-1] = False
    codes: list[Any] = []
    for (row, column, _, _), window in zip(places.tolist(), windows, strict=True):
        ground = np.nanmedian(window[rim], axis=0)
        above = np.nan_to_num(np.abs(window - ground)).max(axis=2)
        reached = above > np.nan_to_num(np.abs(window[rim] - ground)).max()
        reached[half, half] = True
        reached &= ~rim
        rows, columns = np.nonzero(reached)
        rows, columns = rows + row - half, columns + column - half
        inside = (rows >= 0) & (rows < shape[0]) & (columns >= 0) & (columns < shape[1])
        codes.append(rows[inside].astype(np.int64) * shape[1] + columns[inside])
    if not codes:
        return np.empty((0, 2), np.int32)
    unique = np.unique(np.concatenate(codes))
    return np.stack(np.divmod(unique, shape[1]), axis=1).astype(np.int32)
