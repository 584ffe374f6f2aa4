"""Aperture series with known truth, from wave optics.

A lens is a circular pupil with third-order aberrations: spherical (W040), coma (W131) and
defocus (W020, set where a lens focused about one stop down would be), in waves at the rim of
the widest aperture. Stopping down cuts the pupil. The optical transfer is the pupil's
autocorrelation, taken by FFT; nothing of `merge.optics` is used.
The subject is a photograph that scikit-image carries, in linear light.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np
import scipy.fft
from scipy.ndimage import map_coordinates

WAVELENGTH_UM = 0.55
SIZE = 448
TEXTURES = ("brick", "grass", "gravel", "camera", "coffee", "motorcycle")
FREQUENCY = 0.25  # cycles a pixel
_PUPIL, _GRID = 128, 270


@dataclass(frozen=True)
class Lens:
    """Third-order aberrations in waves at the rim of the widest aperture."""

    widest: float = 2.8
    spherical: float = 2.5
    defocus: float = -1.0
    coma: float = 0.0


@functools.cache
def _open_pupil() -> tuple[np.ndarray, ...]:
    """Return where light comes through; there how much, the square of the radius, and y."""
    grid = (np.arange(_GRID) - _GRID // 2) / (_PUPIL / 2)
    x, y = np.meshgrid(grid, grid)
    radius = np.hypot(x, y)
    # One sample of soft rim: an anti-aliased circle.
    inside = np.clip((1 - radius) * _PUPIL / 2 + 0.5, 0, 1)
    lit = inside > 0
    return lit, inside[lit], radius[lit] ** 2, y[lit]


@functools.lru_cache(maxsize=64)
def pupil_transfer(lens: Lens, f_number: float, *, defocus_waves: float = 0.0) -> np.ndarray:
    """Return the OTF on a grid whose step is 1/128 of the cut-off, zero frequency at its centre.

    Parameters
    ----------
    lens : Lens
    f_number : float
        At least ``lens.widest``.
    defocus_waves : float
        Further defocus at the rim of *this* aperture.
    """
    lit, light, square, y = _open_pupil()
    cut = lens.widest / f_number
    height = square * cut**2
    waves = lens.spherical * height**2 + lens.defocus * height
    waves = waves + lens.coma * height * y * cut + defocus_waves * square
    pupil = np.zeros(lit.shape, complex)
    pupil[lit] = light * np.exp(2j * np.pi * waves)
    spectrum = np.abs(scipy.fft.fft2(pupil)) ** 2
    transfer = np.fft.fftshift(scipy.fft.ifft2(spectrum))
    return transfer / transfer[_GRID // 2, _GRID // 2]


def sample_transfer(
    transfer: np.ndarray, fx: np.ndarray, fy: np.ndarray, f_number: float, pitch_um: float
) -> np.ndarray:
    """Return the OTF at frequencies in cycles a pixel, with the pixel's aperture."""
    step = pitch_um / (WAVELENGTH_UM * f_number) / _PUPIL
    rows, columns = fy / step + _GRID // 2, fx / step + _GRID // 2
    where = [np.clip(rows, 0, _GRID - 1), np.clip(columns, 0, _GRID - 1)]
    real = map_coordinates(transfer.real, where, order=1)
    imaginary = map_coordinates(transfer.imag, where, order=1)
    outside = np.hypot(fx, fy) / step >= _PUPIL
    otf = np.where(outside, 0, real + 1j * imaginary)
    return otf * np.sinc(fx) * np.sinc(fy)


def true_contrast(
    lens: Lens,
    f_number: float,
    *,
    pitch_um: float,
    shake: tuple[float, float] = (0.0, 0.0),
) -> float:
    """Return the root mean square over all directions of the modulation at `FREQUENCY`."""
    angle = np.linspace(0, np.pi, 48, endpoint=False)
    fx, fy = FREQUENCY * np.cos(angle), FREQUENCY * np.sin(angle)
    otf = sample_transfer(pupil_transfer(lens, f_number), fx, fy, f_number, pitch_um)
    blurred = otf * np.sinc(fx * shake[0] + fy * shake[1])
    return float(np.sqrt(np.mean(np.abs(blurred) ** 2)))


@functools.cache
def true_best(lens: Lens, *, pitch_um: float) -> float:
    """Return the f-number of the highest contrast, searched in sixths of a stop."""
    numbers = lens.widest * 2 ** (np.arange(0, 43) / 12)
    numbers = numbers[numbers <= 32]
    found = [true_contrast(lens, n, pitch_um=pitch_um) for n in numbers]
    return float(numbers[int(np.argmax(found))])


@functools.lru_cache(maxsize=8)
def texture(name: str) -> np.ndarray:
    """Return a photograph's linear light, shape (448, 448) or smaller, 0 to about 1."""
    from skimage import data

    picture = data.stereo_motorcycle()[0] if name == "motorcycle" else getattr(data, name)()
    grey = picture.mean(axis=2) if picture.ndim == 3 else picture
    height, width = (min(SIZE, n) for n in grey.shape)
    top, left = (grey.shape[0] - height) // 2, (grey.shape[1] - width) // 2
    return (0.02 + 0.9 * grey[top : top + height, left : left + width] / 255.0) ** 2.2


