"""Cards of small real JPEG (and DNG) files with known groups, for the sorting tests.

Each scene is a crop of a picture that scikit-image carries, with an invented depth map; every
shot blurs it by how far each place lies from the focus plane, adds noise, small shifts and an
EXIF header. A card is written by one of `PATTERNS`; its truth lists which files belong together.
"""

from __future__ import annotations

import datetime as dt
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import tifffile
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from merge.compiled import njit

WIDTH, HEIGHT = 240, 160
FILES = 200
_SIGMAS = (0.0, 0.5, 0.8, 1.2, 1.8, 2.7, 4.0, 6.0)


@dataclass
class TrueGroup:
    """Kind and files of one group as written."""

    kind: str
    files: list[Path] = field(default_factory=list)


@lru_cache(maxsize=1)
def photographs() -> list[np.ndarray]:
    """Return the photographs that scikit-image carries, (H, W, 3) uint8."""
    from skimage import data

    names = ("brick", "grass", "gravel", "camera", "coffee", "coins", "chelsea", "rocket")
    pictures = [getattr(data, name)() for name in names]
    return [p if p.ndim == 3 else np.repeat(p[..., None], 3, axis=2) for p in pictures]


@njit(nogil=True)
def between(levels: np.ndarray, at: np.ndarray) -> np.ndarray:  # pragma: no cover - compiled
    """Interpolate between levels of blur (N, H, W, C), pixel by pixel, at (H, W)."""
    count, height, width, channels = levels.shape
    out = np.empty((height, width, channels), np.float32)
    for r in range(height):
        for c in range(width):
            low = min(int(at[r, c]), count - 2)
            part = at[r, c] - np.float32(low)
            for k in range(channels):
                one, two = levels[low, r, c, k], levels[low + 1, r, c, k]
                out[r, c, k] = one + part * (two - one)
    return out


