"""Slanted edges: found in real pictures, measured in the manner of ISO 12233."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.apertures.results import EdgeResponse
from merge.encoding import linearize
from merge.model import FloatArray

_OVERSAMPLING = 4
_ROWS, _COLUMNS = 80, 64
# Wider boxes are better where they fit: the Hamming window must not narrow a wide spread.
_WIDE_COLUMNS = 112
# Slant against the pixel axis: less leaves phases of the pixel grid unsampled, more mixes the
# pixel's two directions.
_SLANT_DEG = (1.5, 20.0)
# A usable edge: step of linear light over the mean, unevenness of both sides over the step,
# scatter of the edge's position over the rows.
_STEP, _UNEVEN, _SCATTER_PX = 0.35, 0.06, 0.35
_CANDIDATES = 24


def measure_edge(
    luminance: FloatArray, transfer: str, box: tuple[int, int, int, int]
) -> EdgeResponse | None:
    """Return the spatial frequency response at the edge in a box, None if it is no clean edge.

    Parameters
    ----------
    luminance : ndarray, shape (H, W), float32
        In its own encoding.
    transfer : str
        Curve of the encoding; the response is one of linear light.
    box : tuple of int
        (row, column, height, width).

    Notes
    -----
    The edge-based SFR of ISO 12233:2017 (from memory): linear light; centroid of each row's
    derivative under a Hamming window; line fitted to the centroids; samples projected along
    the line into bins of a quarter pixel; derivative of that edge spread function; Hamming
    window; DFT; correction for the derivative's own response. Besides, frequencies are taken
    across the edge, not along the row, and the quarter-pixel bin's own response is undone.
    The 2023 edition allows curved edges and another window; straight edges give the same.
    """
    row, column, height, width = box
    if row < 0 or column < 0 or row + height > luminance.shape[0]:
        return None
    if column + width > luminance.shape[1]:
        return None
    light = linearize(luminance[row : row + height, column : column + width], transfer)
    upright = light if _runs_down(light) else np.ascontiguousarray(light.T)
    line = _fit_edge(upright)
    if line is None:
        return None
    offset, slope = line
    angle = math.degrees(math.atan(abs(slope)))
    if not _SLANT_DEG[0] <= angle <= _SLANT_DEG[1] or not _is_clean(upright, offset, slope):
        return None
    spread = _edge_spread(upright, offset, slope)
    if spread is None:
        return None
    frequency, response = _response(spread)
    return EdgeResponse(box, angle, frequency, response, _half_frequency(frequency, response))


def _runs_down(light: FloatArray) -> bool:
    """Tell whether the edge is nearer to the columns than to the rows."""
    across = np.abs(np.diff(light.astype(np.float64).mean(axis=0))).sum()
    along = np.abs(np.diff(light.astype(np.float64).mean(axis=1))).sum()
    return bool(across >= along)


def _fit_edge(light: FloatArray) -> tuple[float, float] | None:
    """Return (column at row 0, columns a row) of the edge, None if its rows scatter."""
    rows, columns = light.shape
    derivative = np.zeros(light.shape)
    derivative[:, 1:-1] = (light[:, 2:].astype(np.float64) - light[:, :-2]) / 2
    if derivative.sum() < 0:
        derivative = -derivative
    x, y = np.arange(columns), np.arange(rows)
    centre = np.full(rows, float(np.argmax(derivative.sum(axis=0))))
    line = (float(centre[0]), 0.0)
    for half_width in (columns / 2, 16.0, 8.0):
        distance = x[None, :] - centre[:, None]
        window = np.where(
            np.abs(distance) <= half_width, 0.54 + 0.46 * np.cos(np.pi * distance / half_width), 0
        )
        weighted = derivative * window
        total = weighted.sum(axis=1)
        if (total <= 0).any():
            return None
        found = (weighted * x).sum(axis=1) / total
        slope, offset = np.polyfit(y, found, 1)
        centre = offset + slope * y
        line = (float(offset), float(slope))
    scatter = float(np.std(found - centre))
    return (
        line if scatter <= _SCATTER_PX and 8 < centre.min() and centre.max() < columns - 8 else None
    )


def _is_clean(light: FloatArray, offset: float, slope: float) -> bool:
    """Tell whether both sides are even and the step is large."""
    y, x = np.indices(light.shape)
    distance = x - (offset + slope * y)
    low, high = light[distance < -6], light[distance > 6]
    if min(low.size, high.size) < 200:
        return False
    step = abs(float(high.mean() - low.mean()))
    uneven = max(float(low.std()), float(high.std()))
    return step > _STEP * float(light.mean()) and uneven < _UNEVEN * step


def _edge_spread(light: FloatArray, offset: float, slope: float) -> NDArray[np.float64] | None:
    """Return the edge spread function in quarter pixels across the edge, centred on it."""
    y, x = np.indices(light.shape)
    distance = (x - (offset + slope * y)) * math.cos(math.atan(slope))
    reach = int(min(offset, offset + slope * (light.shape[0] - 1)))
    reach = min(reach, int(light.shape[1] - 1 - max(offset, offset + slope * light.shape[0])))
    half = reach * _OVERSAMPLING
    index = np.floor(distance * _OVERSAMPLING + 0.5).astype(int) + half
    inside = (index >= 0) & (index <= 2 * half)
    counts = np.bincount(index[inside], minlength=2 * half + 1)
    sums = np.bincount(index[inside], light[inside].astype(np.float64), 2 * half + 1)
    if half < 8 * _OVERSAMPLING or (counts == 0).mean() > 0.1:
        return None
    filled = counts > 0
    place = np.arange(2 * half + 1)
    return np.interp(place, place[filled], sums[filled] / counts[filled])


def _response(spread: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    line = (spread[2:] - spread[:-2]) / 2
    centre = (len(line) - 1) / 2
    line = line * (0.54 + 0.46 * np.cos(np.pi * (np.arange(len(line)) - centre) / centre))
    padded = 8 * _OVERSAMPLING * 64
    transfer = np.abs(np.fft.rfft(line, padded))
    frequency = np.fft.rfftfreq(padded, 1 / _OVERSAMPLING)
    kept = frequency <= 1.0
    # sinc(f/2): difference over two quarter-pixel samples; sinc(f/4): the bin itself.
    own = np.sinc(frequency[kept] / 2) * np.sinc(frequency[kept] / 4)
    return np.asarray(frequency[kept]), np.asarray(transfer[kept] / transfer[0] / own)


def _half_frequency(frequency: NDArray[np.float64], response: NDArray[np.float64]) -> float:
    below = np.flatnonzero(response < 0.5)
    if not below.size or below[0] == 0:
        return math.nan
    i = int(below[0])
    part = (response[i - 1] - 0.5) / (response[i - 1] - response[i])
    return float(frequency[i - 1] + part * (frequency[i] - frequency[i - 1]))


def find_edge(luminance: FloatArray, transfer: str) -> tuple[int, int, int, int] | None:
    """Return the box of the cleanest slanted edge in a picture, None when there is none.

    Parameters
    ----------
    luminance : ndarray, shape (H, W), float32
    transfer : str
    """
    best, found = 0.0, None
    for place in _candidates(luminance):
        box = _largest_clean(luminance, transfer, place)
        if box is None:
            continue
        patch = luminance[box[0] : box[0] + box[2], box[1] : box[1] + box[3]]
        step = float(np.quantile(patch, 0.9) - np.quantile(patch, 0.1))
        step *= min(box[2], box[3]) / _COLUMNS
        if step > best:
            best, found = step, box
    return found


def _largest_clean(
    luminance: FloatArray, transfer: str, box: tuple[int, int, int, int]
) -> tuple[int, int, int, int] | None:
    """Return the widest box centred on the edge in which it is clean, None if there is none."""
    row, column, height, width = box
    light = linearize(luminance[row : row + height, column : column + width], transfer)
    down = _runs_down(light)
    line = _fit_edge(light if down else np.ascontiguousarray(light.T))
    if line is None:
        return None
    move = line[0] + line[1] * (_ROWS - 1) / 2 - (_COLUMNS - 1) / 2
    for columns in (_WIDE_COLUMNS, _COLUMNS):
        aside = round(move - (columns - _COLUMNS) / 2)
        wide = (
            (row, column + aside, height, columns)
            if down
            else (row + aside, column, columns, width)
        )
        if min(wide[0], wide[1]) >= 0 and measure_edge(luminance, transfer, wide) is not None:
            return wide
    return None


def _candidates(luminance: FloatArray) -> list[tuple[int, int, int, int]]:
    """Return boxes whose gradients are strong, of one direction, and slightly slanted."""
    step = 4
    height, width = luminance.shape
    small = cv2.resize(luminance, (width // step, height // step), interpolation=cv2.INTER_AREA)
    gx, gy = cv2.Sobel(small, cv2.CV_32F, 1, 0), cv2.Sobel(small, cv2.CV_32F, 0, 1)
    sums = [cv2.boxFilter(v, -1, (16, 16), normalize=False) for v in (gx * gx, gx * gy, gy * gy)]
    xx, xy, yy = sums
    swing = np.sqrt((xx - yy) ** 2 + 4 * xy**2)
    coherent = swing / np.maximum(xx + yy, 1e-9)
    angle = np.degrees(0.5 * np.arctan2(2 * xy, xx - yy))
    slant = np.minimum(np.abs(angle), np.abs(90 - np.abs(angle)))
    score = np.where(
        (coherent > 0.97) & (slant > _SLANT_DEG[0]) & (slant < _SLANT_DEG[1]), swing, 0
    )
    boxes: list[tuple[int, int, int, int]] = []
    for _ in range(_CANDIDATES):
        row, column = divmod(int(score.argmax()), score.shape[1])
        if score[row, column] <= 0:
            break
        down = abs(angle[row, column]) < 45
        size = (_ROWS, _COLUMNS) if down else (_COLUMNS, _ROWS)
        top, left = row * step - size[0] // 2, column * step - size[1] // 2
        if 0 <= top <= height - size[0] and 0 <= left <= width - size[1]:
            boxes.append((top, left, *size))
        score[max(0, row - 6) : row + 7, max(0, column - 6) : column + 7] = 0
    return boxes
