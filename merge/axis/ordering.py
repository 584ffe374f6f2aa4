"""The order of frames along the focus axis, from how alike their tiles' energies are."""

from __future__ import annotations

import numpy as np

from merge.model import Array, Index

_MOST_FEATURES = 1500
# The path through the frames must become this much shorter before the given order is doubted, and
# the fit as much better before another is taken.
ORDER_GAIN = 0.03


def order_frames(energy: Array) -> Index:
    """Return the order in which neighbours are most alike, (N,), frame indices.

    Along the focus axis every tile rises to its peak and falls again, so the path from frame to
    frame through the tiles' logarithmic energies is shortest in the right order. The direction
    is the given one's.

    Parameters
    ----------
    energy : ndarray, shape (N, B, K)
        Energies of tiles with detail, noise removed.
    """
    count = len(energy)
    if count < 3:
        return np.arange(count)
    apart = _distances(energy)
    given = np.arange(count)
    best = _improve(given, apart)
    nearest = _improve(_nearest_chain(apart), apart)
    if _length(nearest, apart) < (1 - ORDER_GAIN) * _length(best, apart):
        best = nearest
    if _length(best, apart) > (1 - ORDER_GAIN / count) * _length(given, apart):
        return given
    return best if np.corrcoef(best, given)[0, 1] >= 0 else best[::-1]


def _distances(energy: Array) -> Array:
    """Return the mean absolute difference of logarithmic energies between all frames, (N, N)."""
    peak = np.maximum(energy.max(axis=0), 1e-12)
    features = np.log(np.maximum(energy / peak, 0) + 0.1).reshape(len(energy), -1)
    features = features[:, :: max(1, features.shape[1] // _MOST_FEATURES)].astype(np.float32)
    return np.stack([np.abs(features - row).mean(axis=1) for row in features]).astype(float)


def _length(order: Index, apart: Array) -> float:
    return float(apart[order[:-1], order[1:]].sum())


def _nearest_chain(apart: Array) -> Index:
    """Chain each frame to the nearest one left, from the end that lies farthest out."""
    left = np.ones(len(apart), bool)
    here = int(np.unravel_index(apart.argmax(), apart.shape)[0])
    chain = []
    while True:
        chain.append(here)
        left[here] = False
        if not left.any():
            return np.array(chain)
        here = int(np.where(left, apart[here], np.inf).argmin())


def _improve(order: Index, apart: Array) -> Index:
    """Turn round stretches and move single frames as long as that shortens the path."""
    count = len(order)
    # A frame of no distance before and after the path makes its ends ordinary places.
    padded = np.zeros((count + 1, count + 1))
    padded[:count, :count] = apart
    path = np.concatenate([[count], order, [count]])
    for _ in range(4 * count):
        i, j, gain = _best_reversal(path, padded)
        k, m, gain_move = _best_move(path, padded)
        if max(gain, gain_move) < 1e-9:
            break
        if gain >= gain_move:
            path[i : j + 1] = path[i : j + 1][::-1].copy()
        else:
            frame = path[k]
            rest = np.delete(path, k)
            path = np.insert(rest, m if m < k else m - 1, frame)
    return path[1:-1]


def _best_reversal(path: Index, apart: Array) -> tuple[int, int, float]:
    """Return the stretch i..j of the path whose reversal gains most."""
    inner = path[1:-1]
    before, after = path[:-2], path[2:]
    now = apart[before, inner][:, None] + apart[inner, after][None, :]
    turned = apart[before[:, None], inner[None, :]] + apart[inner[:, None], after[None, :]]
    gain = np.triu(now - turned, 1)
    i, j = np.unravel_index(gain.argmax(), gain.shape)
    return int(i) + 1, int(j) + 1, float(gain[i, j])


def _best_move(path: Index, apart: Array) -> tuple[int, int, float]:
    """Return a frame's place k, the place m to insert it before, and the gain."""
    inner = path[1:-1]
    before, after = path[:-2], path[2:]
    freed = apart[before, inner] + apart[inner, after] - apart[before, after]
    left, right = path[:-1], path[1:]
    added = apart[left[None, :], inner[:, None]] + apart[inner[:, None], right[None, :]]
    added -= apart[left, right][None, :]
    gain = freed[:, None] - added
    rows = np.arange(len(inner))
    gain[rows, rows] = gain[rows, rows + 1] = -np.inf
    k, m = np.unravel_index(gain.argmax(), gain.shape)
    return int(k) + 1, int(m) + 1, float(gain[k, m])
