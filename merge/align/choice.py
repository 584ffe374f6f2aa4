"""Which motion a stack shows, by evidence.

The picture is divided into blocks; all tiles of one are one sample, since what disturbs a tile in
one pair mostly disturbs it in others. A richer motion is believed

- that adds one number to the whole stack (the bend of a camera that turns, the distortion of a
  lens) where that number is several standard errors from 0,
- that adds numbers to every frame where it predicts tiles better, fitted without a quarter of the
  blocks, than the simpler one does, by several standard errors of the mean over blocks;

and in both cases only where it predicts better at all.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from merge.align.camera import CameraModel, Motion, enriched
from merge.align.pair import PARTS, TAIL
from merge.align.solve import Linearised, StackFit, squared
from merge.errors import RegistrationError
from merge.model import Array
from merge.significance import SURE, proof_limit

Change = Callable[[CameraModel], CameraModel]


@dataclass(frozen=True, eq=False)
class Choice:
    """The motion that the tiles bear out.

    Attributes
    ----------
    motion : Motion
    evidence : float
        Standard errors of the weakest change that was believed; 0 without any.
    """

    motion: Motion
    evidence: float = 0.0


def choose_motion(fit: StackFit, simplest: Motion, changes: Sequence[Change]) -> Choice:
    """Return the motion with all those changes, tried in this order, that tiles bear out.

    Parameters
    ----------
    fit : StackFit
    simplest : Motion
        Fitted.
    changes : sequence of callable
        Each takes a `CameraModel` to a richer one, or leaves it as it is.
    """
    chosen, loss, found = simplest, _predict(fit, simplest), []
    tried = {simplest.model}
    for change in changes:
        model = change(chosen.model)
        if model in tried:
            continue
        tried.add(model)
        try:
            motion = fit.solve(enriched(chosen, model))
            other = _predict(fit, motion)
        except RegistrationError:  # too few tiles to hold so rich a motion
            continue
        evidence = _evidence(fit, (loss, other), chosen.model, motion)
        if evidence:
            chosen, loss = motion, other
            found.append(evidence)
    return Choice(chosen, min(found, default=0.0))


def _evidence(
    fit: StackFit, losses: tuple[_Loss, _Loss], before: CameraModel, motion: Motion
) -> float:
    """Return the standard errors that speak for a richer motion; 0 where it is not believed."""
    gain = _gain(*losses)
    if gain <= 0:
        return 0.0
    model = motion.model
    if model.own > before.own:
        return gain if gain > proof_limit(1) else 0.0
    place = 0 if model.bends and not before.bends else model.shared - 1
    certain = abs(_significance(fit, motion, place))
    return certain if certain > SURE else 0.0


def predicts_better(fit: StackFit, one: Motion, other: Motion) -> bool:
    """Tell whether the other motion predicts tiles better by more than chance."""
    return _gain(_predict(fit, one), _predict(fit, other)) > proof_limit(1)


def rolling(model: CameraModel) -> CameraModel:
    """Return a model in which frames turn in the picture."""
    return replace(model, rolls=True)


def turning(model: CameraModel) -> CameraModel:
    """Return a model in which the camera turns."""
    return replace(model, family="camera") if model.family == "similarity" else model


def distorting(model: CameraModel) -> CameraModel:
    """Return a model in which the lens distorts otherwise at another focus."""
    return replace(model, radial=max(model.radial, 1))


def moving(model: CameraModel) -> CameraModel:
    """Return a model in which the camera moves, not only turns."""
    return replace(model, parallax=True)


def _significance(fit: StackFit, motion: Motion, place: int) -> float:
    """Return a shared parameter over its standard error, blocks being the samples.

    The error is that of weighted least squares with clustered observations ("sandwich";
    K.-Y. Liang and S. L. Zeger, Biometrika 73, 13 (1986), from memory).
    """
    now = fit.linearise(motion)
    row = fit.step(motion, now, wanted=motion.own.size + place)
    moved = np.einsum("tiq,tq->ti", now.jacobian, _by_tile(fit, motion, row))
    weighted = np.einsum("tij,tj->ti", now.certainty * now.trust[:, None, None], now.misfit)
    parts = np.bincount(blocks_of(now), (moved * weighted).sum(1))
    count = np.count_nonzero(parts)
    error = np.sqrt((parts**2).sum() * count / max(count - 1, 1))
    return float(motion.shared[place] / error) if error > 0 else 0.0


@dataclass(frozen=True, eq=False)
class _Loss:
    """How badly tiles were predicted, and the block of each; shapes (n,)."""

    tiles: Array
    block: NDArray[np.intp]


def _gain(one: _Loss, other: _Loss) -> float:
    return improvement(one.tiles, other.tiles, one.block)


def improvement(before: Array, after: Array, block: NDArray[np.intp]) -> float:
    """Return by how many standard errors, blocks being the samples, losses (n,) became less."""
    count = np.bincount(block)
    gains = np.bincount(block, before - after)[count > 0]
    error = np.sqrt(len(gains)) * gains.std()
    return float(gains.sum() / error) if error > 0 else 0.0


def _predict(fit: StackFit, motion: Motion) -> _Loss:
    """Return how badly every tile is predicted by a fit without its block."""
    now = fit.linearise(motion)
    block = blocks_of(now)
    loss = np.zeros(len(block))
    for out in left_out(block):
        left = misfit_after(fit, motion, now, fit.step(motion, now, np.where(out, 0.0, 1.0)))
        loss[out] = loss_of(left[out], now.certainty[out])
    return _Loss(loss, block)


def loss_of(misfit: Array, certainty: Array) -> Array:
    """Return heavy-tailed losses of misfits (n, 2)."""
    return np.asarray(TAIL * np.log1p(squared(misfit, certainty) / TAIL))


def left_out(block: NDArray[np.intp]) -> list[NDArray[np.bool_]]:
    """Return four masks of tiles, by every fourth block, that a fit does without."""
    fold = (block // PARTS % 2) * 2 + block % 2
    return [fold == k for k in range(4)]


def blocks_of(now: Linearised) -> NDArray[np.intp]:
    """Return the block of every tile."""
    at = np.clip(((now.points + 1) / 2 * PARTS).astype(np.intp), 0, PARTS - 1)
    return np.asarray(at[:, 0] * PARTS + at[:, 1])


def misfit_after(fit: StackFit, motion: Motion, now: Linearised, update: Array) -> Array:
    """Return the misfits (n, 2) after an update."""
    moved = np.einsum("tiq,tq->ti", now.jacobian, _by_tile(fit, motion, update))
    return np.asarray(now.misfit - moved)


def _by_tile(fit: StackFit, motion: Motion, update: Array) -> Array:
    """Return what of an update each tile's jacobian acts on, shape (n, 2p + g)."""
    tiles, own = fit.tiles, motion.model.own
    parts = [update[(f * own)[:, None] + np.arange(own)] for f in (tiles.first, tiles.second)]
    shared = np.broadcast_to(update[motion.own.size :], (len(tiles), motion.model.shared))
    return np.concatenate([*parts, shared], 1)
