"""What a measurement proves: means with errors from blocks of tiles, and limits for many tries.

Tiles side by side share surface, texture and blur, so their errors are not independent: blocks of
tiles are the samples. Frames differ from one another by more than their tiles tell, too; that
spread is measured on the stack itself.
"""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
from scipy import ndimage
from scipy.special import fdtrc, fdtri, ndtr, ndtri, stdtr, stdtrit

from merge.model import Array, BoolArray, Index

# Side of a block in tiles.
BLOCK_TILES = 6
_TILES_BESIDE = 2
# Chance of any false warning in a whole bracket, and kinds of verdicts that share it (steps too
# wide, slices missing, duplicates, order, ends, soft and shaken frames, knocks).
FALSE_WARNINGS, _KINDS = 1 / 50, 8
# Standard errors beyond a limit from which chance hides a fault once in 100 times.
FOUND = NormalDist().inv_cdf(0.99)
# Huber's limit in units of spread: 95 % efficient for a normal distribution (P. J. Huber, Ann.
# Math. Stat. 35, 73 (1964)).
_HUBER = 1.345
# A spread between frames that is known from elsewhere counts as much as so many frames.
_USUAL_FRAMES = 4
# Median of the squares of a normal deviate, and of half the sum of two.
MEDIAN_SQUARE = {1: NormalDist().inv_cdf(0.75) ** 2, 2: math.log(2)}
# Standard errors from which a number that a whole stack shows is believed: of motion up to 3.6 came
# without a cause, 8 and more with one; of light, with 4 a rail got a falloff that it does not have.
SURE = 5.0
# Of fewer values none is the odd one; beside one that is judged stand as many.
FEWEST = 3
# Spread of steps, relative, up to which they count as even.
EVEN = 0.2
# 90 % of a normal distribution lies within so many standard errors.
NINETY = NormalDist().inv_cdf(0.95)


def proof_limit(tries: int) -> float:
    """Return the standard errors beyond which one of so many tries is no chance.

    One-sided, for a normal distribution; with all verdicts of a bracket together at most one whole
    bracket in fifty is warned of falsely (Bonferroni's inequality).
    """
    return NormalDist().inv_cdf(1 - FALSE_WARNINGS / _KINDS / max(tries, 1))


def detection_limit(tries: int) -> float:
    """Return the standard errors by which a fault stands out that is proven 99 times in 100.

    What is proven by a hair is found every other time only (decision and detection limits: L. A.
    Currie, Anal. Chem. 40, 586 (1968), from memory).
    """
    return proof_limit(tries) + FOUND


def student_limit(tries: int, degrees: Array) -> Array:
    """Return the same for errors that are known with so many degrees of freedom."""
    return np.asarray(stdtrit(degrees, ndtr(proof_limit(tries))) + FOUND)


def widened_by_few(samples: int) -> float:
    """Return by how much errors from so few samples are too small, for intervals of 90 %.

    Student's t over the normal distribution's: 1.8 for three, 1.03 for thirty.
    """
    return float(stdtrit(max(samples - 1, 1), ndtr(NINETY))) / NINETY


