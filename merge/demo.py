"""An invented close-up scene and a thin lens to look at it through: light only, no files.

`paint_scene` makes stony ground that slants away, with lichen on its pebbles and moss stems
standing in front of it. `see_through_lens` gives a picture of it by sampling the aperture: the
mean of many pinhole views in linear light, each with true occlusion, so that an unsharp stem
veils the ground behind it as it does in a camera.

Depth is a position on the focus axis, in pixels of blur-circle diameter: a point at p is smeared
over a disk of diameter ``|focus - p|``; smaller positions are nearer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.compiled import njit
from merge.encoding import linearize
from merge.model import FloatArray

# Blur-circle diameter for each pixel of height above the ground: the scene is as deep as wide.
_BLUR_A_PX = 0.06
# Where the ground begins at the lower border and ends at the upper one, and the nearest stem, as
# shares of the scene's depth; what is left over keeps both ends of a bracket covered.
_GROUND_NEAR, _GROUND_FAR, _STEM_NEAR = 0.14, 0.96, 0.04
# Towards the light: from the upper left, in front; (x, y, towards the lens).
_TO_LIGHT = np.array([-0.48, -0.52, 0.71])
_STONES = np.array(
    [[196, 184, 166], [171, 150, 122], [140, 132, 124], [118, 97, 79], [158, 122, 98], [92, 86, 84]]
)
_LICHENS = np.array([[168, 178, 142], [204, 160, 74], [196, 200, 188]])
_SOIL = np.array([94, 75, 58])


@dataclass(frozen=True, eq=False)
class Scene:
    """Surface points of a scene, hidden ones included.

    Attributes
    ----------
    shape : tuple of int
        (H, W) of the pictures that `see_through_lens` gives.
    index : ndarray, shape (K, 2), int32
        (row, column) of every point.
    position : ndarray, shape (K,), float32
        On the focus axis, in px of blur-circle diameter.
    light : ndarray, shape (K, 3), float32
        Linear light, 1 = white.
    """

    shape: tuple[int, int]
    index: NDArray[np.int32]
    position: FloatArray
    light: FloatArray


@njit(nogil=True)
def _splat_views(index, position, light, focus, lens, total, hits):  # type: ignore[no-untyped-def] # pragma: no cover
    """Add the pinhole views from all ``lens`` points (unit disk): the nearest point wins."""
    height, width = hits.shape
    nearest = np.empty((height, width), np.float32)
    winner = np.empty((height, width), np.int32)
    for v in range(lens.shape[0]):
        nearest[:] = np.inf
        winner[:] = -1
        for k in range(index.shape[0]):
            half = (position[k] - focus) / 2
            row = int(np.rint(index[k, 0] + half * lens[v, 1]))
            column = int(np.rint(index[k, 1] + half * lens[v, 0]))
            if 0 <= row < height and 0 <= column < width and position[k] < nearest[row, column]:
                nearest[row, column] = position[k]
                winner[row, column] = k
        for row in range(height):
            for column in range(width):
                k = winner[row, column]
                if k >= 0:
                    hits[row, column] += 1
                    for channel in range(light.shape[1]):
                        total[row, column, channel] += light[k, channel]


def _view(scene: Scene, focus: float, views: int, turn: float) -> FloatArray:
    """Return the mean of ``views`` pinhole views, the lens points turned by an angle."""
    k = np.arange(views) + 0.5  # sunflower points: even over the disk
    radius, angle = np.sqrt(k / views), k * np.pi * (3 - np.sqrt(5)) + turn
    lens = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)
    total = np.zeros((*scene.shape, scene.light.shape[1]), np.float32)
    hits = np.zeros(scene.shape, np.float32)
    points = scene.index, scene.position, scene.light
    _splat_views(*points, focus, lens.astype(np.float32), total, hits)
    mean: FloatArray = np.divide(total, np.maximum(hits, 1)[..., None], dtype=np.float32)
    return mean


def _views_for(widest: float, least: int) -> int:
    """One view for each five pixels of the widest disk keeps the error below the noise."""
    return int(np.clip(np.pi / 4 * widest**2 / 5, least, 600))


def see_through_lens(scene: Scene, focus: float, *, turn: float = 0.0) -> FloatArray:
    """Return the scene as a thin lens sees it, (H, W, 3) float32 linear light.

    Parameters
    ----------
    scene : Scene
    focus : float
        In px of blur-circle diameter.
    turn : float
        Angle of the pattern of lens points, in radians.
    """
    widest = max(abs(focus - float(p)) for p in (scene.position.min(), scene.position.max()))
    return _view(scene, focus, _views_for(widest, 32), turn)


def see_all_sharp(scene: Scene) -> FloatArray:
    """Return the scene through a pinhole at the lens's centre, (H, W, 3) float32 linear light."""
    total = np.zeros((*scene.shape, 3), np.float32)
    hits = np.zeros(scene.shape, np.float32)
    centre = np.zeros((1, 2), np.float32)
    _splat_views(scene.index, scene.position, scene.light, 0.0, centre, total, hits)
    return total


