"""Gaussian and Laplacian pyramids that collapse exactly, for any size and channel count."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np

from merge.model import FloatArray


def _down(picture: FloatArray) -> FloatArray:
    return cv2.pyrDown(picture).reshape(
        (picture.shape[0] + 1) // 2, (picture.shape[1] + 1) // 2, *picture.shape[2:]
    )


def _up(picture: FloatArray, shape: tuple[int, ...]) -> FloatArray:
    return cv2.pyrUp(picture, dstsize=(shape[1], shape[0])).reshape(*shape[:2], *picture.shape[2:])


def build_gaussian(picture: FloatArray, levels: int) -> list[FloatArray]:
    """Return ``levels + 1`` pictures, each half the size of the one before.

    Parameters
    ----------
    picture : ndarray, shape (H, W) or (H, W, C), float32
    levels : int, >= 0
    """
    pyramid = [picture]
    for _ in range(levels):
        pyramid.append(_down(pyramid[-1]))
    return pyramid


def build_laplacian(picture: FloatArray, levels: int) -> list[FloatArray]:
    """Return ``levels`` band-pass pictures, the finest first, and the low-pass rest.

    Parameters
    ----------
    picture : ndarray, shape (H, W) or (H, W, C), float32
    levels : int, >= 0

    References
    ----------
    P. J. Burt and E. H. Adelson, "The Laplacian pyramid as a compact image code", IEEE Trans.
    Commun. 31(4), 532-540 (1983). doi:10.1109/TCOM.1983.1095851
    """
    pyramid = build_gaussian(picture, levels)
    for k in range(levels):
        rough = _up(pyramid[k + 1], pyramid[k].shape)
        pyramid[k] = np.subtract(pyramid[k], rough, out=rough)
    return pyramid


def collapse_pyramid(pyramid: Sequence[FloatArray]) -> FloatArray:
    """Return the picture whose `build_laplacian` is ``pyramid``.

    Examples
    --------
    >>> import numpy as np
    >>> picture = np.random.default_rng(1).random((37, 50, 3), np.float32)
    >>> bool(np.allclose(collapse_pyramid(build_laplacian(picture, 3)), picture, atol=1e-6))
    True
    """
    picture = pyramid[-1]
    for band in reversed(pyramid[:-1]):
        rough = _up(picture, band.shape)
        picture = np.add(rough, band, out=rough)
    return picture
