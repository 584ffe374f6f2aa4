"""Focus brackets with known truth.

`photograph_stack` builds a bracket from the open stereo photograph with measured disparity that
scikit-image carries (`skimage.data.stereo_motorcycle`; D. Scharstein et al., GCPR 2014): a real
picture with real depth edges. Every frame is the mean of many pinhole views over the lens's
aperture in linear light, with true occlusion (so a blurred foreground veils the background), moved
by a known transform, with gain and noise. Truth is the all-sharp picture in the reference frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from scipy.ndimage import distance_transform_edt

from merge.demo import render_focus
from merge.encoding import encode, linearize


@dataclass(frozen=True, eq=False)
class SceneStack:
    """A bracket with its truth; pictures are (H, W, 3) float32, sRGB-coded."""

    frames: list[np.ndarray]
    truth: np.ndarray  # all-sharp picture, reference geometry, no noise
    depth: np.ndarray  # true position of every pixel in frames
    transforms: list[np.ndarray]  # 3x3, reference → frame
    gains: list[float]  # linear light of each frame over the reference
    positions_px: np.ndarray  # frame positions on the focus axis
    reference: int


def disk_kernel(diameter: float) -> np.ndarray:
    """Return a normalised disk of ``diameter`` px with anti-aliased rim, odd sides."""
    half = int(np.ceil(diameter / 2 + 0.5))
    fine = 8
    grid = (np.arange((2 * half + 1) * fine) + 0.5) / fine - half - 0.5
    inside = np.hypot(*np.meshgrid(grid, grid)) <= max(diameter, 1e-3) / 2
    size = 2 * half + 1
    kernel = inside.reshape(size, fine, size, fine).mean(axis=(1, 3)).astype(np.float32)
    if kernel.sum() == 0:
        kernel[half, half] = 1
    return kernel / kernel.sum()


def blur(picture: np.ndarray, diameter: float) -> np.ndarray:
    """Convolve with a disk of ``diameter`` px; below 0.3 px the picture comes back as it is."""
    if diameter < 0.3:
        return picture.copy()
    return cv2.filter2D(picture, -1, disk_kernel(diameter), borderType=cv2.BORDER_REFLECT)


@lru_cache(maxsize=2)
def photograph(scale: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    """Return the all-sharp picture (sRGB, 0..1) and depth in [0, 1], 0 = near."""
    from skimage.data import stereo_motorcycle

    left, _, disparity = stereo_motorcycle()
    known = np.isfinite(disparity) & (disparity > 0)
    nearest = distance_transform_edt(~known, return_distances=False, return_indices=True)
    filled = disparity[tuple(nearest)].astype(np.float32)
    filled = cv2.medianBlur(filled, 5)
    depth = (filled.max() - filled) / (filled.max() - filled.min())
    picture = left.astype(np.float32) / 255
    if scale != 1.0:
        size = (round(left.shape[1] * scale), round(left.shape[0] * scale))
        picture = np.clip(cv2.resize(picture, size, interpolation=cv2.INTER_CUBIC), 0, 1)
        depth = cv2.resize(depth, size, interpolation=cv2.INTER_NEAREST)
    return picture, depth


def similarity(shape, *, magnification=1.0, rotation_deg=0.0, shift=(0.0, 0.0)) -> np.ndarray:
    """Return the 3x3 map about the picture's centre, (x, y) pixels."""
    cx, cy = (shape[1] - 1) / 2, (shape[0] - 1) / 2
    angle = np.radians(rotation_deg)
    a, b = magnification * np.cos(angle), magnification * np.sin(angle)
    return np.array(
        [
            [a, -b, cx - a * cx + b * cy + shift[0]],
            [b, a, cy - b * cx - a * cy + shift[1]],
            [0, 0, 1],
        ]
    )


