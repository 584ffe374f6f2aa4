"""The motion of a whole stack: which one its tiles bear out, and what that is for every frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from merge.align.camera import CameraModel, Motion, enriched, first_motion
from merge.align.choice import (
    Change,
    Choice,
    choose_motion,
    distorting,
    moving,
    predicts_better,
    rolling,
    turning,
)
from merge.align.motion import normaliser, rescale_transform
from merge.align.pair import PairMeasurement, unexplained_px
from merge.align.solve import StackFit, follow_pairs, gather_tiles
from merge.model import Array, FocusAxis, FrameTransform, MotionModel, SmoothField
from merge.significance import BLOCK_TILES

# Tiles of the focus axis around a place, on each side, whose median tells how deep it is: a block.
_AROUND = (BLOCK_TILES - 1) // 2


@dataclass(frozen=True, eq=False)
class Depths:
    """Positions on the focus axis as a motion has them: (px - middle) / half.

    Attributes
    ----------
    middle, half : float
        In px of blur.
    frames_px : ndarray, shape (N,)
        Positions of the frames.
    """

    middle: float
    half: float
    frames_px: Array


@dataclass(frozen=True, eq=False)
class StackGeometry:
    """How the frames of a stack lie, at the size of the compared pictures.

    Attributes
    ----------
    frames : tuple of int
        Those that pairs link, ascending.
    fit : StackFit
        With their tiles.
    choice : Choice
    shape : (H, W)
    depths : Depths or None
        None as long as nothing is known of them.
    """

    frames: tuple[int, ...]
    fit: StackFit
    choice: Choice
    shape: tuple[int, int]
    depths: Depths | None = None

    @property
    def motion(self) -> Motion:
        """The chosen motion."""
        return self.choice.motion

    def transforms(self, reduction: int) -> dict[int, FrameTransform]:
        """Return every frame's transform for pictures ``reduction`` times as large."""
        motion, scale = self.motion, normaliser(self.shape)
        back = np.linalg.inv(scale)
        radial = motion.radial() / scale[0, 0] ** 2
        centre = (float(scale[0, 2]), float(scale[1, 2]))
        found = {}
        for k, (frame, own, way) in enumerate(
            zip(self.frames, motion.matrices(), motion.parallax(), strict=True)
        ):
            plane_px, parallax, matrix = 0.0, None, own.copy()
            if self.depths is not None and motion.model.parallax:
                plane_px = float(self.depths.frames_px[k])
                away = (plane_px - self.depths.middle) / self.depths.half
                matrix[:, 2] += (away + motion.infinity) * way
                parallax = scale @ way / self.depths.half
            matrix = scale @ matrix @ back
            if parallax is not None:
                parallax = parallax / matrix[2, 2]
            field = None
            if self.fit.fields is not None:
                field = SmoothField.over(self.fit.fields[k], self.shape)
            small = FrameTransform(
                matrix / matrix[2, 2], parallax, plane_px, float(radial[k]), centre, field
            )
            found[frame] = rescale_transform(small, reduction)
        found[self.frames[self.fit.reference]] = FrameTransform(np.eye(3))
        return found

    def residuals(self) -> dict[int, float]:
        """Return each frame's rms disagreement with its pair measurements, in px.

        That is the mean over a pair's tiles and what they are beside the motion by more than their
        own errors: with a model that cannot follow the motion, pairs may agree with one another
        and yet be wrong.
        """
        now, tiles = self.fit.linearise(self.motion), self.fit.tiles
        means = self.fit.pair_means(now.misfit, now.certainty)
        squares: dict[int, list[float]] = {}
        for pair in range(len(means)):
            mine = np.flatnonzero(tiles.pair == pair)
            if len(mine):
                beside = unexplained_px(now.misfit[mine], now.certainty[mine])
                for frame in (tiles.first[mine[0]], tiles.second[mine[0]]):
                    square = float((means[pair] ** 2).sum()) + beside**2
                    squares.setdefault(self.frames[frame], []).append(square)
        return {i: float(np.sqrt(np.mean(values))) for i, values in squares.items()}

    def reason(self) -> str:
        """Return in a few words why this motion was chosen."""
        model = self.motion.model
        if not (model.bends or model.radial or model.parallax):
            return "turns, distortion and sway of the camera explain no more" + self._beside()
        seen = {
            "the camera turned": model.bends,
            "the lens distorts with focus": model.radial > 0,
            "the camera moved, so that near and far shift otherwise": model.parallax,
        }
        causes = ", ".join(cause for cause, found in seen.items() if found)
        return f"{causes}; certain by {self.choice.evidence:.0f} standard errors{self._beside()}"

    def _beside(self) -> str:
        if self.fit.fields is None:
            return ""
        return "; what air or lens bend smoothly in each frame is followed beside it"


