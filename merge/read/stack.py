"""Files to an ordered stack, and whether its frames belong together."""

from __future__ import annotations

import datetime as dt
import glob
import os
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from merge import metadata
from merge.errors import FrameMismatchError, ReadError
from merge.model import FrameSource, Stack
from merge.model.frames import swap_sides
from merge.naming import (
    PICTURE_SUFFIXES,
    find_copies,
    natural_key,
    pair_files,
    unroll,
    wrong_times,
)
from merge.read import raw
from merge.read.frame import probe_header
from merge.read.kinds import describe_other, detect_kind, unsupported_error

# Less holds no detail to align by: two tiles of the comparison of frames.
_LEAST_SIDE_PX = 32
PathLike = str | os.PathLike[str]

# Best first: which of several files with one stem stands for the picture.
_PREFERENCE = {
    "raw": ("raw", "tiff", "png", "heif", "jpeg"),
    "jpeg": ("jpeg", "heif", "tiff", "png", "raw"),
}
# What a file that this program wrote is, by its content as its provenance tells it.
OWN_OUTPUTS = {"depth map": "a depth map, not a frame", "picture": "an earlier result, not a frame"}


# How a camera was held, by the EXIF orientation (CIPA DC-008, tag 274).
_TURNED = {
    1: "upright", 2: "mirrored", 3: "upside down", 4: "mirrored upside down",
    5: "mirrored sideways", 6: "turned by 90°", 7: "mirrored sideways", 8: "turned by 270°",
}  # fmt: skip


@dataclass(frozen=True)
class _Candidate:
    source: FrameSource
    own: str | None  # what it holds, if this program wrote it
    named: bool  # given by name or pattern, not found in a folder


def find_frames(
    inputs: PathLike | Iterable[PathLike],
    *,
    prefer: Literal["raw", "jpeg"] = "raw",
    exclude: Iterable[PathLike] = (),
) -> Stack:
    """Return the frames that files, folders and patterns hold, in shooting order.

    Parameters
    ----------
    inputs : path or iterable of paths
        Picture files, folders (not searched deeper), or patterns with ``*``, ``?``, ``[]``.
    prefer : {"raw", "jpeg"}
        Which of several files with one stem in one folder counts.
    exclude : iterable of paths
        Files to pass over, e.g. the output to be.

    Returns
    -------
    Stack
        With the white balance of its first raw frame, to read every frame with. Ordered by
        capture time where every frame tells it, the camera's counter disproves none and at
        least two differ (equal times in the order of their names), else by name, numbers by
        value. Hidden files and whatever is no
        picture are passed over in a folder. Files written by this program are left out, too,
        unless every input is one, given by name. Where all are stored in one size, they get
        the orientation that more than half of them tell: a camera that points down, or up,
        mistakes how it is held, and a bracket is taken from one stand.

    Raises
    ------
    ReadError
        If nothing is found, a named file is no picture, a folder holds a file with a
        picture's name and no picture inside, or a picture's header is damaged.
    """
    if prefer not in _PREFERENCE:
        raise ValueError(f"prefer {prefer!r}: expected 'raw' or 'jpeg'")
    given = [inputs] if isinstance(inputs, (str, os.PathLike)) else list(inputs)
    if "" in given:  # a variable that holds nothing: not the folder that the program runs in
        raise ReadError("an empty name among the frames; give the folder or files of a bracket")
    skipped: list[str] = []
    paths = _expand([Path(item) for item in given], [Path(item) for item in exclude], skipped)
    copies = find_copies(path for path, _ in paths)
    skipped += [f"{path.name}: a copy of {first.name}" for path, first in copies.items()]
    candidates = [_probe(path, named) for path, named in paths if path not in copies]
    candidates = _leave_out_own(candidates, skipped)
    sources = _leave_out_pairs([c.source for c in candidates], prefer, skipped)
    if not sources:
        where = ", ".join(str(item) for item in given[:3]) or "nothing"
        raise _nothing_found([Path(item) for item in given], where, skipped)
    ordered, ordered_by = _order(sources)
    ordered, turned = _turn_alike(ordered)
    first_raw = next((source for source in ordered if source.kind == "raw"), None)
    balance = raw.read_white_balance(first_raw.path) if first_raw else None
    chosen = {source.path for source in ordered}
    companions = [c.source.path for c in candidates if c.source.path not in chosen]
    companions += copies
    return Stack(
        tuple(ordered), ordered_by, balance, tuple(skipped), tuple(companions), turned=turned
    )


