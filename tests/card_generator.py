"""Cards of small real JPEG (and DNG) files with known groups: scenes, shots, the card.

Blur is a disk whose diameter grows with the distance from the focus plane, scenes are photographs
that scikit-image carries or invented textures over four kinds of depth, and shots are shaken,
noisy, clipped, moved by wind, lit unevenly or taken from a rail. EXIF holds what cameras write and
nothing else. `card_patterns` fills cards with them.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import tifffile
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from merge.compiled import njit

WIDTH, HEIGHT, PAD = 360, 240, 40
_DIAMETERS = (0.0, 0.6, 1.0, 1.6, 2.4, 3.6, 5.4, 8.0, 12.0, 18.0)
# Full stops and thirds that cameras offer (ISO 517 and ISO 2720 nominal values, from memory).
_SHUTTERS = (1 / 1000, 1 / 500, 1 / 250, 1 / 125, 1 / 60, 1 / 30, 1 / 15, 1 / 8, 1 / 4)


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


def _photograph(rng: np.random.Generator, width: int, height: int) -> np.ndarray:
    pictures = photographs()
    picture = pictures[rng.integers(len(pictures))]
    h, w = picture.shape[:2]
    share = rng.uniform(0.7, 1.0)
    crop_w = int(min(w, h * width / height) * share)
    crop_h = min(h, int(crop_w * height / width))
    top, left = rng.integers(h - crop_h + 1), rng.integers(w - crop_w + 1)
    part = picture[top : top + crop_h, left : left + crop_w]
    part = part[:, ::-1] if rng.random() < 0.5 else part
    shrunk = cv2.resize(np.ascontiguousarray(part), (width, height), interpolation=cv2.INTER_AREA)
    return shrunk.astype(np.float32) / 255


def _texture(rng: np.random.Generator, width: int, height: int) -> np.ndarray:
    """Noise with a falling spectrum, discs and bristles on top."""
    spectrum = np.fft.rfft2(rng.standard_normal((height, width)))
    fy, fx = np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None]
    radius = np.maximum(np.hypot(fy, fx), 1.5 / width)
    noise = np.fft.irfft2(spectrum * radius ** -rng.uniform(0.9, 1.3), (height, width))
    grey = (0.45 + 0.13 * noise / noise.std()).astype(np.float32)
    picture = np.clip(grey[..., None] * rng.uniform(0.6, 1.2, 3).astype(np.float32), 0.02, 1)
    picture = np.ascontiguousarray(picture)
    for _ in range(int(rng.integers(5, 40))):
        centre = (int(rng.integers(width)), int(rng.integers(height)))
        colour = [float(c) for c in rng.uniform(0.05, 0.95, 3)]
        cv2.circle(picture, centre, int(rng.integers(2, 22)), colour, -1, cv2.LINE_AA)
    for _ in range(int(rng.integers(20, 160))):
        x, y = int(rng.integers(width)), int(rng.integers(height))
        end = (x + int(rng.integers(-40, 41)), y + int(rng.integers(-40, 41)))
        colour = [float(c) for c in rng.uniform(0.05, 0.95, 3)]
        cv2.line(picture, (x, y), end, colour, 1, cv2.LINE_AA)
    return picture


def _depth(rng: np.random.Generator, width: int, height: int, kind: str) -> np.ndarray:
    """Return depth, 0 (near) to 1 (far)."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    bumps = cv2.resize(rng.normal(0, 0.12, (4, 6)).astype(np.float32), (width, height))
    if kind == "ground":
        depth = 1 - y / height + bumps
    elif kind == "thing":
        cx, cy = width * rng.uniform(0.4, 0.6), height * rng.uniform(0.4, 0.6)
        ax, ay = width * rng.uniform(0.28, 0.42), height * rng.uniform(0.3, 0.45)
        inside = 1 - ((x - cx) / ax) ** 2 - ((y - cy) / ay) ** 2
        dome = 0.7 * (1 - np.sqrt(np.maximum(inside, 0)))
        depth = np.where(inside > 0, dome, 1.0) + 0.3 * bumps
    elif kind == "planes":
        steps = np.sort(rng.uniform(0.1, 0.9, int(rng.integers(1, 4))))
        depth = sum((y / height < s + 0.3 * bumps).astype(np.float32) for s in steps) / len(steps)
        depth = depth + 0.15 * bumps
    else:
        angle = rng.uniform(0, 2 * np.pi)
        depth = np.cos(angle) * x / width + np.sin(angle) * y / height + 0.5 * bumps
    depth = depth - depth.min()
    return (depth / depth.max()).astype(np.float32)


