"""Frames of one focus at several apertures, which focus planes on an axis explain badly.

With the focus still and the pupil changing, a tile is blurred by ``a_t c_i``: a share a_t of
its own of the blur c_i that frame i gives what lies farthest out of focus. What is in focus stays
sharp in every frame while the rest changes, which no places on an axis allow.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from merge.axis.preparing import StackEnergies
from merge.axis.residuals import FLOOR, TYPICAL
from merge.axis.transfer import LARGEST, BlurTables
from merge.model import Array, FloatArray, Index
from merge.significance import FEWEST, SURE, blocks_score, tile_blocks
from merge.threads import map_threads

# More f-numbers than a lens has: third stops from f/1.4 to f/32.
_MOST_FRAMES = 28
# Tiles that are tried, of those fitted, and rounds of fitting frames and tiles in turn.
_TILES, _ROUNDS = 300, 15
# Shares tried for a tile; blurs for a frame, over the finest sigma: the pupil's, and everywhere.
_SHARES = np.concatenate([[0.0], np.geomspace(0.03, 1.0, 24)])
_PUPILS = np.concatenate([[0.0], np.geomspace(0.4, 4 * LARGEST, 48)])
_EVERYWHERE = np.concatenate([[0.0], np.geomspace(0.7, 10.0, 9)])
# Change of the logarithm of fine detail below which nothing tells a burst or steps too fine to see
# from apertures: a factor of two in the quarter of the tiles that changes most.
_LEAST_CHANGE = float(np.log(2.0))
# Places tried for a tile, on the axis and a third of its length beyond either end.
_PLACES = 100


def only_pupils_change(data: StackEnergies, chosen: Index, frames_px: Array) -> bool:
    """Tell whether one focus at several apertures explains the tiles better, beyond doubt.

    Parameters
    ----------
    data : StackEnergies
    chosen : ndarray of int
        Tiles that were fitted.
    frames_px : ndarray, shape (N,)
        Places that the fit of focus planes gave.
    """
    chosen = chosen[:: max(1, len(chosen) // _TILES)]
    if not FEWEST <= len(frames_px) <= _MOST_FRAMES:
        return False
    peak = np.maximum(data.energy[:, :, chosen].max(axis=0), 1e-12)
    value = np.maximum(data.energy[:, :, chosen] / peak, -FLOOR / 2).astype(np.float32)
    tiles = _Tiles(
        value, np.log(value + FLOOR), data.blur.choose_rows(peak), data.sigma_px, data.blur
    )
    fine = tiles.logarithm[:, :2].mean(axis=1)
    if float(np.median(np.ptp(fine[:, _most(fine)], axis=0))) < _LEAST_CHANGE:
        return False
    by_pupil = _cost_of_pupils(tiles)
    low, high = float(frames_px.min()), float(frames_px.max())
    beyond = (high - low) / 3

    def cost_at(place: float) -> Array:
        return tiles.cost(np.hypot(frames_px - place, np.sqrt(data.own))[:, None])[0]

    places = np.linspace(low - beyond, high + beyond, _PLACES)
    by_place = np.min(map_threads(cost_at, places), axis=0)
    better = (by_place - by_pupil) / (by_place + by_pupil)
    sure = blocks_score(better, tile_blocks(data.grid)[chosen])
    return bool(sure > SURE and by_pupil.sum() < by_place.sum())


@dataclass(frozen=True)
class _Tiles:
    """Energies over the largest, (N, B, K), their logarithms, and the spectra's rows (B, K).

    In single precision, which moves a cost by far less than its error.
    """

    value: FloatArray
    logarithm: FloatArray
    rows: Index
    sigma_px: Array
    blur: BlurTables

    def shares(self, blur_px: Array) -> FloatArray:
        """Return what blurs (..., K) leave of every band, (..., B, K)."""
        last = self.blur.share_single.shape[1] - 1
        columns = [
            np.minimum(blur_px * (self.blur.per_unit / sigma) + 0.5, last).astype(np.intp)
            for sigma in self.sigma_px
        ]
        return np.asarray(self.blur.share_single[self.rows, np.stack(columns, -2)])

    def cost(self, blur_px: Array) -> tuple[Array, Array]:
        """Return how badly blurs (N, K) explain every tile, (K,), and its amplitudes (B, K)."""
        left = self.shares(np.broadcast_to(blur_px, (len(self.value), self.rows.shape[1])))
        power = np.maximum((left * left).sum(axis=0), 1e-12)
        amplitude = np.maximum((self.value * left).sum(axis=0) / power, FLOOR / 2)
        for _ in range(2):
            model = amplitude * left + FLOOR
            own = amplitude * left / model
            change = (own * (self.logarithm - np.log(model))).sum(axis=0)
            curvature = np.maximum((own * own).sum(axis=0), 1e-9)
            amplitude = amplitude * np.exp(np.clip(change / curvature, -1, 1))
        return _robust(self.logarithm - np.log(amplitude * left + FLOOR)).sum(
            axis=(0, 1)
        ), amplitude


def _robust(residual: Array) -> Array:
    return np.asarray(np.log1p((residual / TYPICAL) ** 2))


def _most(change: Array) -> Index:
    """Return the quarter of the tiles whose values, (N, K), change most."""
    order = np.argsort(-np.ptp(change, axis=0))
    return np.asarray(order[: max(FEWEST, len(order) // 4)])


def _cost_of_pupils(tiles: _Tiles) -> Array:
    """Return how badly the best blurs at one focus explain every tile, (K,)."""
    finest, count = float(tiles.sigma_px[0]), tiles.rows.shape[1]
    grid = _PUPILS * finest
    models = np.log(tiles.shares(np.repeat(grid[:, None], count, axis=1)) + FLOOR)
    single = map_threads(
        lambda frame: _robust(frame - models).sum(axis=1).argmin(axis=0), tiles.logarithm
    )
    alone = grid[np.stack(single)]
    pupils, everywhere = np.median(alone[:, _most(alone)], axis=1), np.zeros(len(alone))
    pairs = np.stack(np.meshgrid(grid, _EVERYWHERE * finest, indexing="ij"), -1).reshape(-1, 2)
    least = np.full(count, np.inf)
    for _ in range(_ROUNDS):
        blurs = [np.hypot(pupils * share, everywhere)[:, None] for share in _SHARES]
        tried = map_threads(tiles.cost, blurs)
        costs = np.stack([cost for cost, _ in tried])
        chosen = costs.argmin(axis=0)
        if costs.min(axis=0).sum() > 0.998 * least.sum():
            break
        least = costs.min(axis=0)
        amplitude = np.stack([found for _, found in tried])[chosen, :, np.arange(count)].T
        left = tiles.shares(np.hypot(np.outer(pairs[:, 0], _SHARES[chosen]), pairs[:, 1:]))
        models = np.log(amplitude * left + FLOOR)
        pupils, everywhere = pairs[map_threads(partial(_nearest, models), tiles.logarithm)].T
    return least


def _nearest(models: Array, seen: Array) -> int:
    """Return which of models (n, B, K) explains a frame (B, K) best."""
    return int(_robust(seen - models).sum(axis=(1, 2)).argmin())
