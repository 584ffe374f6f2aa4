"""Camera raw and DNG, developed so that all frames of a stack match.

One white balance and one exposure scale for the whole stack, no brightness of a frame's own:
the decoder's defaults rescale every frame by its brightest pixel, which would make the same
subject differ from frame to frame.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import imagecodecs
import numpy as np
from numpy.typing import NDArray

from merge import metadata
from merge.encoding import encode
from merge.errors import ReadError
from merge.model import CaptureSettings, FrameSource
from merge.read import jpeg
from merge.read.header import Header, damaged, refuse
from merge.read.orientation import apply_orientation
from merge.read.segments import check_negative

# The decoder's turn codes (bit 2: transpose, bit 1: upside down, bit 0: mirrored) as EXIF
# orientations.
_ORIENTATION = {0: 1, 1: 2, 2: 4, 3: 3, 4: 5, 5: 8, 6: 6, 7: 7}
_ASPECT_TOLERANCE = 0.01
# Of what is developed. Noise is far above its steps, and floats would take twice the memory.
WHITE = 65535.0


def read_header(path: Path) -> Header:
    """Return a raw file's header.

    Raises
    ------
    ReadError
        If it is cut off, damaged, or from an unsupported camera.
    """
    check_negative(path)
    with _open(path) as file:
        sizes = file.sizes
        return Header(
            width=sizes.width,
            height=sizes.height,
            channels=1 if file.num_colors == 1 else 3,
            bit_depth=16,
            orientation=_ORIENTATION.get(sizes.flip, 1),
        )


def decode(
    source: FrameSource, white_balance: Sequence[float] | None, *, plain: bool = False
) -> NDArray[np.uint16]:
    """Return pixels (H, W, 3) in the working encoding, `WHITE` = 1; orientation not applied."""
    import rawpy

    algorithms = rawpy.DemosaicAlgorithm
    best = algorithms.LINEAR if plain else algorithms.AHD
    return _develop(source, white_balance, demosaic_algorithm=best)


def decode_fast(
    source: FrameSource, white_balance: Sequence[float] | None, *, half: bool
) -> tuple[NDArray[np.uint16], int]:
    """Return pixels like `decode` from a plain demosaic, and their side in full-size pixels.

    With ``half`` every 2 x 2 cell of the sensor gives one pixel, where it has such cells and
    they fill the frame; the second value is then 2, else 1.
    """
    import rawpy

    height, width = source.shape[:2]
    half = half and height % 2 == 0 and width % 2 == 0
    linear = rawpy.DemosaicAlgorithm.LINEAR
    pixels = _develop(source, white_balance, demosaic_algorithm=linear, half_size=half)
    return pixels, 2 if max(pixels.shape) <= max(height, width) // 2 else 1


def _develop(
    source: FrameSource, white_balance: Sequence[float] | None, **how: Any
) -> NDArray[np.uint16]:
    import rawpy

    multipliers = white_balance or source.white_balance
    with _open(source.path) as file:
        _check_levels(file, source.path)
        if source.hot_photosites:
            _fill_photosites(file, source)
        light = file.postprocess(
            output_bps=16,
            gamma=(1, 1),
            no_auto_bright=True,
            adjust_maximum_thr=0.0,  # else every frame is scaled by its own brightest pixel
            user_wb=None if multipliers is None else list(multipliers),
            use_camera_wb=multipliers is None,
            user_flip=0,
            output_color=rawpy.ColorSpace.Rec2020,
            **how,
        )
    encoded: Any = cv2.LUT(light, _encoding_table())
    return encoded[:, :, 0] if encoded.ndim == 3 and encoded.shape[2] == 1 else encoded


def _check_levels(file: Any, path: Path) -> None:
    """Raise ReadError where black or white lie far from all that the sensor recorded."""
    values = file.raw_image_visible
    black, white = max(file.black_level_per_channel), file.white_level
    # Every eighth photosite but one: all colours of a mosaic come up. A frame shot with the cap on
    # lies at black, a burnt one at white, up to the spread of the levels of real sensors.
    middle = float(np.median(values[::7, ::7]))
    if not black < white or middle > 1.5 * white or middle < 0.5 * black:
        raise damaged(
            path, f"black level {black}, white level {white}, but values around {middle:.0f}"
        )


def read_mosaic(source: FrameSource) -> tuple[NDArray[np.uint16], int, float] | None:
    """Return the sensor's values as recorded; None where they lie in no plain mosaic.

    Returns
    -------
    values : ndarray, shape (H, W), uint16
        Of the visible part, orientation not applied.
    period : int
        Distance of photosites of one colour: 2, or 1 without colour filters.
    full_scale : float
        White level.
    """
    with _open(source.path) as file:
        period = _colour_period(file)
        if period is None:
            return None
        return file.raw_image_visible.copy(), period, float(file.white_level)


def _colour_period(file: Any) -> int | None:
    import rawpy

    if file.raw_type != rawpy.RawType.Flat:
        return None
    if file.num_colors == 1:
        return 1
    pattern = file.raw_pattern
    return 2 if pattern is not None and pattern.shape == (2, 2) else None


def _fill_photosites(file: Any, source: FrameSource) -> None:
    """Give photosites the median of sound neighbours of their colour, in the decoder's memory."""
    period, values = _colour_period(file), file.raw_image_visible
    places = np.array(source.hot_photosites)
    if period is None or (places < 0).any() or (places >= values.shape).any():
        raise ValueError(
            f"{source.path}: photosites {places.max(axis=0)} of a {values.shape} sensor"
        )
    bad = set(source.hot_photosites)
    for row, column in source.hot_photosites:
        sound = [
            values[r, c]
            for r in (row - period, row, row + period)
            for c in (column - period, column, column + period)
            if 0 <= r < values.shape[0] and 0 <= c < values.shape[1] and (r, c) not in bad
        ]
        if sound:
            values[row, column] = round(float(np.median(sound)))


