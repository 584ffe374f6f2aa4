"""What the motion found leaves between neighbouring frames, where that is smooth and beyond chance.

A wrong model, a lens or air that bend otherwise leave a smooth field; things that move leave a
mark of their own, which predicts nothing for the blocks around it.
"""

from __future__ import annotations

import numpy as np

from merge.align.choice import blocks_of, improvement, left_out, loss_of
from merge.align.geometry import StackGeometry
from merge.align.pair import ROUNDS, TAIL, TILE_PX
from merge.align.solve import squared
from merge.model import Array, Misfit
from merge.model.geometry import field_powers
from merge.significance import FEWEST, proof_limit


def find_misfit(geometry: StackGeometry, reduction: int, shape: tuple[int, int]) -> Misfit | None:
    """Return what is left between neighbouring frames; None where it is no more than chance.

    Parameters
    ----------
    geometry : StackGeometry
    reduction : int
        Of the compared pictures.
    shape : (H, W)
        Of the full frames.
    """
    fit = geometry.fit.thinned()
    now, tiles = fit.linearise(geometry.motion), fit.tiles
    block = blocks_of(now)
    before = loss_of(now.misfit, now.certainty)
    after, fields = before.copy(), {}
    masks = left_out(block)
    judged = tiles.second - tiles.first == 1
    for pair in np.unique(tiles.pair[judged]).tolist():
        mine = np.flatnonzero(tiles.pair == pair)
        powers = field_powers(now.points[mine])
        if len(mine) < FEWEST * 2 * powers.shape[1]:  # for each of its numbers
            continue
        misfit, certainty = now.misfit[mine], now.certainty[mine]
        for out in masks:
            kept = np.where(out[mine], 0.0, 1.0)
            if kept.all():
                continue
            left = misfit - powers @ _fit_field(powers, misfit, certainty, kept).T
            lost = kept == 0
            after[mine[lost]] = loss_of(left[lost], certainty[lost])
        ends = (geometry.frames[k[mine[0]]] for k in (tiles.first, tiles.second))
        fields[tuple(ends)] = reduction * _fit_field(powers, misfit, certainty, np.ones(len(mine)))
    if not fields:
        return None
    evidence = improvement(before[judged], after[judged], block[judged])
    return Misfit(fields, shape, evidence) if evidence > proof_limit(1) else None


def _fit_field(powers: Array, misfit: Array, certainty: Array, kept: Array) -> Array:
    """Return the coefficients (2, K) of a smooth field of misfits (n, 2); heavy-tailed."""
    count = powers.shape[1]
    field = np.zeros((2, count))
    for _ in range(ROUNDS):
        left = misfit - powers @ field.T
        trust = kept / (1 + squared(left, certainty) / TAIL)
        weight = certainty * trust[:, None, None]
        normal = np.block(
            [[powers.T @ (powers * weight[:, i, j, None]) for j in (0, 1)] for i in (0, 1)]
        )
        right = (powers.T @ np.einsum("tij,tj->ti", weight, misfit)).T.ravel()
        normal[np.diag_indices(2 * count)] += TILE_PX**-2  # corners without tiles stay calm
        field = np.linalg.solve(normal, right).reshape(2, count)
    return field
