"""All frames of a stack against one reference frame.

Every frame is compared with the last two that fit in, so errors do not simply add up and a bad
frame, or several, do not cut the chain. All measurements are then solved together.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from merge.align.again import PairsAgain, drag_counts
from merge.align.exposure import SmallColours, SmallPicture, compare_exposures, small_picture
from merge.align.geometry import StackGeometry, refine_geometry, solve_geometry
from merge.align.matching import (
    ONE_SCENE,
    likeness,
    match_as_before,
    match_frames,
    shows_one_scene,
)
from merge.align.misfit import find_misfit, follow_misfit
from merge.align.motion import apply, check_points
from merge.align.pair import (
    PairMeasurement,
    Pyramid,
    build_pyramid,
)
from merge.align.solve import linked_frames, linked_groups
from merge.encoding import linearize
from merge.errors import RegistrationError
from merge.model import (
    Array,
    FloatArray,
    FocusAxis,
    FrameRegistration,
    FrameTransform,
    Misfit,
    MotionModel,
    Registration,
)
from merge.model.geometry import JUMP_NEIGHBOURS
from merge.samples import EIGHT_BIT_STEP
from merge.significance import FEWEST, NINETY, SURE

# Pictures above this size are reduced for comparison: time, and at 6 MP the pixel is still finer
# than the registration's error.
_ANALYSIS_PIXELS = 6_500_000
_NO_MATCH = "matches no frame beside it: another scene, strong motion or no detail"
# Frames whose light differs by more do not match: noise hides in the darker one what its neighbours
# show blurred (rendered macro, 15 000 electrons at white, against its merge with no dark frame: one
# of twelve 3 EV darker 38.1 dB, 3.7 EV 37.5, 4.7 EV 35.3, without that frame 36.5).
_FAR_EV = 4.0
# The picture has the light of its reference frame, which is no brighter or darker than this.
_USUAL_EV = 0.5
# A step of 8 bits above black, as light (sRGB).
_BLACK = EIGHT_BIT_STEP / 12.92
_COARSE = "placed by its coarse detail alone: noise fills the rest"
# A frame is compared with this many earlier ones.
_COMPARED = 2
_STRIP_ROWS = 256


def analysis_reduction(shape: tuple[int, ...]) -> int:
    """Return by how much to reduce frames of ``shape`` (H, W, ...) for `register_stack`.

    1, or an even number (raw mosaics halve without interpolation), so that the reduced picture
    has at most 6.5 million pixels.

    Examples
    --------
    >>> analysis_reduction((2000, 3000, 3)), analysis_reduction((4000, 6000, 3))
    (1, 2)
    """
    reduction = 1
    while (shape[0] // reduction) * (shape[1] // reduction) > _ANALYSIS_PIXELS:
        reduction += 1 if reduction == 1 else 2
    return reduction


def register_stack(
    pictures: Iterable[FloatArray],
    *,
    shape: tuple[int, int],
    reduction: int = 1,
    transfer: str = "srgb",
    model: MotionModel = "auto",
    reference: int | None = None,
) -> Registration:
    """Return where every frame lies against the reference frame, and its exposure.

    `StackRegistration` for pictures that are at hand; see there.

    Parameters
    ----------
    pictures : iterable of ndarray, shape (H // reduction, W // reduction), float32
        Luminance in [0, 1] of all frames, taken one by one.
    shape, reduction, transfer, model
        See `StackRegistration`.
    reference : int, optional
        See `StackRegistration.finish`.

    Raises
    ------
    RegistrationError
        If no other frame can be aligned with the reference frame.
    ValueError
        If ``reference`` is not one of the frames, or the pictures' sizes differ.
    """
    registrar = StackRegistration(shape, reduction=reduction, transfer=transfer, model=model)
    for picture in pictures:
        registrar.add(picture)
    return registrar.finish(reference)


class StackRegistration:
    """Compares frames as they come, then solves all comparisons together.

    Three pictures are held at a time, up to five beside frames that do not fit in.

    Parameters
    ----------
    shape : (H, W)
        Of the full frames.
    reduction : int
        See `analysis_reduction`.
    transfer : str
        Encoding of the pictures, see `merge.encoding`.
    model : {"auto", "shift", "similarity", "camera", "affine", "perspective", "none"}
        "auto" chooses between a similarity and a camera that turns by what the tiles bear out.
    """

    def __init__(
        self,
        shape: tuple[int, int],
        *,
        reduction: int = 1,
        transfer: str = "srgb",
        model: MotionModel = "auto",
    ) -> None:
        self._shape, self._reduction = shape, reduction
        self._transfer, self._model = transfer, model
        # Of a camera's pairs each is as rich as it bears.
        self._pair_model: MotionModel = "auto" if model == "camera" else model
        self._held: dict[int, Pyramid] = {}
        self._pairs: list[PairMeasurement] = []
        self._small: dict[int, SmallPicture] = {}
        self._geometry: StackGeometry | None = None
        self._misfit: tuple[StackGeometry, Misfit | None] | None = None

    def add(self, picture: FloatArray, colours: SmallColours | None = None) -> None:
        """Take the next frame: compare it with those held, the newest first, until enough agree.

        Parameters
        ----------
        picture : ndarray, shape (H // reduction, W // reduction), float32
            Luminance in [0, 1], area-averaged over ``reduction`` x ``reduction`` pixels.
        colours : SmallColours, optional
            From `small_colours`, to see whether the light changed its colour, and whether blur
            keeps light or coded values.

        Raises
        ------
        ValueError
            If its size differs from the others'.
        """
        index = len(self._small)
        pyramid = build_pyramid(_linear_light(picture, self._transfer))
        if self._held and next(iter(self._held.values())).shape != pyramid.shape:
            raise ValueError(f"picture {index}: shape {pyramid.shape} differs from the others")
        self._small[index] = small_picture(pyramid, colours)
        agreed = 0
        for earlier in sorted(self._held, reverse=True):
            if agreed == _COMPARED:
                break
            if abs(self._brighter_ev(index, [earlier])) > _FAR_EV:
                continue
            known = self._through(earlier, index)
            result = match_frames(self._held[earlier], pyramid, self._pair_model, known)
            if known is None and (before := self._step_to(earlier)) is not None:
                result = match_as_before(
                    self._held[earlier], pyramid, self._pair_model, result, before
                )
            if shows_one_scene(self._held[earlier], pyramid, result):
                self._pairs.append(PairMeasurement(earlier, index, result))
                agreed += 1
        self._held[index] = pyramid
        self._forget(index + 1)

    def proves_coded(self) -> bool:
        """Tell whether the first 4, 8, 16 … frames leave no doubt that blur mixed stored values.

        Then the others need not be read before all are taken so.
        """
        count = len(self._small)
        if count < FEWEST + 1 or count & (count - 1):
            return False
        matrices = {0: np.eye(3)}
        for pair in self._pairs:
            if pair.first in matrices:
                matrices[pair.second] = pair.result.matrix @ matrices[pair.first]
        compared = (self._shape[0] // self._reduction, self._shape[1] // self._reduction)
        return compare_exposures(self._small, matrices, 0, compared)[1] > SURE

    def finish(self, reference: int | None = None) -> Registration:
        """Return where every frame lies, and its exposure.

        Parameters
        ----------
        reference : int, optional
            Index of the reference frame, in the order in which frames were added; default the
            nearest to the middle of the most frames that agree and have the usual light.

        Returns
        -------
        Registration
            A frame that agrees with none of its neighbours has no transform and says why.

        Raises
        ------
        RegistrationError
            If no other frame can be aligned with the reference frame.
        ValueError
            If ``reference`` is not one of the frames.
        """
        self._held = {}
        count = len(self._small)
        middle = self._middle() if reference is None else reference
        if not 0 <= middle < count:
            raise ValueError(f"reference {middle}: expected one of the {count} frames")
        linked = linked_frames(self._pairs, count, middle)
        if count > 1 and len(linked) < 2:
            raise RegistrationError(
                "no other frame could be aligned with the reference frame; check that all frames "
                "show one scene, or choose another reference frame"
            )
        pairs = [p for p in self._pairs if p.first in linked and p.second in linked]
        if self._model != "none" and pairs:
            small = (self._shape[0] // self._reduction, self._shape[1] // self._reduction)
            self._geometry = solve_geometry(pairs, sorted(linked), middle, small, self._model)
        return self._describe(middle, linked)

    def refine(self, found: Registration, axis: FocusAxis) -> Registration:
        """Return a finished registration with parallax, if the frames bear it out; else the same.

        Near and far move differently where the camera moved, by hand or on a rail.

        Parameters
        ----------
        found : Registration
            From `finish`.
        axis : FocusAxis
            Of the frames that have a transform.
        """
        before = self._geometry
        if before is None or self._model != "auto":
            return found
        self._geometry = refine_geometry(before, axis, self._reduction)
        if self._geometry is before:
            return found
        return self._describe(found.reference, set(before.frames))

    def again(self, depth_px: FloatArray, positions_px: Mapping[int, float]) -> PairsAgain | None:
        """Return what compares all pairs once more, both frames blurred alike.

        None where no frame is dragged far off, or it is not proven.

        Parameters
        ----------
        depth_px : ndarray, shape (H // reduction, W // reduction), float32
            How deep the reference frame's pixels lie, in px of blur of full frames.
        positions_px : mapping of int to float
            Of the frames that have a transform.
        """
        geometry = self._geometry
        if geometry is None:
            return None
        small = depth_px / np.float32(self._reduction)
        places = {i: px / self._reduction for i, px in positions_px.items()}
        if not drag_counts(geometry, small, places):
            return None
        matrices = {i: t.matrix for i, t in geometry.transforms(1).items()}
        return PairsAgain(self._pairs, matrices, small, places, self._pair_model)

    def take(self, again: PairsAgain, reference: int) -> Registration:
        """Return what `finish` does from pairs that were compared once more."""
        self._pairs = again.pairs
        return self.finish(reference)

    def follow(self, found: Registration) -> Registration:
        """Return a refined registration that follows what its motion leaves, where that is proven.

        Air that shimmers bends every frame otherwise; see `misfit`.
        """
        geometry = self._geometry
        if geometry is None or self._model != "auto" or self.misfit() is None:
            return found
        self._geometry = follow_misfit(geometry)
        if self._geometry is geometry:
            return found
        return self._describe(found.reference, set(geometry.frames))

    def misfit(self) -> Misfit | None:
        """Return what is left between frames beyond chance, once all is finished and refined."""
        geometry = self._geometry
        if geometry is None:
            return None
        if self._misfit is None or self._misfit[0] is not geometry:
            self._misfit = geometry, find_misfit(geometry, self._reduction, self._shape)
        return self._misfit[1]

    def _describe(self, reference: int, linked: set[int]) -> Registration:
        """Return the registration that the present geometry makes."""
        geometry = self._geometry
        if geometry is None:
            small = {i: FrameTransform(np.eye(3)) for i in linked}
            full, residuals = small, {}
            family, why = self._model, ""
        else:
            small, full = geometry.transforms(1), geometry.transforms(self._reduction)
            residuals = geometry.residuals()
            family = geometry.motion.model.family
            why = geometry.reason() if self._model == "auto" else ""
        matrices = {i: transform.matrix for i, transform in small.items()}
        compared = (self._shape[0] // self._reduction, self._shape[1] // self._reduction)
        exposures, coded = compare_exposures(self._small, matrices, reference, compared)
        jumps = _jumps(matrices, self._shape, self._reduction)
        sure = {i for p in self._pairs if not p.result.coarse for i in (p.first, p.second)}
        frames = []
        for i in range(len(self._small)):
            if i not in matrices:
                frames.append(FrameRegistration(None, reason=self._no_match(i, linked)))
                continue
            exposure = exposures[i]
            frames.append(
                FrameRegistration(
                    full[i],
                    gain=exposure.gain,
                    falloff=exposure.falloff,
                    colour_gains=exposure.colour_gains,
                    residual_px=residuals.get(i, float("nan")) * self._reduction,
                    jump_px=jumps.get(i, 0.0) * self._reduction,
                    reason="" if i in sure or i == reference else _COARSE,
                )
            )
        other = self._other_scene(reference, linked)
        return Registration(
            tuple(frames), reference, family, self._shape, why, other, coded > NINETY
        )

    def _other_scene(self, reference: int, linked: set[int]) -> tuple[int, ...]:
        """Return the largest group of frames that agree with one another and look otherwise."""
        groups = [g for g in linked_groups(self._pairs, len(self._small)) if not g & linked]
        largest = max(groups, key=len, default=set())
        here = self._small[reference].light
        alike = max((likeness(here, self._small[i].light) for i in largest), default=1.0)
        if len(largest) < FEWEST or alike > ONE_SCENE:
            return ()
        return tuple(sorted(largest))

    def _middle(self) -> int:
        count = len(self._small)
        largest = max(linked_groups(self._pairs, count), key=len)
        usual = [k for k in largest if abs(self._brighter_ev(k, largest)) < _USUAL_EV]
        return min(sorted(usual or largest), key=lambda frame: abs(frame - count // 2))

    def _brighter_ev(self, frame: int, than: Iterable[int]) -> float:
        """Return by how much a frame is brighter than others, in EV."""
        usual = float(np.median([self._small[k].light.mean() for k in than]))
        return float(np.log2(max(self._small[frame].light.mean(), _BLACK) / max(usual, _BLACK)))

    def _no_match(self, frame: int, linked: set[int]) -> str:
        """Return why a frame matches none of the linked ones."""
        brighter = self._brighter_ev(frame, linked)
        if abs(brighter) < _FAR_EV:
            return _NO_MATCH
        if brighter > 0:
            return f"{brighter:.0f} EV brighter than the others"
        return f"{-brighter:.0f} EV darker than the others, as without a flash"

    def _forget(self, count: int) -> None:
        """Keep the last frames of the largest group that agrees, and as many of the others.

        Bad frames may agree with one another; the good ones before them are still needed.
        """
        groups = linked_groups(self._pairs, count)
        main = max(groups, key=lambda group: (len(group), max(group)))
        last = sorted(k for k in self._held if k in main)[-_COMPARED:]
        others = sorted(k for k in self._held if k not in main and k > last[-1] - 2 * _COMPARED)
        self._held = {k: self._held[k] for k in sorted(last + others[-_COMPARED:])}

    def _step_to(self, frame: int) -> Array | None:
        """Return the motion to a frame from the one before it, if known."""
        found = (p.result.matrix for p in self._pairs if (p.first, p.second) == (frame - 1, frame))
        return next(found, None)

    def _through(self, first: int, last: int) -> Array | None:
        """Return first → last by way of a frame between them, if both steps are known."""
        steps = {(p.first, p.second): p.result.matrix for p in self._pairs}
        for middle in range(last - 1, first, -1):
            if (first, middle) in steps and (middle, last) in steps:
                product = steps[middle, last] @ steps[first, middle]
                return np.asarray(product / product[2, 2])
        return None


def _linear_light(picture: FloatArray, transfer: str) -> FloatArray:
    """Return linear light; in strips, which spares two pictures' memory."""
    if transfer == "linear":
        return picture
    light = np.empty(picture.shape, np.float32)
    for top in range(0, picture.shape[0], _STRIP_ROWS):
        light[top : top + _STRIP_ROWS] = linearize(picture[top : top + _STRIP_ROWS], transfer)
    return light


def _jumps(matrices: dict[int, Array], full: tuple[int, int], reduction: int) -> dict[int, float]:
    """Return how far each frame lies off the line through its neighbours, in px.

    Shift of the centre and turn, the turn as the path of the longer side's ends. Magnification has
    no part: focus changes it, by more where a step is longer. The line is the median of slopes
    (P. K. Sen, J. Am. Stat. Assoc. 63, 1379 (1968)), so that one bumped neighbour does not bend it.
    """
    shape = full[0] // reduction, full[1] // reduction
    centre = check_points(shape)[-1:]
    half = max(shape) / 2
    place = {
        i: np.append(apply(m, centre)[0], half * np.arctan2(m[1, 0], m[0, 0]))
        for i, m in matrices.items()
    }
    order = sorted(place)
    jumps = {}
    for k, i in enumerate(order):
        others = order[max(k - JUMP_NEIGHBOURS, 0) : k + JUMP_NEIGHBOURS + 1]
        others.remove(i)
        if len(others) < FEWEST:
            continue
        slopes = [
            (place[b] - place[a]) / (b - a) for n, a in enumerate(others) for b in others[n + 1 :]
        ]
        slope = np.median(slopes, axis=0)
        expected = np.median([place[b] + slope * (i - b) for b in others], axis=0)
        jumps[i] = float(np.linalg.norm(place[i] - expected))
    return jumps
