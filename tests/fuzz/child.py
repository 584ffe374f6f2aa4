"""Reads mutants one after the other, in a process of its own with limits of memory.

A line of JSON for each: a damage to memory or an endless loop costs this process alone.
"""

from __future__ import annotations

import io
import json
import logging
import os
import shutil
import sys
import tempfile
import time
import traceback
import warnings
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from click.testing import CliRunner
from mutants import ENDING, make_mutant, seeds
from PIL import Image, ImageFile

from merge.cli import main as command_line
from merge.edits import affected_box, join_patch, read_edits
from merge.errors import MergeError
from merge.pipeline.finished import read_finished
from merge.read import probe_frame, read_frame, read_luminance, read_mosaic, read_preview
from merge.read.frame import read_samples
from merge.read.orientation import apply_orientation
from merge.sort import sort_frames
from merge.write import write_picture

MEMORY_LIMIT_BYTES = 3 << 30
_PICTURES = ("jpeg", "png", "tiff", "dng", "exif", "icc", "xmp", "heif")
_originals: dict[tuple[str, int], np.ndarray] = {}


def run(kind: str, seed: int, number: int, folder: Path) -> dict[str, Any]:
    """Return what became of one mutant: "read", "refused" or "fault", and if pixels are wrong."""
    data, chosen, mended = make_mutant(kind, seed, number)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            if kind in _PICTURES:
                path = folder / f"mutant{ENDING[kind]}"
                path.write_bytes(data)
                return _read_picture(path, data, kind, chosen, mended)
            if kind == "name":
                return _use_name(data, folder)
            return _use_json(data, kind, folder)
    except MergeError as exc:
        text = str(exc)
        if "\n" in text or len(text) > 2000:
            return {"outcome": "fault", "text": f"no clear line: {text[:300]!r}"}
        return {"outcome": "refused", "text": text}
    except Exception:
        return {"outcome": "fault", "text": traceback.format_exc()[-1500:]}


def _read_picture(path: Path, data: bytes, kind: str, chosen: int, mended: bool) -> dict[str, Any]:
    source = probe_frame(path)
    if max(source.shape[:2]) > 4000:
        read_luminance(source, reduction=2)
        return {"outcome": "read", "text": f"{source.shape}"}
    samples, _ = read_samples(source)
    read_luminance(source, reduction=min(2, *source.shape[:2]))
    read_preview(source, min_long_side_px=40)
    sort_frames([source, source], lambda s: read_preview(s, min_long_side_px=40)[0])
    if kind in ("exif", "icc", "xmp"):
        _pass_on(source, path)
    return {"outcome": "read", "text": _wrong(source, samples, data, kind, chosen, mended) or ""}


def _pass_on(source: Any, path: Path) -> None:
    """Write a picture with what the mutant tells, and read it."""
    picture = np.full((8, 9, source.shape[2]), 0.5, np.float32)
    for ending in (".tif", ".jpg", ".png"):
        out = path.with_name(f"out{ending}")
        write_picture(
            out, picture, source=source, provenance={"version": "1", "frames": []}, overwrite=True
        )
        read_frame(probe_frame(out))


def _wrong(
    source: Any, samples: np.ndarray, data: bytes, kind: str, chosen: int, mended: bool
) -> str | None:
    """Return how pixels are wrong that were read without a word; None if they are not known to be.

    A PNG has checksums, so that changed pixels must be noticed; for all, a second decoder that is
    independent of ours must see the same.
    """
    if kind in ("exif", "icc", "xmp"):
        return None
    before = _original(kind, chosen)
    same = samples.shape == before.shape and np.array_equal(samples, before)
    if same:
        return None
    if kind == "png" and not mended and source.orientation == 1:
        return f"WRONG: changed pixels under good checksums, {samples.shape}"
    if kind == "dng":
        return _compare_mosaic(source, data)
    second = _second_opinion(data, kind)
    if second is None or (kind == "tiff" and second.dtype != samples.dtype):
        return "changed, no second opinion"
    second = apply_orientation(second, source.orientation)
    second = second[:, :, np.newaxis] if second.ndim == 2 else second
    if second.shape == samples.shape and np.array_equal(second, samples):
        return "changed, a second decoder agrees"
    return f"DIFFERS: {samples.dtype} {samples.shape}, second decoder {second.dtype} {second.shape}"


def _compare_mosaic(source: Any, data: bytes) -> str:
    """Compare the sensor's values, which both read as they stand."""
    ours = read_mosaic(source)
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as file:
            page: Any = file.pages.first
            pages = [page, *(page.pages or ())]
            second = next(p for p in pages if int(p.photometric) in (32803, 34892)).asarray()
    except Exception:  # whatever it stumbles over is no opinion
        return "changed, no second opinion"
    if ours is None or second.ndim != 2 or second.dtype != np.uint16:
        return "changed, no second opinion"
    values = ours[0]
    if values.shape != second.shape:  # the part that is used may be smaller than the sensor
        return "changed, part of the sensor"
    if np.array_equal(values, second):
        return "changed, a second decoder agrees"
    return f"DIFFERS: mosaic {values.shape}"


def _original(kind: str, chosen: int) -> np.ndarray:
    if (kind, chosen) not in _originals:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"whole{ENDING[kind]}"
            path.write_bytes(seeds()[kind][chosen])
            _originals[kind, chosen] = read_samples(probe_frame(path))[0]
    return _originals[kind, chosen]


