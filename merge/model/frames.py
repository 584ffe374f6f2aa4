"""Frames as they were shot: their files, settings and pixels."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from merge.model.types import FileKind, FloatArray
from merge.printable import printable_name


@dataclass(frozen=True)
class CaptureSettings:
    """How one frame was taken; every field None where the file does not tell.

    Attributes
    ----------
    camera, lens : str
        Maker and model as one string; lens model.
    maker, model : str
        The two parts of `camera` exactly as recorded, for writing them again.
    exposure_time_s : float
        Shutter time in seconds.
    f_number : float
        Marked f-number.
    iso : float
        ISO speed.
    focal_length_mm : float
        Real focal length, not the 35 mm equivalent.
    focus_distance_m : float
        Distance to the focus plane as recorded, in metres; often coarse.
    pixel_pitch_um : float
        Centre distance of neighbouring pixels of *this file* on the sensor, in µm.
    captured_at : datetime.datetime
        Local capture time with sub-seconds; timezone-aware only if the file gives an offset.
    latitude_deg, longitude_deg, altitude_m : float
        GPS position, north and east positive.
    artist, copyright : str
        As recorded.
    """

    camera: str | None = None
    lens: str | None = None
    exposure_time_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    focal_length_mm: float | None = None
    focus_distance_m: float | None = None
    pixel_pitch_um: float | None = None
    captured_at: dt.datetime | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    altitude_m: float | None = None
    artist: str | None = None
    copyright: str | None = None
    maker: str | None = None
    model: str | None = None


@dataclass(frozen=True)
class FrameSource:
    """One frame's file as found by probing its header, without its pixels.

    Attributes
    ----------
    path : Path
        The file.
    kind : {"jpeg", "png", "tiff", "raw", "heif", "array"}
        What its content is, whatever its name says; "array" for pixels without a file.
    shape : tuple of int
        (H, W, C) of the pixels that `read_frame` gives, orientation applied; C is 1 or 3.
    bit_depth : int
        Bits a channel in the file: 8, 16 or 32 (float).
    transfer : str
        Curve from linear light to the stored values: "srgb", "linear", or "gamma:<exponent>".
    icc_profile : bytes or None
        Embedded profile; for raw, the profile of the developed pixels.
    settings : CaptureSettings
    orientation : int
        EXIF orientation 1-8 found in the file; already applied to `shape` and to the pixels.
    white_balance : tuple of float or None
        Multipliers to develop a raw file with, where they have been set; None for developed
        files, and as probed: reading the camera's own means unpacking the pixels.
    hot_photosites : tuple of (int, int)
        (row, column) on the visible part of a raw file's sensor, orientation not applied, of
        photosites to fill from their neighbours before development.
    pixels : ndarray, shape (H, W, C), uint8, uint16 or float32, or None
        The stored values, for a frame that a program gave; ``path`` is then just its name.
    """

    path: Path
    kind: FileKind
    shape: tuple[int, int, int]
    bit_depth: int
    transfer: str
    icc_profile: bytes | None
    settings: CaptureSettings
    orientation: int = 1
    white_balance: tuple[float, ...] | None = None
    hot_photosites: tuple[tuple[int, int], ...] = ()
    pixels: NDArray[Any] | None = field(default=None, compare=False, repr=False)

    @property
    def name(self) -> str:
        """File name without folder, for messages: one line, fit for a terminal."""
        return printable_name(self.path.name)

    @property
    def stored_shape(self) -> tuple[int, int, int]:
        """``shape`` as it is stored, orientation not applied."""
        return swap_sides(self.shape, self.orientation)


def swap_sides(shape: tuple[int, int, int], orientation: int) -> tuple[int, int, int]:
    """Return (H, W, C) as stored of one as shown, and the other way round."""
    height, width, channels = shape
    return (width, height, channels) if orientation >= 5 else shape


@dataclass(frozen=True)
class Stack:
    """The ordered frames of one focus bracket.

    Attributes
    ----------
    sources : tuple of FrameSource
        As found in shooting order; after a first pass in the order of their focus.
    ordered_by : {"capture time", "file name", "position in the list"}
        What decided the shooting order.
    white_balance : tuple of float or None
        One set of raw multipliers for all frames; None when no frame is raw.
    skipped : tuple of str
        One line for each input that was left out on purpose (pair of a raw file, earlier
        output, unsupported kind in a folder, a copy) with the reason.
    companions : tuple of Path
        Pictures of the inputs that are left out though no output made them: the JPEG of a raw file,
        copies.
    shot_order : tuple of int or None
        For each frame its index in shooting order; None while they stand in it.
    turned : tuple of str
        Names of frames whose files tell another orientation than most, with which all are read.
    """

    sources: tuple[FrameSource, ...]
    ordered_by: str
    white_balance: tuple[float, ...] | None = None
    skipped: tuple[str, ...] = ()
    companions: tuple[Path, ...] = ()
    shot_order: tuple[int, ...] | None = None
    turned: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.sources)

    @property
    def inputs(self) -> tuple[Path, ...]:
        """Every picture file that no output may replace."""
        return (*(source.path for source in self.sources), *self.companions)


@dataclass(frozen=True, eq=False)
class Frame:
    """One frame's pixels.

    Attributes
    ----------
    pixels : ndarray, shape (H, W, C), float32
        In the picture's own encoding (gamma-coded), 0 = black, 1 = white; C is 1 or 3 (RGB).
    source : FrameSource
    index : int
        Position in the stack.
    """

    pixels: FloatArray
    source: FrameSource
    index: int = 0
