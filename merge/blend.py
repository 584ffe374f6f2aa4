"""Join aligned frames into one picture, frame by frame, without holding the stack.

`DetailBlend` takes at every pyramid level the coefficient with the most local energy;
`SurfaceBlend` follows a depth map. Both take frames one by one and hold one pyramid.
"""

from __future__ import annotations

import cv2
import numpy as np

from merge.model import BoolArray, FloatArray
from merge.pyramid import build_gaussian, build_laplacian, collapse_pyramid

# Levels and window of `detail` (photograph scene: 29.4 dB with 7 levels and a window of 1 px,
# 27.9 without window, 27.7 with 3 levels).
_DETAIL_LEVELS = 7
_DETAIL_WINDOW_SIGMA_PX = 1.0
# Levels over which `surface` softens its seams (1 to 5 differ by less than 0.1 dB; more levels
# let defocused frames in at depth steps).
_SURFACE_LEVELS = 2
_SMALLEST_SIDE_PX = 8
# Rec. 601 luma weights (ITU-R BT.601-7, 2.5.1), for gamma-coded values.
_LUMA = (0.299, 0.587, 0.114)


def luminance(pixels: FloatArray) -> FloatArray:
    """Return luma, shape (H, W), of pixels of shape (H, W, C), in their own encoding."""
    if pixels.shape[2] == 1:
        return np.ascontiguousarray(pixels[..., 0])
    return cv2.transform(pixels, np.array([_LUMA], np.float32)).reshape(pixels.shape[:2])


def _levels(shape: tuple[int, ...], wanted: int) -> int:
    fitting = int(np.log2(max(min(shape[:2]) / _SMALLEST_SIDE_PX, 1)))
    return max(min(wanted, fitting), 1)


def _masks(valid: BoolArray | None, levels: int) -> list[BoolArray | None]:
    """Return where the coefficients of every level come from the frame's own pixels only."""
    if valid is None or valid.all():
        return [None] * (levels + 1)
    masks: list[BoolArray | None] = []
    for level in build_gaussian(valid.astype(np.float32), levels):
        masks.append(cv2.erode(level, np.ones((5, 5), np.uint8), borderValue=1) > 0.999)
    return masks


class DetailBlend:
    """Per level and pixel, the coefficient of the frame with the most local energy.

    Parameters
    ----------
    shape : tuple of int
        (H, W, C) of the frames.
    """

    def __init__(self, shape: tuple[int, ...]) -> None:
        self._count = _levels(shape, _DETAIL_LEVELS)
        self._bands: list[FloatArray] = []
        self._energies: list[FloatArray] = []
        self._weights: FloatArray | None = None

    def add(self, pixels: FloatArray, valid: BoolArray | None = None) -> None:
        """Take one frame, shape (H, W, C) float32 without NaN; ``valid`` (H, W) default all."""
        bands = build_laplacian(pixels, self._count)
        masks = _masks(valid, self._count)
        rest_weight = np.ones(bands[-1].shape[:2], np.float32)
        if masks[-1] is not None:
            rest_weight = np.maximum(masks[-1], np.float32(1e-6)).astype(np.float32)
        energies = []
        for band, mask in zip(bands[:-1], masks[:-1], strict=True):
            energy = luminance(band)
            cv2.multiply(energy, energy, dst=energy)
            energy = cv2.GaussianBlur(energy, (0, 0), _DETAIL_WINDOW_SIGMA_PX)
            if mask is not None:
                energy[~mask] = -1
            energies.append(energy)
        rest = bands[-1] * rest_weight[..., None]
        if self._weights is None:
            self._bands = [*bands[:-1], rest]
            self._energies, self._weights = energies, rest_weight
            return
        for k, energy in enumerate(energies):
            better = energy > self._energies[k]
            np.copyto(self._bands[k], bands[k], where=better[..., None])
            np.maximum(self._energies[k], energy, out=self._energies[k])
        self._bands[-1] += rest
        self._weights += rest_weight

    def result(self) -> FloatArray:
        """Return the picture, shape (H, W, C)."""
        assert self._weights is not None, "no frame was added"
        rest = self._bands[-1] / self._weights[..., None]
        return collapse_pyramid([*self._bands[:-1], rest])


class SurfaceBlend:
    """Each pixel from the two frames that its depth lies between; seams softened.

    Parameters
    ----------
    position : ndarray, shape (H, W), float32
        Depth in frames.
    shape : tuple of int
        (H, W, C) of the frames.
    """

    def __init__(self, position: FloatArray, shape: tuple[int, ...]) -> None:
        self._count = _levels(shape, _SURFACE_LEVELS)
        self._position = position
        self._bands: list[FloatArray] = []
        self._weights: list[FloatArray] = []

    def add(self, pixels: FloatArray, index: int, valid: BoolArray | None = None) -> None:
        """Take frame ``index``, shape (H, W, C) float32 without NaN."""
        weight = np.maximum(1 - np.abs(self._position - np.float32(index)), 0)
        if valid is not None:
            weight = weight * valid + np.float32(1e-6) * valid
        bands = build_laplacian(pixels, self._count)
        weights = build_gaussian(weight.astype(np.float32), self._count)
        if not self._bands:
            self._bands = [np.zeros_like(b) for b in bands]
            self._weights = [np.zeros_like(w) for w in weights]
        for k, (band, weight) in enumerate(zip(bands, weights, strict=True)):
            self._bands[k] += band * weight[..., None]
            self._weights[k] += weight

    def result(self) -> FloatArray:
        """Return the picture, shape (H, W, C)."""
        pairs = zip(self._bands, self._weights, strict=True)
        tiny = np.float32(1e-12)
        return collapse_pyramid([b / np.maximum(w, tiny)[..., None] for b, w in pairs])
