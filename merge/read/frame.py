"""One file to header, pixels or luminance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge import metadata
from merge.compiled import njit
from merge.encoding import linearize
from merge.model import CaptureSettings, FloatArray, Frame, FrameSource
from merge.read import heif, jpeg, png, raw, tiff
from merge.read.header import Header, damaged, refuse
from merge.read.kinds import detect_kind, open_error, unsupported_error
from merge.read.limits import check_size
from merge.read.orientation import apply_orientation

_READERS = {
    "jpeg": jpeg.read_header,
    "png": png.read_header,
    "tiff": tiff.read_header,
    "raw": raw.read_header,
    "heif": heif.read_header,
}
# Rows turned into floating point at a time: small enough for the cache.
_BAND_ROWS = 128
# Floating-point pictures whose middle value is above this do not keep white at 1.
_FLOAT_MEDIAN_LIMIT = 2.0
# Fourteen stops above white: no light in a scene that is exposed for the rest.
_FLOAT_LIMIT = 16384.0


def probe_frame(path: str | Path) -> FrameSource:
    """Return what a picture file's header tells, without reading its pixels.

    Parameters
    ----------
    path : str or Path
        JPEG, PNG, TIFF, HEIF or camera raw; recognised by content.

    Returns
    -------
    FrameSource

    Raises
    ------
    ReadError
        If the file is missing, damaged, or no supported picture.
    """
    return probe_header(Path(path))[0]


def probe_header(path: Path) -> tuple[FrameSource, bytes]:
    """Return what `probe_frame` does, and the XMP packet."""
    kind = detect_kind(path)
    if kind is None:
        raise unsupported_error(path)
    with _system_errors(path):
        header = _READERS[kind](path)
        settings, orientation = _read_settings(path, kind, header)
    if header.orientation is not None:
        orientation = header.orientation
    height, width = header.height, header.width
    check_size(path, width, height)
    if orientation >= 5:
        height, width = width, height
    profile, transfer = _colour(kind, header)
    source = FrameSource(
        path=path,
        kind=kind,
        shape=(height, width, header.channels),
        bit_depth=header.bit_depth,
        transfer=transfer,
        icc_profile=profile,
        settings=settings,
        orientation=orientation,
    )
    return source, header.xmp


def _read_settings(path: Path, kind: str, header: Header) -> tuple[CaptureSettings, int]:
    size = (header.width, header.height)
    if kind in ("tiff", "raw") and not header.exif:
        with path.open("rb") as file:
            found, orientation = metadata.read_settings(file, xmp=header.xmp, size=size)
    else:
        found, orientation = metadata.read_settings(header.exif, xmp=header.xmp, size=size)
    if kind == "raw" and found.exposure_time_s is None:
        found = metadata.merge_settings(found, raw.read_settings(path))
        found = metadata.plausible_settings(found)
    return found, orientation


def _colour(kind: str, header: Header) -> tuple[bytes | None, str]:
    """Return profile and curve; without a telling profile sRGB, or linear for float."""
    if kind == "raw":
        return (metadata.working_profile() if header.channels == 3 else None), metadata.RAW_TRANSFER
    default = "linear" if header.bit_depth == 32 else "srgb"
    profile = header.icc
    if not profile and metadata.uses_optional_colours(header.exif):
        profile = metadata.optional_profile()
    channels = metadata.profile_channels(profile)
    if channels is None:
        return None, default
    transfer = metadata.profile_transfer(profile) or default
    # A grey picture with an RGB profile: the curve counts, but writing it again would be wrong.
    return (profile if channels == header.channels else None), transfer


def read_frame(
    source: FrameSource, *, index: int = 0, white_balance: Sequence[float] | None = None
) -> Frame:
    """Return a frame's pixels in final quality.

    Parameters
    ----------
    source : FrameSource
        From `probe_frame`.
    index : int
        Position in the stack, kept in the result.
    white_balance : sequence of float, optional
        Camera multipliers for a raw file, the same for the whole stack; default its own.

    Returns
    -------
    Frame
        Pixels (H, W, C) float32, C-contiguous, orientation applied. Integers are divided by
        their largest value; floating-point values are kept as they are.

    Raises
    ------
    ReadError
        If the file is damaged, has transparent parts, or has changed since it was probed.
    """
    samples, white = read_samples(source, white_balance=white_balance)
    return Frame(_to_float(samples, white), source, index)


def read_samples(
    source: FrameSource, *, white_balance: Sequence[float] | None = None, plain: bool = False
) -> tuple[NDArray[Any], float]:
    """Return a frame's stored values and the value of white: `read_frame` before its division.

    A quarter of its memory for 8-bit files.

    Parameters
    ----------
    source, white_balance
        As for `read_frame`.
    plain : bool
        Colours of a raw file from the nearest photosites, which is less exact and takes a third of
        the time.

    Returns
    -------
    samples : ndarray, shape (H, W, C), uint8, uint16 or float32
        Orientation applied.
    white : float

    Raises
    ------
    ReadError
        As `read_frame`.
    """
    stored, white = _decode(source, white_balance, plain=plain)
    upright = apply_orientation(stored, source.orientation)
    samples = upright[:, :, np.newaxis] if upright.ndim == 2 else upright
    if samples.shape != source.shape:
        raise damaged(source.path, f"size {samples.shape} is not {source.shape} as in its header")
    return samples, white


def read_luminance(
    source: FrameSource,
    *,
    reduction: int = 1,
    white_balance: Sequence[float] | None = None,
    light: bool = False,
) -> FloatArray:
    """Return a frame's luminance for analysis, area-averaged by an integer factor.

    Parameters
    ----------
    source : FrameSource
    reduction : int, default 1
        Every ``reduction`` x ``reduction`` block becomes one value; rows and columns at the
        lower and right edge that do not fill a block are left out.
    white_balance : sequence of float, optional
        As for `read_frame`.
    light : bool, default False
        Give these means as linear light.

    Returns
    -------
    ndarray, shape (H // reduction, W // reduction), float32
        Weighted sum (ITU-R BT.601) of the picture's own stored values, 0 = black, 1 = white.
        Pixel x lies at ``(x + 0.5) * reduction - 0.5`` in the full-size picture; for raw and
        even factors within 0.2 px, alike in every frame, because red and blue are sampled in
        opposite corners of a 2 x 2 cell.

    Raises
    ------
    ReadError
        As `read_frame`.
    ValueError
        If ``reduction`` is below 1 or leaves no pixel.
    """
    height, width = source.shape[:2]
    if not 1 <= reduction <= min(height, width):
        raise ValueError(f"reduction {reduction}: expected 1 to {min(height, width)}")
    done = 1
    if source.kind == "jpeg":
        with _system_errors(source.path):
            stored: NDArray[Any] = jpeg.decode(source.path, grey=True)
        full_scale = 255.0
    elif source.kind == "raw":
        with _system_errors(source.path):
            stored, done = raw.decode_fast(source, white_balance, half=reduction % 2 == 0)
        full_scale = raw.WHITE
    else:
        stored, full_scale = _decode(source, white_balance)
    upright = apply_orientation(stored, source.orientation)
    small = _reduce(upright, full_scale, reduction // done, source.transfer if light else "linear")
    if small.shape != (height // reduction, width // reduction):
        raise damaged(source.path, f"its size is not {width} x {height} px as in its header")
    return small


def read_preview(
    picture: str | Path | FrameSource,
    *,
    min_long_side_px: int,
    quick: bool = False,
    light: bool = False,
) -> tuple[FloatArray, float]:
    """Return a small luminance picture, as fast as the file allows.

    Raw files give their embedded preview where it is large enough and shows the whole frame;
    its brightness is the camera's, not that of `read_luminance`.

    Parameters
    ----------
    picture : str, Path or FrameSource
    min_long_side_px : int
        The long side of the result is at least this, unless the frame itself is smaller.
    quick : bool, default False
        Let the decoder itself reduce a JPEG: several times as fast, a little aliased.
    light : bool, default False
        As for `read_luminance`.

    Returns
    -------
    luminance : ndarray, shape (h, w), float32
    scale : float
        Full-size pixels for one of the preview: ``x_full = (x + 0.5) * scale - 0.5``.
    """
    source = picture if isinstance(picture, FrameSource) else probe_frame(picture)
    long_side = max(source.shape[:2])
    reduction = max(1, min(long_side // max(1, min_long_side_px), *source.shape[:2]))
    transfer = source.transfer if light else "linear"
    if quick and source.kind == "jpeg":
        with _system_errors(source.path):
            data = source.path.read_bytes()
        stored, factor = jpeg.decode_small(data, source.path, min_long_side_px=min_long_side_px)
        return _reduce(apply_orientation(stored, source.orientation), 255.0, 1, transfer), factor
    if source.kind == "raw":
        embedded = raw.read_embedded(source, min_long_side_px, quick=quick)
        if embedded is not None:
            scale = max(1, max(embedded.shape) // min_long_side_px)
            small = _reduce(embedded, 255.0, scale, transfer)
            return small, long_side / (max(embedded.shape) / scale)
    return read_luminance(source, reduction=reduction, light=light), float(reduction)


@contextmanager
def _system_errors(path: Path) -> Iterator[None]:
    try:
        yield
    except OSError as exc:
        raise open_error(path, exc) from exc


def _decode(
    source: FrameSource, white_balance: Sequence[float] | None, *, plain: bool = False
) -> tuple[NDArray[Any], float]:
    """Return stored values, (H, W) or (H, W, 3), and the value of white."""
    if source.pixels is not None:
        pixels = source.pixels.copy()  # as what is decoded, it may be repaired in place
        if pixels.dtype.kind == "f":
            _check_float(pixels, source.path)
        return pixels, 1.0 if pixels.dtype.kind == "f" else float(np.iinfo(pixels.dtype).max)
    with _system_errors(source.path):
        if source.kind == "jpeg":
            return jpeg.decode(source.path), 255.0
        if source.kind == "raw":
            return raw.decode(source, white_balance, plain=plain), raw.WHITE
        if source.kind == "heif":
            pixels, full_scale, has_alpha = heif.decode(source.path)
        elif source.kind == "png":
            pixels = png.decode(source.path)
            full_scale = float(np.iinfo(pixels.dtype).max)
            has_alpha = pixels.ndim == 3 and pixels.shape[2] in (2, 4)
        else:
            pixels, full_scale, has_alpha = tiff.decode(source.path)
    if has_alpha:
        pixels = _drop_alpha(pixels, full_scale, source.path)
    if pixels.dtype.kind == "f":
        _check_float(pixels, source.path)
        pixels = pixels.astype(np.float32, copy=False)
    return pixels, full_scale


def _drop_alpha(pixels: NDArray[Any], full_scale: float, path: Path) -> NDArray[Any]:
    if pixels[:, :, -1].min() < full_scale:
        advice = "flatten the picture or export it without transparency"
        raise refuse(path, "transparent parts", "an opaque picture", advice)
    colours = np.ascontiguousarray(pixels[:, :, :-1])
    return colours[:, :, 0] if colours.shape[2] == 1 else colours


def _check_float(pixels: NDArray[Any], path: Path) -> None:
    if not np.isfinite(pixels).all():
        raise refuse(path, "infinite or undefined values", "numbers", "export the picture again")
    with np.errstate(over="ignore"):
        middle = float(np.median(pixels[:: max(1, len(pixels) // 64)]))
    largest = float(np.abs(pixels).max())
    if largest > _FLOAT_LIMIT:
        middle = largest
    if middle > _FLOAT_MEDIAN_LIMIT:
        raise refuse(path, f"floating-point values around {middle:.3g}", "0 = black to 1 = white",
                     "export the picture as 16-bit integers")  # fmt: skip


def _to_float(stored: NDArray[Any], full_scale: float) -> FloatArray:
    if stored.dtype.kind == "f":
        return stored.astype(np.float32, copy=False)
    return np.multiply(stored, np.float32(1 / full_scale), dtype=np.float32)


def _reduce(
    stored: NDArray[Any], full_scale: float, reduction: int, transfer: str = "linear"
) -> FloatArray:
    """Return reduced luminance, of so encoded values as light, without a full-size float copy."""
    height, width = stored.shape[0] // reduction, stored.shape[1] // reduction
    small = np.empty((height, width), np.float32)
    if stored.shape[2:] == (1,):
        stored = stored[:, :, 0]
    if reduction == 1 and stored.ndim == 2 and stored.dtype == np.uint8:
        shades = _to_float(np.arange(256, dtype=np.uint8), full_scale)
        return np.asarray(cv2.LUT(stored, linearize(shades, transfer)), np.float32)
    most = 255 * reduction**2
    if reduction > 1 and stored.ndim == 2 and stored.dtype == np.uint8 and most < small.size:
        # A block's mean is one of few: no curve for each pixel.
        means = np.arange(most + 1) / most
        _fill_block_means(stored, linearize(means, transfer), reduction, small)
        return small
    rows = max(1, _BAND_ROWS // reduction)
    for top in range(0, height, rows):
        bottom = min(top + rows, height)
        band = stored[top * reduction : bottom * reduction, : width * reduction]
        values: NDArray[Any] = _to_float(band, full_scale)
        if values.ndim == 3:
            # ITU-R BT.601 weights, as in a JPEG, whose own luminance then serves as it is.
            values = cv2.cvtColor(values, cv2.COLOR_RGB2GRAY)
        if reduction > 1:
            size = (width, bottom - top)
            values = cv2.resize(values, size, interpolation=cv2.INTER_AREA)
        small[top:bottom] = linearize(values, transfer)
    return small


@njit(nogil=True)
def _fill_block_means(  # pragma: no cover - compiled
    stored: NDArray[np.uint8], means: FloatArray, reduction: int, small: FloatArray
) -> None:
    """Look up every block's sum in ``means``; blocks of two or more rows."""
    sums = np.empty(small.shape[1] * reduction, np.uint16)
    for y in range(len(small)):
        _add_up(stored[y * reduction : (y + 1) * reduction], sums)
        if reduction == 2:  # a known number of columns takes a third of the time
            _look_up_sums(sums, 2, means, small[y])
        else:
            _look_up_sums(sums, reduction, means, small[y])


@njit(inner=True, nogil=True)
def _add_up(rows: NDArray[np.uint8], sums: NDArray[np.uint16]) -> None:  # pragma: no cover
    for x in range(len(sums)):
        sums[x] = np.uint16(rows[0, x]) + np.uint16(rows[1, x])
    for k in range(2, len(rows)):
        for x in range(len(sums)):
            sums[x] += np.uint16(rows[k, x])


@njit(inner=True, nogil=True)
def _look_up_sums(  # pragma: no cover - compiled
    sums: NDArray[np.uint16], reduction: int, means: FloatArray, out: FloatArray
) -> None:
    for x in range(np.uint64(len(out))):
        total, first = np.uint32(0), x * np.uint64(reduction)  # unsigned: none from the end
        for j in range(np.uint64(reduction)):
            total += sums[first + j]
        out[x] = means[total]
