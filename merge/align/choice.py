"""Which motion a stack shows, judged by how well it predicts tiles that were left out.

The picture is divided into blocks. A motion is fitted without a quarter of them and has to tell
where their tiles lie. A richer motion is chosen where it does so better by more than chance: the
mean gain over blocks against its own standard error. All tiles of one place are one sample,
since what disturbs a tile in one pair mostly disturbs it in others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.align.camera import CameraModel, Motion, enriched
from merge.align.solve import TAIL, Linearised, StackFit, squared

Array = NDArray[np.float64]

# Blocks along each side of the square about the picture; every fourth is left out at a time.
_BLOCKS = 8
# Standard errors of the gain from which it is believed: 0.1 % by chance, if normal.
_BELIEVED = 3.0
# Rounds that take a fitted motion to a richer one.
_ROUNDS = 6


@dataclass(frozen=True, eq=False)
class Choice:
    """The motion that the tiles bear out.

    Attributes
    ----------
    motion : Motion
    gain : float
        Standard errors by which it predicts better than the simplest; 0 for that itself.
    """

    motion: Motion
    gain: float = 0.0


def choose_motion(fit: StackFit, simplest: Motion, richer: list[CameraModel]) -> Choice:
    """Return the motion of the last model, in the order given, that tiles bear out.

    Parameters
    ----------
    fit : StackFit
    simplest : Motion
        Fitted.
    richer : list of CameraModel
        Each can do what those before it can.
    """
    first = _predict(fit, simplest)
    chosen, loss, gain = simplest, first, 0.0
    for model in richer:
        motion = fit.solve(enriched(chosen, model), _ROUNDS)
        other = _predict(fit, motion)
        if _gain(loss, other) > _BELIEVED:
            chosen, loss, gain = motion, other, _gain(first, other)
    return Choice(chosen, gain)


@dataclass(frozen=True, eq=False)
class _Loss:
    """How badly tiles were predicted, and the block of each; shapes (n,)."""

    tiles: Array
    block: NDArray[np.intp]


def _gain(one: _Loss, other: _Loss) -> float:
    """Return by how many standard errors ``other`` is better."""
    count = np.bincount(one.block)
    gains = np.bincount(one.block, one.tiles - other.tiles)[count > 0]
    error = np.sqrt(len(gains)) * gains.std()
    return float(gains.sum() / error) if error > 0 else 0.0


def _predict(fit: StackFit, motion: Motion) -> _Loss:
    """Return how badly every tile is predicted by a fit without its block."""
    now = fit.linearise(motion)
    at = np.clip(((now.points + 1) / 2 * _BLOCKS).astype(np.intp), 0, _BLOCKS - 1)
    fold = (at[:, 0] % 2) * 2 + at[:, 1] % 2
    loss = np.zeros(len(fold))
    for k in range(4):
        out = fold == k
        left = _left(fit, motion, now, fit.step(motion, now, np.where(out, 0.0, 1.0)))
        loss[out] = TAIL * np.log1p(squared(left, now.certainty)[out] / TAIL)
    return _Loss(loss, at[:, 0] * _BLOCKS + at[:, 1])


def _left(fit: StackFit, motion: Motion, now: Linearised, update: Array) -> Array:
    """Return the misfits (n, 2) after an update."""
    tiles, own = fit.tiles, motion.model.own
    parts = [update[(f * own)[:, None] + np.arange(own)] for f in (tiles.first, tiles.second)]
    shared = np.broadcast_to(update[motion.own.size :], (len(tiles), motion.model.shared))
    moved = np.concatenate([*parts, shared], 1)
    return np.asarray(now.misfit - np.einsum("tiq,tq->ti", now.jacobian, moved))
