"""Data against model, tile by tile: amplitudes and residuals.

Data and model are compared as logarithms with the same floor added to both.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np

from merge.axis.preparing import StackEnergies, TileSet
from merge.axis.transfer import BlurTables
from merge.model import Array, BoolArray, FloatArray, Index
from merge.threads import map_threads

T = TypeVar("T")

# Added to data and model, as a share of a tile's largest energy in the band. Without it the
# noise of vanishing energies decides and the scale drifts away. Over 13 known stacks the worst
# step of each was off by 11 % in the mean with 0.06, 8 % with 0.1.
FLOOR = 0.1
# Residuals of ordinary tiles: where the costs that are compared between fits turn flat.
TYPICAL = 0.2
_CHUNK = 256


@dataclass(frozen=True)
class Windows:
    """Energies of tiles in the frames around each tile's peak, on a logarithmic scale.

    K tiles, B bands, W frames a tile. `frames` (K, W) indexes the stack and `used` (K, W)
    tells which entries lie inside it; `value` (K, B, W) is energy over `peak` (K, B). `blur`
    tells what blur leaves of a band, `blocks` (K,) numbers the blocks that the tiles lie in. `own`
    (N,) is added to the square of each frame's blur, px^2: blur that is none of its focus.
    `side_by_side` keeps what a search makes of each chunk, for the next one.
    """

    frames: Index
    used: BoolArray
    value: Array
    logarithm: Array
    peak: Array
    sigma_px: Array
    blur: BlurTables
    blocks: Index
    own: Array
    side_by_side: dict[int, tuple[FloatArray, ...]] = field(default_factory=dict, repr=False)


def cut_windows(data: StackEnergies, tiles: TileSet, half_width: int, *, every: int = 1) -> Windows:
    """Gather every so-many-th frame, ``half_width`` on either side of each tile's peak frame."""
    energy = tiles.energy
    count, _, number = energy.shape
    around = tiles.centres[:, None] + every * np.arange(-half_width, half_width + 1)
    used = (around >= 0) & (around < count)
    frames = np.clip(around, 0, count - 1)
    peak = np.maximum(energy.max(axis=0), 1e-12).T
    value = np.moveaxis(energy[frames, :, np.arange(number)[:, None]], 2, 1) / peak[:, :, None]
    value = np.ascontiguousarray(np.maximum(value, -FLOOR / 2))
    logarithm = np.log(value + FLOOR)
    return Windows(
        frames, used, value, logarithm, peak, data.sigma_px, data.blur, tiles.blocks, tiles.own
    )


def take_tiles(data: Windows, chosen: BoolArray) -> Windows:
    """Return the windows of some of the tiles."""
    return Windows(
        data.frames[chosen],
        data.used[chosen],
        data.value[chosen],
        data.logarithm[chosen],
        data.peak[chosen],
        data.sigma_px,
        data.blur,
        data.blocks[chosen],
        data.own,
    )


def slopes_of(data: Windows, amplitude: Array | None = None) -> Index:
    """Return every tile's spectrum as table rows, (K, B).

    ``amplitude`` is (K, B): energy without blur over the largest seen.
    """
    sharp = data.peak if amplitude is None else data.peak * amplitude
    return np.ascontiguousarray(data.blur.choose_rows(sharp.T).T)


@dataclass(frozen=True)
class Fit:
    """Model of every tile at one place: `amplitude` (K, B), the rest (K, B, W).

    `share` is what blur leaves and `derivative` its own with respect to diameter over sigma.
    """

    residual: Array
    amplitude: Array
    share: Array
    derivative: Array


def compare(
    data: Windows,
    slopes: Index,
    frames_px: Array,
    tiles_px: Array,
    weight: Array | None = None,
    *,
    rounds: int,
) -> Fit:
    """Fit the amplitude of each tile and band, linearly first, then by Newton on logarithms.

    ``weight`` is (K, B, W); without it every entry inside the stack counts alike.
    """
    if weight is None:
        weight = np.ascontiguousarray(inside_stack(data))
    shape = data.value.shape
    fit = Fit(np.empty(shape), np.empty(shape[:2]), np.empty(shape), np.empty(shape))
    per_px = data.blur.per_unit / data.sigma_px[:, None]
    columns = data.blur.share.shape[1]

    def fill(first: int, last: int) -> None:
        some = slice(first, last)
        frames = data.frames[some]
        apart = np.abs(frames_px[frames] - tiles_px[some, None])
        blur = np.sqrt(np.maximum(apart * apart + data.own[frames], 1e-12))
        places = np.minimum((blur[:, None] * per_px + 0.5).astype(np.intp), columns - 1)
        places += (slopes[some] * columns)[:, :, None]
        share = data.blur.share.take(places, out=fit.share[some], mode="clip")
        data.blur.derivative.take(places, out=fit.derivative[some], mode="clip")
        fit.derivative[some] *= np.minimum(apart / blur, 1.0)[:, None]
        fit.amplitude[some] = _amplitudes(
            data.value[some], data.logarithm[some], weight[some], share, rounds
        )
        model = share * fit.amplitude[some, :, None] + FLOOR
        np.subtract(data.logarithm[some], np.log(model, out=model), out=fit.residual[some])

    in_chunks(fill, len(tiles_px))
    return fit


def _amplitudes(value: Array, logarithm: Array, weight: Array, share: Array, rounds: int) -> Array:
    """Return the amplitudes (k, B) that fit some tiles' bands, see `compare`."""
    weighted = weight * share
    power = np.einsum("kbw,kbw->kb", weighted, share)
    amplitude = np.einsum("kbw,kbw->kb", weighted, value) / np.maximum(power, 1e-12)
    amplitude = np.maximum(amplitude, FLOOR / 2)
    for _ in range(rounds):
        own = share * amplitude[:, :, None]
        model = own + FLOOR
        own /= model
        left = np.subtract(logarithm, np.log(model, out=model), out=model)
        np.multiply(weight, own, out=weighted)
        change = np.einsum("kbw,kbw->kb", weighted, left)
        change /= np.maximum(np.einsum("kbw,kbw->kb", weighted, own), 1e-9)
        amplitude *= np.exp(np.clip(change, -1.0, 1.0))
    return amplitude


def inside_stack(data: Windows) -> Array:
    """Return 1 for entries inside the stack, 0 elsewhere, (K, B, W)."""
    return np.broadcast_to(data.used[:, None, :], data.value.shape).astype(float, "C")


def in_chunks(work: Callable[[int, int], T], count: int) -> list[T]:
    """Call ``work(first, last)`` for chunks of ``count`` tiles, on several threads."""
    firsts = range(0, count, _CHUNK)
    return map_threads(lambda first: work(first, min(first + _CHUNK, count)), firsts)