def solve_geometry(
    pairs: Sequence[PairMeasurement],
    frames: Sequence[int],
    reference: int,
    shape: tuple[int, int],
    model: MotionModel,
) -> StackGeometry:
    """Return the geometry of a stack from the comparisons of its frames.

    Parameters
    ----------
    pairs : sequence of PairMeasurement
        Between ``frames`` only.
    frames : sequence of int
        Linked by the pairs, ascending.
    reference : int
        One of them.
    shape : (H, W)
        Of the compared pictures.
    model : str
        "auto" chooses.
    """
    place = list(frames).index(reference)
    fit = StackFit(gather_tiles(pairs, frames, shape), shape, place)
    scale = normaliser(shape)
    known = follow_pairs(pairs, frames, reference)
    starts = np.stack([np.linalg.inv(scale) @ known[i] @ scale for i in frames])
    simplest = CameraModel("similarity", rolls=False) if model == "auto" else CameraModel(model)
    choice = Choice(fit.solve(first_motion(simplest, starts, place)))
    if model == "auto":
        choice = _choose(fit, choice.motion, [rolling, turning, distorting, rolling])
    return StackGeometry(tuple(frames), fit, choice, shape)


def _choose(fit: StackFit, simplest: Motion, changes: Sequence[Change]) -> Choice:
    """Return the motion that part of the tiles bears out, fitted to all of them."""
    choice = choose_motion(fit.thinned(), simplest, changes)
    if choice.motion is simplest:
        return choice
    return replace(choice, motion=fit.solve(choice.motion))


def refine_geometry(geometry: StackGeometry, axis: FocusAxis, reduction: int) -> StackGeometry:
    """Return the geometry with parallax, if the tiles bear it out; else the same.

    Parameters
    ----------
    geometry : StackGeometry
        Chosen without.
    axis : FocusAxis
        Of its frames.
    reduction : int
        Of the compared pictures.
    """
    scale, tiles = normaliser(geometry.shape), geometry.fit.tiles
    now = geometry.fit.linearise(geometry.motion)
    small = now.points * scale[0, 0] + scale[:2, 2]
    found = _positions_at(axis, (small + 0.5) * reduction - 0.5)
    known = np.isfinite(found)
    ends = axis.positions_px.min(), axis.positions_px.max()
    middle, half = (ends[0] + ends[1]) / 2, (ends[1] - ends[0]) / 2
    if half <= 0 or np.count_nonzero(known) < geometry.motion.model.own:
        return geometry
    kept = replace(tiles.only(known), position=(found[known] - middle) / half)
    fit = StackFit(kept, geometry.shape, geometry.fit.reference)
    flat = geometry.motion
    plain = enriched(flat, replace(flat.model, radial=0))  # parallax may have looked like it
    choice = _choose(fit, fit.solve(plain), [moving, turning, distorting, rolling])
    if not choice.motion.model.parallax or not predicts_better(fit, flat, choice.motion):
        return geometry
    return StackGeometry(
        geometry.frames, fit, choice, geometry.shape, Depths(middle, half, axis.positions_px)
    )


def median_positions(axis: FocusAxis) -> Array:
    """Return the median position around every tile of an axis; NaN where none is known."""
    side = 2 * _AROUND + 1
    padded = np.pad(axis.tile_positions_px, _AROUND, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, (side, side))
    flat = np.sort(windows.reshape(*windows.shape[:2], -1), axis=2)  # NaN come last
    count = np.isfinite(flat).sum(axis=2)
    middle = np.maximum(count - 1, 0)
    low = np.take_along_axis(flat, (middle // 2)[..., None], 2)[..., 0]
    high = np.take_along_axis(flat, (-(-middle // 2))[..., None], 2)[..., 0]
    return np.asarray((low + high) / 2)


def _positions_at(axis: FocusAxis, points: Array) -> Array:
    """Return the position of points (x, y) of the reference, full size; NaN where not known."""
    grid = median_positions(axis)
    at = np.clip((points + 0.5) // axis.tile_size_px, 0, np.array(grid.shape[::-1]) - 1)
    columns, rows = at.astype(np.intp).T
    return np.asarray(grid[rows, columns])
