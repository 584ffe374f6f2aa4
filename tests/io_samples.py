"""Pictures for tests of reading and writing: ordinary, odd and broken files with known content."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from PIL import Image

from merge.encoding import encode

# XYZ (D65) to the native colours of an invented camera: a mild, invertible mix.
CAMERA_MATRIX = np.array([[0.90, -0.20, -0.10], [-0.35, 1.20, 0.20], [-0.05, 0.15, 0.75]])
D65_XYZ = np.array([0.95047, 1.0, 1.08883])  # IEC 61966-2-1, annex; CIE 15 (from memory)
BLACK, WHITE = 512, 15360


def smooth_picture(
    height: int = 48, width: int = 64, channels: int = 3, dtype: Any = np.uint16
) -> np.ndarray:
    """Return a picture without symmetry: every turn or swap of channels changes it.

    Shape (H, W) for one channel, else (H, W, C); integers fill their range to about 5-95 %.
    """
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    planes = [
        0.5 + 0.25 * np.sin(0.10 * (i + 1) * x + 0.3 * i) + 0.2 * (y / height - 0.5) * (-1) ** i
        for i in range(channels)
    ]
    values = planes[0] if channels == 1 else np.stack(planes, axis=-1)
    if np.dtype(dtype).kind == "f":
        return values.astype(dtype)
    return np.rint(values * np.iinfo(dtype).max).astype(dtype)


def coded(light: np.ndarray, dtype: Any = np.uint8) -> np.ndarray:
    """Return linear light as the sRGB-coded whole numbers that a file holds."""
    return np.rint(encode(np.clip(light, 0, 1), "srgb") * np.iinfo(dtype).max).astype(dtype)


def exif_bytes(
    *,
    orientation: int | None = None,
    main: dict[int, Any] | None = None,
    photo: dict[int, Any] | None = None,
    gps: dict[int, Any] | None = None,
) -> bytes:
    """Return an EXIF block written by Pillow, mark included, as JPEG and PNG savers take it."""
    exif = Image.Exif()
    for code, value in (main or {}).items():
        exif[code] = value
    if orientation is not None:
        exif[274] = orientation
    for pointer, values in ((0x8769, photo), (0x8825, gps)):
        if values:
            exif.get_ifd(pointer).update(values)
    return exif.tobytes()


def write_jpeg(path: Path, pixels: np.ndarray, **options: Any) -> Path:
    """Write 8-bit pixels as JPEG of quality 95 through Pillow; options go to its saver."""
    Image.fromarray(pixels).save(path, "JPEG", quality=95, subsampling=0, **options)
    return path


def write_png(path: Path, pixels: np.ndarray) -> Path:
    """Write pixels as PNG, 8 or 16 bits, without metadata."""
    path.write_bytes(imagecodecs.png_encode(pixels))
    return path


def write_tiff(path: Path, pixels: np.ndarray, **options: Any) -> Path:
    """Write pixels (H, W) or (H, W, C) as TIFF; options go to `tifffile.imwrite`."""
    options.setdefault("photometric", "rgb" if pixels.ndim == 3 else "minisblack")
    if options.get("planarconfig") == "separate":
        pixels = np.ascontiguousarray(np.moveaxis(pixels, -1, 0))
    tifffile.imwrite(path, pixels, metadata=None, **options)
    return path


def write_frames(folder: Path, count: int, *, size: tuple[int, int] = (48, 64)) -> list[Path]:
    """Write ``count`` different small TIFF frames, named frame_1.tif and so on."""
    folder.mkdir(parents=True, exist_ok=True)
    picture = smooth_picture(*size)
    return [
        write_tiff(folder / f"frame_{i}.tif", np.roll(picture, 3 * i, axis=1))
        for i in range(1, count + 1)
    ]


def camera_colours(linear_xyz: np.ndarray) -> np.ndarray:
    """Return what the invented camera records of XYZ (D65) colours, white's largest at 0.9."""
    native = np.asarray(linear_xyz) @ CAMERA_MATRIX.T
    return native * (0.9 / (CAMERA_MATRIX @ D65_XYZ).max())


def mosaic_of(native: np.ndarray) -> np.ndarray:
    """Return the RGGB sensor values, uint16 (H, W), of native camera colours (H, W, 3)."""
    levels = np.rint(native * (WHITE - BLACK) + BLACK).clip(0, WHITE).astype(np.uint16)
    mosaic = levels[:, :, 1].copy()
    mosaic[0::2, 0::2] = levels[0::2, 0::2, 0]
    mosaic[1::2, 1::2] = levels[1::2, 1::2, 2]
    return mosaic


