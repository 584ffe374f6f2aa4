"""Scenes with known motion for the alignment tests and benchmark.

Depth scenes come from `scenes` (one rendering of the stereo photograph, moved in many ways), flat
ones from drawn textures. Pictures are luminance (H, W) float32, sRGB-coded. Errors are stated as
the worst of the four corners and the centre.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from fixture_data import load_fixture
from scenes import blur, photograph, similarity, warp_exact
from scipy.ndimage import map_coordinates
from thin_lens import render_focus, see, surfaces

from merge.encoding import encode, linearize

LUMINANCE = np.array([0.2126, 0.7152, 0.0722], np.float32)


@dataclass(frozen=True, eq=False)
class MovedStack:
    """Pictures with the truth of their motion and light."""

    pictures: list[np.ndarray]
    transforms: list[np.ndarray]  # 3x3, reference → frame
    gains: list[float]  # linear light of each frame over the reference
    reference: int

    @property
    def shape(self) -> tuple[int, int]:
        """(H, W)."""
        height, width = self.pictures[0].shape
        return height, width

    def between(self, first: int, second: int) -> np.ndarray:
        """Return the true map first → second."""
        matrix = self.transforms[second] @ np.linalg.inv(self.transforms[first])
        return matrix / matrix[2, 2]


def worst_error_px(found: np.ndarray, truth: np.ndarray, shape: tuple[int, ...]) -> float:
    """Return the largest distance of the corners and the centre moved by both maps."""
    x, y = shape[1] - 1.0, shape[0] - 1.0
    points = np.array([[0, 0, 1], [x, 0, 1], [0, y, 1], [x, y, 1], [x / 2, y / 2, 1]]).T

    def move(matrix: np.ndarray) -> np.ndarray:
        moved = matrix @ points
        return moved[:2] / moved[2]

    return float(np.hypot(*(move(found) - move(truth))).max())


@lru_cache(maxsize=2)
def focus_views(frames: int) -> tuple[np.ndarray, ...]:
    """Return the photograph's linear luminance (H, W, 1) every 3 px of focus, in one geometry."""
    picture, depth = photograph()
    light = (linearize(picture, "srgb") @ LUMINANCE)[..., None]
    focus = np.arange(frames) * 3.0
    position = (depth * focus[-1]).astype(np.float32)
    return tuple(render_focus(light, position, focus, np.random.default_rng(7)))


def expose(light: np.ndarray, noise: float, rng: np.random.Generator) -> np.ndarray:
    """Return coded values with noise that grows with the square root of light, (H, W)."""
    coded = encode(np.maximum(light, 0), "srgb").reshape(light.shape[:2])
    sigma = noise * np.sqrt(0.25 + 0.75 * np.clip(coded, 0, 1) / 0.5)
    return np.clip(coded + sigma * rng.standard_normal(coded.shape), 0, 1).astype(np.float32)


def move_views(
    views: Sequence[np.ndarray],
    maps: Sequence[np.ndarray],
    *,
    gains: Sequence[float] | None = None,
    noise: float = 0.006,
) -> MovedStack:
    """Return pictures of linear ``views`` (H, W, 1), each moved by its map (scene → frame)."""
    rng = np.random.default_rng(3)
    gains = list(gains) if gains is not None else [1.0] * len(views)
    reference = len(views) // 2
    to_reference = np.linalg.inv(maps[reference])
    pictures = [
        expose(warp_exact(view, np.linalg.inv(m)) * gain, noise, rng)
        for view, m, gain in zip(views, maps, gains, strict=True)
    ]
    transforms = [m @ to_reference for m in maps]
    return MovedStack(
        pictures,
        [t / t[2, 2] for t in transforms],
        [gain / gains[reference] for gain in gains],
        reference,
    )


def breathing_maps(
    shape: tuple[int, ...],
    frames: int,
    *,
    breathing: float,
    shift_px: float,
    rotation_deg: float = 0.0,
    seed: int = 5,
) -> list[np.ndarray]:
    """Return similarity maps: even magnification, random shifts and rotations."""
    rng = np.random.default_rng(seed)
    middle = (frames - 1) / 2
    return [
        similarity(
            shape,
            magnification=1 + breathing * (i - middle) / max(frames - 1, 1),
            rotation_deg=rng.uniform(-rotation_deg, rotation_deg),
            shift=tuple(rng.uniform(-shift_px, shift_px, 2)),
        )
        for i in range(frames)
    ]


