"""What a small picture tells about a shot: which scene it shows and where it is sharp."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import FloatArray

# Long side of the picture that the scene is recognised from: coarse enough that defocus of a
# few per cent of the frame leaves it alone.
_SCENE_PX = 48
# Share of the frame that may slide out between two shots of one scene.
_SLACK = 0.1
# Tiles along the long side for the map of sharpness.
_TILES = 12
# Standard deviations of the Gaussians whose differences are the bands, in preview pixels.
_BANDS_PX = (0.7, 1.4, 2.8)
# Contrast (root mean square, of the mean) below which a tile counts as smooth.
_CONTRAST_FLOOR = 0.004


@dataclass(frozen=True, eq=False)
class Likeness:
    """One shot's small picture, reduced to what sorting compares.

    Attributes
    ----------
    scene : ndarray, shape (h, w), float32
        Smoothed thumbnail with the longer side at 48 px.
    detail : ndarray, shape (bands, tiles), float32
        Logarithm of the band energy of each tile over its squared brightness.
    noise : ndarray, shape (bands,), float32
        The same for the picture's noise.
    rows, columns : int
        Grid of the tiles.
    light : float
        Mean brightness, 0 to 1, in the picture's encoding.
    """

    scene: FloatArray
    detail: FloatArray
    noise: FloatArray
    rows: int
    columns: int
    light: float


def describe(preview: FloatArray) -> Likeness:
    """Return what sorting needs of a small picture.

    Parameters
    ----------
    preview : ndarray, shape (H, W), float32
        Luminance, 0 to 1, gamma-coded.
    """
    height, width = preview.shape
    scale = _SCENE_PX / max(height, width)
    size = (max(8, round(width * scale)), max(8, round(height * scale)))
    scene = cv2.resize(preview, size, interpolation=cv2.INTER_AREA)
    scene = cv2.GaussianBlur(scene, (0, 0), 1.0)
    rows = max(2, round(_TILES * height / max(height, width)))
    columns = max(2, round(_TILES * width / max(height, width)))
    mean = np.maximum(_tile_means(preview, rows, columns), 0.02)
    levels = [cv2.GaussianBlur(preview, (0, 0), s) for s in _BANDS_PX]
    bands = [fine - coarse for fine, coarse in zip([preview, *levels], levels, strict=False)]
    # The finest band is mostly noise and JPEG error: it only tells how much of them there is.
    spread = float(np.median(np.abs(bands[0]))) / 0.6745
    detail = [
        np.log(_tile_means(b * b, rows, columns) / mean**2 + _CONTRAST_FLOOR**2).ravel()
        for b in bands[1:]
    ]
    light = float(preview.mean())
    noise = np.log(
        [(0.3 * spread / max(light, 0.02)) ** 2 + _CONTRAST_FLOOR**2] * len(detail),
    )
    return Likeness(
        scene=np.asarray(scene, np.float32),
        detail=np.asarray(detail, np.float32),
        noise=noise.astype(np.float32),
        rows=rows,
        columns=columns,
        light=light,
    )


def _tile_means(values: NDArray[np.floating], rows: int, columns: int) -> FloatArray:
    means = cv2.resize(values, (columns, rows), interpolation=cv2.INTER_AREA)
    return np.asarray(means, np.float32)


def same_scene(first: Likeness, second: Likeness) -> float:
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


def focus_distances(likenesses: list[Likeness]) -> NDArray[np.float64]:
    """Return how differently sharpness is spread in every two shots of one scene.

    Parameters
    ----------
    likenesses : list of Likeness
        n shots of one scene, of one size.

    Returns
    -------
    ndarray, shape (n, n), float64
        Root mean square over the textured tiles of the difference of log energies: near 0 for
        one focus, growing with the way that focus went.
    """
    detail = np.stack([one.detail for one in likenesses]).astype(np.float64)
    noise = np.stack([one.noise for one in likenesses]).max(axis=0)
    # A tile tells something when it shows detail above the noise in its sharpest shot.
    weight = np.clip(detail.max(axis=0) - noise[:, None] - 0.7, 0.0, 2.0)
    total = weight.sum()
    if total <= 0:
        return np.zeros((len(likenesses), len(likenesses)))
    scaled = (np.sqrt(weight / total) * detail).reshape(len(likenesses), -1)
    scaled -= scaled.mean(axis=0)
    # |a - b|² from inner products: a day of one scene must not fill memory with differences.
    power = (scaled**2).sum(axis=1)
    squared = power[:, None] + power[None, :] - 2 * scaled @ scaled.T
    return np.sqrt(np.maximum(squared, 0.0))


def sharp_centre(likeness: Likeness, all_shots: list[Likeness]) -> tuple[float, float]:
    """Return (row, column), 0 to 1, of the middle of what is sharpest in this shot."""
    detail = np.stack([one.detail[0] for one in all_shots])
    gain = np.exp(likeness.detail[0] - detail.max(axis=0)) ** 2
    textured = np.clip(detail.max(axis=0) - likeness.noise[0] - 0.7, 0.0, 2.0)
    weight = (gain * textured).reshape(likeness.rows, likeness.columns)
    if weight.sum() <= 0:
        return 0.5, 0.5
    row = (weight.sum(axis=1) @ (np.arange(likeness.rows) + 0.5)) / weight.sum()
    column = (weight.sum(axis=0) @ (np.arange(likeness.columns) + 0.5)) / weight.sum()
    return float(row / likeness.rows), float(column / likeness.columns)
