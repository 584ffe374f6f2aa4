"""Values that cross the borders between stages: frozen, without behaviour.

Points and transforms are (x, y) in pixels with integer coordinates at pixel centres; arrays
are indexed (row, column). "Not known" is None or NaN, never 0.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from merge.finding_kinds import FINDING_KINDS, FindingKind, KindFacts
from merge.printable import printable_name

FloatArray = NDArray[np.float32]
BoolArray = NDArray[np.bool_]

FileKind = Literal["jpeg", "png", "tiff", "raw", "heif", "array"]
MotionModel = Literal["auto", "shift", "similarity", "camera", "affine", "perspective", "none"]
BlendMethod = Literal["auto", "detail", "surface"]
Extent = Literal["common", "reference"]
Severity = Literal["note", "warning", "problem"]  # from least to worst
# Called with (stage, frames done, frames in all).
Progress = Callable[[str, int, int], None]


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
        output, unsupported kind in a folder) with the reason.
    companions : tuple of Path
        Pictures of the inputs that are left out though no output made them: the JPEG of a raw file.
    shot_order : tuple of int or None
        For each frame its index in shooting order; None while they stand in it.
    """

    sources: tuple[FrameSource, ...]
    ordered_by: str
    white_balance: tuple[float, ...] | None = None
    skipped: tuple[str, ...] = ()
    companions: tuple[Path, ...] = ()
    shot_order: tuple[int, ...] | None = None

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


@dataclass(frozen=True, eq=False)
class FrameTransform:
    """Map from reference pixels to a frame's pixels: the direction a warper samples in.

    Attributes
    ----------
    matrix : ndarray, shape (3, 3), float64
        Homogeneous, acting on (x, y, 1) columns; ``matrix[2, 2] == 1``.
    parallax : ndarray, shape (3,), or None
        What is added to ``matrix @ (x, y, 1)`` for each px that a pixel lies beyond ``plane_px`` on
        the focus axis, because the camera moved; None where it did not.
    plane_px : float
        Position on the focus axis where ``matrix`` alone holds: this frame's own.
    radial : float
        Change of size with the distance from the frame's centre, because the lens distorts
        otherwise at another focus: distances r grow by ``radial * r**2``; in 1/px².
    centre : (x, y)
        Of that distortion, and where the size is stated, in the frame's pixels.
    """

    matrix: NDArray[np.float64]
    parallax: NDArray[np.float64] | None = None
    plane_px: float = 0.0
    radial: float = 0.0
    centre: tuple[float, float] = (0.0, 0.0)

    @property
    def is_matrix(self) -> bool:
        """Whether the matrix alone is the map, at every depth."""
        return self.parallax is None and not self.radial

    def at_position(self, position_px: float) -> FrameTransform:
        """Return the map of what lies at one position on the focus axis, without parallax."""
        if self.parallax is None:
            return self
        matrix = self.matrix.copy()
        matrix[:, 2] += (position_px - self.plane_px) * self.parallax
        return replace(self, matrix=matrix / matrix[2, 2], parallax=None)

    @property
    def magnification(self) -> float:
        """Size of the subject in this frame over its size in the reference frame, at `centre`."""
        steps = np.array([[0.5, 0.0], [-0.5, 0.0], [0.0, 0.5], [0.0, -0.5]])
        right, left, below, above = self.apply(np.asarray(self.centre) + steps)
        return math.sqrt(abs(float(np.linalg.det(np.stack([right - left, below - above])))))

    @property
    def rotation_deg(self) -> float:
        """Rotation of this frame against the reference, in degrees."""
        return math.degrees(math.atan2(self.matrix[1, 0], self.matrix[0, 0]))

    def apply(
        self, points: NDArray[np.floating], position_px: NDArray[np.floating] | None = None
    ) -> NDArray[np.float64]:
        """Return where points of the reference frame lie in this frame.

        Parameters
        ----------
        points : ndarray, shape (..., 2)
            (x, y) in pixels.
        position_px : ndarray, shape (...), optional
            Of the points on the focus axis; default where this frame is in focus.

        Returns
        -------
        ndarray, shape (..., 2), float64
        """
        moved = points @ self.matrix[:, :2].T + self.matrix[:, 2]
        if self.parallax is not None and position_px is not None:
            moved = moved + (position_px - self.plane_px)[..., None] * self.parallax
        seen = np.asarray(moved[..., :2] / moved[..., 2:])
        if self.radial:
            away = seen - self.centre
            seen = seen + away * (self.radial * (away**2).sum(axis=-1, keepdims=True))
        return seen

    def shift_px(self, shape: tuple[int, ...]) -> tuple[float, float]:
        """Return (x, y) shift in pixels of the centre of a picture of ``shape`` (H, W, ...)."""
        centre = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
        x, y = self.apply(centre) - centre
        return float(x), float(y)


