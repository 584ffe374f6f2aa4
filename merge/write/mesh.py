"""A depth map as a surface, in the Polygon File Format (PLY).

The format is a header and two tables (G. Turk, "The PLY Polygon File Format", 1994; from memory),
so numpy writes it; a library would be a dependency in place of forty lines. The tests read it with
one.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.atomic import replace_atomically
from merge.errors import WriteError
from merge.model import BoolArray, DepthMap, DepthScale, FloatArray
from merge.write.tiff import to_integers

# More points than this are more than programs turn round smoothly.
_MOST_POINTS = 1_000_000
# Neighbours farther apart than this, in frames, lie on different things.
_APART_FRAMES = 1.5
_POINT = np.dtype([("place", "<f4", 3), ("colour", "u1", 3)])
_FACE = np.dtype([("count", "u1"), ("points", "<i4", 3)])


def write_mesh(
    path: str | Path,
    depth: DepthMap,
    pixels: FloatArray,
    *,
    scale: DepthScale | None = None,
    overwrite: bool = False,
    inputs: Iterable[Path] = (),
) -> Path:
    """Write a depth map as triangles with the picture's colours, and return the path.

    Parameters
    ----------
    path : str or Path
        Ending in .ply.
    depth : DepthMap, shape (H, W)
        What lies beyond the frames is left out; so are triangles across depth steps.
    pixels : ndarray, shape (H, W, C), float32
        In [0, 1].
    scale : DepthScale, optional
        Then x, y and z are millimetres where it tells both; else pixels and frames. y points up,
        z towards the camera, as if the first frame were the near end where that is not known.
    overwrite, inputs
        As `write_picture`.

    Raises
    ------
    WriteError
        As `write_picture`, or if everything lies beyond the frames.
    """
    target = Path(path)
    if target.suffix.lower() != ".ply":
        raise WriteError(f"{target}: a surface is written as .ply; choose that ending")
    points, faces, unit = _surface(depth, pixels, scale)
    if not len(faces):
        raise WriteError(f"{target}: no surface, as no two neighbouring places have a depth")
    header = [
        "ply",
        "format binary_little_endian 1.0",
        f"comment depthweld; {unit}",
        f"element vertex {len(points)}",
        *(f"property float {axis}" for axis in "xyz"),
        *(f"property uchar {name}" for name in ("red", "green", "blue")),
        f"element face {len(faces)}",
        "property list uchar int vertex_indices",
        "end_header",
    ]
    with replace_atomically(target, overwrite=overwrite, inputs=inputs) as file:
        file.write("".join(f"{line}\n" for line in header).encode("ascii"))
        file.write(points.tobytes())
        file.write(faces.tobytes())
    return target


def _surface(
    depth: DepthMap, pixels: FloatArray, scale: DepthScale | None
) -> tuple[NDArray[np.void], NDArray[np.void], str]:
    """Return the table of points, that of triangles, and what the numbers are."""
    height, width = depth.position.shape
    step = max(1, int(np.ceil(np.sqrt(height * width / _MOST_POINTS))))
    start = step // 2
    position = depth.position[start::step, start::step]
    used = np.isfinite(position)
    if depth.beyond is not None:
        used &= depth.beyond[start::step, start::step] == 0
    triangles = _triangles(position, used)
    kept, renamed = np.unique(triangles, return_inverse=True)
    rows, columns = np.divmod(kept, position.shape[1])
    x, y = columns * step + start, height - 1 - (rows * step + start)
    place = position.ravel()[kept]
    unit, z = "x and y in pixels, z in frames", -place.astype(np.float64)
    if scale is not None and scale.pixel_mm is not None:
        x, y = x * scale.pixel_mm, y * scale.pixel_mm
        z = -scale.in_mm(place)
        unit = "x, y and z in millimetres"
    if depth.near_first is False:
        z = -z
    known = "z towards the camera" if depth.near_first is not None else "near end not known"
    unit = f"{unit}; {known}"
    points = np.empty(len(kept), _POINT)
    points["place"] = np.stack([x, y, z], axis=1)
    colours = cv2.blur(pixels, (step, step)) if step > 1 else pixels
    colours = colours.reshape(height, width, -1)[start::step, start::step]
    points["colour"] = to_integers(colours.reshape(position.size, -1)[kept], 255)
    faces = np.empty(len(triangles), _FACE)
    faces["count"], faces["points"] = 3, renamed.reshape(-1, 3)
    return points, faces, unit


def _triangles(position: FloatArray, used: BoolArray) -> NDArray[np.int64]:
    """Return two triangles for every square of four places on one surface, (N, 3) indices."""
    index = np.arange(position.size).reshape(position.shape)
    corners = (np.s_[:-1, :-1], np.s_[1:, :-1], np.s_[1:, 1:], np.s_[:-1, 1:])
    values = np.stack([position[c] for c in corners])
    together = np.stack([used[c] for c in corners]).all(axis=0)
    together &= values.max(axis=0) - values.min(axis=0) <= _APART_FRAMES
    a, b, c, d = (index[corner][together] for corner in corners)
    return np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