def paint_scene(shape: tuple[int, int], depth_px: float, seed: int) -> Scene:
    """Return ground with pebbles and lichen, and moss stems before it.

    Parameters
    ----------
    shape : tuple of int
        (H, W) in pixels; everything grows with the width.
    depth_px : float
        Depth of the whole scene, from 0 on, in px of blur-circle diameter.
    seed : int
    """
    rng = np.random.default_rng(seed)
    ground = _paint_ground(shape, depth_px, rng)
    parts = [ground, *_paint_stems(shape, depth_px, rng)]
    index = np.concatenate([part[0] for part in parts]).astype(np.int32)
    position = np.concatenate([part[1] for part in parts]).astype(np.float32)
    light = linearize(np.concatenate([part[2] for part in parts]) / 255, "srgb")
    inside = ((index >= 0) & (index < np.array(shape))).all(axis=1)
    scene = Scene(shape, index[inside], position[inside], light[inside])
    return _without_never_seen(scene, int(depth_px / 2) + 2)


# Points on the way: (row, column), position, sRGB-coded colour 0..255.
_Points = tuple[NDArray[Any], NDArray[np.floating], NDArray[np.floating]]


def _without_never_seen(scene: Scene, reach: int) -> Scene:
    """Leave out what nearer surfaces hide from every point of the lens."""
    visible = np.full(scene.shape, np.inf, np.float32)
    rows, columns = scene.index.T
    np.minimum.at(visible, (rows, columns), scene.position)
    around = cv2.dilate(visible, np.ones((2 * reach + 1, 2 * reach + 1), np.uint8))
    kept = scene.position <= around[rows, columns] + 0.5
    return Scene(scene.shape, scene.index[kept], scene.position[kept], scene.light[kept])


def _clouds(shape: tuple[int, int], size: float, rng: np.random.Generator) -> FloatArray:
    """Return smooth noise of unit deviation in five octaves, the coarsest ``size`` px."""
    total = np.zeros(shape, np.float32)
    for octave in range(5):
        cell = max(size / 2**octave, 1.0)
        grid = (int(shape[0] / cell) + 3, int(shape[1] / cell) + 3)
        coarse = rng.standard_normal(grid).astype(np.float32)
        whole = cv2.resize(
            coarse, None, fx=cell, fy=cell, interpolation=cv2.INTER_CUBIC
        )  # one cell more than needed on each side
        total += 0.6**octave * whole[: shape[0], : shape[1]]
    return (total - total.mean()) / total.std()


def _ground_position(row: NDArray[Any], height: int, depth_px: float) -> FloatArray:
    share = _GROUND_FAR - (_GROUND_FAR - _GROUND_NEAR) * np.clip(row / height, 0, 1)
    return np.asarray(share * depth_px, np.float32)