def to_srgb(light: np.ndarray) -> np.ndarray:
    """Return sRGB-coded values (IEC 61966-2-1)."""
    light = np.clip(light, 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


@dataclass(frozen=True, eq=False)
class Series:
    """Frames (H, W) float32, sRGB-coded, and their truth."""

    frames: list[np.ndarray]
    f_numbers: list[float]
    contrast: list[float]
    best: float
    pitch_um: float
    lens: Lens


def render(light: np.ndarray, otf: np.ndarray, shift: tuple[float, float]) -> np.ndarray:
    """Return linear light through an OTF on the FFT grid, moved by (x, y) px."""
    fy = np.fft.fftfreq(light.shape[0])[:, None]
    fx = np.fft.rfftfreq(light.shape[1])[None, :]
    phase = np.exp(-2j * np.pi * (fx * shift[0] + fy * shift[1]))
    return np.fft.irfft2(np.fft.rfft2(light) * otf * phase, s=light.shape)


def photograph_series(
    name: str,
    f_numbers: list[float],
    *,
    lens: Lens,
    pitch_um: float = 4.0,
    noise: float = 0.004,
    iso_rises: bool = False,
    shakes: list[tuple[float, float]] | None = None,
    extra_defocus: list[float] | None = None,
    seed: int = 1,
) -> Series:
    """Return one subject at several f-numbers.

    Parameters
    ----------
    noise : float
        Standard deviation at mid grey, sRGB-coded, rising with the root of light.
    iso_rises : bool
        Each stop from the widest costs a doubled ISO instead of a longer shutter.
    shakes : list of (x, y)
        Uniform motion during the exposure, px.
    extra_defocus : list of float
        Waves at the rim of each aperture, on top of the lens's.
    """
    rng = np.random.default_rng(seed)
    light = texture(name)
    fy = np.fft.fftfreq(light.shape[0])[:, None] + 0 * np.fft.rfftfreq(light.shape[1])
    fx = np.fft.rfftfreq(light.shape[1])[None, :] + 0 * fy
    frames, contrast = [], []
    for i, n in enumerate(f_numbers):
        shake = shakes[i] if shakes else (0.0, 0.0)
        defocus = extra_defocus[i] if extra_defocus else 0.0
        transfer = pupil_transfer(lens, n, defocus_waves=defocus)
        otf = sample_transfer(transfer, fx, fy, n, pitch_um)
        otf = otf * np.sinc(fx * shake[0] + fy * shake[1])
        gain = 2.0 ** rng.uniform(-0.15, 0.15)
        seen = to_srgb(gain * render(light, otf, tuple(rng.uniform(-1.5, 1.5, 2))))
        stops = 2 * np.log2(n / f_numbers[0]) if iso_rises else 0.0
        sigma = noise * 2 ** (stops / 2) * np.sqrt(0.25 + 0.75 * seen / 0.5)
        frames.append((seen + sigma * rng.standard_normal(seen.shape)).astype(np.float32))
        contrast.append(true_contrast(lens, n, pitch_um=pitch_um, shake=shake))
    return Series(
        frames, list(f_numbers), contrast, true_best(lens, pitch_um=pitch_um), pitch_um, lens
    )


def depth_series(
    name: str, f_numbers: list[float], blurs_px: tuple[float, float, float], *, lens: Lens
) -> Series:
    """Return a picture whose upper, middle and lower part lie at different depths.

    ``blurs_px`` are the diameters of their blur circles at f/8; W020 = D / (8 N) (from
    memory, thin lens) turns them into waves.
    """
    rng, pitch_um = np.random.default_rng(1), 4.0
    light = texture(name)
    fy = np.fft.fftfreq(light.shape[0])[:, None] + 0 * np.fft.rfftfreq(light.shape[1])
    fx = np.fft.rfftfreq(light.shape[1])[None, :] + 0 * fy
    height = light.shape[0]
    # The outer parts reach so far inwards that no tile of the outer thirds sees another part.
    ends = (0, round(0.47 * height), round(0.53 * height), height)
    frames = []
    for n in f_numbers:
        seen = np.empty_like(light)
        for k, blur in enumerate(blurs_px):
            waves = blur * pitch_um * (8 / n) / (8 * n) / WAVELENGTH_UM
            transfer = pupil_transfer(lens, n, defocus_waves=waves)
            part = render(light, sample_transfer(transfer, fx, fy, n, pitch_um), (0.0, 0.0))
            rows = slice(ends[k], ends[k + 1])
            seen[rows] = part[rows]
        coded = to_srgb(seen)
        sigma = 0.003 * np.sqrt(0.25 + 0.75 * coded / 0.5)
        frames.append((coded + sigma * rng.standard_normal(coded.shape)).astype(np.float32))
    return Series(frames, list(f_numbers), [], lens.widest, pitch_um, lens)


def sixty_series() -> list[dict]:
    """Return the settings of sixty series: six textures, ten lenses, noises and shakes."""
    rng = np.random.default_rng(60)
    settings = []
    for k in range(10):
        for name in TEXTURES:
            widest = float(rng.choice([2.0, 2.8, 4.0]))
            spherical = float(rng.uniform(1.0, 5.0))
            balance = float(rng.uniform(0.35, 0.5))
            full = [n for n in (2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0) if n >= widest]
            shakes = [tuple(v) for v in rng.uniform(-0.35, 0.35, (len(full), 2))]
            settings.append(
                {
                    "name": name,
                    "f_numbers": full,
                    "lens": Lens(
                        widest, spherical, -balance * spherical, float(rng.uniform(0, 0.8))
                    ),
                    "pitch_um": float(rng.choice([3.2, 4.0, 5.0])),
                    # Rising ISO starts from a camera's lowest: seven stops on are 12800.
                    "noise": float(rng.uniform(0.001, 0.0035 if k % 2 else 0.008)),
                    "iso_rises": bool(k % 2),
                    "shakes": shakes,
                    "seed": int(rng.integers(1 << 30)),
                }
            )
    return settings
