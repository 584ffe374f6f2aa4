"""The frames of a bracket in the order of their focus, in whatever order they were shot."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from merge.align import StackRegistration
from merge.axis import fit_focus_axis
from merge.diagnose import leads_back
from merge.errors import RegistrationError
from merge.focus import SMALLEST_SIDE_PX, CellEnergies, place_tiles
from merge.model import Array, FocusAxis, Registration, Stack, TileEnergies
from merge.rising import rising_fit
from merge.threads import map_threads

# Fitted again in the new order, frames of one focus may change places once more.
_ROUNDS = 3


@dataclass(frozen=True, eq=False)
class OrderedBracket:
    """A bracket in the order of its focus axis; one index for everything that follows.

    Attributes
    ----------
    stack : Stack
        Frames that could not be aligned stay behind the one that they were shot after.
    registration : Registration
        Of the same frames.
    order : tuple of int
        For each frame its index before.
    axis : FocusAxis or None
        Of the aligned frames, positions rising; None where the pictures do not tell.
    axis_problem : str
        Why there is no focus axis; empty if there is one.
    diffraction_scale_px : float or None
        Wavelength times effective f-number over the pixel pitch, as used for the axis; None where
        it is not known and blur was taken as the ideal disk.
    """

    stack: Stack
    registration: Registration
    order: tuple[int, ...]
    axis: FocusAxis | None
    axis_problem: str
    diffraction_scale_px: float | None = None


def order_by_focus(
    stack: Stack,
    registration: Registration,
    cells: Mapping[int, CellEnergies],
    *,
    diffraction_scale_px: float | None = None,
) -> OrderedBracket:
    """Return a bracket with its focus axis, its frames in the order of that.

    Parameters
    ----------
    stack : Stack
    registration : Registration
        Of its frames.
    cells : mapping of int to CellEnergies
        By frame, at least of every aligned one; empty where the pictures are too small.
    diffraction_scale_px : float, optional
        Without it steps read too small where diffraction matters.
    """
    order = tuple(range(len(stack)))
    axis, problem = None, f"frames of less than {SMALLEST_SIDE_PX} px hold too few tiles"
    for _ in range(_ROUNDS if cells else 0):
        axis, problem = _measure_axis(stack, cells, registration, diffraction_scale_px)
        if axis is None or not leads_back(axis, np.arange(len(axis.positions_px))).any():
            break
        found = _focus_order(registration, axis)
        stack, registration = reorder_stack(stack, found), _reorder(registration, found)
        cells = {new: cells[old] for new, old in enumerate(found) if old in cells}
        order = tuple(order[i] for i in found)
    if axis is not None and (np.diff(axis.positions_px) < 0).any():
        axis = dataclasses.replace(axis, positions_px=_rising(axis))
    return OrderedBracket(stack, registration, order, axis, problem, diffraction_scale_px)


def refine_by_depth(
    bracket: OrderedBracket, registrar: StackRegistration, registration: Registration
) -> OrderedBracket:
    """Return a bracket whose registration tells near from far, if its frames bear that out.

    Parameters
    ----------
    bracket : OrderedBracket
    registrar : StackRegistration
        Finished, frames in the order in which they were read.
    registration : Registration
        What it gave.
    """
    if bracket.axis is None:
        return bracket
    place = dict(zip(bracket.registration.aligned, bracket.axis.positions_px.tolist(), strict=True))
    read = sorted(place, key=lambda frame: bracket.order[frame])
    axis = dataclasses.replace(
        bracket.axis, positions_px=np.array([place[frame] for frame in read])
    )
    found = registrar.follow(registrar.refine(registration, axis))
    if found is registration:
        return bracket
    return dataclasses.replace(bracket, registration=_reorder(found, bracket.order))


def is_out_of_order(bracket: OrderedBracket) -> bool:
    """Tell whether frames were proven to stand out of order as read, and changed places."""
    return bracket.order != tuple(range(len(bracket.order)))


def _rising(axis: FocusAxis) -> Array:
    """Return positions that rise, of frames whose order nothing proves wrong."""
    certainty = np.ones(len(axis.positions_px))
    if axis.covariance_px is not None:
        certainty = 1 / np.maximum(np.diag(axis.covariance_px), 1e-6)
    rising = rising_fit(axis.positions_px, certainty)
    return np.asarray(rising - rising[0])


def reorder_stack(stack: Stack, order: Sequence[int]) -> Stack:
    """Return a stack with its frames in another order: for each frame its index before."""
    shot = stack.shot_order or range(len(stack))
    return dataclasses.replace(
        stack,
        sources=tuple(stack.sources[i] for i in order),
        shot_order=tuple(shot[i] for i in order),
    )


def _reorder(registration: Registration, order: Sequence[int]) -> Registration:
    return dataclasses.replace(
        registration,
        frames=tuple(registration.frames[i] for i in order),
        reference=list(order).index(registration.reference),
        other_scene=tuple(sorted(list(order).index(i) for i in registration.other_scene)),
    )


def _focus_order(registration: Registration, axis: FocusAxis | None) -> tuple[int, ...]:
    """Return the frames' indices in order of focus; one without a place follows the one before."""
    count = len(registration.frames)
    if axis is None:
        return tuple(range(count))
    place = dict(zip(registration.aligned, axis.positions_px.tolist(), strict=True))
    keys, last = [], -math.inf
    for frame in range(count):
        last = place.get(frame, last)
        keys.append((last, frame))
    return tuple(frame for _, frame in sorted(keys))


def _measure_axis(
    stack: Stack,
    cells: Mapping[int, CellEnergies],
    registration: Registration,
    scale_px: float | None,
) -> tuple[FocusAxis | None, str]:
    """Return the focus axis of the aligned frames, or None and why there is none."""

    def place(frame: int) -> TileEnergies:
        return place_tiles(cells[frame], registration.frames[frame].transform)

    tiles = map_threads(place, registration.aligned)
    placed = np.nan_to_num([registration.frames[i].residual_px for i in registration.aligned])
    told = [stack.sources[i].settings.f_number for i in registration.aligned]
    try:
        axis = fit_focus_axis(
            tiles, diffraction_scale_px=scale_px, placed_px=placed, any_aperture=None in told
        )
    except RegistrationError as exc:
        return None, str(exc)
    return axis, ""