@dataclass(frozen=True, eq=False)
class FrameRegistration:
    """Where one frame lies against the reference, and how well that is known.

    Attributes
    ----------
    transform : FrameTransform or None
        None when the frame could not be aligned.
    gain : float
        Linear light of this frame over that of the reference frame; divide by it.
    falloff : float
        Change of that ratio from centre to corner: it is ``gain * exp(falloff * r2)`` with r2 the
        squared distance from the centre, 1 at the corners.
    residual_px : float
        Disagreement of this frame's pair measurements with the whole-stack solution
        (root mean square over the picture's corners and centre), in pixels; NaN if unknown.
    jump_px : float
        Departure of its position from the smooth trend of its neighbours, in pixels;
        large for a bumped tripod.
    reason : str
        Why the frame could not be aligned; empty when it could.
    """

    transform: FrameTransform | None
    gain: float = 1.0
    falloff: float = 0.0
    residual_px: float = math.nan
    jump_px: float = 0.0
    reason: str = ""


@dataclass(frozen=True, eq=False)
class Registration:
    """The whole stack's geometry and exposure against one reference frame.

    Attributes
    ----------
    frames : tuple of FrameRegistration
        One for each frame of the stack, in its order.
    reference : int
        Index of the reference frame; its transform is the identity.
    model : str
        Motion model fitted, or chosen.
    shape : tuple of int
        (H, W) of the frames.
    reason : str
        Why it was chosen, in a few words; empty where it was asked for.
    other_scene : tuple of int
        Frames that could not be aligned with these but agree with one another, and look otherwise.
    """

    frames: tuple[FrameRegistration, ...]
    reference: int
    model: MotionModel
    shape: tuple[int, int]
    reason: str = ""
    other_scene: tuple[int, ...] = ()

    @property
    def aligned(self) -> tuple[int, ...]:
        """Indices of the frames that could be aligned."""
        return tuple(i for i, f in enumerate(self.frames) if f.transform is not None)


@dataclass(frozen=True, eq=False)
class TileEnergies:
    """How much detail one frame shows in every tile, in the geometry of the reference frame.

    A tile that the frame does not cover is NaN in every array.

    Attributes
    ----------
    energy : ndarray, shape (B, R, C), float32
        Mean square of the band-passed luminance in every tile; band b holds what lies between
        Gaussians of ``band_sigma_px[b]`` and twice that.
    orientation : ndarray, shape (3, R, C), float32
        Mean squares of the finest band's differences between neighbouring pixels: along x,
        along y, and their mean product.
    level : ndarray, shape (R, C), float32
        Mean luminance of every tile, as measured (linear light for the focus axis).
    clipped : ndarray, shape (R, C), float32
        Share of a tile's pixels at black or white, 0 to 1.
    band_sigma_px : ndarray, shape (B,), float64
        Finer Gaussian of every band, in pixels of the full-size frame.
    tile_size_px : float
        Side of a tile in pixels of the full-size reference frame.
    coarse_orientation : ndarray, shape (3, R, C), float32
        As `orientation`, of the third band.
    """

    energy: FloatArray
    orientation: FloatArray
    level: FloatArray
    clipped: FloatArray
    band_sigma_px: NDArray[np.float64]
    tile_size_px: float
    coarse_orientation: FloatArray


