"""A sample focus bracket with known truth, written as a camera would write it."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from merge.align import warp_frame
from merge.demo import Scene, paint_scene, see_all_sharp, see_through_lens
from merge.encoding import encode
from merge.errors import MergeError, WriteError
from merge.metadata import build_exif_block
from merge.model import CaptureSettings, FloatArray, FrameTransform, Progress
from merge.pipeline.record import program_version
from merge.read import probe_frame
from merge.threads import work_ahead
from merge.write import replace_atomically, write_json, write_picture
from merge.write.embed import encode_jpeg

# Even steps whose half stays below the usual 2 px of blur, also where the audit reads a tenth more.
STEP_PX = 3.3
# The invented camera: half life size, so that a step is 0.33 mm at the subject; its lens blurs by
# geometry alone, so it is set to where diffraction matters little.
_FOCAL_MM, _F_NUMBER, _PITCH_UM, _MAGNIFICATION = 50.0, 2.8, 6.0, 0.5
_FIRST_SHOT = dt.datetime(2026, 4, 18, 10, 24, 7, 340000, tzinfo=dt.UTC)
_INTERVAL_S = 1.27
_SETTINGS = CaptureSettings(
    maker="Example",
    model="Example Field One",
    lens="Example Macro 50mm F2.8",
    exposure_time_s=1 / 60,
    f_number=_F_NUMBER,
    iso=200.0,
    focal_length_mm=_FOCAL_MM,
    pixel_pitch_um=_PITCH_UM,
)
# What a good lens and the pixels themselves leave of a point: standard deviation in px.
_SOFTNESS_PX = 0.55
# Electrons of a white pixel and of the read-out, as ISO 200 leaves them on pixels of 6 µm.
_WHITE_ELECTRONS, _READ_ELECTRONS = 15000.0, 4.0
_SUBJECT_DISTANCE, _COLOUR_SPACE, _EXIF_IFD = 37382, 40961, 0x8769  # numbers of Exif 2.32
# Says in the words of the IPTC Photo Metadata Standard ("Digital Source Type"; from memory) that
# no camera took this.
_XMP = b"""<?xpacket begin="\xef\xbb\xbf" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about="" xmlns:ext="http://iptc.org/std/Iptc4xmpExt/2008-02-29/"
   ext:DigitalSourceType="http://cv.iptc.org/newscodes/digitalsourcetype/algorithmicMedia"/>
 </rdf:RDF>
