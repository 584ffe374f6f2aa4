"""What the motion found leaves between neighbouring frames, where that is smooth and beyond chance.

A wrong model, a lens or air that bend otherwise leave a smooth field; things that move leave a
mark of their own, which predicts nothing for the blocks around it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.sparse import csc_array, diags_array
from scipy.sparse.linalg import spsolve

from merge.align.choice import blocks_of, improvement, left_out, loss_of
from merge.align.geometry import StackGeometry
from merge.align.pair import ROUNDS, TAIL, TILE_PX, unexplained_px
from merge.align.solve import Linearised, StackFit, squared
from merge.model import Array, Misfit
from merge.model.geometry import field_powers
from merge.significance import FEWEST, proof_limit

# Degree in which a misfit is told, and in which it is followed.
_TOLD_DEGREE, _DEGREE = 2, 3


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
        powers = field_powers(now.points[mine], _TOLD_DEGREE)
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
    products = (powers[:, :, None] * powers[:, None]).reshape(len(powers), -1)
    for _ in range(ROUNDS):
        left = misfit - powers @ field.T
        trust = kept / (1 + squared(left, certainty) / TAIL)
        weight = certainty * trust[:, None, None]
        blocks = (weight.reshape(-1, 4).T @ products).reshape(2, 2, count, count)
        normal = blocks.transpose(0, 2, 1, 3).reshape(2 * count, 2 * count)
        right = (np.einsum("tij,tj->it", weight, misfit) @ powers).ravel()
        normal[np.diag_indices(2 * count)] += TILE_PX**-2  # corners without tiles stay calm
        field = np.linalg.solve(normal, right).reshape(2, count)
    return field


def follow_misfit(geometry: StackGeometry) -> StackGeometry:
    """Return a geometry that follows what is left in every frame, if tiles bear that out.

    A frame counts where it is in focus, since tiles tell little elsewhere, and only there it will
    be used.
    """
    fit = geometry.fit.thinned()
    now = fit.linearise(geometry.motion)
    block = blocks_of(now)
    before = loss_of(now.misfit, now.certainty)
    after = before.copy()
    count, usual = len(geometry.frames), unexplained_px(now.misfit, now.certainty)
    if not usual:
        return geometry
    for out in left_out(block):
        fields = _fit_fields(fit, now, count, usual, np.where(out, 0.0, 1.0))
        left = now.misfit - fit.between(fields, now.points)
        after[out] = loss_of(left[out], now.certainty[out])
    if improvement(before, after, block) <= proof_limit(1):
        return geometry
    whole = geometry.fit
    now = whole.linearise(geometry.motion)
    fields = _fit_fields(whole, now, count, usual, np.ones(len(now.misfit)))
    bent = StackFit(whole.tiles, whole.shape, whole.reference, fields)
    return replace(geometry, fit=bent)


def _fit_fields(fit: StackFit, now: Linearised, count: int, usual_px: float, kept: Array) -> Array:
    """Return the coefficients (N, 2, K) of every frame's field, of a usual size; heavy-tailed."""
    powers = field_powers(now.points, _DEGREE)
    size = 2 * powers.shape[1]
    moves = np.einsum("tk,ij->tijk", powers, np.eye(2)).reshape(len(powers), 2, size)
    fields = np.zeros((count, 2, powers.shape[1]))
    starts = np.flatnonzero(np.diff(fit.tiles.pair, prepend=-1))
    pairs = list(zip(starts, np.append(starts[1:], len(now.misfit)), strict=True))
    ends = [np.stack([fit.tiles.first[b], fit.tiles.second[b]]) for b in starts]
    # Of both frames of a pair together, which disagree: what one gains the other loses.
    places = np.stack([(e[:, None] * size + np.arange(size)).ravel() for e in ends])
    rows, columns = np.repeat(places, 2 * size, 1).ravel(), np.tile(places, 2 * size).ravel()
    free = np.flatnonzero(np.repeat(np.arange(count) != fit.reference, size))
    prior = csc_array(diags_array(np.full(count * size, usual_px**-2)))
    for _ in range(ROUNDS):
        left = now.misfit - fit.between(fields, now.points)
        trust = kept / (1 + squared(left, now.certainty) / TAIL)
        weighted = np.matmul(now.certainty * trust[:, None, None], moves)
        values, right = [], np.zeros((count, size))
        for (begin, end), (one, two) in zip(pairs, ends, strict=True):
            flat = weighted[begin:end].reshape(-1, size)
            block = flat.T @ moves[begin:end].reshape(-1, size)
            values.append(np.block([[block, -block], [-block, block]]).ravel())
            aim = flat.T @ now.misfit[begin:end].ravel()
            right[two] += aim
            right[one] -= aim
        normal = csc_array((np.concatenate(values), (rows, columns)), shape=prior.shape) + prior
        found = np.zeros(count * size)
        found[free] = spsolve(csc_array(normal[free][:, free]), right.ravel()[free])
        fields = found.reshape(fields.shape)
    return fields
