"""Aperture series of scenes with depth, field curvature and soft corners, with known truth.

Independent of the package and of the lenses of `aperture_scenes`: point spread functions are summed
from the pupil's field at each point of the sensor (a matrix Fourier transform, J. W. Goodman,
*Introduction to Fourier Optics*, from memory), in up to three colours of light, and convolved block
by block with a picture of overlapping disks of all sizes ("dead leaves": A. B. Lee, D. Mumford,
J. Huang, Int. J. Comput. Vision 41, 35, 2001, from memory), whose detail looks alike at every
scale.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import cv2
import numpy as np
import scipy.fft
from aperture_scenes import FREQUENCY, to_srgb

BLOCK = 96
_FADE = 24


@dataclass(frozen=True)
class FieldLens:
    """Aberrations in waves of 0.55 µm at the rim of the widest aperture.

    ``curvature`` is the defocus that the corner has over the centre, ``coma`` and
    ``astigmatism`` are what the corner has, ``veil`` its further spherical aberration.
    """

    widest: float = 2.8
    spherical: float = 2.0
    balance: float = -0.8
    curvature: float = 0.0
    coma: float = 0.0
    astigmatism: float = 0.0
    veil: float = 0.0


@dataclass(frozen=True, eq=False)
class FieldSeries:
    """Frames and their truth.

    ``contrast`` has shape (rows, columns, N): root mean square over directions of the transfer at
    0.25 cycles a pixel in each block, pixel included, shake not. ``blur_px`` has shape (rows,
    columns): signed blur-circle diameter at f/8 from depth alone.
    """

    frames: list[np.ndarray]
    f_numbers: list[float]
    contrast: np.ndarray
    blur_px: np.ndarray
    pitch_um: float
    textured: np.ndarray

    def whole(self) -> np.ndarray:
        """Return the mean contrast over the textured places, shape (N,)."""
        return self.contrast[self.textured].mean(axis=0)

    def part(self, name: str) -> np.ndarray:
        """Return the mean contrast of a part of the picture, shape (N,)."""
        rows, columns = self.textured.shape
        row = ((np.arange(rows) + 0.5) / rows - 0.5)[:, None] + np.zeros(columns)
        column = ((np.arange(columns) + 0.5) / columns - 0.5)[None, :] + np.zeros((rows, 1))
        radius = np.hypot(row * rows, column * columns) / math.hypot(rows / 2, columns / 2)
        mask = {
            "centre": radius < 0.3,
            "corners": (np.abs(row) > 0.28) & (np.abs(column) > 0.28),
            "foreground": row > 1 / 6,
            "background": row < -1 / 6,
        }[name]
        return self.contrast[mask & self.textured].mean(axis=0)


@functools.lru_cache(maxsize=8)
def dead_leaves(height: int, width: int, seed: int) -> np.ndarray:
    """Return linear light of overlapping disks, 0.03 to 0.9, with soft one-pixel rims."""
    rng = np.random.default_rng(seed)
    scale = 3
    canvas = np.full((height * scale, width * scale), 90, np.uint8)
    # Density of radii as r^-3 between 1.5 and 120 px: alike at every scale.
    count = height * width // 14
    low, high = 1.5 * scale, 120 * scale
    u = rng.random(count)
    radii = 1 / np.sqrt(u / high**2 + (1 - u) / low**2)
    xs, ys = rng.random(count) * width * scale, rng.random(count) * height * scale
    for x, y, r, value in zip(xs, ys, radii, rng.integers(10, 245, count), strict=True):
        cv2.circle(canvas, (int(x), int(y)), round(r), int(value), -1)
    small = cv2.resize(canvas, (width, height), interpolation=cv2.INTER_AREA)
    return 0.03 + 0.87 * (small / 255.0) ** 2.0


def point_spread(
    lens: FieldLens,
    f_number: float,
    *,
    blur_px_at_f8: float,
    field: tuple[float, float],
    pitch_um: float,
    side: int,
    wavelengths: tuple[float, ...] = (0.55,),
) -> np.ndarray:
    """Return the light of a point on a grid of half pixels, sum 1, shape (2 side, 2 side).

    ``field`` is the place in the picture over the half diagonal, (x, y).
    """
    cut = lens.widest / f_number
    # Strong defocus turns the phase quickly towards the rim.
    axis = np.linspace(-1, 1, _pupil_samples(blur_px_at_f8, f_number, pitch_um))
    x, y = np.meshgrid(axis, axis)
    rho2 = x * x + y * y
    inside = np.clip((1 - np.sqrt(rho2)) * (len(axis) / 2) + 0.5, 0, 1)
    h = math.hypot(*field)
    along = (x * field[0] + y * field[1]) / h if h > 1e-6 else 0 * x
    waves = (lens.spherical + lens.veil * h * h) * (cut * cut * rho2) ** 2
    waves = waves + (lens.balance + lens.curvature * h * h) * cut * cut * rho2
    waves = waves + lens.coma * h * (cut * along) * cut * cut * rho2
    waves = waves + lens.astigmatism * h * h * (cut * along) ** 2
    # A depth's blur circle at f/8 in px: W020 = D / (8 N), D = D8 8 / N.
    defocus_um = blur_px_at_f8 * pitch_um * (8 / f_number) / (8 * f_number)
    at = (np.arange(2 * side) - side + 0.5) * 0.5 * pitch_um
    total = np.zeros((2 * side, 2 * side))
    for wavelength in wavelengths:
        error = waves * 0.55 / wavelength + defocus_um / wavelength * rho2
        pupil = inside * np.exp(2j * np.pi * error)
        kernel = np.exp(-2j * np.pi * np.outer(at, axis) / (2 * wavelength * f_number))
        light = np.abs(kernel @ pupil @ kernel.T) ** 2
        total += light / light.sum()
    return total / total.sum()


def _pupil_samples(blur_px_at_f8: float, f_number: float, pitch_um: float) -> int:
    waves = abs(blur_px_at_f8) * pitch_um * (8 / f_number) / (8 * f_number) / 0.5
    return int(min(320, max(72, 10 * (waves + 5))))


def _transfer(spread: np.ndarray, fy: np.ndarray, fx: np.ndarray) -> np.ndarray:
    """Return the transfer with the pixel's aperture at rows and columns of frequencies."""
    at = (np.arange(spread.shape[0]) - spread.shape[0] / 2 + 0.5) * 0.5
    down = np.exp(-2j * np.pi * np.outer(fy, at)) * np.sinc(fy)[:, None]
    across = np.exp(-2j * np.pi * np.outer(at, fx)) * np.sinc(fx)
    return down @ spread @ across