def _nothing_found(given: list[Path], where: str, skipped: list[str]) -> ReadError:
    """Return the error that says what is there instead of pictures."""
    inside = [line for folder in given if folder.is_dir() for line in _folders_in(folder)]
    if inside:
        shown = ", ".join(inside[:4]) + (f" and {len(inside) - 4} more" if len(inside) > 4 else "")
        return ReadError(
            f"{where}: no pictures in the folder itself, but in folders in it: {shown}; "
            "name one of them, or let 'depthweld sort' look through all"
        )
    why = f" ({skipped[0]})" if skipped else ""
    return ReadError(f"{where}: no pictures found{why}; name the folder or files of a bracket")


def _folders_in(folder: Path) -> list[str]:
    """Return each folder in a folder that holds pictures by their names, and how many."""
    counts: dict[str, int] = {}
    for place, inside, names in os.walk(folder):
        inside[:] = sorted(n for n in inside if not n.startswith("."))
        found = sum(
            Path(n).suffix.lower() in PICTURE_SUFFIXES for n in names if not n.startswith(".")
        )
        if found and Path(place) != folder:
            counts[Path(place).relative_to(folder).as_posix()] = found
    return [
        f"{name} ({count} {'picture' if count == 1 else 'pictures'})"
        for name, count in counts.items()
    ]


def check_stack(stack: Stack) -> None:
    """Raise an error unless the frames can be merged with each other.

    Raises
    ------
    ReadError
        If there are fewer than two.
    FrameMismatchError
        If size, orientation, channels, camera, curve or colour profile differ. Bit depth may.
        If they are too small to be aligned.
    """
    if len(stack) < 2:
        name = stack.sources[0].name if stack.sources else "no file"
        raise ReadError(f"{name}: one frame, expected at least two; add the others")
    reference = stack.sources[0]
    height, width = reference.shape[:2]
    if min(height, width) < _LEAST_SIDE_PX:
        raise FrameMismatchError(
            f"{reference.name}: {width} x {height} px, expected at least {_LEAST_SIDE_PX} px on "
            "either side; give the frames at their full size"
        )
    for i, source in enumerate(stack.sources[1:], start=2):
        difference = _difference(source, reference)
        if difference:
            ours, theirs, advice = difference
            raise FrameMismatchError(
                f"{source.name} (frame {i}): {ours}, but {reference.name} (frame 1) {theirs}; "
                f"{advice}, or leave this frame out"
            )


def _difference(source: FrameSource, reference: FrameSource) -> tuple[str, str, str] | None:
    """Return what a frame is, what the reference is, and what to do."""
    (height, width, channels), (height_1, width_1, channels_1) = source.shape, reference.shape
    turn, turn_1 = source.orientation, reference.orientation
    if (height, width) == (width_1, height_1) != (height_1, width_1) or (
        turn != turn_1 and (height, width) == (height_1, width_1) and {turn, turn_1} != {1}
    ):
        return (
            f"{_TURNED[turn]}, {width} x {height} px",
            f"is {_TURNED[turn_1]}, {width_1} x {height_1} px",
            "turn all frames alike",
        )
    if (height, width) != (height_1, width_1):
        advice = "export the frames with one crop and size"
        return f"{width} x {height} px", f"has {width_1} x {height_1} px", advice
    if channels != channels_1:
        words = {1: "grey", 3: "colour"}
        return words[channels], f"is {words[channels_1]}", "export all frames alike"
    camera, camera_1 = source.settings.camera, reference.settings.camera
    if camera and camera_1 and camera != camera_1:
        return f"taken with {camera}", f"with {camera_1}", "use the frames of one camera"
    if (source.kind == "raw") != (reference.kind == "raw"):
        words = {True: "a camera raw file", False: "a developed file"}
        ours, theirs = (words[s.kind == "raw"] for s in (source, reference))
        return ours, f"is {theirs}", "use files of one kind"
    if source.transfer != reference.transfer or not metadata.same_colours(
        source.icc_profile, reference.icc_profile
    ):
        ours = "another colour profile" if source.icc_profile else "no colour profile"
        theirs = "has its own" if reference.icc_profile else "has none"
        return ours, theirs, "export all frames with one profile"
    return None