def warp_exact(picture: np.ndarray, matrix: np.ndarray, shape=None) -> np.ndarray:
    """Sample ``picture`` at ``matrix`` @ (x, y, 1) with a quintic spline, independent of ours."""
    from scipy.ndimage import map_coordinates

    h, w = shape or picture.shape[:2]
    y, x = np.mgrid[0:h, 0:w].astype(np.float64)
    p = matrix @ np.stack([x.ravel(), y.ravel(), np.ones(h * w)])
    rows, columns = p[1] / p[2], p[0] / p[2]
    channels = [
        map_coordinates(picture[..., c], [rows, columns], order=5, mode="reflect").reshape(h, w)
        for c in range(picture.shape[2])
    ]
    return np.stack(channels, axis=-1).astype(np.float32)


def photograph_stack(
    frames: int = 20,
    *,
    step_px: float | Sequence[float] = 3.0,
    breathing: float = 0.03,
    noise: float = 0.006,
    shifts: Sequence[tuple[float, float]] | None = None,
    rotations_deg: Sequence[float] | None = None,
    gains: Sequence[float] | None = None,
    drop: Sequence[int] = (),
    scale: float = 1.0,
    seed: int = 7,
    margin: float = 0.0,
) -> SceneStack:
    """Return a bracket of the stereo photograph.

    Parameters
    ----------
    frames : int
        Number of frames before dropping.
    step_px : float or sequence of frames-1 floats
        Focus steps in px of blur-circle diameter.
    breathing : float
        Relative change of magnification from the first to the last frame.
    noise : float
        Standard deviation at mid grey in sRGB-coded units; grows with the square root of light.
    shifts, rotations_deg, gains : sequences, one value a frame
    drop : indices left out afterwards
    margin : float
        How far, in steps, the first and last focus lie outside the scene's depth range
        (negative: the bracket stops short of it).
    """
    rng = np.random.default_rng(seed)
    picture, depth01 = photograph(scale)
    steps = np.broadcast_to(np.asarray(step_px, float), (frames - 1,))
    focus = np.concatenate([[0.0], np.cumsum(steps)])
    first, last = margin * steps[0], focus[-1] - margin * steps[-1]
    position = (first + depth01 * (last - first)).astype(np.float32)
    light = linearize(picture, "srgb")
    kept = [i for i in range(frames) if i not in set(drop)]
    reference = kept[len(kept) // 2]
    shape = picture.shape
    shifts = shifts if shifts is not None else rng.uniform(-1.5, 1.5, (frames, 2))
    rotations = rotations_deg if rotations_deg is not None else np.zeros(frames)
    gains = list(gains) if gains is not None else [1.0] * frames
    trend = 1 + breathing * (np.arange(frames) - reference) / max(frames - 1, 1)
    maps = [
        similarity(shape, magnification=trend[i], rotation_deg=rotations[i], shift=shifts[i])
        for i in range(frames)
    ]
    to_reference = np.linalg.inv(maps[reference])
    out = []
    for i, seen in zip(kept, render_focus(light, position, focus[kept], rng), strict=True):
        moved = warp_exact(seen, np.linalg.inv(maps[i])) * (gains[i] / gains[reference])
        coded = encode(np.maximum(moved, 0), "srgb")
        sigma = noise * np.sqrt(0.25 + 0.75 * np.clip(coded, 0, 1) / 0.5)
        out.append(
            np.clip(coded + sigma * rng.standard_normal(coded.shape), 0, 1).astype(np.float32)
        )
    truth = encode(np.maximum(warp_exact(light, np.linalg.inv(maps[reference])), 0), "srgb")
    in_frames = np.interp(position, focus[kept], np.arange(len(kept))).astype(np.float32)
    depth = cv2.warpAffine(
        in_frames,
        maps[reference][:2],
        shape[1::-1],
        flags=cv2.INTER_NEAREST,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return SceneStack(
        frames=out,
        truth=truth,
        depth=depth,
        transforms=[maps[i] @ to_reference for i in kept],
        gains=[gains[i] / gains[reference] for i in kept],
        positions_px=focus[kept] - focus[kept[0]],
        reference=kept.index(reference),
    )