def faulty_mosaic(
    mosaic: np.ndarray,
    *,
    hot: np.ndarray | None = None,
    levels: np.ndarray | float = 0.0,
    rng: np.random.Generator | None = None,
) -> np.ndarray:
    """Return sensor values (H, W) uint16 with hot photosites and noise.

    Parameters
    ----------
    hot : ndarray, shape (M, 2), int, optional
        (row, column), each once.
    levels : ndarray, shape (M,)
        What they add.
    rng : Generator, optional
        For read-out noise of 30 levels and photon noise of 1.5 levels' variance a level.
    """
    values = mosaic.astype(np.float64)
    if rng is not None:
        variance = 30.0**2 + 1.5 * np.maximum(values - BLACK, 0)
        values += rng.standard_normal(values.shape) * np.sqrt(variance)
    if hot is not None:
        values[hot[:, 0], hot[:, 1]] += levels
    return np.rint(values).clip(0, WHITE).astype(np.uint16)


def write_dng(
    path: Path,
    mosaic: np.ndarray,
    *,
    orientation: int = 1,
    preview: np.ndarray | None = None,
    neutral: np.ndarray | None = None,
    extra: tuple = (),
) -> Path:
    """Write sensor values (H, W) uint16, RGGB, as DNG with black and white level.

    Parameters
    ----------
    preview : ndarray, shape (h, w, 3), uint8, optional
        Embedded JPEG preview.
    neutral : ndarray, shape (3,), optional
        Camera colours of a neutral object; default that of D65 white.
    extra : tuple of tifffile extra tags
        More tags for the main directory, e.g. `(33434, 5, 1, (1, 250), True)`.
    """
    if neutral is None:
        neutral = CAMERA_MATRIX @ D65_XYZ
    shared = _dng_tags(mosaic.shape, orientation, neutral / neutral.max()) + list(extra)
    sensor = [
        (33421, 3, 2, (2, 2), True),
        (33422, 1, 4, (0, 1, 1, 2), True),
        (50710, 1, 3, (0, 1, 2), True),
        (50711, 3, 1, 1, True),
        (50713, 3, 2, (1, 1), True),
        (50714, 5, 1, _ratios([BLACK], 1), True),
        (50717, 4, 1, WHITE, True),
    ]
    plain = {"photometric": "cfa", "metadata": None, "software": False}
    with tifffile.TiffWriter(path) as writer:
        if preview is None:
            writer.write(mosaic, rowsperstrip=len(mosaic), extratags=shared + sensor, **plain)
        else:
            writer.write(
                preview, photometric="ycbcr", compression="jpeg", rowsperstrip=len(preview),
                subifds=1, subfiletype=1, metadata=None, software=False, extratags=shared,
            )  # fmt: skip
            writer.write(mosaic, rowsperstrip=len(mosaic), extratags=sensor, **plain)
    return path


def write_grey_dng(path: Path, native: np.ndarray) -> Path:
    """Write linear values (H, W) in [0, 1] as DNG of a sensor without colour filters."""
    levels = np.rint(native * (WHITE - BLACK) + BLACK).astype(np.uint16)
    colour = (50721, 50728, 50778)  # matrix, neutral and illuminant mean nothing here
    tags = [tag for tag in _dng_tags(levels.shape, 1, np.ones(3)) if tag[0] not in colour]
    tags += [(50714, 5, 1, _ratios([BLACK], 1), True), (50717, 4, 1, WHITE, True)]
    tifffile.imwrite(
        path, levels, photometric="minisblack", rowsperstrip=len(levels), metadata=None,
        software=False, extratags=tags,
    )  # fmt: skip
    with tifffile.TiffFile(path, mode="r+") as file:
        file.pages.first.tags[262].overwrite(34892)  # the library insists on three channels
    return path


def _dng_tags(shape: tuple[int, ...], orientation: int, neutral: np.ndarray) -> list:
    height, width = shape
    return [
        (50706, 1, 4, (1, 4, 0, 0), True),
        (50707, 1, 4, (1, 1, 0, 0), True),
        (50708, 2, 0, "Invented One", True),
        (271, 2, 0, "Invented", True),
        (272, 2, 0, "Invented One", True),
        (274, 3, 1, orientation, True),
        (50721, 10, 9, _ratios(CAMERA_MATRIX), True),
        (50728, 5, 3, _ratios(neutral), True),
        (50778, 3, 1, 21, True),  # illuminant of the matrix: D65
        (50719, 5, 2, _ratios([0, 0], 1), True),
        (50720, 5, 2, _ratios([width, height], 1), True),
    ]


def _ratios(values: Any, denominator: int = 1_000_000) -> list[int]:
    return [int(n) for v in np.ravel(values) for n in (round(v * denominator), denominator)]
