"""What a small picture tells about a shot: which scene it shows and where it is sharp."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import FloatArray

# Long side of the picture that the scene is recognised from: coarse enough that defocus of a
# few per cent of the frame leaves it alone.
_SCENE_PX = 48
# Long side of the picture that two shots are laid over each other with.
_VIEW_PX = 120
# Share of the frame that may slide out between two shots of one scene.
_SLACK = 0.1
# Tiles along the long side for the map of sharpness.
_TILES = 36
# Standard deviations of the Gaussians whose differences are the bands, in preview pixels. The
# first band only tells noise.
_BANDS_PX = (0.7, 1.4, 2.8)
# Standard deviation that white noise of 1 keeps in each of the bands after the first.
_NOISE_KEPT = tuple(
    float(np.sqrt((1 / a**2 + 1 / b**2 - 4 / (a**2 + b**2)) / (4 * np.pi)))
    for a, b in itertools.pairwise(_BANDS_PX)
)
# The same of the first band (a pixel less its Gaussian mean).
_NOISE_FIRST = float(
    np.sqrt(1 + 1 / (4 * np.pi * _BANDS_PX[0] ** 2) - 1 / (np.pi * _BANDS_PX[0] ** 2))
)
# Contrast (root mean square, of the mean) below which a tile counts as smooth.
_CONTRAST_FLOOR = 0.004


@dataclass(frozen=True, eq=False)
class SceneDescriptor:
    """One shot's small picture, reduced to what sorting compares.

    Attributes
    ----------
    scene : ndarray, shape (h, w), float32
        Smoothed thumbnail with the longer side at 48 px.
    view : ndarray, shape (v, w), float32
        Thumbnail with the longer side at 120 px, without its coarse brightness.
    energy : ndarray, shape (rows, columns, bands), float32
        Band energy of each tile over its squared brightness.
    noise : ndarray, shape (bands,), float32
        The same for the picture's noise, with what counts as smooth.
    light : float
        Mean brightness, 0 to 1, in the picture's encoding; 0 for a shot without preview.
    """

    scene: FloatArray
    view: FloatArray
    energy: FloatArray
    noise: FloatArray
    light: float


def describe_scene(preview: FloatArray) -> SceneDescriptor:
    """Return what sorting needs of a small picture.

    Parameters
    ----------
    preview : ndarray, shape (H, W), float32
        Luminance, 0 to 1, gamma-coded.
    """
    scene = cv2.GaussianBlur(_shrink(preview, _SCENE_PX), (0, 0), 1.0)
    view = cv2.GaussianBlur(_shrink(preview, _VIEW_PX), (0, 0), 1.2)
    view -= cv2.GaussianBlur(view, (0, 0), 8.0)
    height, width = preview.shape
    rows = max(2, round(_TILES * height / max(height, width)))
    columns = max(2, round(_TILES * width / max(height, width)))
    mean = np.maximum(_tile_means(preview, rows, columns), 0.02)
    levels = [cv2.GaussianBlur(preview, (0, 0), s) for s in _BANDS_PX]
    bands = [fine - coarse for fine, coarse in zip([preview, *levels], levels, strict=False)]
    # The finest band is mostly noise and JPEG error: it only tells how much of them there is.
    spread = float(np.median(np.abs(bands[0]))) / 0.6745 / _NOISE_FIRST
    energy = [_tile_means(b * b, rows, columns) / mean**2 for b in bands[1:]]
    light = float(preview.mean())
    noise = (np.array(_NOISE_KEPT) * spread / max(light, 0.02)) ** 2 + _CONTRAST_FLOOR**2
    return SceneDescriptor(
        scene=np.asarray(scene, np.float32),
        view=np.asarray(view, np.float32),
        energy=np.stack(energy, axis=-1).astype(np.float32),
        noise=noise.astype(np.float32),
        light=light,
    )


def _shrink(preview: FloatArray, side: int) -> NDArray[np.floating]:
    height, width = preview.shape
    scale = side / max(height, width)
    size = (max(8, round(width * scale)), max(8, round(height * scale)))
    return cv2.resize(preview, size, interpolation=cv2.INTER_AREA)


def _tile_means(values: NDArray[np.floating], rows: int, columns: int) -> FloatArray:
    means = cv2.resize(values, (columns, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(means, np.float32)


def same_scene(first: SceneDescriptor, second: SceneDescriptor) -> float:
    """Return how alike two scenes are: the correlation of the best small shift, -1 to 1.

    A shot without preview (all black) is like no other.
    """
    if first.scene.shape != second.scene.shape:
        return -1.0
    if first.light <= 0 or second.light <= 0:
        return 0.0
    height, width = first.scene.shape
    dy, dx = max(1, round(height * _SLACK)), max(1, round(width * _SLACK))
    template = first.scene[dy : height - dy, dx : width - dx]
    if template.std() < 1e-4 or second.scene.std() < 1e-4:
        return 1.0 if abs(first.light - second.light) < 0.05 else 0.0
    scores = cv2.matchTemplate(second.scene, template, cv2.TM_CCOEFF_NORMED)
    return float(scores.max())
