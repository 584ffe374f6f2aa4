"""Motion models as small parameter vectors about the picture's centre.

A model's parameters are displacements in pixels: with u, v the position from the centre in units
of half the longer side, a point moves by ``basis(u, v) @ parameters``. So every parameter moves
the picture's rim by about its own value, whatever the model.
"""

from __future__ import annotations

import numpy as np

from merge.model import Array, FrameTransform, MotionModel


def normaliser(shape: tuple[int, ...]) -> Array:
    """Return the 3x3 map from normalised (u, v) to pixels of a picture of ``shape`` (H, W)."""
    half = max(shape[:2]) / 2
    return np.array([[half, 0, (shape[1] - 1) / 2], [0, half, (shape[0] - 1) / 2], [0, 0, 1.0]])


def basis(points: Array, shape: tuple[int, ...], model: MotionModel) -> Array:
    """Return displacement per parameter.

    Parameters
    ----------
    points : ndarray, shape (n, 2)
        (x, y) in pixels.
    shape : (H, W)
    model : {"shift", "similarity", "affine", "perspective"}

    Returns
    -------
    ndarray, shape (n, 2, p), float64
    """
    scale = normaliser(shape)
    u = (points[:, 0] - scale[0, 2]) / scale[0, 0]
    v = (points[:, 1] - scale[1, 2]) / scale[1, 1]
    one, zero = np.ones_like(u), np.zeros_like(u)
    columns_x, columns_y = [one, zero], [zero, one]
    if model == "similarity":
        columns_x += [u, -v]
        columns_y += [v, u]
    elif model in ("affine", "perspective"):
        columns_x += [u, v, zero, zero]
        columns_y += [zero, zero, u, v]
    if model == "perspective":
        columns_x += [-u * u, -u * v]
        columns_y += [-u * v, -v * v]
    return np.stack([np.stack(columns_x, 1), np.stack(columns_y, 1)], 1)


def increment(parameters: Array, shape: tuple[int, ...], model: MotionModel) -> Array:
    """Return the 3x3 map, acting on pixels, that moves points by ``parameters``."""
    scale = normaliser(shape)
    p = parameters / scale[0, 0]
    m = np.eye(3)
    m[:2, 2] = p[:2]
    if model == "similarity":
        m[:2, :2] += [[p[2], -p[3]], [p[3], p[2]]]
    elif model in ("affine", "perspective"):
        m[:2, :2] += [[p[2], p[3]], [p[4], p[5]]]
    if model == "perspective":
        m[2, :2] = p[6:8]
    result = scale @ m @ np.linalg.inv(scale)
    return np.asarray(result / result[2, 2])


def apply(matrix: Array, points: Array) -> Array:
    """Return (n, 2) points (x, y) moved by a 3x3 matrix."""
    moved = points @ matrix[:, :2].T + matrix[:, 2]
    return np.asarray(moved[:, :2] / moved[:, 2:])


def check_points(shape: tuple[int, ...]) -> Array:
    """Return the (x, y) of the four corners and the centre, where errors are stated."""
    x, y = shape[1] - 1.0, shape[0] - 1.0
    return np.array([[0, 0], [x, 0], [0, y], [x, y], [x / 2, y / 2]])


def resample(matrix: Array, factor: float) -> Array:
    """Return ``matrix`` for levels of a pyramid that are ``factor`` times as long.

    The levels' first pixels coincide: x_large = x_small * factor (`cv2.pyrDown` keeps every other
    pixel), other than in `rescale_transform`.
    """
    result = matrix * np.array([[1, 1, factor], [1, 1, factor], [1 / factor, 1 / factor, 1]])
    return np.asarray(result / result[2, 2])


def rescale_transform(
    transform: FrameTransform, factor: float, origin: tuple[float, float] = (0.0, 0.0)
) -> FrameTransform:
    """Return a transform for pictures whose sides are ``factor`` times as long.

    Parameters
    ----------
    transform : FrameTransform
    factor : float
        Pixel centres: x_large = (x_small + 0.5) * factor - 0.5. Positions on the focus axis stay in
        the pixels they were in.
    origin : (x, y)
        Of the rescaled reference's first pixel, in rescaled pixels of the whole reference.
    """
    first = np.array([[1, 0, origin[0]], [0, 1, origin[1]], [0, 0, 1.0]])
    to_large = np.array([[factor, 0, (factor - 1) / 2], [0, factor, (factor - 1) / 2], [0, 0, 1.0]])
    matrix = to_large @ transform.matrix @ np.linalg.inv(to_large) @ first
    parallax = transform.parallax
    if parallax is not None:
        parallax = to_large @ parallax / matrix[2, 2]
    x, y = (c * factor + (factor - 1) / 2 for c in transform.centre)
    field = transform.field and transform.field.rescaled(factor, origin)
    return FrameTransform(
        matrix / matrix[2, 2], parallax, transform.plane_px, transform.radial / factor**2, (x, y),
        field,
    )  # fmt: skip
