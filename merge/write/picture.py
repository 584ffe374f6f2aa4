"""Merged pictures and depth maps to TIFF, PNG and JPEG."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from merge import metadata
from merge.atomic import check_writable, replace_atomically, short_stem
from merge.errors import WriteError
from merge.model import (
    CaptureSettings,
    DepthMap,
    DepthScale,
    FloatArray,
    FrameSource,
    Stack,
)
from merge.write.embed import XMP_LIMIT_BYTES, compare_encoded, encode_jpeg, encode_png
from merge.write.tiff import to_integers, write_tiff

# What the second picture of a depth map says of every place.
DEPTH_KINDS = ("measured", "filled from around", "beyond the last frame", "before the first frame")
_SUFFIXES = {".tif": "tiff", ".tiff": "tiff", ".png": "png", ".jpg": "jpeg", ".jpeg": "jpeg"}


def write_picture(
    path: str | Path,
    pixels: FloatArray,
    *,
    source: FrameSource,
    provenance: Mapping[str, Any],
    overwrite: bool = False,
    inputs: Iterable[Path] = (),
) -> Path:
    """Write a merged picture with the reference frame's metadata, and return its path.

    Parameters
    ----------
    path : str or Path
        Ending in .tif (16 bits), .png (16 bits) or .jpg (8 bits, quality 95, full colour
        resolution).
    pixels : ndarray, shape (H, W, C), float32
        In the encoding of ``source``; C is 1 or 3; clipped to [0, 1].
    source : FrameSource
        The reference frame: gives EXIF and ICC profile.
    provenance : mapping
        "version", "frames" and anything else that fits into JSON; see `build_xmp`.
    overwrite : bool
        Replace an existing file.
    inputs : iterable of Path
        All frames of the stack: never replaced, whatever ``overwrite`` says.

    Raises
    ------
    WriteError
        If the file exists, is an input, has an unknown ending, cannot be written, or does
        not read back as it was written. No partial file is left.
    """
    target = Path(path)
    kind = picture_kind(target)
    values = pixels[:, :, 0] if pixels.ndim == 3 and pixels.shape[2] == 1 else pixels
    protected = [source.path, *inputs]
    with replace_atomically(target, overwrite=overwrite, inputs=protected) as file:
        if kind == "tiff":
            write_tiff(
                file,
                values,
                settings=source.settings,
                software=_software(provenance),
                xmp=metadata.build_xmp(provenance),
                icc=source.icc_profile,
            )
        else:
            _write_encoded(file, values, kind, source, provenance)
    return target


def _software(provenance: Mapping[str, Any]) -> str:
    return f"depthweld {provenance.get('version', '')}".strip()


def _write_encoded(
    file: BinaryIO,
    values: FloatArray,
    kind: str,
    source: FrameSource,
    provenance: Mapping[str, Any],
) -> None:
    exif = metadata.build_exif_block(source.settings, software=_software(provenance))
    integers = to_integers(values, 65535 if kind == "png" else 255)
    if kind == "png":
        xmp = metadata.build_xmp(provenance)
        data = encode_png(integers, exif=exif, xmp=xmp, icc=source.icc_profile)
    else:
        xmp = metadata.build_xmp(provenance, limit_bytes=XMP_LIMIT_BYTES)
        data = encode_jpeg(integers, exif=exif, xmp=xmp, icc=source.icc_profile)
    file.write(data)
    file.flush()
    file.seek(0)
    compare_encoded(file.read(), integers)


def check_output(path: str | Path, *, overwrite: bool = False, inputs: Iterable[Path] = ()) -> None:
    """Raise WriteError where `write_picture` would, before the work of a merge is done.

    Parameters
    ----------
    path, overwrite, inputs
        As `write_picture`.
    """
    target = Path(path)
    picture_kind(target)
    check_writable(target, overwrite=overwrite, inputs=inputs)


def picture_kind(path: Path) -> str:
    """Return "tiff", "png" or "jpeg" for an output's name.

    Raises
    ------
    WriteError
        If its ending is none of those.
    """
    kind = _SUFFIXES.get(path.suffix.lower())
    if kind is None:
        found = f"ending {path.suffix!r}" if path.suffix else "no ending"
        raise WriteError(f"{path}: {found}, expected .tif, .png or .jpg; choose one of them")
    return kind


def default_output(stack: Stack) -> Path:
    """Return a name beside the frames, made of the first and last frame's names."""
    first, last = stack.sources[0].path, stack.sources[-1].path
    return first.with_name(f"{short_stem(first)}-{short_stem(last)}-merged.tif")


def write_depth(
    path: str | Path,
    depth: DepthMap,
    *,
    scale: DepthScale | None = None,
    overwrite: bool = False,
    inputs: Iterable[Path] = (),
) -> Path:
    """Write a depth map as 16-bit grey TIFF, linear in the position, and return its path.

    The stored values 0 and 65535 stand for the smallest and largest position; both are in the
    description tag as JSON, with the unit, the near end ("first", "last", null where not known),
    and the frames in millimetres where these are known. A second picture of 8 bits (SubIFD) tells
    what every value is, see `DEPTH_KINDS`. Marked as an output, so never taken for a frame.

    Parameters
    ----------
    path : str or Path
        Ending in .tif.
    depth : DepthMap
    scale : DepthScale, optional
    overwrite, inputs
        As `write_picture`.

    Raises
    ------
    WriteError
        As `write_picture`.
    """
    target = Path(path)
    if picture_kind(target) != "tiff":
        raise WriteError(f"{target}: a depth map is written as .tif; choose that ending")
    first, last = float(depth.position.min()), float(depth.position.max())
    ends: dict[str, Any] = {"content": "depth map", "unit": "frames", "first": first, "last": last}
    ends["near_end"] = {True: "first", False: "last", None: None}[depth.near_first]
    if scale is not None:
        ends["frames_mm"] = dict(zip(map(str, scale.frames), scale.mm, strict=True))
        ends |= {"mm_from": scale.origin, "pixel_mm": scale.pixel_mm}
    kinds = {"content": "kinds of depth", "values": dict(enumerate(DEPTH_KINDS))}
    values = (depth.position - np.float32(first)) / np.float32(last - first or 1.0)
    with replace_atomically(target, overwrite=overwrite, inputs=inputs) as file:
        write_tiff(
            file,
            values,
            settings=CaptureSettings(),
            software="depthweld",
            xmp=metadata.build_xmp({"depth": ends}, content="depth map"),
            icc=None,
            description=json.dumps(ends),
            second=(_kinds(depth), json.dumps(kinds)),
        )
    return target


def _kinds(depth: DepthMap) -> NDArray[np.uint8]:
    """Return the index in `DEPTH_KINDS` of every place."""
    kinds = (depth.confidence <= 0).astype(np.uint8)
    if depth.beyond is not None:
        kinds[depth.beyond > 0] = 2
        kinds[depth.beyond < 0] = 3
    return kinds