def _second_opinion(data: bytes, kind: str) -> np.ndarray | None:
    """Return stored pixels by another library: Pillow for JPEG, OpenCV for PNG and TIFF.

    OpenCV takes the planes of a TIFF for pixels, converts what is no plain colour, and knows few
    compressions: what it cannot is no opinion.
    """
    if kind == "tiff":
        with tifffile.TiffFile(io.BytesIO(data)) as file:
            page: Any = file.pages.first
            if page.planarconfig == 2 or page.photometric not in (1, 2) or page.sampleformat != 1:
                return None
    try:
        if kind == "jpeg":
            ImageFile.LOAD_TRUNCATED_IMAGES = False
            picture = Image.open(io.BytesIO(data), formats=["JPEG"])
            return np.asarray(picture if picture.mode in ("L", "RGB") else picture.convert("RGB"))
        if kind in ("png", "tiff"):
            flags = cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION
            found = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
            if found is None:
                return None
            if found.ndim == 3 and found.shape[2] == 4:
                found = found[:, :, :3]
            return found if found.ndim == 2 else np.ascontiguousarray(found[:, :, ::-1])
    except Exception:  # whatever it stumbles over is no opinion
        return None
    return None


def _use_json(data: bytes, kind: str, folder: Path) -> dict[str, Any]:
    path = folder / "mutant.json"
    path.write_bytes(data)
    for name in ("audited-brackets.json",):
        (folder / name).unlink(missing_ok=True)
    if kind == "record":
        return {"outcome": "read", "text": str(read_finished(path))[:200]}
    if kind == "edits":
        return _use_edits(path)
    if kind == "audit":
        arguments = ["plan", "--from", str(path), "--json"]
    else:
        arguments = ["audit", "--each", str(path)]
    return _command(arguments)


def _use_edits(path: Path) -> dict[str, Any]:
    """Join what a file of edits asks for into a small picture."""
    picture = np.full((60, 80, 3), 30000, np.uint16)
    edits = read_edits(path).edits
    for edit in edits:
        box = affected_box(edit, picture.shape)
        if box is None:
            continue
        row, column, height, width = box
        part = np.s_[row : row + height, column : column + width]
        picture[part] = join_patch(
            picture[part], np.ones((height, width, 3), np.float32), edit, box
        )
    return {"outcome": "read", "text": f"{len(edits)} edits"}


def _use_name(data: bytes, folder: Path) -> dict[str, Any]:
    day = folder / "day"
    shutil.rmtree(day, ignore_errors=True)
    day.mkdir()
    try:
        path = Path(os.fsdecode(os.path.join(os.fsencode(day), data)))
        path.write_bytes(seeds()["jpeg"][0])
    except (OSError, ValueError):  # not a name on this system
        return {"outcome": "refused", "text": "no name here"}
    out = folder / "sorted"
    shutil.rmtree(out, ignore_errors=True)
    result = _command(["sort", str(day), "--into", str(out)])
    if result["outcome"] == "read":
        probe_frame(path)
        again = _command(["audit", "--each", str(out)])
        if again["outcome"] != "refused" or "no focus bracket" not in again["text"]:
            return {"outcome": "fault", "text": again["text"]}
    return result


def _command(arguments: list[str]) -> dict[str, Any]:
    result = CliRunner().invoke(command_line, arguments)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        text = "".join(traceback.format_exception(result.exception))[-1500:]
        return {"outcome": "fault", "text": text}
    if result.exit_code not in (0, 1, 2):
        return {"outcome": "fault", "text": f"exit code {result.exit_code}"}
    for stream in (result.stdout, result.stderr):
        if any(c in stream for c in "\x1b\x9b\r\u202e"):
            return {"outcome": "fault", "text": f"reaches the terminal: {stream[:200]!r}"}
    # A job for every bracket says first where its results go.
    if result.exit_code and len(result.stderr.splitlines()) > (2 if "--each" in arguments else 1):
        return {"outcome": "fault", "text": f"no single line: {result.stderr[:400]!r}"}
    return {
        "outcome": "refused" if result.exit_code else "read",
        "text": result.stderr[:200] if result.exit_code else "",
    }


def _limit_memory() -> None:
    if sys.platform.startswith("linux"):
        import resource

        # Address space, of which libraries and compiled code take 3 GiB without using it.
        resource.setrlimit(resource.RLIMIT_AS, (2 * MEMORY_LIMIT_BYTES,) * 2)


def _peak_bytes() -> int:
    if sys.platform == "win32":
        return 0
    import resource

    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return int(peak if sys.platform == "darwin" else peak * 1024)


def main() -> None:
    """Take "kind seed number" from stdin, print a result for each."""
    _limit_memory()
    logging.disable(logging.CRITICAL)
    answers = os.fdopen(os.dup(1), "w", buffering=1)
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 1)
    os.dup2(silence, 2)
    with tempfile.TemporaryDirectory() as folder:
        for line in sys.stdin:
            kind, seed, number = line.split()
            began, before = time.monotonic(), _peak_bytes()
            result = run(kind, int(seed), int(number), Path(folder))
            peak = _peak_bytes()
            result |= {"kind": kind, "seed": int(seed), "number": int(number)}
            result |= {"seconds": round(time.monotonic() - began, 3), "peak_bytes": peak}
            if peak > MEMORY_LIMIT_BYTES and peak > before:
                result |= {"outcome": "fault", "text": f"{peak / 1e9:.1f} GB of memory"}
            answers.write(json.dumps(result) + "\n")


if __name__ == "__main__":
    main()