@lru_cache(maxsize=1)
def _encoding_table() -> NDArray[np.uint16]:
    light = np.arange(65536, dtype=np.float32) / np.float32(WHITE)
    return np.rint(encode(light, metadata.RAW_TRANSFER) * WHITE).astype(np.uint16)


def read_embedded(
    source: FrameSource, min_long_side_px: int, *, quick: bool = False
) -> NDArray[np.uint8] | None:
    """Return the luminance (h, w) uint8 of the embedded preview, upright.

    With ``quick`` the decoder reduces it to no less than asked for.

    None where there is none, it is smaller than asked for, or shows another crop.
    """
    import rawpy

    try:
        with _open(source.path) as file:
            thumb = file.extract_thumb()
    except (ReadError, rawpy.LibRawError):
        return None
    if thumb.format != rawpy.ThumbFormat.JPEG:
        return None
    try:
        if quick:
            small, _ = jpeg.decode_small(thumb.data, source.path, min_long_side_px=min_long_side_px)
        else:
            small = imagecodecs.jpeg8_decode(thumb.data, outcolorspace="GRAYSCALE")
    except (imagecodecs.Jpeg8Error, ReadError):
        return None
    if small.ndim != 2 or max(small.shape) < min(min_long_side_px, max(source.shape[:2])):
        return None
    upright = apply_orientation(small, source.orientation)
    aspect = source.shape[1] / source.shape[0]
    matches = abs(upright.shape[1] / upright.shape[0] / aspect - 1) < _ASPECT_TOLERANCE
    return upright if matches else None


@contextmanager
def _open(path: Path) -> Iterator[Any]:
    import rawpy

    try:
        with rawpy.RawPy() as file:
            file.open_file(str(path))
            yield file
    except rawpy.LibRawFileUnsupportedError as exc:
        raise refuse(
            path,
            "camera raw that the decoder does not know",
            "a supported camera",
            "convert it to DNG or 16-bit TIFF",
        ) from exc
    except rawpy.LibRawError as exc:
        raise damaged(path, f"cut off or damaged raw file ({_words(exc)})") from exc


def _words(exc: Exception) -> str:
    text = exc.args[0] if exc.args else exc
    return text.decode("ascii", "replace") if isinstance(text, bytes) else str(text)


def read_white_balance(path: Path) -> tuple[float, ...] | None:
    """Return the camera's multipliers, else those for daylight; unpacks the pixels."""
    with _open(path) as file:
        for multipliers in (file.camera_whitebalance, file.daylight_whitebalance):
            if all(value > 0 for value in multipliers[:3]):
                return tuple(float(value) for value in multipliers)
    return None


def read_settings(path: Path) -> CaptureSettings:
    """Return what the decoder itself reads, for makes whose header holds no plain EXIF.

    Slower than the rest of the header: the library unpacks the pixels for it.
    """
    with _open(path) as file:
        other, lens = file.other, file.lens
    try:
        timestamp = other.timestamp
    except (ValueError, OverflowError, OSError):  # seconds that are no date
        timestamp = None
    return CaptureSettings(
        lens=_text(lens.model) if lens is not None else None,
        exposure_time_s=_positive(other.shutter_speed),
        f_number=_positive(other.aperture),
        iso=_positive(other.iso_speed),
        focal_length_mm=_positive(other.focal_length),
        captured_at=timestamp if timestamp and timestamp.year > 1980 else None,
        artist=_text(other.artist),
    )


def _positive(value: float) -> float | None:
    return float(f"{value:.6g}") if value and value > 0 else None


def _text(value: Any) -> str | None:
    text = value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value or "")
    return text.strip("\0 ") or None