def _paint_ground(shape: tuple[int, int], depth_px: float, rng: np.random.Generator) -> _Points:
    unit = shape[1] / 1200
    clouds = _clouds(shape, 120 * unit, rng)
    height = 3 * unit * clouds + 1.2 * _clouds(shape, 6 * unit, rng)
    colour = _SOIL + np.zeros((*shape, 3), np.float32)
    # In small pictures more would lie on one another unseen.
    grains = min(int(9000 * shape[0] / shape[1] * 1.5), shape[0] * shape[1] // 10)
    radius = 2.2 * unit / np.sqrt(rng.uniform((2.2 / 16) ** 2, 1, grains))
    pebbles = rng.uniform(24, 84, 26) * unit
    for size in np.concatenate([np.sort(pebbles)[::-1], radius]):
        _press_stone(height, colour, size, clouds, rng)
    lichen = _clouds(shape, 40 * unit, rng)
    height += 0.5 * unit * np.clip(lichen, 0, 1)
    colour *= 1 + 0.10 * _clouds(shape, 3, rng)[..., None]
    shade = _shade_relief(height, 14 * unit)
    rows, columns = np.indices(shape)
    position = _ground_position(rows, shape[0], depth_px) - _BLUR_A_PX * height / unit
    index = np.stack([rows.ravel(), columns.ravel()], axis=1)
    coded = np.clip(colour * shade[..., None], 3, 250)
    return index, np.maximum(position, 0).ravel(), coded.reshape(-1, 3)


def _press_stone(
    height: FloatArray,
    colour: FloatArray,
    size: float,
    clouds: FloatArray,
    rng: np.random.Generator,
) -> None:
    """Lay one rounded stone into the relief, smaller the farther away it lies."""
    y, x = rng.uniform(0, height.shape[0]), rng.uniform(0, height.shape[1])
    size *= 0.75 + 0.4 * y / height.shape[0]
    reach = int(size * 1.35) + 1
    top, left = max(int(y) - reach, 0), max(int(x) - reach, 0)
    box = np.s_[top : int(y) + reach + 1, left : int(x) + reach + 1]
    rows, columns = np.ogrid[top : top + height[box].shape[0], left : left + height[box].shape[1]]
    angle, flat = rng.uniform(0, np.pi), rng.uniform(0.62, 0.95)
    u = ((columns - x) * np.cos(angle) + (rows - y) * np.sin(angle)) / size
    v = ((rows - y) * np.cos(angle) - (columns - x) * np.sin(angle)) / (size * flat)
    around = np.arctan2(v, u)
    turns = rng.uniform(0, 2 * np.pi, 2)
    wobble = 1 + 0.07 * np.sin(3 * around + turns[0]) + 0.04 * np.sin(5 * around + turns[1])
    inside = np.clip(1 - (u * u + v * v) / wobble**2, 0, 1)
    rough = clouds[box] * 0.03 * size
    relief = height[top + height[box].shape[0] // 2, left + height[box].shape[1] // 2] * 0.3
    relief = relief + size * 0.62 * inside**0.6 + rough - 0.15 * size
    seen = (inside > 0) & (relief > height[box])
    height[box][seen] = relief[seen]
    colour[box][seen] = _stone_colour(size, inside.shape, rng)[seen]


def _stone_colour(size: float, shape: tuple[int, ...], rng: np.random.Generator) -> FloatArray:
    """Return a stone's colours: grains plain, pebbles speckled and partly under lichen."""
    base = _STONES[rng.integers(len(_STONES))] * rng.uniform(0.75, 1.15)
    plain = base + np.zeros((*shape, 3), np.float32)
    if min(shape) < 24:
        return plain.astype(np.float32)
    fine = _clouds((shape[0], shape[1]), 3, rng)
    broad = _clouds((shape[0], shape[1]), size * 0.7, rng)
    plain *= (1 + 0.09 * broad + 0.12 * fine)[..., None]
    plain = np.where((fine > 1.7)[..., None], plain * 0.45, plain)
    crust = _clouds((shape[0], shape[1]), size * 0.5, rng) + 0.35 * fine
    cover = np.clip((crust - rng.uniform(0.3, 1.5)) * 5, 0, 1)[..., None]
    lichen = _LICHENS[rng.integers(len(_LICHENS))] * (0.92 + 0.16 * fine)[..., None]
    return (plain * (1 - cover) + lichen * cover).astype(np.float32)


def _shade_relief(height: FloatArray, reach: float) -> FloatArray:
    """Return how bright a relief looks: light from one side, dim hollows."""
    slope_y, slope_x = np.gradient(cv2.GaussianBlur(height, (0, 0), 0.7))
    facing = _TO_LIGHT[2] - slope_x * _TO_LIGHT[0] - slope_y * _TO_LIGHT[1]
    facing = np.clip(facing / np.sqrt(1 + slope_x**2 + slope_y**2), 0, 1)
    hollow = np.clip((cv2.GaussianBlur(height, (0, 0), reach) - height) / reach, 0, 2)
    nook = np.clip((cv2.GaussianBlur(height, (0, 0), reach / 5) - height) / reach * 5, 0, 2)
    return (0.40 + 0.84 * facing) * np.exp(-0.9 * hollow - 0.5 * nook)


def _paint_stems(
    shape: tuple[int, int], depth_px: float, rng: np.random.Generator
) -> list[_Points]:
    """Return moss stems with their capsules, and finer hairs between them."""
    unit = shape[1] / 1200
    parts = []
    for number in range(22):
        hair = number >= 9
        foot = np.array([rng.uniform(0.04, 0.96), rng.uniform(0.5, 1.02)]) * shape[::-1]
        tall = shape[0] * (rng.uniform(0.10, 0.35) if hair else rng.uniform(0.38, 0.72))
        lean, bow = rng.uniform(-0.25, 0.25), rng.uniform(-0.3, 0.3)
        tip = foot + np.array([lean * tall, -tall])
        thick = unit * (rng.uniform(0.9, 1.5) if hair else rng.uniform(2.6, 4.4))
        start = float(_ground_position(foot[1:], shape[0], depth_px)[0])
        nearer = rng.uniform(0.2, 0.9) * (start - _STEM_NEAR * depth_px)
        ends = (start, start - nearer)
        green = rng.uniform(0, 1)
        colour = np.array([150, 84, 48]) * (1 - green) + np.array([138, 142, 62]) * green
        parts.append(_paint_stem(foot, tip, bow, thick, ends, colour, rng))
        if not hair:
            parts.append(_paint_capsule(tip, lean + bow, thick, ends[1], rng))
    return parts


def _paint_stem(
    foot: NDArray[np.floating],
    tip: NDArray[np.floating],
    bow: float,
    thick: float,
    ends: tuple[float, float],
    colour: NDArray[np.floating],
    rng: np.random.Generator,
) -> _Points:
    """Return the points of one bowed round stem; ``ends`` are the positions of foot and tip."""
    rows = np.arange(int(tip[1]), int(foot[1]) + 1)[:, None]
    along = np.clip((foot[1] - rows) / (foot[1] - tip[1]), 0, 1)
    centre = foot[0] + (tip[0] - foot[0]) * along + bow * (foot[1] - tip[1]) * along * (along - 1)
    radius = thick * (1.15 - 0.45 * along) * np.sqrt(1 + np.gradient(centre[:, 0])[:, None] ** 2)
    reach = int(radius.max()) + 2
    columns = np.floor(centre).astype(int) + np.arange(-reach, reach + 2)[None, :]
    across = (columns - centre) / radius
    bulge = np.sqrt(np.clip(1 - across**2, 0, 1))
    facing = np.clip(across * _TO_LIGHT[0] + bulge * _TO_LIGHT[2] + 0.1, 0, 1)
    grain = 1 + 0.10 * _clouds((len(rows), columns.shape[1]), 5, rng)
    coded = colour * ((0.38 + 0.85 * facing) * grain)[..., None]
    coded *= np.clip((foot[1] + 3 * thick - rows) / (9 * thick), 0.3, 1)[
        ..., None
    ]  # in its own shade
    coded += 70 * np.clip((facing - 0.9) * 10, 0, 1)[..., None] ** 2
    position = ends[0] + (ends[1] - ends[0]) * along - _BLUR_A_PX * thick * bulge
    seen = np.abs(across) <= 1
    index = np.stack(np.broadcast_arrays(rows, columns), axis=-1)[seen]
    return index, position[seen], np.clip(coded[seen], 3, 250)


def _paint_capsule(
    tip: NDArray[np.floating],
    tilt: float,
    thick: float,
    position: float,
    rng: np.random.Generator,
) -> _Points:
    """Return the points of a moss capsule: an egg on the stem's tip, with a paler lid."""
    long, wide = thick * rng.uniform(5.5, 7.5), thick * rng.uniform(2.8, 3.6)
    angle = np.arctan(tilt)
    centre = tip + 0.8 * long * np.array([np.sin(angle), -np.cos(angle)])
    reach = int(long) + 2
    rows = int(centre[1]) + np.arange(-reach, reach + 1)[:, None]
    columns = int(centre[0]) + np.arange(-reach, reach + 1)[None, :]
    x, y = columns - centre[0], rows - centre[1]
    up = (x * np.sin(angle) - y * np.cos(angle)) / long
    side = (x * np.cos(angle) + y * np.sin(angle)) / (wide * (1 - 0.28 * up))
    bulge = np.sqrt(np.clip(1 - up**2 - side**2, 0, 1))
    facing = np.clip(side * _TO_LIGHT[0] - up * _TO_LIGHT[1] + bulge * _TO_LIGHT[2], 0, 1)
    lid = np.clip((up - 0.62) * 12, 0, 1)[..., None]
    colour = np.array([122, 116, 46]) * (1 - lid) + np.array([188, 122, 60]) * lid
    ring = np.exp(-(((up - 0.62) / 0.05) ** 2))
    ribs = 1 + 0.07 * np.sin(9 * np.arcsin(np.clip(side, -1, 1)))
    grain = 1 + 0.07 * _clouds(bulge.shape, 6, rng)
    coded = colour * ((0.34 + 0.9 * facing) * grain * ribs * (1 - 0.45 * ring))[..., None]
    coded += 110 * np.clip((facing - 0.94) * 16, 0, 1)[..., None] ** 2
    seen = up**2 + side**2 <= 1
    index = np.stack(np.broadcast_arrays(rows, columns), axis=-1)[seen]
    nearer = (position - _BLUR_A_PX * wide * (0.2 + bulge))[seen]
    return index, np.maximum(nearer, 0), np.clip(coded[seen], 3, 250)
