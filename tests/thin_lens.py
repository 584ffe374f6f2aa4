"""What a thin lens sees of a picture with depth, and the sRGB curve: no code of the product.

A frame is the mean of many pinhole views from points spread over the aperture, in linear light.
In every view near things hide what lies behind them; behind the rim of something near, the
farther surface goes on, because a wide aperture looks round it.
"""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import cv2
import numba
import numpy as np
from scipy.ndimage import distance_transform_edt

Points = tuple[np.ndarray, np.ndarray, np.ndarray]
# A rise of depth by more than this share of the whole range is a rim.
RIM = 0.04


def to_light(coded: np.ndarray) -> np.ndarray:
    """Return linear light of sRGB values (IEC 61966-2-1:1999, clause 5.2), odd below 0."""
    coded = np.asarray(coded, np.float32)
    size = np.abs(coded)
    light = np.where(size <= 0.04045, size / 12.92, ((size + 0.055) / 1.055) ** 2.4)
    return np.copysign(light, coded)


def to_coded(light: np.ndarray) -> np.ndarray:
    """Return sRGB values of linear light (IEC 61966-2-1:1999, clause 5.2), odd below 0."""
    light = np.asarray(light, np.float32)
    size = np.abs(light)
    coded = np.where(size <= 0.0031308, size * 12.92, 1.055 * size ** (1 / 2.4) - 0.055)
    return np.copysign(coded, light)


def render_focus(
    light: np.ndarray, position: np.ndarray, focuses: Sequence[float], rng: np.random.Generator
) -> list[np.ndarray]:
    """Return the picture as seen with each focus, (H, W, C) float32 linear light.

    Parameters
    ----------
    light : ndarray, shape (H, W, C)
        All-sharp picture in linear light.
    position : ndarray, shape (H, W)
        Depth as px of blur diameter, near = small: a point at p is smeared over a disk of
        ``|focus - p|`` px.
    focuses : sequence of float
    rng : Generator
        Turns the pattern of aperture points for each focus.
    """
    ends = float(position.min()), float(position.max())
    widest = max(abs(focus - end) for focus in focuses for end in ends)
    points = surfaces(light, position, int(widest / 2) + 2)
    turns = rng.uniform(0, 2 * np.pi, len(focuses))
    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(lambda f, t: see(points, position.shape, f, t), focuses, turns))


def see(points: Points, shape: tuple[int, ...], focus: float, turn: float = 0.0) -> np.ndarray:
    """Return points as a lens with a focus sees them, (H, W, C); ``turn`` turns its views."""
    place, depth, colour = points
    total = np.zeros((*shape[:2], colour.shape[1]), np.float32)
    hits = np.zeros(shape[:2], np.float32)
    # One view for about five pixels of the widest disk: what is left is below usual noise.
    disk = float(np.abs(depth - np.float32(focus)).max())
    views = int(np.clip(np.pi / 4 * disk**2 / 5, 64, 600))
    aperture = _aperture(views, turn)
    _add_views(place.astype(np.float32), depth, colour, np.float32(focus), aperture, total, hits)
    return total / np.maximum(hits, 1)[..., None]


def _aperture(count: int, turn: float) -> np.ndarray:
    """Return points spread evenly over the unit disk (Vogel's sunflower), shape (count, 2)."""
    k = np.arange(count) + 0.5
    radius, angle = np.sqrt(k / count), k * np.pi * (3 - np.sqrt(5)) + turn
    return np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1).astype(np.float32)


def surfaces(light: np.ndarray, position: np.ndarray, reach: int) -> Points:
    """Return (row, column), depth and light of all points, those behind rims first.

    The farther surface goes on behind a rim for ``reach`` px, mirrored at the rim.
    """
    height, width = position.shape
    rise = RIM * float(np.ptp(position))
    behind_rim = position - cv2.erode(position, np.ones((3, 3), np.uint8)) > rise
    away, (row, column) = distance_transform_edt(~behind_rim, return_indices=True)
    hidden = np.nonzero((away <= reach) & (position[row, column] > position + rise))
    row, column = row[hidden], column[hidden]
    mirror = (
        np.clip(2 * row - hidden[0], 0, height - 1),
        np.clip(2 * column - hidden[1], 0, width - 1),
    )
    alike = np.abs(position[mirror] - position[row, column]) < rise
    colour = np.where(alike[:, None], light[mirror], light[row, column])
    seen = np.indices(position.shape).reshape(2, -1).T
    return (
        np.concatenate([np.stack(hidden, axis=1), seen]).astype(np.float32),
        np.concatenate([position[row, column], position.ravel()]).astype(np.float32),
        np.concatenate([colour, light.reshape(-1, light.shape[2])]).astype(np.float32),
    )


@numba.njit(nogil=True, cache=False)
def _add_views(place, depth, colour, focus, aperture, total, hits):  # pragma: no cover - compiled
    """Add the views from all aperture points; of points at one pixel the nearest is seen."""
    height, width = hits.shape
    top = np.empty((height, width), np.int32)
    nearest = np.empty((height, width), np.float32)
    where = np.empty((depth.shape[0], 2), np.int32)
    half = (depth - focus) / np.float32(2)
    for v in range(aperture.shape[0]):
        x, y = aperture[v]
        for k in range(depth.shape[0]):  # apart from the next loop, so that it vectorises
            where[k, 0] = np.int32(np.rint(place[k, 0] + half[k] * y))
            where[k, 1] = np.int32(np.rint(place[k, 1] + half[k] * x))
        top[:] = -1
        nearest[:] = np.inf
        for k in range(depth.shape[0]):
            row, column = where[k]
            if 0 <= row < height and 0 <= column < width and depth[k] <= nearest[row, column]:
                top[row, column], nearest[row, column] = k, depth[k]
        for row in range(height):
            for column in range(width):
                k = top[row, column]
                if k >= 0:
                    hits[row, column] += 1
                    for channel in range(colour.shape[1]):
                        total[row, column, channel] += colour[k, channel]