</x:xmpmeta>
<?xpacket end="r"?>"""
_MEANING = {
    "positions_px": "frames on the focus axis, in pixels of blur-circle diameter; the first at 0",
    "transforms": "3x3, from (x, y, 1) in the reference frame to each frame, pixel centres whole",
    "gains": "linear light of each frame over that of the reference frame",
    "reference": "index, from 0, of the frame whose geometry and light truth.png has",
}


@dataclass(frozen=True)
class DemoBracket:
    """The files of a sample bracket: frames in shooting order, all-sharp picture, its numbers."""

    frames: tuple[Path, ...]
    truth_picture: Path
    truth_record: Path


@dataclass(frozen=True, eq=False)
class _Shoot:
    """What the camera does: geometry and light of every frame of the whole bracket."""

    shape: tuple[int, int]
    seed: int
    positions_px: NDArray[np.float64]
    maps: list[NDArray[np.float64]]  # scene without its margin → frame
    gains: NDArray[np.float64]
    margin: int


def write_demo(
    folder: str | Path,
    *,
    frames: int = 10,
    drop: Iterable[int] = (),
    seed: int = 1,
    overwrite: bool = False,
    shape: tuple[int, int] = (800, 1200),
    progress: Progress | None = None,
) -> DemoBracket:
    """Write a sample bracket of an invented close-up scene, and the truth about it.

    Parameters
    ----------
    folder : str or Path
        Made if it is not there. Frames go into it, the truth into its folder ``truth``.
    frames : int
        Frames of the whole bracket, 2 or more; the scene is as deep as they reach, in focus
        steps of 3.3 px of blur circle.
    drop : iterable of int
        Frames to leave out, counted from 1; the files of the others stay the same.
    seed : int
        Same seed, same files; 0 or more.
    overwrite : bool
        Replace files of an earlier call.
    shape : tuple of int
        (H, W) of the frames.
    progress : callable, optional
        Called with (what, done, total).

    Raises
    ------
    MergeError
        If ``drop`` names no frame of the bracket or leaves fewer than two.
    WriteError
        If files are there already, the folder holds other pictures, or cannot be written.
        What the call has written until then is taken away again.
    """
    kept = _kept(frames, drop)
    target = Path(folder)
    bracket = DemoBracket(
        tuple(target / f"EXA_{i + 1:04d}.jpg" for i in kept),
        target / "truth" / "truth.png",
        target / "truth" / "truth.json",
    )
    _check_free(target, bracket, overwrite=overwrite)
    shoot = _plan_shoot(frames, shape, seed)
    height, width = shape
    scene_shape = (height + 2 * shoot.margin, width + 2 * shoot.margin)
    scene = paint_scene(scene_shape, STEP_PX * (frames - 1), seed)
    pictures = []
    for picture in work_ahead(lambda i: _expose(scene, shoot, i), kept, threads=2):
        pictures.append(picture)
        if progress:
            progress("frames", len(pictures), len(kept))
    ours = [*bracket.frames, bracket.truth_picture, bracket.truth_record]
    with _taken_away_on_failure(ours, [target, target / "truth"]):
        for i, path, picture in zip(kept, bracket.frames, pictures, strict=True):
            with replace_atomically(path, overwrite=overwrite) as file:
                file.write(encode_jpeg(picture, exif=_exif(shoot, i), xmp=_XMP, icc=None))
        _write_truth(bracket, scene, shoot, kept, overwrite=overwrite)
    return bracket


def _kept(frames: int, drop: Iterable[int]) -> list[int]:
    """Return the indices, from 0, of the frames that are written."""
    dropped = set(drop)
    if wrong := sorted(dropped - set(range(1, frames + 1))):
        raise MergeError(f"frame {wrong[0]} to drop: the bracket's frames are 1 to {frames}")
    kept = [i for i in range(frames) if i + 1 not in dropped]
    if len(kept) < 2:
        raise MergeError(
            f"{len(dropped)} of {frames} frames to drop: a bracket needs 2; drop fewer"
        )
    return kept


def _check_free(folder: Path, bracket: DemoBracket, *, overwrite: bool) -> None:
    if folder.exists() and not folder.is_dir():
        raise WriteError(f"{folder}: a file, expected a folder; choose another name")
    ours = [*bracket.frames, bracket.truth_picture, bracket.truth_record]
    there = [path for path in ours if path.exists()]
    if there and not overwrite:
        raise WriteError(
            f"{there[0]}: exists already; choose another folder or allow overwriting (--overwrite)"
        )
    others = sorted(set(folder.glob("*.jpg")) - set(ours)) if folder.is_dir() else []
    if others:
        raise WriteError(
            f"{others[0]}: a picture that would be taken for a frame of this bracket; "
            "remove it or choose another folder"
        )


def _plan_shoot(frames: int, shape: tuple[int, int], seed: int) -> _Shoot:
    rng = np.random.default_rng([seed, frames])
    middle = frames // 2
    positions = STEP_PX * np.arange(frames, dtype=np.float64)
    # Focus by moving the lens: D px of blur are D * pitch * N * v / f at the sensor, and the
    # magnification goes with the image distance v.
    magnified = 1 - (positions - positions[middle]) * _PITCH_UM / 1000 * _F_NUMBER / _FOCAL_MM
    shifts = rng.normal(0, 0.8, (frames, 2))
    turns = rng.normal(0, 0.01, frames)
    gains = 1 + rng.normal(0, 0.006, frames)
    shifts[middle], turns[middle], gains[middle] = 0.0, 0.0, 1.0
    maps = [
        _similarity(shape, float(m), math.radians(t), s)
        for m, t, s in zip(magnified, turns, shifts, strict=True)
    ]
    widest = STEP_PX * (frames - 1) / 2
    margin = math.ceil(widest + (1 / magnified.min() - 1) * max(shape) / 2 + 8)
    return _Shoot(shape, seed, positions, maps, gains, margin)


def _similarity(
    shape: tuple[int, int], size: float, angle: float, shift: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the map that turns and enlarges about the picture's centre, then shifts."""
    centre = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    turn = size * np.array(
        [[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]]
    )
    matrix = np.eye(3)
    matrix[:2, :2], matrix[:2, 2] = turn, centre - turn @ centre + shift
    return matrix


def _photograph(light: FloatArray, shoot: _Shoot, i: int) -> FloatArray:
    """Return linear light in frame i's geometry and exposure, softened by lens and pixels."""
    soft = cv2.GaussianBlur(light, (0, 0), _SOFTNESS_PX)
    to_scene: NDArray[np.float64] = np.linalg.inv(shoot.maps[i]).astype(np.float64)
    to_scene[:2, 2] += shoot.margin
    moved = warp_frame(soft, FrameTransform(to_scene), box=(0, 0, *shoot.shape))
    return np.maximum(moved, 0) * np.float32(shoot.gains[i])


