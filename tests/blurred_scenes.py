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

LAYERS_A_PX = 4  # depth layers per px of blur-circle diameter: D is exact to 1/8 px
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
    half = int(np.ceil(abs(diameter) / 2)) + 8
    size = 2 * half + 1
    place = ((np.arange(size * fine) + 0.5) / fine - size / 2) / (abs(diameter) / 2)
    light = pupil(lens, *np.meshgrid(place, place), far=diameter > 0, field=field)
    transfer = np.fft.fftshift(np.fft.fft2(np.fft.ifftshift(light)))
    # Samples lie half a fine cell beside the centre.
    middle = np.arange(size) - half
    shift = np.exp(-1j * np.pi * middle / (size * fine))
    low = size * fine // 2 - half
    kept = transfer[low : low + size, low : low + size] * np.outer(shift, shift)
    kernel = np.fft.fftshift(np.fft.ifft2(np.fft.ifftshift(kept)).real)
    return (kernel / kernel.sum()).astype(np.float32)


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
    y, x = (np.mgrid[0:grid, 0:grid] - grid / 2) / radius
    rr = x**2 + y**2
    field = (rr <= 1) * np.exp(2j * np.pi * diameter / (8 * wave_f_px) * rr)
    light = np.abs(np.fft.fftshift(np.fft.fft2(np.fft.ifftshift(field)))) ** 2
    span = (2 * half + 1) * fine
    start = grid // 2 - span // 2
    box = light[start : start + span, start : start + span]
    kernel = box.reshape(2 * half + 1, fine, 2 * half + 1, fine).mean(axis=(1, 3))
    return (kernel / kernel.sum()).astype(np.float32)


def slanted_stack(
    frames: int = 12,
    *,
    step_px: float | Sequence[float] = 3.0,
    lens: str = "disk",
    wave_f_px: float = 1.0,
    margin: float = 0.5,
    drop: Sequence[int] = (),
    order: Sequence[int] | None = None,
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
    drop, order : sequence of int
        Frames left out, then the order of the rest.
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
    kept = [kept[i] for i in order] if order is not None else kept
    out = []
    for i in kept:
        seen = _seen(sharp, depth, focus[i], lens, wave_f_px)
        out.append((seen + noise * rng.standard_normal(shape)).astype(np.float32))
    return SlantedStack(out, focus[kept] - focus[kept[0]], depth - focus[kept[0]], sharp)


def _seen(sharp, depth, focus, lens, wave_f_px):
    """Blur every pixel by its own distance from the focus plane (a continuous surface)."""
    signed = np.round((depth - focus) * LAYERS_A_PX).astype(int)
    out = np.zeros_like(sharp)
    thirds = np.array_split(np.arange(sharp.shape[1]), 6) if lens == "cat's eye" else [None]
    # Sorted once: looking for every layer's pixels in the whole picture took half of the time.
    places = np.argsort(signed, axis=None, kind="stable")
    values, starts = np.unique(signed.ravel()[places], return_index=True)
    for value, place in zip(values, np.split(places, starts[1:]), strict=True):
        rows, columns = np.unravel_index(place, signed.shape)
        diameter = value / LAYERS_A_PX
        pad = int(abs(diameter)) // 2 + 12
        top, bottom = max(rows.min() - pad, 0), rows.max() + pad + 1
        left, right = max(columns.min() - pad, 0), columns.max() + pad + 1
        crop = sharp[top:bottom, left:right]
        for zone in thirds:
            if zone is None:
                field, chosen = 0.0, np.ones(len(rows), bool)
            else:
                field = (zone.mean() - sharp.shape[1] / 2) / (sharp.shape[1] / 2)
                chosen = (columns >= zone[0]) & (columns <= zone[-1])
            if not chosen.any():
                continue
            kernel = _kernel(lens, diameter, wave_f_px, field, pad)
            blurred = cv2.filter2D(crop, -1, kernel, borderType=cv2.BORDER_REFLECT)
            r, c = rows[chosen], columns[chosen]
            out[r, c] = blurred[r - top, c - left]
    return out


@lru_cache(maxsize=4096)
def _kernel(lens, diameter, wave_f_px, field, pad):
    if lens == "diffraction":
        return wave_kernel(diameter, wave_f_px, pad)
    if abs(diameter) < 0.3:
        return np.ones((1, 1), np.float32)
    return lens_kernel(lens, diameter, field=field)