@dataclass(frozen=True, eq=False)
class FrameQuality:
    """What each frame shows beside its place on the focus axis.

    Attributes
    ----------
    detail_ratio : ndarray, shape (N, B), float64
        Energy of tiles near focus over what the other frames lead to expect, median over tiles;
        1 = as expected, below 1 = soft. NaN where too few tiles tell.
    detail_z : ndarray, shape (N,), float64
        How many standard errors that lies above what is usual in the stack, in the worse of the two
        finest bands; NaN where too few tiles or frames tell.
    direction_ratio : ndarray, shape (N,), float64
        Finest detail along the direction that lost most over that along the one that lost
        least, relative to the neighbours; 1 = no direction, well below 1 = shaken; NaN where
        too few tiles tell.
    direction_z : ndarray, shape (N,), float64
        Size of that loss in standard errors.
    direction_deg : ndarray, shape (N,), float64
        Direction that lost most, degrees from the x axis towards y, in [0, 180).
    gains : ndarray, shape (N,), float64
        Linear light over the middle frame's, from the tiles' means.
    """

    detail_ratio: NDArray[np.float64]
    detail_z: NDArray[np.float64]
    direction_ratio: NDArray[np.float64]
    direction_z: NDArray[np.float64]
    direction_deg: NDArray[np.float64]
    gains: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class FocusAxis:
    """Frames and tiles on one axis whose unit is pixels of blur-circle diameter.

    Attributes
    ----------
    positions_px : ndarray, shape (N,), float64
        Position of every frame, the first at 0; a tile at p is blurred by a disk of
        diameter |position - p| px in that frame.
    step_low_px, step_high_px : ndarray, shape (N-1,), float64
        Ends of the 90 % confidence interval of every step.
    tile_positions_px : ndarray, shape (R, C), float64
        Position of the subject in every tile; NaN where it has no usable detail.
    tile_detail : ndarray, shape (R, C), float64
        Contrast that the fine detail of every tile has in focus (root mean square of the two
        finest bands), the weight of a tile in shares; 0 where it has none.
    tile_size_px : int
        Side of a tile in pixels of the reference frame.
    quality : FrameQuality or None
        What each frame shows beside its place.
    covariance_px : ndarray, shape (N, N), float64, or None
        Of the positions, from the scatter of the tiles.
    blur_error_px : float
        Standard error of the place of tiles of one depth and texture together.
    scale_error : float
        Standard error that all distances on the axis share, relative; it comes on top.
    """

    positions_px: NDArray[np.float64]
    step_low_px: NDArray[np.float64]
    step_high_px: NDArray[np.float64]
    tile_positions_px: NDArray[np.float64]
    tile_detail: NDArray[np.float64]
    tile_size_px: int
    quality: FrameQuality | None = None
    covariance_px: NDArray[np.float64] | None = None
    blur_error_px: float = 0.0
    scale_error: float = 0.0


@dataclass(frozen=True, eq=False)
class DepthMap:
    """Which frame is sharpest at every pixel, to a fraction of a frame.

    Attributes
    ----------
    position : ndarray, shape (H, W), float32
        In frames, 0 = first frame of the stack.
    confidence : ndarray, shape (H, W), float32
        0 = filled from neighbours, 1 = certain.
    exact : ndarray, shape (H, W), float32, or None
        The depth itself where ``position`` is meant for mixing frames, and so drawn towards the
        sharper of two; None where both are the same.
    beyond : ndarray, shape (H, W), int8, or None
        1 where what is seen lies beyond the last frame and is sharp in none, -1 the same before
        the first, else 0; None where that was not looked for.
    """

    position: FloatArray
    confidence: FloatArray
    exact: FloatArray | None = None
    beyond: NDArray[np.int8] | None = None