def turning_maps(
    shape: tuple[int, ...], frames: int, *, lens_mm: float, shift_px: float
) -> list[np.ndarray]:
    """Return maps of a camera turned a little from frame to frame, with 1 % of breathing.

    Sensor 36 mm wide; the middle frame stays.
    """
    rng = np.random.default_rng(11)
    focal = lens_mm / 36 * shape[1]
    turns = np.degrees(rng.uniform(-shift_px, shift_px, (frames, 2)) / focal)
    rolls = rng.uniform(-0.3, 0.3, frames)
    middle = frames // 2
    turns[middle], rolls[middle] = 0, 0
    maps = []
    for i in range(frames):
        yaw, pitch = turns[i]
        turned = tilt(shape, yaw_deg=yaw, pitch_deg=pitch, roll_deg=rolls[i], focal_px=focal)
        size = similarity(shape, magnification=1 + 0.01 * (i - middle) / max(frames - 1, 1))
        maps.append(size @ turned)
    return maps


def distort(view: np.ndarray, share: float) -> np.ndarray:
    """Return a picture (H, W, 1) through a lens that enlarges the corners by ``share``.

    A point at r is seen at r (1 + share r²), r from the centre in half diagonals.
    """
    height, width = view.shape[:2]
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    rows, columns = np.indices((height, width))
    seen = (np.stack([columns, rows], -1) - centre) / np.hypot(*centre)
    points = seen.copy()
    for _ in range(8):
        points = seen / (1 + share * (points**2).sum(-1, keepdims=True))
    x, y = np.moveaxis(points * np.hypot(*centre) + centre, -1, 0)
    moved = map_coordinates(view[..., 0], [y, x], order=5, mode="reflect")
    return moved[..., None].astype(np.float32)


def shimmer(view: np.ndarray, away: np.ndarray) -> np.ndarray:
    """Return a picture (H, W, 1) seen through air that moves it by ``away`` (H, W, 2), (x, y) px.

    What lies at p + away(p) is seen at p.
    """
    rows, columns = np.indices(view.shape[:2])
    places = [rows + away[..., 1], columns + away[..., 0]]
    return map_coordinates(view[..., 0], places, order=5, mode="reflect")[..., None]


