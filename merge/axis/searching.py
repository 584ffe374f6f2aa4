"""The best of many places for every tile on the focus axis (compiled).

Tiles lie side by side in memory, so that the loops over them take several at a time: in single
precision, which moves a cost by less than one part in 10,000.
"""

from __future__ import annotations

import math

import numpy as np

from merge.axis.residuals import FLOOR, TYPICAL, Windows, in_chunks, slopes_of
from merge.compiled import njit
from merge.model import Array, BoolArray, FloatArray, Index

# Factors of at most 1e5 (a residual of a factor of 500, at the least scale) whose product single
# precision still holds.
_FACTORS = 4


def search_tiles(
    data: Windows,
    slopes: Index,
    frames_px: Array,
    candidates: Array,
    *,
    scale: float,
    rounds: int = 1,
) -> tuple[Array, Array]:
    """Return for every tile the best of its candidate positions, and its robust cost.

    ``candidates`` is (P, K) in px; the cost is the sum of log(1 + (residual / scale)^2).
    """
    tiles = candidates.shape[1]
    best, cost = np.empty(tiles, np.int64), np.empty(tiles, np.float32)
    shares = data.blur.share_single
    per_px = (data.blur.per_unit / np.asarray(data.sigma_px)).astype(np.float32)

    def fill(first: int, last: int) -> None:
        some = slice(first, last)
        if first not in data.side_by_side:
            each = (data.value, data.logarithm, data.used)
            data.side_by_side[first] = tuple(_side_by_side(values[some]) for values in each)
        frames = data.frames[some]
        rows = np.ascontiguousarray(slopes[some].T) * shares.shape[1]
        tried = candidates[:, some].astype(np.float32, "C")
        _search(
            *data.side_by_side[first], _side_by_side(frames_px[frames]),
            _side_by_side(data.own[frames]), per_px, shares.ravel(), shares.shape[1], rows, tried,
            scale, rounds, best[some], cost[some],
        )  # fmt: skip

    in_chunks(fill, tiles)
    return candidates[best, np.arange(tiles)], cost.astype(float)


def misfit(data: Windows, frames_px: Array, tiles_px: Array) -> Array:
    """Return how badly the model explains every tile, (K,): two depths, motion, leaking light."""
    _, cost = search_tiles(
        data, slopes_of(data), frames_px, tiles_px[None], scale=TYPICAL, rounds=2
    )
    return np.asarray(cost / (data.used.sum(axis=1) * data.value.shape[1]))


def _side_by_side(by_tile: Array | BoolArray) -> FloatArray:
    """Return values with the tiles, the first axis, as the last one."""
    return np.ascontiguousarray(np.moveaxis(by_tile, 0, -1), np.float32)


@njit(inner=True, nogil=True, fastmath=True, error_model="numpy")
def _log32(x: np.float32) -> np.float32:  # pragma: no cover - compiled
    """Return the natural logarithm to 1e-6, as `_log` of residuals does."""
    bits = np.float32(x).view(np.int32)
    exponent = (bits - np.int32(0x3F3504F3)) >> np.int32(23)
    m = np.int32(bits - (exponent << np.int32(23))).view(np.float32)
    s = (m - np.float32(1)) / (m + np.float32(1))
    t = s * s
    series = np.float32(1 / 3) + t * (np.float32(1 / 5) + t * np.float32(1 / 7))
    whole = np.float32(exponent) * np.float32(0.6931471805599453)
    return whole + np.float32(2) * s * (np.float32(1) + t * series)


@njit(
    nogil=True,
    fastmath=True,
    error_model="numpy",
    takes="f3 f3 f2 f2 f2 f1 f1 i i2 f2 d i i1 f1",
)
def _search(  # pragma: no cover - compiled
    value: Array,
    logarithm: Array,
    weight: Array,
    places: Array,
    own: Array,
    per_px: Array,
    shares: Array,
    columns: int,
    rows: Index,
    candidates: Array,
    scale: float,
    rounds: int,
    best: Index,
    cost: Array,
) -> None:
    bands, width, tiles = value.shape
    floor, per_scale = np.float32(FLOOR), np.float32(1 / scale)
    last = np.int32(columns - 1)
    share = np.empty((width, tiles), np.float32)
    top, bottom = np.empty(tiles, np.float32), np.empty(tiles, np.float32)
    amplitude, total = np.empty(tiles, np.float32), np.empty(tiles, np.float32)
    for p in range(len(candidates)):
        for t in range(tiles):
            total[t] = 0
        for b in range(bands):
            for t in range(tiles):
                top[t] = bottom[t] = 0
            for w in range(width):
                for t in range(tiles):
                    apart = places[w, t] - candidates[p, t]
                    blur = math.sqrt(max(apart * apart + own[w, t], np.float32(0)))
                    column = min(np.int32(blur * per_px[b] + np.float32(0.5)), last)
                    share[w, t] = shares[np.uint32(rows[b, t] + column)]
                for t in range(tiles):
                    part = weight[w, t] * share[w, t]
                    top[t] += part * value[b, w, t]
                    bottom[t] += part * share[w, t]
            for t in range(tiles):
                amplitude[t] = max(top[t] / max(bottom[t], np.float32(1e-12)), floor / 2)
            for _ in range(rounds):
                for t in range(tiles):
                    top[t] = bottom[t] = 0
                for w in range(width):
                    for t in range(tiles):
                        part = amplitude[t] * share[w, t]
                        model = part + floor
                        sway = part / model
                        top[t] += weight[w, t] * sway * (logarithm[b, w, t] - _log32(model))
                        bottom[t] += weight[w, t] * sway * sway
                for t in range(tiles):
                    change = top[t] / max(bottom[t], np.float32(1e-9))
                    amplitude[t] *= math.exp(min(max(change, np.float32(-1)), np.float32(1)))
            for t in range(tiles):
                top[t] = 1
            for w in range(width):
                for t in range(tiles):
                    model = amplitude[t] * share[w, t] + floor
                    ratio = (logarithm[b, w, t] - _log32(model)) * per_scale
                    top[t] *= np.float32(1) + weight[w, t] * ratio * ratio
                if w % _FACTORS == _FACTORS - 1 or w == width - 1:
                    for t in range(tiles):
                        total[t] += _log32(top[t])
                        top[t] = 1
        for t in range(tiles):
            if p == 0 or total[t] < cost[t]:
                cost[t] = total[t]
                best[t] = p
