"""Brackets of random scenes: depths, textures, hairs and backdrops; disk blur in linear light.

Every bracket follows from its seed. Surfaces are blurred pixel by pixel, things before them layer
by layer, back to front; then comes the lens's own blur, a small move, a camera's noise and JPEG.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import skimage.data
from blurred_scenes import lens_kernel, occluding_disks
from scipy.ndimage import map_coordinates

from merge.encoding import encode

Shape = tuple[int, int]
SHAPE: Shape = (432, 576)
KINDS = ("disks", "1.0", "1.2", "1.5", "low", "repeat", "stems", "disks", "1.2")
LAYOUTS = ("ramp", "ramp and things", "planes", "macro", "relief")
_THINGS = {"ramp": 0, "ramp and things": 4, "planes": 7, "macro": 5, "relief": 1}
_COUNTS = (2, 3, 4, 5, 6, 8, 10, 12, 14, 16, 20, 24, 30)
_STEPS = (1, 1.5, 2, 2.5, 3, 3.5, 3.9, 4, 5, 6, 8, 10, 12)
_FULL_WELL = 40_000  # electrons at ISO 100; read noise 3 electrons


@dataclass(frozen=True, eq=False)
class RandomBracket:
    """Frames (N, H, W) of linear light without noise, where they are focused, and the taking."""

    frames: np.ndarray
    positions_px: np.ndarray
    layout: str
    iso: int
    quality: int
    smoothing: float  # sigma px of what demosaicing does to noise

    def shot(self, light: np.ndarray, seed: list[int]) -> np.ndarray:
        """Return a frame as a camera's JPEG shows it, (H, W) float32, sRGB-coded 0..1."""
        rng = np.random.default_rng(seed)
        coded = seen_by_camera(light, rng, self.iso, self.smoothing)
        _, data = cv2.imencode(".jpg", coded, [cv2.IMWRITE_JPEG_QUALITY, self.quality])
        return cv2.imdecode(data, cv2.IMREAD_GRAYSCALE).astype(np.float32) / 255


def seen_by_camera(
    light: np.ndarray, rng: np.random.Generator, iso: int, smoothing: float
) -> np.ndarray:
    """Return light with a camera's noise in 8 bits, sRGB-coded."""
    grain = rng.standard_normal(light.shape).astype(np.float32)
    if smoothing:
        grain = cv2.GaussianBlur(grain, (0, 0), smoothing)
    full = _FULL_WELL * 100 / iso
    seen = light + grain * np.sqrt(np.maximum(light, 0) / full + (3 / full + 4e-4) ** 2)
    coded = np.rint(encode(np.clip(seen, 0, 1).astype(np.float32), "srgb") * 255)
    return coded.astype(np.uint8)


def power_law(rng: np.random.Generator, slope: float, shape: Shape = SHAPE) -> np.ndarray:
    """Return noise whose amplitude falls as frequency to the power ``slope``, sd 1."""
    f = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.fftfreq(shape[1]))
    f[0, 0] = 1
    drawn = np.fft.ifft2(np.fft.fft2(rng.standard_normal(shape)) / f**slope).real
    return ((drawn - drawn.mean()) / drawn.std()).astype(np.float32)