class Scene:
    """A crop with depth; `render` gives what a lens focused at ``focus`` (0..1) sees."""

    def __init__(self, rng: np.random.Generator, wide: bool = True):
        pictures = photographs()
        picture = pictures[rng.integers(len(pictures))]
        h, w = picture.shape[:2]
        crop = int(rng.uniform(0.6, 0.95) * min(h, w * 2 // 3))
        top, left = rng.integers(h - crop + 1), rng.integers(w - crop * 3 // 2 + 1)
        part = picture[top : top + crop, left : left + crop * 3 // 2]
        if rng.random() < 0.5:
            part = part[:, ::-1]
        part = cv2.resize(np.ascontiguousarray(part), (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
        sharp = part.astype(np.float32) / 255
        # Large patches of light make every place unlike the next, as real subjects do.
        patches = cv2.resize(
            rng.uniform(0.35, 1.0, (4, 6)).astype(np.float32),
            (WIDTH, HEIGHT),
            interpolation=cv2.INTER_CUBIC,
        )
        sharp = sharp * patches[..., None]
        self.levels = np.stack(
            [sharp if s == 0 else cv2.GaussianBlur(sharp, (0, 0), s) for s in _SIGMAS]
        )
        y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
        slope = 1 - y / HEIGHT if wide else 0.5 + 0 * y
        bumps = cv2.resize(rng.normal(0, 0.15, (3, 4)), (WIDTH, HEIGHT))
        depth = np.clip(slope + bumps + 0.1 * np.sin(x / 40), 0, 1)
        self.depth = ((depth - depth.min()) / np.ptp(depth)).astype(np.float32)

    def render(
        self,
        focus: float,
        rng: np.random.Generator,
        *,
        f_number: float = 8.0,
        gain: float = 1.0,
        shift: tuple[float, float] = (0.0, 0.0),
        breathing: float = 0.0,
        noise: float = 0.01,
    ) -> np.ndarray:
        """Return uint8 RGB; blur grows as 1/f-number with defocus, as f-number by diffraction."""
        defocus = 6.0 * np.abs(self.depth - focus) * 8.0 / f_number
        sigma = np.hypot(defocus, 0.02 * f_number)
        level = np.interp(sigma, _SIGMAS, np.arange(len(_SIGMAS))).astype(np.float32)
        picture = between(self.levels, level)
        if shift != (0.0, 0.0) or breathing:
            m = 1 + breathing * focus
            matrix = np.float32(
                [[m, 0, (1 - m) * WIDTH / 2 + shift[0]], [0, m, (1 - m) * HEIGHT / 2 + shift[1]]]
            )
            picture = cv2.warpAffine(
                picture, matrix, (WIDTH, HEIGHT), borderMode=cv2.BORDER_REFLECT
            )
        picture = picture * gain ** (1 / 2.2) + noise * rng.standard_normal(
            picture.shape, np.float32
        )
        return np.clip(picture * 255 + 0.5, 0, 255).astype(np.uint8)


class Card:
    """Writes shots and keeps the truth."""

    def __init__(self, folder: Path, seed: int, *, subseconds: bool = True, exif: bool = True):
        self.folder, self.rng = folder, np.random.default_rng(seed)
        self.subseconds, self.exif = subseconds, exif
        self.now = dt.datetime(2024, 5, 17, 6, 30, 12, 250_000)
        self.groups: list[TrueGroup] = []
        self.count = 0
        self.counter, self.prefix, self.camera = 101, "FRM_", ("Sample", "One")
        self.pairs, self.distances = False, True

    @property
    def left(self) -> int:
        """Files that still fit."""
        return FILES - self.count

    def scene(self, wide: bool = True) -> Scene:
        """Return a new scene."""
        return Scene(self.rng, wide)

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.now += dt.timedelta(seconds=seconds)

    def group(self, kind: str) -> TrueGroup:
        """Open a true group."""
        group = TrueGroup(kind)
        self.groups.append(group)
        return group

    def shoot(
        self,
        group: TrueGroup,
        scene: Scene,
        focus: float,
        *,
        f_number: float = 8.0,
        exposure_s: float = 1 / 60,
        iso: int = 100,
        gain: float | None = None,
        gap_s: float = 0.4,
        base_s: float | None = None,
        **view,
    ) -> None:
        """Write one shot. Brightness follows the settings against f/8 and ``base_s``."""
        if self.left <= 0:
            return
        base_s = 1 / 60 if base_s is None else base_s
        if gain is None:
            gain = exposure_s / base_s * (8.0 / f_number) ** 2 * iso / 100
        noise = 0.01 * (iso / 100) ** 0.5
        pixels = scene.render(focus, self.rng, f_number=f_number, gain=gain, noise=noise, **view)
        self.wait(exposure_s)
        stem = self.folder / f"{self.prefix}{self.counter:04d}"
        self.counter = self.counter % 9999 + 1
        distance = 1 / (1 / 0.4 - focus * (1 / 0.4 - 1 / 8.0))
        header = self._exif(f_number, exposure_s, iso, distance) if self.exif else b""
        path = stem.with_suffix(".JPG")
        Image.fromarray(pixels).save(path, quality=92, exif=header)
        group.files.append(path)
        self.count += 1
        if self.pairs and self.left > 0:
            raw = stem.with_suffix(".DNG")
            write_dng(raw, pixels, self._stamp(), self.camera)
            group.files.append(raw)
            self.count += 1
        self.wait(gap_s)

    def _stamp(self) -> str:
        return self.now.strftime("%Y:%m:%d %H:%M:%S")

    def _exif(self, f_number: float, exposure_s: float, iso: int, distance_m: float) -> bytes:
        more = {37382: distance_m} if self.distances else {}
        if self.subseconds:
            more[37521] = f"{self.now.microsecond // 10_000:02d}"
        return shot_exif(self.camera, f_number, exposure_s, iso, self._stamp(), more)

    # -- what photographers do ------------------------------------------------------------

    def bracket(
        self,
        scene: Scene | None = None,
        frames: int | None = None,
        *,
        start: float = 0.0,
        end: float = 1.0,
        group: TrueGroup | None = None,
        part: tuple[int, int] | None = None,
        **options,
    ) -> TrueGroup:
        """Shots with focus moving from ``start`` to ``end``; ``part`` takes some of them."""
        scene = scene or self.scene()
        frames = frames or int(self.rng.integers(5, 16))
        group = group or self.group("focus bracket")
        first, last = part or (0, frames)
        for focus in np.linspace(start, end, frames)[first:last]:
            self.shoot(group, scene, float(focus), **options)
        return group

    def single(self, scene: Scene | None = None, focus: float = 0.5, **options) -> None:
        """One shot on its own."""
        self.shoot(self.group("single"), scene or self.scene(), focus, **options)

    def apertures(
        self, scene: Scene | None = None, numbers=(4.0, 5.6, 8.0, 11.0, 16.0, 22.0), **options
    ) -> None:
        """Shots at several f-numbers and one focus."""
        compensate = options.pop("compensate", True)
        focus = options.pop("focus", 0.4)
        scene, group = scene or self.scene(), self.group("aperture series")
        for number in numbers:
            exposure = 1 / 60 * (number / 8.0) ** 2 if compensate else 1 / 60
            self.shoot(group, scene, focus, f_number=number, exposure_s=exposure, **options)

    def exposures(self, scene: Scene | None = None, stops=(0, -2, 2), focus=0.5, **options) -> None:
        """Shots that differ by shutter time."""
        scene, group = scene or self.scene(), self.group("exposure bracket")
        for stop in stops:
            self.shoot(group, scene, focus, exposure_s=1 / 60 * 2.0**stop, **options)


def shot_exif(
    camera: tuple[str, str], f_number: float, exposure_s: float, iso: int, stamp: str, more: dict
) -> bytes:
    """Return EXIF as cameras write it; ``more`` are further tags by number."""
    header = Image.Exif()
    header[271], header[272] = camera
    # EXIF wants ratios; a plain float would be written as a double, which readers refuse.
    short = exposure_s < 0.3
    time = IFDRational(1, round(1 / exposure_s)) if short else IFDRational(round(exposure_s, 3))
    tags = {33434: time, 33437: IFDRational(round(10 * f_number), 10), 34855: iso, 36867: stamp,
            37386: IFDRational(60, 1), **more}  # fmt: skip
    if 37382 in more:
        tags[37382] = IFDRational(round(100 * more[37382]), 100)
    header.get_ifd(0x8769).update(tags)
    return header.tobytes()


def write_dng(path: Path, rgb: np.ndarray, stamp: str, camera: tuple[str, str]) -> None:
    """Write a Bayer DNG of the picture (DNG 1.4 tags; values squared, roughly linear)."""
    linear = (rgb.astype(np.float32) / 255) ** 2.2
    mosaic = linear[..., 1].copy()
    mosaic[0::2, 0::2] = linear[0::2, 0::2, 0]
    mosaic[1::2, 1::2] = linear[1::2, 1::2, 2]

    def ratios(values) -> list[int]:
        return [int(n) for v in np.ravel(values) for n in (round(v * 10**6), 10**6)]

    h, w = mosaic.shape
    matrix = [[3.24, -1.54, -0.5], [-0.97, 1.88, 0.04], [0.06, -0.2, 1.06]]
    tifffile.imwrite(
        path,
        (mosaic * 15000 + 512).astype(np.uint16),
        photometric="cfa",
        metadata=None,
        software=False,
        rowsperstrip=h,
        extratags=[
            (50706, 1, 4, (1, 4, 0, 0), True), (50707, 1, 4, (1, 1, 0, 0), True),
            (50708, 2, 0, " ".join(camera), True), (271, 2, 0, camera[0], True),
            (272, 2, 0, camera[1], True), (274, 3, 1, 1, True), (36867, 2, 0, stamp, True),
            (50721, 10, 9, ratios(matrix), True), (50728, 5, 3, ratios([1, 1, 1]), True),
            (50778, 3, 1, 21, True), (50719, 5, 2, ratios([0, 0]), True),
            (50720, 5, 2, ratios([w, h]), True), (33421, 3, 2, (2, 2), True),
            (33422, 1, 4, (0, 1, 1, 2), True), (50710, 1, 3, (0, 1, 2), True),
            (50711, 3, 1, 1, True), (50713, 3, 2, (1, 1), True),
            (50714, 5, 1, ratios([512]), True), (50717, 4, 1, 15512, True),
        ],
    )  # fmt: skip


# -- the patterns: each fills a card ------------------------------------------------------


def macro_with_distances(card: Card) -> None:
    card.bracket(frames=int(card.rng.integers(8, 25)))
    card.wait(90)
    card.single()
    card.wait(40)


def macro_without_distances(card: Card) -> None:
    card.distances = False
    macro_with_distances(card)


def landscape_by_hand(card: Card) -> None:
    card.distances = bool(card.rng.random() < 0.5)
    card.bracket(frames=int(card.rng.integers(2, 5)), gap_s=float(card.rng.uniform(6, 22)))
    card.wait(300)


def back_to_back_same_scene(card: Card) -> None:
    card.distances = bool(card.rng.random() < 0.5)
    scene, frames = card.scene(), int(card.rng.integers(4, 10))
    for _ in range(3):
        card.bracket(scene, frames)
    card.wait(50)


def back_to_back_new_scene(card: Card) -> None:
    card.distances = bool(card.rng.random() < 0.5)
    for _ in range(3):
        card.bracket()


def repeated_at_another_aperture(card: Card) -> None:
    card.distances = bool(card.rng.random() < 0.5)
    scene, frames = card.scene(), int(card.rng.integers(4, 9))
    for number in (5.6, 8.0, 11.0):
        card.bracket(scene, frames, f_number=number, exposure_s=1 / 60 * (number / 8) ** 2)
    card.wait(70)


def apertures_compensated(card: Card) -> None:
    card.apertures(gap_s=4.0)
    card.wait(20)
    card.apertures(numbers=(22.0, 16.0, 11.0, 8.0, 5.6), gap_s=6.0)
    card.wait(100)


def apertures_uncompensated(card: Card) -> None:
    card.distances = False
    scene = card.scene()
    card.apertures(scene, numbers=(5.6, 8.0, 11.0, 13.0), compensate=False, gap_s=3.0)
    card.apertures(scene, numbers=(5.6, 8.0, 11.0, 13.0), compensate=False, focus=0.8, gap_s=3.0)
    card.wait(100)


def exposures_and_brackets(card: Card) -> None:
    card.distances = bool(card.rng.random() < 0.5)
    card.exposures()
    card.exposures(stops=(0, -1, 1))
    card.wait(30)
    card.bracket()
    card.wait(30)
    scene = card.scene()
    card.exposures(scene, stops=(-2, -1, 0, 1, 2))
    card.exposures(scene, stops=(-2, -1, 0, 1, 2))
    card.wait(30)


def pairs(card: Card) -> None:
    card.pairs = True
    card.bracket(gap_s=0.8)
    card.wait(40)
    card.single()
    card.wait(25)


def counter_wraps(card: Card) -> None:
    if card.count == 0:
        card.counter = 9930
    macro_without_distances(card)


def counter_wraps_without_exif(card: Card) -> None:
    card.exif = False
    if card.count == 0:
        card.counter = 9902
    card.bracket()
    card.single()


def two_cameras(card: Card) -> None:
    """One on a bracket while the other shoots singles and brackets in between."""
    _two_bodies(card, ("FRM_", ("Sample", "One"), 101), ("PIC", ("Other", "Two"), 6001))


def two_bodies_of_one_model(card: Card) -> None:
    _two_bodies(card, ("FRM_", ("Sample", "One"), 101), ("FRM_", ("Sample", "One"), 6001))


def _two_bodies(card: Card, *bodies) -> None:
    ways = []
    for prefix, camera, counter in bodies:
        scene, group = card.scene(), card.group("focus bracket")
        done = getattr(card, "done", {})
        counter = done.get((prefix, camera, counter), counter)
        ways.append([prefix, camera, counter, scene, group])
    frames = int(card.rng.integers(5, 12))
    for focus in np.linspace(0, 1, frames):
        for way in ways:
            card.prefix, card.camera, card.counter = way[:3]
            card.shoot(way[4], way[3], float(focus), gap_s=0.7)
            way[2] = card.counter
    card.done = {(p, c, start): way[2] for (p, c, start), way in zip(bodies, ways, strict=True)}
    card.wait(60)


def no_exif(card: Card) -> None:
    card.exif = False
    card.bracket()
    card.bracket()
    card.single()
    card.single()


def whole_seconds(card: Card) -> None:
    """Five frames a second, times without sub-seconds."""
    card.subseconds, card.distances = False, False
    card.bracket(frames=int(card.rng.integers(8, 25)), gap_s=0.2)
    card.wait(45)


def interrupted_and_resumed(card: Card) -> None:
    card.distances = bool(card.rng.random() < 0.5)
    scene, frames = card.scene(), int(card.rng.integers(9, 15))
    stop = int(card.rng.integers(4, frames - 2))
    group = card.bracket(scene, frames, part=(0, stop))
    card.wait(130)
    card.bracket(scene, frames, part=(stop, frames), group=group)
    card.wait(400)


def aborted_and_started_again(card: Card) -> None:
    card.distances = bool(card.rng.random() < 0.5)
    scene, frames = card.scene(), int(card.rng.integers(8, 15))
    card.bracket(scene, frames, part=(0, int(card.rng.integers(3, 6))))
    card.wait(4)
    card.bracket(scene, frames)
    card.wait(200)


def singles_and_bursts(card: Card) -> None:
    """Bursts of one still scene, and a picture every ten seconds: no series."""
    card.distances = bool(card.rng.random() < 0.5)
    scene = card.scene()
    for _ in range(int(card.rng.integers(3, 9))):
        card.single(scene, 0.5, gap_s=float(card.rng.choice([0.3, 10.0])))
    card.wait(30)
    for _ in range(4):
        card.single(gap_s=5.0)


def hand_held_with_breathing(card: Card) -> None:
    """Small shifts, 4 % breathing, shutter drifting by a third of a stop."""
    card.distances = False
    scene, group = card.scene(), card.group("focus bracket")
    for i, focus in enumerate(np.linspace(0, 1, int(card.rng.integers(5, 11)))):
        drift = 2 ** (i % 2 / 3)
        shift = tuple(card.rng.uniform(-2, 2, 2))
        card.shoot(group, scene, float(focus), exposure_s=drift / 60, shift=shift, breathing=0.04)
    card.wait(80)


def a_day(card: Card) -> None:
    card.distances = True
    scene = card.scene()
    card.single(scene, 0.2)
    card.wait(7)
    card.apertures(scene, numbers=(4.0, 5.6, 8.0, 11.0, 16.0), gap_s=3.0)
    card.wait(12)
    card.bracket(scene, frames=6, f_number=8.0)
    card.wait(200)
    card.exposures()
    card.wait(15)
    card.bracket(frames=12, start=1.0, end=0.0)
    card.single()
    card.wait(60)


PATTERNS: tuple[Callable[[Card], None], ...] = (
    macro_with_distances, macro_without_distances, landscape_by_hand, back_to_back_same_scene,
    back_to_back_new_scene, repeated_at_another_aperture, apertures_compensated,
    apertures_uncompensated, exposures_and_brackets, pairs, counter_wraps,
    counter_wraps_without_exif, two_cameras, two_bodies_of_one_model, no_exif, whole_seconds,
    interrupted_and_resumed, aborted_and_started_again, singles_and_bursts,
    hand_held_with_breathing, a_day,
)  # fmt: skip


def write_card(folder: Path, pattern: Callable[[Card], None], *, seed: int = 0) -> list[TrueGroup]:
    """Fill ``folder`` with 200 files by one pattern; return the true groups."""
    folder.mkdir(parents=True, exist_ok=True)
    card = Card(folder, zlib.crc32(pattern.__name__.encode(), seed))
    while card.left > 0:
        pattern(card)
    return _as_cut([g for g in card.groups if g.files])


def _as_cut(groups: list[TrueGroup]) -> list[TrueGroup]:
    """Rename what the card's end cut down to one shot."""
    for group in groups:
        if len({f.stem for f in group.files}) == 1:
            group.kind = "single"
    return groups


def share_right(truth: list[TrueGroup], found: list[tuple[str, frozenset[Path]]]) -> float:
    """Return the share of files whose group has the true kind and exactly the true files."""
    right = {(g.kind, frozenset(g.files)) for g in truth}
    total = sum(len(g.files) for g in truth)
    return sum(len(files) for kind, files in found if (kind, files) in right) / total
