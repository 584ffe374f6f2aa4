"""The order of frames along the focus axis, from how alike their tiles' energies are."""

from __future__ import annotations

import numpy as np

from merge.axis.residuals import FLOOR
from merge.model import Array, Index
from merge.significance import blocks_score, proof_limit


def order_frames(energy: Array, blocks: Index) -> tuple[Index, float]:
    """Return the order in which neighbours are most alike, and how sure it is.

    Along the focus axis every tile rises to its peak and falls again. So where tiles lie in many
    depths, the path from frame to frame through their logarithmic energies is shortest in the
    right order. What lies in one depth rises and falls in other orders, too: only what changes
    beyond one rise and one fall tells that an order is wrong. The direction is the given one's.

    Parameters
    ----------
    energy : ndarray, shape (N, B, K)
        Energies of tiles with detail, noise removed.
    blocks : ndarray, shape (K,)
        That the tiles lie in.

    Returns
    -------
    order : ndarray, shape (N,)
        Frame indices.
    score : float
        By how many standard errors tiles go less astray in it than in the given one.
    """
    given = np.arange(len(energy))
    if len(given) < 3:
        return given, 0.0
    peak = np.maximum(energy.max(axis=0), 1e-12)
    features = np.log(np.maximum(energy / peak, 0) + FLOOR)
    apart = _distances(features)

    def gain(one: Index, other: Index) -> float:
        astray = [_way_astray(features[order]) for order in (one, other)]
        return blocks_score(astray[0] - astray[1], blocks)

    best, other = _improve(given, apart), _improve(_nearest_chain(apart), apart)
    if gain(best, other) > proof_limit(len(given)):
        best = other
    score = gain(given, best)
    if score <= 0:
        return given, 0.0
    return best if np.corrcoef(best, given)[0, 1] >= 0 else best[::-1], score


def _way_astray(path: Array) -> Array:
    """Return by how much tiles change beyond one rise and one fall along a path (N, B, K), (K,)."""
    way = np.abs(np.diff(path, axis=0)).sum(0)
    return np.asarray((way - (2 * path.max(0) - path[0] - path[-1])).sum(0))


def _distances(features: Array) -> Array:
    """Return the mean absolute difference of features (N, B, K) between all frames, (N, N)."""
    flat = features.reshape(len(features), -1).astype(np.float32)
    apart = np.zeros((len(flat), len(flat)))
    for frame, row in enumerate(flat):
        apart[frame, frame:] = apart[frame:, frame] = np.abs(flat[frame:] - row).mean(axis=1)
    return apart


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
