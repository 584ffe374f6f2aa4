"""A focus bracket small enough to be merged by the command in well under a second; a sorted day."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from io_samples import exif_bytes, write_jpeg, write_png, write_tiff

CAMERA = {271: "Example", 272: "Field One", 315: "An Invented Name", 33432: "No rights kept"}


def small_bracket(
    frames: int = 3, *, height: int = 160, width: int = 240, seed: int = 5, coded: bool = False
) -> tuple[list[np.ndarray], np.ndarray]:
    """Return frames and truth, (H, W, 3) float32: upright bands, each sharp in its own frame.

    Blurred in light or, if ``coded``, as drawn pictures are: in their stored values.
    """
    rng = np.random.default_rng(seed)
    truth = np.full((height, width, 3), 0.45, np.float32)
    for octave in range(5):
        shape = (max(2, height >> octave), max(2, width >> octave), 3)
        layer = rng.standard_normal(shape).astype(np.float32)
        truth += 0.05 * cv2.resize(layer, (width, height), interpolation=cv2.INTER_CUBIC)
    truth = truth.clip(0.02, 0.98)
    band = np.arange(width) * frames // width
    gamma = 1.0 if coded else 2.2  # what blur mixes
    blurred = [
        cv2.GaussianBlur(truth**gamma, (0, 0), 1.2 * distance) ** (1 / gamma)
        for distance in range(1, frames)
    ]
    pictures = []
    for i in range(frames):
        picture = truth.copy()
        for distance in range(1, frames):
            away = np.abs(band - i) == distance
            picture[:, away] = blurred[distance - 1][:, away]
        pictures.append(picture)
    return pictures, truth


def write_bracket(
    folder: Path, frames: int = 3, *, suffix: str = ".tif", bits: int = 16, **options: Any
) -> list[Path]:
    """Write a small bracket as frame_1, frame_2 … and return the paths.

    JPEGs carry the EXIF of an invented camera with capture times two seconds apart.
    """
    folder.mkdir(parents=True, exist_ok=True)
    pictures, _ = small_bracket(frames, **options)
    return [
        write_frame(folder / f"frame_{i}{suffix}", p, i, bits) for i, p in enumerate(pictures, 1)
    ]


def write_frame(path: Path, picture: np.ndarray, number: int = 1, bits: int = 16) -> Path:
    """Write one frame (H, W, 3) or (H, W) in the format of the path's ending."""
    if path.suffix == ".jpg":
        shot = {
            0x9003: f"2031:05:06 07:08:{2 * number:02d}",
            0x829A: 1 / 125,
            0x829D: 5.6,
            0x920A: 60.0,
        }
        exif = exif_bytes(main=CAMERA, photo=shot)
        return write_jpeg(path, np.rint(picture * 255).astype(np.uint8), exif=exif)
    values = np.rint(picture * (2**bits - 1)).astype(np.uint16 if bits == 16 else np.uint8)
    return write_png(path, values) if path.suffix == ".png" else write_tiff(path, values)


def group_record(name: str, paths: Sequence[Path], kind: str = "focus bracket") -> dict[str, Any]:
    """Return a group as the JSON of a sort tells it."""
    shots = [{"file": str(path), "companions": []} for path in paths]
    return {
        "name": name, "kind": kind, "certainty": 0.9, "reason": "", "notes": [], "shots": shots,
    }  # fmt: skip


def write_sorted(folder: Path, groups: list[dict[str, Any]]) -> Path:
    """Write the JSON of a sort of a folder into it, and return its path."""
    record = {
        "format": "depthweld sorted frames", "version": 1, "folder": str(folder),
        "groups": groups, "skipped": [],
    }  # fmt: skip
    path = folder / "sorted.json"
    path.write_text(json.dumps(record), encoding="utf-8")
    return path
