"""Focus brackets with known truth.

`photograph_stack` builds a bracket from the open stereo photograph with measured disparity that
scikit-image carries (`skimage.data.stereo_motorcycle`; D. Scharstein et al., GCPR 2014): a real
picture with real depth edges. Every frame is the mean of many pinhole views over the lens's
aperture in linear light, with true occlusion (so a blurred foreground veils the background), moved
by a known transform, with gain and noise. Truth is the all-sharp picture in the reference frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from scipy.ndimage import distance_transform_edt
from thin_lens import render_focus, to_coded, to_light


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


def warp_exact(picture: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    """Sample ``picture`` at ``matrix`` @ (x, y, 1) with a quintic spline, independent of ours."""
    from scipy.ndimage import map_coordinates

    h, w = picture.shape[:2]
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
    step_px: float = 3.0,
    noise: float = 0.006,
    gains: Sequence[float] | None = None,
    scale: float = 1.0,
    part: tuple[slice, slice] = np.s_[:, :],
) -> SceneStack:
    """Return a bracket of the stereo photograph, from its nearest to its farthest point.

    Sizes change by 3 % from the first to the last frame.

    Parameters
    ----------
    frames : int
    step_px : float
        Focus step in px of blur-circle diameter.
    noise : float
        Standard deviation at mid grey in sRGB-coded units; grows with the square root of light.
    gains : sequence, one value a frame
    scale : float
    part : rows and columns that are kept, after scaling
    """
    rng = np.random.default_rng(7)
    picture, depth01 = (values[part] for values in photograph(scale))
    focus = np.arange(frames) * step_px
    position = ((depth01 - depth01.min()) / np.ptp(depth01) * focus[-1]).astype(np.float32)
    light = to_light(picture)
    reference = frames // 2
    shape = picture.shape
    shifts = rng.uniform(-1.5, 1.5, (frames, 2))
    gains = list(gains) if gains is not None else [1.0] * frames
    trend = 1 + 0.03 * (np.arange(frames) - reference) / max(frames - 1, 1)
    maps = [similarity(shape, magnification=trend[i], shift=shifts[i]) for i in range(frames)]
    to_painted = np.linalg.inv(maps[reference])
    out = []
    for i, seen in enumerate(render_focus(light, position, focus, rng)):
        moved = warp_exact(seen, np.linalg.inv(maps[i])) * (gains[i] / gains[reference])
        coded = to_coded(np.maximum(moved, 0))
        sigma = noise * np.sqrt(0.25 + 0.75 * np.clip(coded, 0, 1) / 0.5)
        out.append(
            np.clip(coded + sigma * rng.standard_normal(coded.shape), 0, 1).astype(np.float32)
        )
    place = {"flags": cv2.INTER_NEAREST, "borderMode": cv2.BORDER_REPLICATE}
    return SceneStack(
        frames=out,
        truth=to_coded(np.maximum(warp_exact(light, to_painted), 0)),
        depth=cv2.warpAffine(
            position / np.float32(step_px), maps[reference][:2], shape[1::-1], **place
        ),
        transforms=[m @ to_painted for m in maps],
        gains=[gain / gains[reference] for gain in gains],
        positions_px=focus,
        reference=reference,
    )


@dataclass(frozen=True, eq=False)
class MovingScene:
    """A bracket in which things move, with the truth as every frame saw it."""

    stack: SceneStack  # `truth` and `depth` as in the reference frame
    painted: list[np.ndarray]  # all-sharp picture at the time of every frame, before the transform
    to_reference: np.ndarray  # 3x3, reference → painted
    moving: np.ndarray  # (H, W) bool, reference geometry: wherever something moves

    def truth_as_in(self, frame: int) -> np.ndarray:
        """Return the all-sharp picture at the time of a frame, reference geometry."""
        light = to_light(self.painted[frame])
        return to_coded(np.maximum(warp_exact(light, self.to_reference), 0))


def leaf(length: float) -> tuple[np.ndarray, np.ndarray]:
    """Return colour (n, n, 3) and mask (n, n) of a slanted leaf with veins, sRGB 0..1."""
    half = int(np.ceil(length / 2)) + 1
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float32)
    along, across = (0.8 * x + 0.6 * y) / (length / 2), (0.8 * y - 0.6 * x) / (length / 2)
    mask = np.abs(across) < 0.38 * np.maximum(1 - along**2, 0)
    vein = np.cos(9 * np.pi * (along - np.abs(across))) > 0.75
    rough = np.random.default_rng(3).standard_normal(x.shape).astype(np.float32)
    shade = 1 + 0.12 * cv2.GaussianBlur(rough, (0, 0), 0.8) + 0.45 * vein
    colour = np.array([0.42, 0.55, 0.16], np.float32) * shade[..., None]
    colour[np.abs(across) < 0.03] = (0.75, 0.8, 0.5)
    return np.clip(colour, 0, 1).astype(np.float32), mask


def sway(frames: int, reach_px: float) -> list[tuple[int, int]]:
    """Return a (row, column) shift for every frame: to and fro with a period of 5.3 frames."""
    phase = 2 * np.pi * np.arange(frames) / 5.3
    return [(round(0.3 * reach_px * np.cos(p)), round(reach_px * np.sin(p))) for p in phase]


def moving_photograph_stack(
    frames: int = 20,
    *,
    leaf_at: tuple[float, float, float] | None = (0.25, 0.3, 0.35),
    leaf_px: float = 70,
    leaf_shifts: Sequence[tuple[int, int] | None] | None = None,
    water: tuple[float, float, float, float] | None = None,
    step_px: float = 3.0,
    noise: float = 0.006,
    scale: float = 1.0,
    seed: int = 7,
) -> MovingScene:
    """Return a bracket of the stereo photograph in which a leaf moves and water ripples.

    Parameters
    ----------
    frames : int
    leaf_at : (row, column, depth) or None
        Shares of height, width and depth (0 = near) where the leaf rests.
    leaf_px : float
        Its length.
    leaf_shifts : sequence of (row, column) in px or None, one a frame
        None in a frame: it is not there. Default: `sway` by 14 px.
    water : (top, left, bottom, right) or None
        Shares of the picture where a slanted surface is new in every frame.
    """
    rng = np.random.default_rng(seed)
    picture, depth01 = photograph(scale)
    shape = picture.shape
    shifts = list(leaf_shifts) if leaf_shifts is not None else list(sway(frames, 14))
    focus = np.arange(frames) * step_px
    reference = frames // 2
    painted, depths, moving = [], [], np.zeros(shape[:2], bool)
    for i in range(frames):
        seen, depth = picture.copy(), depth01.copy()
        if water is not None:
            _ripple(seen, depth, water, rng, moving)
        if leaf_at is not None and shifts[i] is not None:
            _lay_leaf(seen, depth, leaf_at, shifts[i], leaf_px, moving)
        painted.append(seen)
        depths.append((depth * focus[-1]).astype(np.float32))
    maps = [
        similarity(
            shape,
            magnification=1 + 0.03 * (i - reference) / max(frames - 1, 1),
            shift=rng.uniform(-1.5, 1.5, 2),
        )
        for i in range(frames)
    ]
    streams = rng.spawn(frames)

    def take(i: int) -> np.ndarray:
        light = to_light(painted[i])
        seen = render_focus(light, depths[i], [focus[i]], streams[i])[0]
        coded = to_coded(np.maximum(warp_exact(seen, np.linalg.inv(maps[i])), 0))
        sigma = noise * np.sqrt(0.25 + 0.75 * np.clip(coded, 0, 1) / 0.5)
        grain = streams[i].standard_normal(coded.shape)
        return np.clip(coded + sigma * grain, 0, 1).astype(np.float32)

    with ThreadPoolExecutor(2) as pool:
        taken = list(pool.map(take, range(frames)))
    to_painted = np.linalg.inv(maps[reference])
    light = to_light(painted[reference])
    place = {"flags": cv2.INTER_NEAREST, "borderMode": cv2.BORDER_REPLICATE}
    ways = maps[reference][:2], shape[1::-1]
    stack = SceneStack(
        frames=taken,
        truth=to_coded(np.maximum(warp_exact(light, to_painted), 0)),
        depth=cv2.warpAffine(depths[reference] / np.float32(step_px), *ways, **place),
        transforms=[m @ to_painted for m in maps],
        gains=[1.0] * frames,
        positions_px=focus,
        reference=reference,
    )
    where = cv2.warpAffine(moving.astype(np.uint8), *ways, **place).astype(bool)
    return MovingScene(stack, painted, to_painted, where)


def _ripple(picture, depth, box, rng, moving) -> None:
    """Paint a surface that is new at every call over a part of ``picture``, in place.

    It slants evenly from the depth of the picture at its lower rim to that at its upper one.
    """
    h, w = picture.shape[:2]
    area = np.s_[round(box[0] * h) : round(box[2] * h), round(box[1] * w) : round(box[3] * w)]
    size = picture[area].shape[:2]
    fine, coarse = (
        cv2.GaussianBlur(rng.standard_normal(size).astype(np.float32), (0, 0), s) * s
        for s in (1.2, 4.0)
    )
    surface = (0.42 + 0.22 * fine + 0.16 * coarse)[..., None] * np.array([0.8, 0.95, 1.05])
    picture[area] = np.clip(surface, 0.02, 1)
    far, near = np.median(depth[area][0]), np.median(depth[area][-1])
    depth[area] = np.linspace(far, near, size[0], dtype=np.float32)[:, None]
    moving[area] = True


def _lay_leaf(picture, depth, at, shift, length, moving) -> None:
    """Paint the leaf over ``picture`` and ``depth``, in place; it hides nothing nearer."""
    colour, mask = leaf(length)
    top = round(at[0] * picture.shape[0]) + shift[0] - mask.shape[0] // 2
    left = round(at[1] * picture.shape[1]) + shift[1] - mask.shape[1] // 2
    area = np.s_[top : top + mask.shape[0], left : left + mask.shape[1]]
    shown = mask & (depth[area] > at[2])
    picture[area][shown] = colour[shown]
    depth[area][shown] = at[2]
    moving[area] |= shown


@dataclass(frozen=True, eq=False)
class Faults:
    """What was put on a sensor, in frame coordinates.

    Attributes
    ----------
    hot : ndarray, shape (M, 2), int
        (row, column) of hot pixels.
    dust : ndarray, shape (S, 4)
        (row, column, diameter in px, share of light lost at the centre) of dust spots.
    transmission : ndarray, shape (H, W), float32
        Share of light that the dust lets through.
    added : ndarray, shape (H, W, 3), float32
        Linear light that the hot pixels add after development.
    """

    hot: np.ndarray
    dust: np.ndarray
    transmission: np.ndarray
    added: np.ndarray


def sensor_faults(
    shape: tuple[int, ...],
    *,
    hot: int = 60,
    dust: int = 8,
    diameter_px: tuple[float, float] = (8.0, 24.0),
    loss: tuple[float, float] = (0.04, 0.4),
    seed: int = 11,
) -> Faults:
    """Return random faults of a sensor whose frames have a shape (H, W, 3).

    A hot pixel is one photosite of a mosaic of colours: bilinear development spreads it over
    its neighbours in its own colour. A speck's shadow is a disk with a soft rim.
    """
    rng = np.random.default_rng(seed)
    height, width = shape[:2]
    added = np.zeros((height, width, 3), np.float32)
    side, cross = [[0.25, 0.5, 0.25], [0.5, 1, 0.5], [0.25, 0.5, 0.25]], np.zeros((3, 3))
    cross[1, :] = cross[:, 1] = 0.25
    cross[1, 1] = 1
    places = np.stack([rng.integers(4, height - 4, hot), rng.integers(4, width - 4, hot)], axis=1)
    for row, column in places:
        channel = (0 if column % 2 == 0 else 1) if row % 2 == 0 else (1 if column % 2 == 0 else 2)
        spread = cross if channel == 1 else np.array(side)
        area = np.s_[row - 1 : row + 2, column - 1 : column + 2, channel]
        added[area] += (rng.uniform(0.1, 1.0) * spread).astype(np.float32)
    transmission = np.ones((height, width), np.float32)
    y, x = np.mgrid[0:height, 0:width]
    specks = []
    for _ in range(dust):
        row, column = rng.uniform(0.06, 0.94, 2) * (height, width)
        diameter, lost = rng.uniform(*diameter_px), rng.uniform(*loss)
        radius = np.hypot(y - row, x - column) / (diameter / 2)
        transmission *= (1 - lost * (1 - np.clip(2 * radius - 1, 0, 1) ** 2) ** 2).astype(
            np.float32
        )
        specks.append((row, column, diameter, lost))
    return Faults(places, np.array(specks).reshape(-1, 4), transmission, added)


def with_faults(frame: np.ndarray, faults: Faults) -> np.ndarray:
    """Return a frame (H, W, 3), sRGB-coded, as that sensor would give it."""
    light = to_light(frame) * faults.transmission[..., None] + faults.added
    return np.clip(to_coded(light), 0, 1).astype(np.float32)