def _expose(scene: Scene, shoot: _Shoot, i: int) -> NDArray[np.uint8]:
    """Return frame i as the camera records it: with noise, sRGB-coded, 8 bits."""
    rng = np.random.default_rng([shoot.seed, 1000 + i])
    focus = float(shoot.positions_px[i])
    seen = see_through_lens(scene, focus, turn=rng.uniform(0, 2 * np.pi))
    light = _photograph(seen, shoot, i)
    spread = np.sqrt(light / _WHITE_ELECTRONS + (_READ_ELECTRONS / _WHITE_ELECTRONS) ** 2)
    noisy = light + spread * rng.standard_normal(light.shape, np.float32)
    return np.rint(np.clip(encode(noisy, "srgb"), 0, 1) * 255).astype(np.uint8)


def _exif(shoot: _Shoot, i: int) -> bytes:
    """Return frame i's EXIF block: as of any written file, and what only a camera's file says."""
    when = _FIRST_SHOT + dt.timedelta(seconds=_INTERVAL_S * i)
    block = build_exif_block(replace(_SETTINGS, captured_at=when), software="depthweld demo")
    exif = Image.Exif()
    exif.load(block)
    photo = exif.get_ifd(_EXIF_IFD)
    image_mm = _FOCAL_MM * (1 + _MAGNIFICATION) * FrameTransform(shoot.maps[i]).magnification
    subject_mm = 1 / (1 / _FOCAL_MM - 1 / image_mm)
    photo[_SUBJECT_DISTANCE] = IFDRational(round((image_mm + subject_mm) * 100), 100_000)
    photo[_COLOUR_SPACE] = 1  # sRGB
    return exif.tobytes().removeprefix(b"Exif\0\0")


def _write_truth(
    bracket: DemoBracket,
    scene: Scene,
    shoot: _Shoot,
    kept: Sequence[int],
    *,
    overwrite: bool,
) -> None:
    """Write the all-sharp picture as the middle one of the written frames shows it, and numbers."""
    reference = len(kept) // 2
    base = kept[reference]
    light = _photograph(see_all_sharp(scene), shoot, base)
    write_picture(
        bracket.truth_picture,
        encode(light, "srgb"),
        source=probe_frame(bracket.frames[reference]),
        provenance={"version": program_version(), "truth": "all-sharp picture, no noise"},
        overwrite=overwrite,
    )
    to_reference = np.linalg.inv(shoot.maps[base])
    record: dict[str, Any] = {
        "about": "invented sample scene: frames, and what is true of them",
        "meaning": _MEANING,
        "files": [path.name for path in bracket.frames],
        "reference": reference,
        "width": shoot.shape[1],
        "height": shoot.shape[0],
        "positions_px": [float(shoot.positions_px[i] - shoot.positions_px[kept[0]]) for i in kept],
        "transforms": [(shoot.maps[i] @ to_reference).tolist() for i in kept],
        "gains": [float(shoot.gains[i] / shoot.gains[base]) for i in kept],
        "magnification": _MAGNIFICATION * FrameTransform(shoot.maps[base]).magnification,
        "f_number": _F_NUMBER,
        "focal_length_mm": _FOCAL_MM,
        "pixel_pitch_um": _PITCH_UM,
        "seed": shoot.seed,
    }
    write_json(bracket.truth_record, record, overwrite=overwrite)


@contextmanager
def _taken_away_on_failure(paths: Sequence[Path], folders: Sequence[Path]) -> Iterator[None]:
    """Make the folders; if the block fails, remove what is new among folders and paths."""
    new = [path for path in paths if not path.exists()]
    made: list[Path] = []
    try:
        for folder in folders:
            if not folder.is_dir():
                folder.mkdir()
                made.append(folder)
        yield
    except OSError as exc:
        _remove(new, made)
        raise WriteError(
            f"{folders[0]}: cannot be written ({exc.strerror or exc}); choose another folder"
        ) from exc
    except BaseException:
        _remove(new, made)
        raise


def _remove(paths: Sequence[Path], folders: Sequence[Path]) -> None:
    with suppress(OSError):  # what failed is told; this is only the tidying after it
        for path in paths:
            path.unlink(missing_ok=True)
        for folder in reversed(folders):
            folder.rmdir()
