"""A depth map as an 8-bit picture for looking at, with a scale."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from merge import metadata
from merge.atomic import replace_atomically
from merge.errors import WriteError
from merge.model import CaptureSettings, DepthMap, FloatArray
from merge.write.embed import encode_png

_LONGEST_SIDE_PX = 2000
_SMALLEST_WIDTH_PX = 320
_BACKGROUND = (24, 24, 24)
_TEXT = (230, 230, 230)


def write_depth_preview(
    path: str | Path,
    depth: DepthMap,
    *,
    overwrite: bool = False,
    inputs: Iterable[Path] = (),
) -> Path:
    """Write a depth map as 8-bit colour PNG with its scale below, and return its path.

    Equal steps of depth are steps that look equal: the colours are viridis, made so by N. Smith
    and S. van der Walt for matplotlib, where lightness grows evenly. The smallest position is
    dark, the largest bright. Marked as an output, so never taken for a frame.

    Parameters
    ----------
    path : str or Path
        Ending in .png.
    depth : DepthMap
        Shown at most 2000 px wide and high. The scale says which end is near, if that is known.
    overwrite, inputs
        As `write_picture`.

    Raises
    ------
    WriteError
        As `write_picture`.
    """
    target = Path(path)
    if target.suffix.lower() != ".png":
        raise WriteError(f"{target}: the depth preview is written as .png; choose that ending")
    first, last = float(depth.position.min()), float(depth.position.max())
    picture = _picture(depth.position, first, last)
    scale = _scale(picture.shape[1], (first, last), depth.near_first)
    wide = np.full((picture.shape[0], scale.shape[1], 3), _BACKGROUND, np.uint8)
    wide[:, : picture.shape[1]] = picture
    values = np.vstack([wide, scale])
    ends = {"content": "depth map", "unit": "frames", "first": first, "last": last}
    data = encode_png(
        values,
        exif=metadata.build_exif_block(CaptureSettings(), software="depthweld"),
        xmp=metadata.build_xmp({"depth": ends}, content="depth map"),
        icc=None,
    )
    with replace_atomically(target, overwrite=overwrite, inputs=inputs) as file:
        file.write(data)
        file.flush()
        file.seek(0)
        if not np.array_equal(imagecodecs.png_decode(file.read()), values):
            raise WriteError(f"{target}: the file does not hold what was written; check the disk")
    return target


def _picture(position: FloatArray, first: float, last: float) -> NDArray[np.uint8]:
    height, width = position.shape
    shrink = _LONGEST_SIDE_PX / max(height, width)
    if shrink < 1:
        size = (max(round(width * shrink), 1), max(round(height * shrink), 1))
        # Nearest: a mean of two depths is a depth that nothing has.
        position = cv2.resize(position, size, interpolation=cv2.INTER_NEAREST)
    share = (position - np.float32(first)) / np.float32(last - first or 1.0)
    return _colour(np.rint(share * 255).astype(np.uint8))


def _colour(levels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Return levels (h, w) as viridis, (h, w, 3) red first."""
    coloured: NDArray[Any] = cv2.applyColorMap(levels, cv2.COLORMAP_VIRIDIS)
    return np.ascontiguousarray(coloured[..., ::-1])


def _scale(width: int, ends: tuple[float, float], near_first: bool | None) -> NDArray[np.uint8]:
    """Return a strip with all colours and what its ends mean, at least as wide as the picture."""
    width = max(width, _SMALLEST_WIDTH_PX)
    size = min(max(width // 50, 12), 28)
    bar = np.rint(np.linspace(0, 255, width - 2 * size)).astype(np.uint8)
    strip = np.full((3 * size + size // 2, width, 3), _BACKGROUND, np.uint8)
    strip[size // 2 : size + size // 2, size:-size] = _colour(bar[None])
    image = Image.fromarray(strip)
    draw, font = ImageDraw.Draw(image), ImageFont.load_default(size)
    names = ("near, ", "far, ") if near_first else ("far, ", "near, ")
    left, right = (
        f"{'' if near_first is None else name}frame {end + 1:.1f}"
        for name, end in zip(names, ends, strict=True)
    )
    draw.text((size, 2 * size), left, _TEXT, font)
    draw.text((width - size - draw.textlength(right, font), 2 * size), right, _TEXT, font)
    return np.asarray(image)
