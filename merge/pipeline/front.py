"""What scripts pass in: stacks, names or arrays as frames; settings by their names."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Iterable, Sequence
from numbers import Real
from typing import Any, TypeVar, get_args, get_type_hints

import numpy as np
from numpy.typing import NDArray

from merge.errors import OptionError
from merge.model import AuditOptions, MergeOptions, Stack
from merge.plan.checks import check_number
from merge.read import find_frames, stack_arrays

PathLike = str | os.PathLike[str]
Frames = Stack | PathLike | Sequence[PathLike] | Sequence[NDArray[Any]]
Options = TypeVar("Options", MergeOptions, AuditOptions)

_NUMBERS = (float, float | None, int | None)
# What no camera has is rather a wrong unit; of a landscape the magnification is next to nothing.
_CHECKED = {"pixel_pitch_um": None, "f_number": None, "pupil_ratio": None, "magnification": 0.0}
_AUDIT = {field.name for field in dataclasses.fields(AuditOptions)}


def as_stack(frames: Frames) -> Stack:
    """Return the stack that a program means.

    Parameters
    ----------
    frames : Stack, path, sequence of paths, or sequence of ndarray
        See `find_frames` and `stack_arrays`.

    Raises
    ------
    TypeError
        If paths and arrays are mixed, or there is something else among them.
    """
    if isinstance(frames, Stack):
        return frames
    if isinstance(frames, (str, os.PathLike)):
        return find_frames(frames)
    given = list(frames)
    arrays = [item for item in given if isinstance(item, np.ndarray)]
    if arrays and len(arrays) == len(given):
        return stack_arrays(arrays)
    paths = [item for item in given if isinstance(item, (str, os.PathLike))]
    if len(paths) < len(given):
        kinds = ", ".join(sorted({type(item).__name__ for item in given}))
        raise TypeError(f"frames of type {kinds}: expected paths alone or arrays alone")
    return find_frames(paths)


def with_settings(options: Options, settings: dict[str, Any]) -> Options:
    """Return options with some of them set by name; those of an audit also in a merge's.

    Raises
    ------
    OptionError
        If a value is none of those that are possible.
    TypeError
        If there is no option of a name.
    """
    own = {field.name for field in dataclasses.fields(options)}
    unknown = sorted(settings.keys() - own - (_AUDIT if "audit" in own else set()))
    if unknown:
        raise TypeError(
            f"no option {', '.join(unknown)}; there are {', '.join(sorted(own | _AUDIT))}"
        )
    settings = dict(settings)
    if isinstance(settings.get("tolerance"), Real):
        settings["tolerance"] = f"{settings['tolerance']:g}px"
    if isinstance(options, MergeOptions):
        inner = {name: settings.pop(name) for name in list(settings) if name in _AUDIT}
        settings["audit"] = with_settings(settings.get("audit", options.audit), inner)
    chosen = dataclasses.replace(options, **settings)
    _check(chosen)
    return chosen


def _check(options: MergeOptions | AuditOptions) -> None:
    hints = get_type_hints(type(options))
    for field in dataclasses.fields(options):
        value, choices = getattr(options, field.name), _choices(hints[field.name])
        if choices and value not in choices:
            raise OptionError(f"{field.name} {value!r}: expected one of {', '.join(choices)}")
        if hints[field.name] is str and not isinstance(value, str):
            raise OptionError(f"{field.name} {value!r}: expected a text such as {field.default!r}")
        if hints[field.name] in _NUMBERS and value is not None and field.name != "reference":
            if not (isinstance(value, Real) and float(value) > 0):
                raise OptionError(f"{field.name} {value!r}: expected a number above 0")
            if field.name in _CHECKED:
                check_number(field.name, float(value), low=_CHECKED[field.name])


def _choices(hint: Any) -> Iterable[str]:
    return tuple(arg for arg in get_args(hint) if isinstance(arg, str))