def true_contrast(spread: np.ndarray) -> float:
    """Return the root mean square over directions of the transfer at 0.25 cycles a pixel."""
    at = (np.arange(spread.shape[0]) - spread.shape[0] / 2 + 0.5) * 0.5
    values = []
    for angle in np.linspace(0, np.pi, 24, endpoint=False):
        fx, fy = FREQUENCY * np.cos(angle), FREQUENCY * np.sin(angle)
        wave = np.exp(-2j * np.pi * fy * at) @ spread @ np.exp(-2j * np.pi * fx * at)
        values.append(abs(wave) * np.sinc(fx) * np.sinc(fy))
    return float(np.sqrt(np.mean(np.square(values))))


def depth_map(kind: str, rows: int, columns: int, reach: float, seed: int) -> np.ndarray:
    """Return signed blur-circle diameters at f/8, px; negative is nearer than the focus.

    Parameters
    ----------
    kind : str
        "flat"; "ramp" from near at the foot to far at the top, focused a third up; "planes"
        three of them; "dome" near in the middle; "patches" of four depths; "sides" left and right;
        "missed", nothing in focus.
    reach : float
        Largest diameter.
    """
    rng = np.random.default_rng(seed)
    row = (np.arange(rows) + 0.5)[:, None] / rows + np.zeros(columns)
    column = (np.arange(columns) + 0.5)[None, :] / columns + np.zeros((rows, 1))
    if kind == "ramp":
        # Even in blur from the foot, -1, to the top, +1, scaled so that the larger end is reach.
        focus = rng.uniform(0.3, 0.7)
        signed = focus - row
        return reach * signed / np.abs(signed).max()
    if kind == "planes":
        near, far = -reach * rng.uniform(0.4, 1), reach * rng.uniform(0.2, 1)
        return np.where(row > 2 / 3, near, np.where(row < 1 / 3, far, 0.0))
    if kind == "dome":
        radius = np.hypot(row - 0.5, column - 0.5)
        return reach * (radius / radius.max()) ** 2
    if kind == "patches":
        depths = np.array([0.0, reach / 3, 2 * reach / 3, reach])
        coarse = rng.integers(0, 4, (max(2, rows // 2), max(2, columns // 3)))
        coarse[0, 0], coarse[-1, -1] = 0, 3
        return depths[cv2.resize(coarse.astype(np.uint8), (columns, rows), interpolation=0)]
    if kind == "sides":
        return np.where(column < 0.5, 0.0, reach)
    return np.full((rows, columns), reach if kind == "missed" else 0.0)


def field_series(
    f_numbers: list[float],
    *,
    lens: FieldLens,
    kind: str = "flat",
    reach: float = 0.0,
    pitch_um: float = 4.0,
    shape: tuple[int, int] = (6, 9),
    noise: float = 0.003,
    iso_rises: bool = False,
    sky: bool = False,
    colours: bool = False,
    shakes: dict[int, tuple[float, float]] | None = None,
    seed: int = 1,
) -> FieldSeries:
    """Return frames (96 rows x 96 columns px), float32, sRGB-coded, of a scene with depth.

    ``shakes`` are uniform motions during the exposure, px, by frame; ``sky`` leaves the upper
    quarter of the blocks, rounded up, without detail; ``noise`` is the standard deviation at mid
    grey, sRGB-coded.
    """
    rng = np.random.default_rng(seed)
    rows, columns = shape
    blur = depth_map(kind, rows, columns, reach, seed)
    light = dead_leaves(rows * BLOCK, columns * BLOCK, seed % 5).copy()
    textured = np.ones(shape, bool)
    if sky:
        blank = math.ceil(rows / 4)
        light[: blank * BLOCK] = np.linspace(0.5, 0.7, columns * BLOCK)
        textured[:blank] = False
    wavelengths = (0.48, 0.55, 0.61) if colours else (0.55,)
    contrast = np.zeros((rows, columns, len(f_numbers)))
    frames = []
    for i, number in enumerate(f_numbers):
        frame, contrast[..., i] = _render(
            light, blur, lens, number, pitch_um, wavelengths,
            shake=(shakes or {}).get(i, (0.0, 0.0)), shift=tuple(rng.uniform(-1.2, 1.2, 2)),
        )  # fmt: skip
        seen = to_srgb(2.0 ** rng.uniform(-0.15, 0.15) * frame)
        stops = 2 * np.log2(number / f_numbers[0]) if iso_rises else 0.0
        sigma = noise * 2 ** (stops / 2) * np.sqrt(0.25 + 0.75 * seen / 0.5)
        frames.append((seen + sigma * rng.standard_normal(seen.shape)).astype(np.float32))
    return FieldSeries(frames, list(f_numbers), contrast, blur, pitch_um, textured)


def _render(
    light: np.ndarray,
    blur: np.ndarray,
    lens: FieldLens,
    number: float,
    pitch_um: float,
    wavelengths: tuple[float, ...],
    *,
    shake: tuple[float, float],
    shift: tuple[float, float],
) -> tuple[np.ndarray, np.ndarray]:
    """Return one frame's linear light and each block's true contrast."""
    rows, columns = blur.shape
    half = math.hypot(rows, columns) / 2
    total, weight = np.zeros_like(light), np.zeros_like(light)
    contrast = np.zeros(blur.shape)
    reach = int(np.abs(blur).max() * 8 / number / 2 + 14)
    margin = min(2 * BLOCK, reach + _FADE)
    padded = cv2.copyMakeBorder(light, margin, margin, margin, margin, cv2.BORDER_REFLECT_101)
    size = scipy.fft.next_fast_len(BLOCK + 2 * margin)
    fy, fx = np.fft.fftfreq(size), np.fft.rfftfreq(size)
    motion = np.sinc(fx[None, :] * shake[0] + fy[:, None] * shake[1])
    motion = motion * np.exp(-2j * np.pi * (fx[None, :] * shift[0] + fy[:, None] * shift[1]))
    fade = _fade_window()
    for r in range(rows):
        for c in range(columns):
            field = ((c + 0.5 - columns / 2) / half, (r + 0.5 - rows / 2) / half)
            side = min(int(abs(blur[r, c]) * 8 / number / 2 + 14), size // 2 - 1)
            spread = point_spread(
                lens, number, blur_px_at_f8=float(blur[r, c]), field=field, pitch_um=pitch_um,
                side=2 * side, wavelengths=wavelengths,
            )  # fmt: skip
            contrast[r, c] = true_contrast(spread)
            top, left = r * BLOCK, c * BLOCK
            part = padded[top : top + BLOCK + 2 * margin, left : left + BLOCK + 2 * margin]
            filled = np.zeros((size, size))
            filled[: part.shape[0], : part.shape[1]] = part
            passed = scipy.fft.rfft2(filled) * _transfer(spread, fy, fx) * motion
            seen = scipy.fft.irfft2(passed, s=(size, size))
            _place(total, weight, seen, fade, (top, left), margin)
    return total / weight, contrast


def _fade_window() -> np.ndarray:
    ramp = np.clip((np.arange(BLOCK + 2 * _FADE) + 0.5) / (2 * _FADE), 0, 1)
    ramp = np.minimum(ramp, ramp[::-1])
    return np.outer(ramp, ramp)


def _place(
    total: np.ndarray,
    weight: np.ndarray,
    seen: np.ndarray,
    fade: np.ndarray,
    corner: tuple[int, int],
    margin: int,
) -> None:
    """Add a block with its faded rim to the frame."""
    first = margin - _FADE
    part = seen[first : first + fade.shape[0], first : first + fade.shape[1]]
    top, left = corner[0] - _FADE, corner[1] - _FADE
    r0, c0 = max(0, -top), max(0, -left)
    r1 = min(fade.shape[0], total.shape[0] - top)
    c1 = min(fade.shape[1], total.shape[1] - left)
    where = np.s_[top + r0 : top + r1, left + c0 : left + c1]
    total[where] += part[r0:r1, c0:c1] * fade[r0:r1, c0:c1]
    weight[where] += fade[r0:r1, c0:c1]


def sixty_depth_series() -> list[dict]:
    """Return settings of sixty series: all kinds of depth, lenses, pixels, noise."""
    rng = np.random.default_rng(15)
    kinds = ("flat", "ramp", "planes", "dome", "patches", "sides")
    settings = []
    for k in range(60):
        kind = kinds[k % 6]
        widest = float(rng.choice([2.0, 2.8, 4.0]))
        spherical = float(rng.uniform(0.5, 3.5))
        steps = "third" if k % 10 == 9 else "full"
        numbers = [2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0]
        if steps == "third":
            numbers = [4.0, 4.5, 5.0, 5.6, 6.3, 7.1, 8.0, 9.0, 10.0, 11.0, 13.0]
        numbers = [n for n in numbers if n >= widest]
        if k % 7 == 3:
            numbers = numbers[2:6]
        settings.append(
            {
                "f_numbers": numbers,
                "lens": FieldLens(
                    widest,
                    spherical,
                    -float(rng.uniform(0.3, 0.5)) * spherical,
                    curvature=float(rng.choice([0.0, 0.0, 1.0, 2.5])),
                    coma=float(rng.uniform(0, 1.5)),
                    astigmatism=float(rng.uniform(0, 1.0)),
                    veil=float(rng.uniform(0, 1.5)),
                ),
                "kind": kind,
                "reach": 0.0 if kind == "flat" else float(rng.choice([2.0, 4.0, 8.0, 14.0])),
                "pitch_um": float(rng.choice([3.2, 4.0, 5.2])),
                "noise": float(rng.uniform(0.001, 0.006)),
                "iso_rises": bool(k % 4 == 1),
                "sky": bool(k % 5 == 2),
                "colours": bool(k % 3 == 0),
                "seed": int(rng.integers(1 << 30)),
            }
        )
    return settings