def texture(kind: str, rng: np.random.Generator, shape: Shape = SHAPE) -> np.ndarray:
    """Return a picture of one of KINDS, linear light; numbers are slopes of power laws."""
    height, width = shape
    if kind == "disks":
        return occluding_disks(height, width, int(rng.integers(1 << 30)), rng.uniform(0.5, 1))
    if kind == "low":
        fine = power_law(rng, 1.0, shape) * np.clip(power_law(rng, 2.0, shape), 0, None)
        coarse = 0.15 * power_law(rng, 1.6, shape)
        return np.clip(0.4 * np.exp(coarse + 0.04 * fine), 0.005, 0.97)
    if kind == "repeat":
        side = int(rng.integers(24, 60))
        cell = occluding_disks(height, width, int(rng.integers(1 << 30)))[:side, :side]
        return np.tile(cell, (height // side + 1, width // side + 1))[:height, :width]
    if kind == "stems":
        picture = np.full((2 * height, 2 * width), 0.12, np.float32)
        for _ in range(width // 2):
            x, lean = rng.uniform(0, 2 * width), rng.normal(0, 25)
            ends = (int(x * 16), 0), (int((x + lean) * 16), 32 * height)
            shade, thick = rng.uniform(0.1, 0.7), int(rng.integers(1, 7))
            cv2.line(picture, *ends, shade, thick, 8, 4)
        return cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)
    contrast = 0.5 * rng.uniform(0.5, 1.2)
    return np.clip(0.35 * np.exp(contrast * power_law(rng, float(kind), shape)), 0.005, 0.97)


@lru_cache(256)
def _kernel(diameter: float) -> np.ndarray:
    return lens_kernel("disk", diameter)


def blur(picture: np.ndarray, diameter: float) -> np.ndarray:
    """Return a picture blurred by a disk, its diameter rounded to a quarter px."""
    diameter = round(abs(diameter) * 4) / 4
    if diameter < 0.3:
        return picture
    if diameter > 24 and min(picture.shape[:2]) >= 16:
        small = cv2.resize(picture, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
        small = cv2.filter2D(small, -1, _kernel(diameter / 4), borderType=cv2.BORDER_REFLECT)
        return cv2.resize(small, picture.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    return cv2.filter2D(picture, -1, _kernel(diameter), borderType=cv2.BORDER_REFLECT)


def surface(
    sharp: np.ndarray, depth: np.ndarray, focus: float | np.ndarray, *, coarse: bool = False
) -> np.ndarray:
    """Blur every pixel of a continuous surface by its own distance from the focus plane.

    ``coarse`` rounds blur of more than 4 px to 6 % of itself in place of a quarter px.
    """
    signed = (depth - focus) * 4
    if coarse:
        size = np.maximum(np.abs(signed), 16)
        signed *= np.exp(np.round(np.log(size / 16) / 0.06) * 0.06) * 16 / size
    signed = np.round(signed).astype(int)
    out = np.zeros_like(sharp)
    places = np.argsort(signed, axis=None, kind="stable")
    values, starts = np.unique(signed.ravel()[places], return_index=True)
    for value, place in zip(values, np.split(places, starts[1:]), strict=True):
        rows, columns = np.unravel_index(place, signed.shape)
        pad = abs(value) // 8 + 10
        top, left = max(rows.min() - pad, 0), max(columns.min() - pad, 0)
        part = sharp[top : rows.max() + pad + 1, left : columns.max() + pad + 1]
        out[rows, columns] = blur(part, value / 4)[rows - top, columns - left]
    return out


def bricks_far_apart(
    apart_px: float, count: int
) -> tuple[list[np.ndarray], np.ndarray, dict[int, float]]:
    """Return frames of two walls with nothing between, their depth and the frames' places, px.

    The bricks are scikit-image's (`skimage.data.brick`, CC0).
    """
    rng, shape = np.random.default_rng(6), (320, 416)
    light = (
        cv2.resize(skimage.data.brick(), shape[::-1], interpolation=cv2.INTER_AREA) / 255
    ) ** 2.2
    depth = np.zeros(shape, np.float32)
    depth[:, shape[1] // 2 :] = apart_px
    places = dict(enumerate(np.linspace(0, apart_px, count).tolist()))
    seen = [surface(light.astype(np.float32), depth, px, coarse=True) for px in places.values()]
    noisy = [(s + 0.004 * rng.standard_normal(shape)).astype(np.float32) for s in seen]
    return noisy, depth, places


def thing(
    rng: np.random.Generator, shape: Shape = SHAPE, *, hairs: float = 0.4
) -> tuple[np.ndarray, np.ndarray]:
    """Return cover and light of hairs, with this probability, or of a patch."""
    height, width = shape
    cover = np.zeros((2 * height, 2 * width), np.float32)
    if rng.random() < hairs:
        for _ in range(int(rng.integers(3, 12))):
            walk = rng.normal(0, 14, (20, 2)) + rng.normal(0, 14, 2)
            path = np.cumsum(walk, axis=0) + rng.uniform(0, 1, 2) * (2 * width, 2 * height)
            points = [np.round(path * 16).astype(np.int32)]
            cv2.polylines(cover, points, False, 1.0, int(rng.integers(1, 6)), 8, 4)
        grain = 1 + 0.2 * np.clip(power_law(rng, 1.0, shape), -2, 2)
        light = np.clip(rng.uniform(0.02, 0.9) * grain, 0.005, 0.97)
    else:
        angle = np.sort(rng.uniform(0, 2 * np.pi, 9))
        radius = rng.uniform(0.5, 1.2, 9) * rng.uniform(60, 220)
        centre = rng.uniform(0, 1, 2) * (2 * width, 2 * height)
        rim = centre + radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        cv2.fillPoly(cover, [np.round(rim * 16).astype(np.int32)], 1.0, 8, 4)
        light = texture(str(rng.choice(KINDS)), rng, shape)
    small = cv2.resize(cover, (width, height), interpolation=cv2.INTER_AREA)
    return small, light.astype(np.float32)


def focus_positions(rng: np.random.Generator) -> np.ndarray:
    count, step = int(rng.choice(_COUNTS)), float(rng.choice(_STEPS))
    step = min(step, 2.5 if count >= 30 else 5.0 if count > 16 else step)
    steps = np.full(count - 1, step)
    how = rng.choice(["even", "even", "uneven", "growing"])
    if how == "uneven":
        steps = steps * np.exp(rng.normal(0, 0.08, count - 1))
    if how == "growing":
        steps = steps * np.geomspace(0.7, 1.4, count - 1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def random_bracket(seed: int) -> RandomBracket:
    """Return a whole bracket: its subject reaches at most 1.2 px beyond either end."""
    rng = np.random.default_rng(seed)
    focus = focus_positions(rng)
    layout = str(rng.choice(LAYOUTS))
    y, x = np.mgrid[0 : SHAPE[0], 0 : SHAPE[1]] / np.array(SHAPE)[:, None, None]
    first, last = rng.uniform(-0.3, 0.3, 2) * np.minimum(np.diff(focus)[[0, -1]], 4)
    near, far = first, focus[-1] - last
    shape = {"relief": power_law(rng, 2.2), "planes": np.ones(SHAPE), "macro": np.ones(SHAPE)}
    depth = shape.get(layout, 0.75 * (1 - y) + 0.15 * x + 0.05 * np.sin(2 * np.pi * 1.7 * x))
    if np.ptp(depth) > 0:
        depth = (depth - depth.min()) / np.ptp(depth)
    depth = near + (far - near) * depth
    layers: list[tuple[np.ndarray, np.ndarray, np.ndarray | float]] = []
    ground = texture(str(rng.choice(KINDS)), rng).astype(np.float32)
    if layout == "macro":  # a dome before a backdrop that no frame comes near
        depth = np.full(SHAPE, focus[-1] + rng.uniform(15, 60))
        centre, radius = rng.uniform(0.4, 0.6, 2), rng.uniform(0.25, 0.42, 2)
        dome = ((x - centre[0]) / radius[0]) ** 2 + ((y - centre[1]) / radius[1]) ** 2
        cover = cv2.GaussianBlur((dome < 1).astype(np.float32), (0, 0), 0.7)
        light = texture(str(rng.choice(KINDS)), rng).astype(np.float32)
        layers.append((cover, light, near + (far - near) * np.clip(dome, 0, 1)))
    places = sorted(rng.uniform(min(near, far), max(near, far), _THINGS[layout]), reverse=True)
    layers += [(*thing(rng), float(place)) for place in places]
    sigma, breathing = rng.uniform(0.35, 0.65), float(rng.choice([0, 0.01, 0.03]))
    moves = rng.uniform(-1.2, 1.2, (len(focus), 2))
    frames = []
    for i, place in enumerate(focus):
        seen = surface(ground, depth, place)
        for cover, light, at in layers:
            both = cover, cover * light
            if isinstance(at, float):
                veil, over = (blur(part, at - place) for part in both)
            else:
                veil, over = (surface(part, at, place) for part in both)
            seen = seen * (1 - np.clip(veil, 0, 1)) + np.clip(over, 0, 1)
        seen = cv2.GaussianBlur(seen, (0, 0), sigma)
        size = 1 + breathing * (i - len(focus) // 2) / max(len(focus) - 1, 1)
        middle = (np.array(SHAPE) - 1) / 2
        grid = [
            m + (np.arange(n) - m - d) / size
            for m, n, d in zip(middle, SHAPE, moves[i], strict=True)
        ]
        places = np.meshgrid(*grid, indexing="ij")
        frames.append(map_coordinates(seen, places, order=5, mode="reflect").astype(np.float32))
    return RandomBracket(
        np.stack(frames),
        focus,
        layout,
        iso=int(rng.choice([100, 200, 400, 800, 1600, 3200, 6400])),
        quality=int(rng.choice([85, 90, 92, 95])),
        smoothing=float(rng.choice([0, 0, 0.5, 0.7])),
    )