class Scene:
    """A subject with depth. ``blur_px`` is the disk's diameter at f/8 across the whole depth."""

    def __init__(
        self,
        rng: np.random.Generator,
        *,
        kind: str | None = None,
        blur_px: float = 12.0,
        width: int = WIDTH,
    ):
        self.rng = rng
        w, h = width + 2 * PAD, HEIGHT + 2 * PAD
        kind = kind or str(rng.choice(["ground", "thing", "planes", "slope"]))
        make = _photograph if rng.random() < 0.6 else _texture
        sharp = make(rng, w, h)
        patches = cv2.resize(
            rng.uniform(0.4, 1.0, (4, 6)).astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC
        )
        sharp = sharp * np.clip(patches, 0.2, 1.1)[..., None]
        self.sharp, self.depth, self.blur_px = sharp, _depth(rng, w, h, kind), blur_px
        self._levels = np.zeros((len(_DIAMETERS), *sharp.shape), np.float32)
        self._blurred_to: set[int] = set()
        self.leaves = [
            (rng.uniform(0, w), rng.uniform(0, h), rng.uniform(8, 30))
            for _ in range(int(rng.integers(3, 12)))
        ]

    def look(
        self,
        focus: float,
        *,
        f_number: float = 8.0,
        gain: float = 1.0,
        offset: float = 0.0,
        shift: tuple[float, float] = (0.0, 0.0),
        breathing: float = 0.0,
        parallax: float = 0.0,
        turn_deg: float = 0.0,
        shake_px: float = 0.0,
        wind_px: float = 0.0,
        clouds: float | None = None,
        noise: float = 0.006,
    ) -> np.ndarray:
        """Return uint8 RGB of what the lens focused at ``focus`` (0 near to 1 far) sees."""
        blur = self.blur_px * np.abs(self.depth - focus) * 8.0 / f_number
        picture = self._blurred(np.hypot(blur, 0.04 * f_number))
        if clouds is not None:
            picture = picture * self._clouds(clouds)[..., None]
        picture = self._seen(picture, focus, offset, shift, breathing, parallax, turn_deg, wind_px)
        if shake_px > 0.2:
            picture = cv2.filter2D(picture, -1, _line(shake_px, self.rng.uniform(0, np.pi)))
        # A gain in linear light, clipped, is a factor in the usual encoding, clipped.
        picture = np.clip(picture * gain ** (1 / 2.2), 0, 1)
        picture = picture + noise * self.rng.standard_normal(picture.shape, np.float32)
        return np.clip(picture * 255 + 0.5, 0, 255).astype(np.uint8)

    def _blurred(self, diameter: np.ndarray) -> np.ndarray:
        at = np.interp(diameter, _DIAMETERS, np.arange(len(_DIAMETERS))).astype(np.float32)
        needed = set(range(int(at.min()), min(int(at.max()) + 2, len(_DIAMETERS))))
        for i in needed - self._blurred_to:
            kernel = _disk(_DIAMETERS[i]) if i else np.ones((1, 1), np.float32)
            cv2.filter2D(self.sharp, -1, kernel, self._levels[i], borderType=cv2.BORDER_REFLECT)
        self._blurred_to |= needed
        return between(self._levels, at)

    def _clouds(self, when: float) -> np.ndarray:
        h, w = self.depth.shape
        y, x = np.mgrid[0:h, 0:w].astype(np.float32)
        waves = np.sin(x / 45 + when) * np.sin(y / 60 + 0.6 * when + 1)
        return 0.85 + 0.15 * waves

    def _seen(
        self, picture, focus, offset, shift, breathing, parallax, turn_deg, wind_px
    ) -> np.ndarray:
        y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
        angle = np.deg2rad(turn_deg)
        cx, cy = WIDTH / 2, HEIGHT / 2
        size = 1 + breathing * focus
        u = (np.cos(angle) * (x - cx) - np.sin(angle) * (y - cy)) / size
        v = (np.sin(angle) * (x - cx) + np.cos(angle) * (y - cy)) / size
        map_x, map_y = u + cx + PAD + shift[0] + offset, v + cy + PAD + shift[1]
        if parallax:
            # A camera that moves nearer: near things grow faster than far ones.
            depth = _remap(self.depth, map_x, map_y)
            grow = 1 + parallax * focus * (1.5 - depth)
            map_x, map_y = (
                (map_x - cx - PAD - offset) / grow + cx + PAD + offset,
                (map_y - cy - PAD) / grow + cy + PAD,
            )
        if not wind_px:
            return _remap(picture, map_x, map_y)
        dx, dy = np.zeros_like(map_x), np.zeros_like(map_y)
        for lx, ly, radius in self.leaves:
            bump = np.exp(-((map_x - lx) ** 2 + (map_y - ly) ** 2) / (2 * radius**2))
            way = self.rng.normal(0, wind_px, 2)
            dx, dy = dx + bump * way[0], dy + bump * way[1]
        # A leaf moves while the shutter is open: two instants are laid over each other.
        first = _remap(picture, map_x + dx, map_y + dy)
        return 0.5 * (first + _remap(picture, map_x + 0.8 * dx, map_y + 0.8 * dy))