def tile_blocks(shape: tuple[int, int]) -> Index:
    """Return the number of every tile's block, (R * C,)."""
    rows, columns = (np.arange(n) // BLOCK_TILES for n in shape)
    return np.asarray(rows[:, None] * (columns[-1] + 1) + columns).ravel()


def blocks_score(change: Array, blocks: Index) -> float:
    """Return how many standard errors a sum over tiles, (K,), lies above 0: blocks are the samples.

    0 where fewer than two tell.
    """
    by_block = np.bincount(np.unique(blocks, return_inverse=True)[1], change)
    count = len(by_block)
    if count < 2:
        return 0.0
    variance = float(((by_block - by_block.mean()) ** 2).sum()) * count / (count - 1)
    return float(score(np.array(by_block.sum() / (np.sqrt(variance) + 1e-9)), count - 1))


def not_alone(tiles: BoolArray) -> BoolArray:
    """Return those of some tiles, (R, C), that have others beside them: chance strikes single ones.

    So many of the eight around must be with each: noise puts one tile in thirty anywhere.
    """
    beside = np.ones((3, 3))
    beside[1, 1] = 0
    around = ndimage.convolve(tiles.astype(float), beside, mode="constant")
    return np.asarray(tiles & (around >= _TILES_BESIDE))


def robust_mean(values: Array, blocks: Index) -> tuple[float, float, int]:
    """Return Huber's mean of tiles, its standard error, and in how many blocks they lie.

    Parameters
    ----------
    values : ndarray, shape (K,)
        K >= 1.
    blocks : ndarray of int, shape (K,)

    Returns
    -------
    mean, error : float
        The error is the sandwich estimate with blocks as samples; infinite for a single one.
    count : int
    """
    mean = float(np.median(values))
    spread = max(1.48 * float(np.median(np.abs(values - mean))), 1e-6)
    for _ in range(5):
        mean += spread * float(_clipped(values, mean, spread).mean())
    pull = _clipped(values, mean, spread)
    held = max(float((np.abs(pull) < _HUBER).mean()), 0.1) * len(values)
    by_block = np.bincount(blocks - blocks.min(), pull)
    count = len(np.unique(blocks))
    if count < 2:
        return mean, np.inf, count
    variance = float((by_block**2).sum()) * count / (count - 1)
    return mean, spread * float(np.sqrt(variance)) / held, count


def _clipped(values: Array, mean: float, spread: float) -> Array:
    return np.clip((values - mean) / spread, -_HUBER, _HUBER)


def excess_spread(deviations: Array, errors: Array, *, parts: int = 1) -> float:
    """Return how much frames differ beyond their errors: a standard deviation.

    Parameters
    ----------
    deviations : ndarray, shape (N,)
        From the centre; for ``parts`` = 2 the lengths of vectors.
    errors : ndarray, shape (N,)
        Standard errors (of each part); deviations without one are left out.
    """
    known = np.isfinite(deviations) & np.isfinite(errors)
    if known.sum() < 3:
        return 0.0
    squares, variances = deviations[known] ** 2, errors[known] ** 2 + 1e-18
    usual = MEDIAN_SQUARE[parts] * parts

    def too_large(spread: float) -> bool:
        return float(np.median(squares / (variances + spread**2))) < usual

    low, high = 0.0, float(np.sqrt(squares.max() / usual)) + 1e-9
    if too_large(low):
        return 0.0
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (low, middle) if too_large(middle) else (middle, high)
    return high


def learned_spread(spread: float, frames: int, usual: float) -> tuple[float, int]:
    """Return a spread between frames, learned from some and from what is usual, and its degrees.

    Few frames show theirs by chance only.
    """
    degrees = _USUAL_FRAMES + max(frames - 1, 0)
    square = (_USUAL_FRAMES * usual**2 + max(frames - 1, 0) * spread**2) / degrees
    return float(np.sqrt(square)), degrees


def score(ratio: Array, degrees: Array | int) -> Array:
    """Return Student's t as the normal deviate that is as rare."""
    return np.asarray(np.sign(ratio) * -ndtri(np.maximum(stdtr(degrees, -np.abs(ratio)), 1e-300)))


def vector_chance(length: Array | float, degrees: int) -> Array:
    """Return how often a vector of two parts is this long, over either part's standard error."""
    return np.asarray(fdtrc(2, 2 * degrees, np.square(length) / 2))


def vector_limit(tries: int, degrees: int) -> float:
    """Return how long a vector of two parts must be, over either's standard error, to be proven.

    One of so many tries; the error is known with so many degrees of freedom.
    """
    rare = FALSE_WARNINGS / _KINDS / max(tries, 1)
    return float(np.sqrt(2 * fdtri(2, 2 * degrees, 1 - rare)))


def vector_spread(lengths: Array) -> float:
    """Return the standard deviation of either part of vectors, from their median length."""
    return float(np.sqrt(np.median(np.square(lengths)) / (2 * MEDIAN_SQUARE[2])))