def _expand(given: list[Path], exclude: list[Path], skipped: list[str]) -> list[tuple[Path, bool]]:
    """Return (path, given by name) of every picture file, each file once."""
    unwanted = {_identity(path) for path in exclude if path.exists()}
    seen: dict[object, Path] = {}
    found = []
    for item in given:
        for path, named in _expand_one(item, skipped):
            identity = _identity(path)
            if identity in unwanted:
                continue
            if identity in seen:
                if os.path.abspath(seen[identity]) != os.path.abspath(path):
                    skipped.append(f"{path.name}: the same file as {seen[identity].name}")
                continue
            seen[identity] = path
            found.append((path, named))
    return found


def _identity(path: Path) -> object:
    try:
        status = path.stat()
    except OSError:
        return os.path.abspath(path)
    return (status.st_dev, status.st_ino) if status.st_ino else os.path.abspath(path)


def _expand_one(item: Path, skipped: list[str]) -> list[tuple[Path, bool]]:
    if item.is_dir():
        return [(path, False) for path in _pictures_in(item, skipped)]
    if not item.exists() and glob.has_magic(str(item)):
        matches = [Path(match) for match in sorted(glob.glob(str(item)))]
        if not matches:
            raise ReadError(f"{item}: no file matches; check folder and pattern")
        return [(path, True) for path in matches if not path.is_dir()]
    return [(item, True)]


def _pictures_in(folder: Path, skipped: list[str]) -> list[Path]:
    try:
        entries = sorted(folder.iterdir())
    except OSError as exc:
        raise ReadError(f"{folder}: cannot be read ({exc.strerror}); check it") from exc
    pictures = []
    for path in entries:
        if path.name.startswith("."):
            continue
        if path.is_symlink() and not path.exists() and path.suffix.lower() in PICTURE_SUFFIXES:
            raise ReadError(
                f"{path.name}: a link to {os.readlink(path)}, which is not there; connect the card "
                "or disk that it points to, or leave it out"
            )
        if not path.is_file():
            continue
        if detect_kind(path) is not None:
            pictures.append(path)
        elif path.suffix.lower() in PICTURE_SUFFIXES:
            raise unsupported_error(path)
        elif (words := describe_other(path)) is not None:
            skipped.append(f"{path.name}: {words}, not supported")
    return pictures


def _probe(path: Path, named: bool) -> _Candidate:
    source, xmp = probe_header(path)
    return _Candidate(source, metadata.own_content(xmp), named)


def _leave_out_own(candidates: list[_Candidate], skipped: list[str]) -> list[_Candidate]:
    pictures = [c for c in candidates if c.own != "depth map"]
    # Results alone, by name, are partial results that are to be merged further.
    wanted = all(c.own and c.named for c in pictures)
    kept = []
    for candidate in candidates:
        if candidate.own == "depth map" or (candidate.own and not wanted):
            skipped.append(f"{candidate.source.name}: {OWN_OUTPUTS[candidate.own]}")
        else:
            kept.append(candidate)
    return kept


def _leave_out_pairs(
    sources: list[FrameSource], prefer: str, skipped: list[str]
) -> list[FrameSource]:
    rank = _PREFERENCE[prefer].index
    kept = []
    for chosen, *rest in pair_files(sources, order=lambda source: rank(source.kind)):
        kept.append(chosen)
        skipped += [f"{source.name}: the same picture as {chosen.name}" for source in rest]
    return kept


def _turn_alike(sources: list[FrameSource]) -> tuple[list[FrameSource], tuple[str, ...]]:
    """Return the frames with the orientation of most, and the names of those that tell another."""
    usual, count = Counter(source.orientation for source in sources).most_common(1)[0]
    stored = {source.stored_shape for source in sources}
    if 2 * count <= len(sources) or len(stored) > 1:
        return sources, ()
    turned = tuple(source.name for source in sources if source.orientation != usual)
    shape = swap_sides(stored.pop(), usual)
    return [replace(source, shape=shape, orientation=usual) for source in sources], turned


def _order(sources: list[FrameSource]) -> tuple[list[FrameSource], str]:
    by_name = sorted(sources, key=lambda source: natural_key(source.path))
    if len({source.path.parent for source in sources}) == 1:
        by_name = [by_name[i] for i in unroll([source.path for source in by_name])]
    times = [source.settings.captured_at for source in by_name]
    known = [time for time in times if time is not None]
    if len(known) < len(times) or wrong_times([source.path for source in by_name], times):
        return by_name, "file name"
    if any(time.tzinfo is None for time in known):
        known = [time.replace(tzinfo=dt.UTC) for time in known]
    if len(set(known)) < 2:
        return by_name, "file name"
    order = sorted(range(len(known)), key=lambda i: known[i])  # stable: equal times by name
    return [by_name[i] for i in order], "capture time"