@dataclass(frozen=True)
class DepthScale:
    """What a depth in frames is in millimetres.

    Attributes
    ----------
    frames : tuple of int
        Frames whose place is known, rising.
    mm : tuple of float
        Their places.
    origin : str
        Where from: "first frame, at the subject" or "sensor".
    pixel_mm : float or None
        Size of a pixel at the subject, where the scale is one of lengths there.
    """

    frames: tuple[int, ...]
    mm: tuple[float, ...]
    origin: str
    pixel_mm: float | None = None

    def in_mm(self, position: FloatArray) -> NDArray[np.float64]:
        """Return places, in frames, in millimetres; linear between frames."""
        return np.interp(position, self.frames, self.mm)


@dataclass(frozen=True)
class Finding:
    """One thing a photographer should know about a stack.

    Attributes
    ----------
    kind : str
        One of those of `merge.finding_kinds`, e.g. "gap", "bumped frame".
    severity : {"note", "warning", "problem"}
    message : str
        One sentence for people: what, where, how much.
    advice : str
        What to do; may be empty.
    value, threshold : float or None
        The measurement and the limit that it crossed, in `unit`.
    unit : str
    frames : tuple of int
        Indices concerned, 0-based.
    box : tuple of int or None
        (row, column, height, width) in the reference frame's pixels.
    interval : tuple of float or None
        Ends of the 90 % interval of `value`, where it is measured with a known error.
    """

    kind: FindingKind
    severity: Severity
    message: str
    advice: str = ""
    value: float | None = None
    threshold: float | None = None
    unit: str = ""
    frames: tuple[int, ...] = ()
    box: tuple[int, int, int, int] | None = None
    interval: tuple[float, float] | None = None

    @property
    def facts(self) -> KindFacts:
        """What the rest needs to know of its kind."""
        return FINDING_KINDS[self.kind]

    @property
    def rank(self) -> int:
        """0 for a problem, then rising: findings sorted by it stand worst first."""
        return get_args(Severity)[::-1].index(self.severity)


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings in order of severity, those of one severity as they came."""
    return tuple(sorted(findings, key=lambda finding: finding.rank))


def worst_severity(severities: Iterable[Severity]) -> Severity | None:
    """Return the worst of some severities; None if there are none."""
    return max(severities, key=get_args(Severity).index, default=None)


@dataclass(frozen=True)
class AuditOptions:
    """Settings of an audit; the defaults live here and nowhere else.

    Attributes
    ----------
    tolerance : str
        Blur-circle diameter allowed: "2px", "0.03mm" on the sensor or "d/1500" of its diagonal.
    pixel_pitch_um, magnification, f_number : float or None
        In place of what the files tell.
    pupil_ratio : float
        Exit-pupil over entrance-pupil diameter of the lens.
    """

    tolerance: str = "2px"
    pixel_pitch_um: float | None = None
    magnification: float | None = None
    pupil_ratio: float = 1.0
    f_number: float | None = None


@dataclass(frozen=True)
class MergeOptions:
    """Settings of a merge; the defaults live here and nowhere else.

    Attributes
    ----------
    method : {"auto", "detail", "surface"}
        How the frames are joined.
    model : {"auto", "shift", "similarity", "camera", "affine", "perspective", "none"}
        Motion allowed between frames; "auto" chooses by what the frames bear out.
    extent : {"common", "reference"}
        Area that all frames cover, or the whole reference frame.
    reference : int or None
        Index of the reference frame; None = the middle one.
    equalize_exposure : bool
        Undo exposure differences between frames.
    strict : bool
        Fail when a frame cannot be aligned, instead of leaving it out.
    anyway : bool
        Merge also what is no focus bracket: an aperture series, an exposure bracket, one bracket
        twice.
    memory_limit_bytes : int or None
        Upper limit of resident memory; None = as it comes.
    audit : AuditOptions
        By which the bracket is inspected.
    """

    method: BlendMethod = "auto"
    model: MotionModel = "auto"
    extent: Extent = "common"
    reference: int | None = None
    equalize_exposure: bool = True
    strict: bool = False
    anyway: bool = False
    memory_limit_bytes: int | None = None
    audit: AuditOptions = AuditOptions()