@lru_cache(maxsize=1)
def swaying_views(frames: int, sway_px: float) -> tuple[list[np.ndarray], np.ndarray, np.ndarray]:
    """Return views as `focus_views` has them, from a camera that moves sideways.

    The nearest points move by up to ``sway_px`` from frame to frame, the farthest not at all.

    Returns
    -------
    views : list of ndarray, shape (H, W, 1)
    sways : ndarray, shape (frames, 2)
        (x, y) of the nearest points; 0 in the middle frame.
    position : ndarray, shape (H, W)
        Of the points of that frame, px of blur.
    """
    picture, depth = photograph()
    light = (linearize(picture, "srgb") @ LUMINANCE)[..., None]
    focus = np.arange(frames) * 3.0
    position = (depth * focus[-1]).astype(np.float32)
    sways = np.random.default_rng(4).uniform(-sway_px, sway_px, (frames, 2))
    sways[frames // 2] = 0
    place, depth_px, colour = surfaces(light, position, int(focus[-1] / 2 + sway_px) + 3)
    nearness = 1 - depth_px[:, None] / focus[-1]
    views = [
        see((place + nearness * sway[::-1], depth_px, colour), position.shape, at)
        for at, sway in zip(focus, sways, strict=True)
    ]
    return views, sways, position


def tilt(
    shape: tuple[int, ...],
    *,
    yaw_deg: float,
    pitch_deg: float,
    roll_deg: float,
    focal_px: float | None = None,
):
    """Return the map of a camera turned by hand about its lens; focal length: the long side."""
    focal = float(max(shape[:2])) if focal_px is None else focal_px
    centre = np.array(
        [[focal, 0, (shape[1] - 1) / 2], [0, focal, (shape[0] - 1) / 2], [0, 0, 1]], float
    )
    turn = cv2.Rodrigues(np.radians([pitch_deg, yaw_deg, 0.0]))[0]
    turn = cv2.Rodrigues(np.radians([0.0, 0.0, roll_deg]))[0] @ turn
    matrix = centre @ turn @ np.linalg.inv(centre)
    return matrix / matrix[2, 2]


@lru_cache(maxsize=1)
def handheld_landscape() -> MovedStack:
    """Return the rendered landscape as if held by hand: turned and shifted by several per cent.

    Frames move by about 3 % of the width, up to 0.8° of roll and a perspective of yaw and pitch.
    """
    bracket = load_fixture("landscape")
    crop = np.s_[150:1000, 200:1520]
    rng = np.random.default_rng(8)
    corner = np.array([[1, 0, crop[1].start], [0, 1, crop[0].start], [0, 0, 1.0]])
    angles = [(1.5, -0.8, 0.6), (0.0, 0.0, 0.0), (-1.2, 1.0, -0.8)]
    pictures, maps = [], []
    for i in range(3):
        light = linearize(bracket.frame(i), "srgb") @ LUMINANCE
        shape = light.shape
        yaw, pitch, roll = angles[i]
        by_hand = tilt(shape, yaw_deg=yaw, pitch_deg=pitch, roll_deg=roll)
        moved = warp_exact(light[..., None], np.linalg.inv(by_hand))[crop]
        pictures.append(expose(moved, 0.004, rng))
        maps.append(np.linalg.inv(corner) @ by_hand @ bracket.transforms[i] @ corner)
    maps = [m @ np.linalg.inv(maps[1]) for m in maps]
    gains = bracket.gains / bracket.gains[1]
    return MovedStack(pictures, [m / m[2, 2] for m in maps], gains.tolist(), 1)


def bumped_stack(frames: int, bumped: int) -> MovedStack:
    """Return a stack with one frame knocked by 15 px and blurred along a line of 5 px."""
    views = list(focus_views(frames))
    maps = breathing_maps(views[0].shape, frames, breathing=0.0015 * frames, shift_px=1.0, seed=9)
    maps[bumped] = np.array([[1, 0, 12], [0, 1, -9], [0, 0, 1.0]]) @ maps[bumped]
    shaken = cv2.blur(views[bumped], (5, 1), borderType=cv2.BORDER_REFLECT_101)
    views[bumped] = shaken.reshape(views[bumped].shape)
    return move_views(views, maps)


def bricks(shape: tuple[int, int]) -> np.ndarray:
    """Return a wall of bricks that differ faintly in shade, linear light, (H, W, 1)."""
    rng, period = np.random.default_rng(1), 32
    rows, columns = np.indices(shape)
    row = rows // (period // 2)
    column = (columns + (row % 2) * period // 2) // period
    joint = (rows % (period // 2) < 3) | ((columns + (row % 2) * period // 2) % period < 3)
    shade = rng.uniform(0.16, 0.24, (row.max() + 1, column.max() + 2))[row, column]
    light = np.where(joint, 0.45, shade).astype(np.float32)
    return cv2.GaussianBlur(light, (0, 0), 0.8)[..., None]


def faint_subject(shape: tuple[int, int]) -> np.ndarray:
    """Return a smooth ball with faint mottling before a plain background, linear, (H, W, 1)."""
    rng = np.random.default_rng(2)
    rows, columns = np.indices(shape)
    radius = np.hypot(rows - shape[0] / 2, columns - shape[1] / 2) / (0.35 * min(shape))
    mottling = cv2.GaussianBlur(rng.standard_normal(shape), (0, 0), 2.0)
    ball = 0.3 + 0.1 * np.sqrt(np.clip(1 - radius**2, 0, 1)) + 0.06 * mottling
    edge = np.clip((1 - radius) * 0.35 * min(shape) + 0.5, 0, 1)
    return (0.2 + edge * (ball - 0.2)).astype(np.float32)[..., None]


def mostly_defocused() -> list[np.ndarray]:
    """Return three views of the photograph with 60 % of their width under 25 px of defocus."""
    picture, _ = photograph()
    light = linearize(picture, "srgb") @ LUMINANCE
    edge = int(0.4 * light.shape[1])
    side = np.clip((np.arange(light.shape[1]) - edge) / 30.0 + 0.5, 0, 1).astype(np.float32)
    views = []
    for k in range(3):
        sharp, soft = blur(light, abs(k - 1) * 3.0), blur(light, 25.0 + k * 3.0)
        views.append((sharp + side * (soft - sharp))[..., None])
    return views