def _remap(picture: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return cv2.remap(
        picture,
        x.astype(np.float32),
        y.astype(np.float32),
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REFLECT,
    )


@lru_cache(maxsize=64)
def _disk(diameter: float) -> np.ndarray:
    half = int(np.ceil(diameter / 2 + 1))
    fine = 9
    grid = (np.arange((2 * half + 1) * fine) + 0.5) / fine - half - 0.5
    mask = (np.hypot(grid[:, None], grid[None]) <= diameter / 2).astype(np.float32)
    kernel = mask.reshape(2 * half + 1, fine, 2 * half + 1, fine).mean(axis=(1, 3))
    return kernel / kernel.sum()


def _line(length: float, angle: float) -> np.ndarray:
    half = int(np.ceil(length / 2 + 1))
    kernel = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    for t in np.linspace(-length / 2, length / 2, 25):
        x, y = half + t * np.cos(angle), half + t * np.sin(angle)
        c, r = int(x), int(y)
        for i, wy in ((r, 1 - y + r), (r + 1, y - r)):
            for j, wx in ((c, 1 - x + c), (c + 1, x - c)):
                if i <= 2 * half and j <= 2 * half:
                    kernel[i, j] += wy * wx
    return kernel / kernel.sum()


class Card:
    """Writes shots and keeps the truth.

    ``sets`` lists what belongs together beyond single groups, as (words, groups).
    """

    def __init__(self, folder: Path, seed: int):
        self.folder, self.rng = folder, np.random.default_rng(seed)
        r = self.rng
        self.now = dt.datetime(2024, 5, 17, 6, 30, 12) + dt.timedelta(seconds=r.uniform(0, 9e4))
        self.groups: list[TrueGroup] = []
        self.sets: list[tuple[str, list[TrueGroup]]] = []
        self.count = 0
        self.counter, self.prefix = int(r.integers(1, 9000)), str(r.choice(["FRM_", "PIC", "_X_"]))
        self.camera = ("Sample", "One")
        self.exif, self.subseconds, self.pairs = True, bool(r.random() < 0.6), False
        # What lenses report: nothing, coarse steps of their encoder, or centimetres.
        self.distances = str(r.choice(["none", "none", "coarse", "fine"]))
        self.iso = int(r.choice([100, 100, 200, 400, 1600]))
        self.shutter = float(r.choice(_SHUTTERS[1:6]))
        self.focal_mm, self.lens = float(r.choice([24, 60, 100])), bool(r.random() < 0.5)

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.now += dt.timedelta(seconds=seconds)

    def group(self, kind: str) -> TrueGroup:
        """Open a true group."""
        self.groups.append(TrueGroup(kind))
        return self.groups[-1]

    def scene(self, **options) -> Scene:
        """Return a new scene."""
        return Scene(self.rng, **options)

    def shoot(
        self,
        group: TrueGroup,
        scene: Scene,
        focus: float,
        *,
        f_number: float = 8.0,
        stops: float = 0.0,
        light: float = 1.0,
        iso: int | None = None,
        gap_s: float = 0.4,
        recorded: float | None = None,
        **view,
    ) -> None:
        """Write one shot; ``stops`` lengthen the shutter time, ``light`` is the sun's own."""
        iso = self.iso if iso is None else iso
        exposure_s = self.shutter * 2.0**stops * (f_number / 8.0) ** 2
        gain = light * 2.0**stops * iso / self.iso
        noise = 0.005 * (iso / 100) ** 0.5
        pixels = scene.look(focus, f_number=f_number, gain=gain, noise=noise, **view)
        stem = self.folder / f"{self.prefix}{self.counter:04d}"
        self.folder.mkdir(parents=True, exist_ok=True)
        self.counter = self.counter % 9999 + 1
        header = b""
        if self.exif:
            header = self._exif(f_number, exposure_s, iso, focus if recorded is None else recorded)
        path = stem.with_suffix(".JPG")
        Image.fromarray(pixels).save(path, quality=int(self.rng.choice([88, 93, 96])), exif=header)
        group.files.append(path)
        if self.pairs:
            raw = stem.with_suffix(".DNG")
            write_dng(raw, pixels, self._stamp(), self.camera)
            group.files.append(raw)
        self.count += 1
        self.wait(exposure_s + gap_s * self.rng.uniform(0.95, 1.05))

    def _stamp(self) -> str:
        return self.now.strftime("%Y:%m:%d %H:%M:%S")

    def _exif(self, f_number: float, exposure_s: float, iso: int, focus: float) -> bytes:
        more: dict = {37386: IFDRational(round(self.focal_mm), 1)}
        if self.subseconds:
            more[37521] = f"{self.now.microsecond // 10_000:02d}"
        if self.lens:
            more[42036] = f"Sample {self.focal_mm:.0f} mm"
        distance = 1 / (1 / 0.4 - focus * (1 / 0.4 - 1 / 8.0))
        if self.distances == "fine":
            more[37382] = distance
        elif self.distances == "coarse":
            # Encoders of lenses have a few dozen positions over their whole range.
            more[37382] = np.exp(round(np.log(distance) / 0.12) * 0.12)
        return shot_exif(self.camera, f_number, exposure_s, iso, self._stamp(), more)


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
