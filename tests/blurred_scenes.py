"""Slanted surfaces photographed by lenses of every kind of blur, fast and with exact truth.

`slanted_stack` paints an opaque texture of occluding disks (sizes by a power law, so that it has
edges and the 1/f spectrum of real scenes) on a continuous surface whose depth varies over the
picture, and focuses through it. There are no depth edges: what is blurred here is lens blur
alone, which makes these scenes the place to measure what other blurs than the ideal disk do.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np

from merge.compiled import njit

LAYERS_A_PX = 4  # depth layers per px of blur-circle diameter: D is exact to 1/8 px
_ROOM_PX = 12  # beyond half of the blur circle, for what diffraction and pixels spread
_LANES = 16  # rows of kernels are whole multiples of it, which a processor sums at once
LENSES = ("disk", "diffraction", "soft rim", "bright rim", "cat's eye", "six blades")


@dataclass(frozen=True, eq=False)
class SlantedStack:
    """Frames are (H, W) float32 linear light; `depth_px` (H, W) lies on the focus axis."""

    frames: list[np.ndarray]
    positions_px: np.ndarray
    depth_px: np.ndarray
    sharp: np.ndarray


@lru_cache(maxsize=4)
def occluding_disks(height: int, width: int, seed: int, contrast: float = 1.0) -> np.ndarray:
    """Return a picture of opaque disks, radius density ~ r^-3 from 1 to 60 px, float32 0..1."""
    rng = np.random.default_rng(seed)
    fine = 2
    picture = np.full((height * fine, width * fine), 0.4, np.float32)
    count = height * width // 12
    radius = 1.0 / np.sqrt(rng.uniform(1 / 60**2, 1.0, count))
    x, y = rng.uniform(0, width * fine, count), rng.uniform(0, height * fine, count)
    shade = np.clip(0.4 + contrast * rng.uniform(-0.35, 0.35, count), 0, 1)
    for k in range(count):
        centre = (round(x[k] * 16), round(y[k] * 16))
        cv2.circle(picture, centre, round(radius[k] * fine * 16), float(shade[k]), -1, 8, 4)
    return cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)


def pupil(lens: str, x: np.ndarray, y: np.ndarray, *, far: bool, field: float) -> np.ndarray:
    """Return how the light spreads over the blur circle of radius 1: the geometric pupil."""
    r = np.hypot(x, y)
    light = (r <= 1).astype(float)
    if lens in {"soft rim", "bright rim"}:
        soft = (lens == "soft rim") != far  # spherical aberration: the other side is its mirror
        light *= (1.5 - r**2) if soft else (0.5 + r**2)
    elif lens == "cat's eye":
        light *= np.hypot(x - 0.8 * field, y) <= 1.0
    elif lens == "six blades":
        angle = np.arctan2(y, x)
        light = (r * np.cos((angle % (np.pi / 3)) - np.pi / 6) <= np.cos(np.pi / 6)).astype(float)
    return light


def lens_kernel(lens: str, diameter: float, *, field: float = 0.0) -> np.ndarray:
    """Return the normalised kernel of a blur circle of signed ``diameter`` px.

    Its transfer is that of the continuous blur circle up to the pixels' limit: the pictures it
    is used on have been averaged over pixels once, and a kernel averaged over pixels would do so
    again (a disk of 2 px then blurs like one of 2.5).
    """
    fine = 12
    size = 2 * (int(np.ceil(abs(diameter) / 2)) + 8) + 1
    place = ((np.arange(size * fine) + 0.5) / fine - size / 2) / (abs(diameter) / 2)
    inside = np.abs(place) <= 1
    light = pupil(lens, *np.meshgrid(place[inside], place[inside]), far=diameter > 0, field=field)
    low = _to_pixels(size, fine)[:, inside]
    kernel = low @ light.astype(np.float32) @ low.T
    return kernel / kernel.sum()


@lru_cache(maxsize=64)
def _to_pixels(size: int, fine: int) -> np.ndarray:
    """Return what turns fine cells into pixels: frequencies that pixels can hold, read there.

    To frequencies and back is Dirichlet's kernel. No fine cell lies at a pixel's centre.
    """
    away = np.arange(size)[:, None] - ((np.arange(size * fine) + 0.5) / fine - 0.5)
    return (np.sin(np.pi * away) / np.sin(np.pi * away / size)).astype(np.float32)


def wave_kernel(diameter: float, wave_f_px: float, half: int) -> np.ndarray:
    """Return the wave-optical kernel of a round aperture out of focus.

    ``wave_f_px`` is wavelength times f-number in px (the cut-off is 1 / wave_f_px cycles/px) and
    the defocus is W20 = D / (8 N) in length, so D / (8 wave_f_px) wavelengths. The pupil is
    transformed numerically and averaged over each pixel's area.
    """
    fine = 4
    # The pupil's radius in samples so that one sample of the image plane is 1 / fine px.
    grid = 512
    radius = grid / (2 * wave_f_px * fine)
    if radius > grid / 2:
        raise ValueError("wave_f_px too small for this grid")
    # A quarter of pupil and picture: both are even.
    place = np.arange(int(radius) + 1)
    rr = np.add.outer(place**2, place**2) / radius**2
    field = (rr <= 1) * np.exp(2j * np.pi * diameter / (8 * wave_f_px) * rr)
    span = np.abs(np.arange((2 * half + 1) * fine) - (2 * half + 1) * fine // 2)
    # Fourier's, of the middle alone.
    wave = np.cos(2 * np.pi / grid * np.outer(np.arange(span.max() + 1), place))
    wave[:, 1:] *= 2
    light = (np.abs(wave @ field @ wave.T) ** 2)[np.ix_(span, span)]
    kernel = light.reshape(2 * half + 1, fine, 2 * half + 1, fine).mean(axis=(1, 3))
    return (kernel / kernel.sum()).astype(np.float32)


def slanted_stack(
    frames: int = 12,
    *,
    step_px: float | Sequence[float] = 3.0,
    lens: str = "disk",
    wave_f_px: float = 1.0,
    margin: float = 0.5,
    drop: Sequence[int] = (),
    noise: float = 0.004,
    contrast: float = 1.0,
    shape: tuple[int, int] = (432, 576),
    seed: int = 1,
) -> SlantedStack:
    """Return a bracket of a slanted, rippled surface.

    Parameters
    ----------
    frames : int
        Before dropping.
    step_px : float or sequence
        Steps in px of blur-circle diameter.
    lens : one of LENSES
    wave_f_px : float
        Wavelength times f-number in px, for "diffraction".
    margin : float
        How far, in steps, the first and last focus lie outside the depth range.
    drop : sequence of int
        Frames left out.
    noise : float
        Standard deviation of white noise in linear light.
    """
    rng = np.random.default_rng(seed + 1000)
    sharp = occluding_disks(*shape, seed, contrast)
    steps = np.broadcast_to(np.asarray(step_px, float), (frames - 1,))
    focus = np.concatenate([[0.0], np.cumsum(steps)])
    near, far = margin * steps[0], focus[-1] - margin * steps[-1]
    y, x = np.mgrid[0 : shape[0], 0 : shape[1]] / np.array(shape)[:, None, None]
    ramp = 0.8 * x + 0.1 * (1 + np.sin(2 * np.pi * (1.3 * y + 0.3)))
    depth = near + (far - near) * np.clip(ramp, 0, 1)
    kept = [i for i in range(frames) if i not in set(drop)]
    out = []
    for i in kept:
        seen = _seen(sharp, depth, focus[i], lens, wave_f_px)
        out.append((seen + noise * rng.standard_normal(shape)).astype(np.float32))
    return SlantedStack(out, focus[kept] - focus[kept[0]], depth - focus[kept[0]], sharp)


def _seen(sharp, depth, focus, lens, wave_f_px):
    """Blur every pixel by its own distance from the focus plane (a continuous surface)."""
    signed = np.round((depth - focus) * LAYERS_A_PX).astype(int)
    # One shape of blur a zone of the picture's width.
    zones = np.array_split(np.arange(sharp.shape[1]), 6 if lens == "cat's eye" else 1)
    fields = [2 * zone.mean() / sharp.shape[1] - 1 for zone in zones]
    zone = np.repeat(np.arange(len(zones)), [len(zone) for zone in zones])
    most = int(np.abs(signed).max()) // LAYERS_A_PX // 2 + _ROOM_PX
    wide = cv2.copyMakeBorder(sharp, most, most, most, most + _LANES, cv2.BORDER_REFLECT)
    out = np.zeros_like(sharp)
    # Sorted once: looking for every layer's pixels in the whole picture took half of the time.
    kind = len(zones) * signed + zone
    places = np.argsort(kind, axis=None, kind="stable")
    values, starts = np.unique(kind.ravel()[places], return_index=True)
    for value, place in zip(values, np.split(places, starts[1:]), strict=True):
        layer, zone = divmod(int(value), len(zones))
        diameter = layer / LAYERS_A_PX
        # But for the rims both sides of the focus blur alike.
        diameter = diameter if lens in {"soft rim", "bright rim"} else abs(diameter)
        kernel = _kernel(lens, diameter, wave_f_px, fields[zone])
        _sum_around(wide, most, place, kernel, out.reshape(-1), sharp.shape[1])
    return out


@njit(nogil=True, fastmath=True)
def _sum_around(wide, border, places, kernel, out, width):  # pragma: no cover - compiled
    """Fill places of ``out`` with their surroundings weighted by the kernel."""
    first, length = border - kernel.shape[0] // 2, kernel.shape[1]
    sums = np.empty(length, np.float32)
    for place in places:
        row, column = place // width + first, place % width + first
        sums[:] = 0
        for i in range(kernel.shape[0]):
            line, weights = wide[row + i, column : column + length], kernel[i]
            for j in range(length):
                sums[j] += weights[j] * line[j]
        out[place] = sums.sum()


@lru_cache(maxsize=4096)
def _kernel(lens, diameter, wave_f_px, field):
    if lens == "diffraction":
        kernel = wave_kernel(diameter, wave_f_px, int(abs(diameter)) // 2 + _ROOM_PX)
    elif abs(diameter) < 0.3:
        kernel = np.ones((1, 1), np.float32)
    else:
        kernel = lens_kernel(lens, diameter, field=field)
    return np.pad(kernel, ((0, 0), (0, -kernel.shape[1] % _LANES)))
