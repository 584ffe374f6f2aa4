"""Kernels for the one resampling: contrast kept, position, overshoot, time at 24 MP.

Run: ``python tests/benchmarks/bench_warp.py``. Transfer is averaged over sub-pixel phases; position
is the largest error of a ramp over a hundred sub-pixel shifts; overshoot that beside a black-white
edge at its worst phase.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import cv2
import numba
import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
from bench_helpers import best_of, describe_machine, kept_results

from merge.align import warp_frame
from merge.model import FrameTransform

Warp = Callable[[np.ndarray, np.ndarray], np.ndarray]
FREQUENCIES = (0.10, 0.25, 0.35)


def by_opencv(flag: int) -> Warp:
    def warp(pixels: np.ndarray, matrix: np.ndarray) -> np.ndarray:
        size = pixels.shape[1::-1]
        out = cv2.warpAffine(pixels, matrix[:2], size, flags=flag | cv2.WARP_INVERSE_MAP)
        return out.reshape(pixels.shape)

    return warp


def by_spline(pixels: np.ndarray, matrix: np.ndarray) -> np.ndarray:
    return warp_frame(pixels, FrameTransform(matrix))


def by_lanczos(lobes: int) -> Warp:
    def warp(pixels: np.ndarray, matrix: np.ndarray) -> np.ndarray:
        out = np.empty_like(pixels)
        _lanczos(pixels, out, matrix, lobes, _lanczos_table(lobes))
        return out

    return warp


def _lanczos_table(lobes: int, phases: int = 4096) -> np.ndarray:
    """Return normalised weights (phases + 1, 2 * lobes)."""
    fraction = np.arange(phases + 1)[:, None] / phases
    distance = fraction - np.arange(1 - lobes, lobes + 1)[None, :]
    weights = np.sinc(distance) * np.sinc(distance / lobes) * (np.abs(distance) < lobes)
    return (weights / weights.sum(axis=1, keepdims=True)).astype(np.float32)


@numba.njit(cache=True, parallel=True, fastmath=True)
def _lanczos(pixels, out, matrix, lobes, table):
    height, width, channels = pixels.shape
    for row in numba.prange(height):
        for column in range(width):
            sx = matrix[0, 0] * column + matrix[0, 1] * row + matrix[0, 2]
            sy = matrix[1, 0] * column + matrix[1, 1] * row + matrix[1, 2]
            left, top = int(np.floor(sx)), int(np.floor(sy))
            if not (lobes <= left < width - lobes and lobes <= top < height - lobes):
                for channel in range(channels):
                    out[row, column, channel] = np.nan
                continue
            wx = table[int((sx - left) * (len(table) - 1) + 0.5)]
            wy = table[int((sy - top) * (len(table) - 1) + 0.5)]
            for channel in range(channels):
                total = np.float32(0)
                for i in range(2 * lobes):
                    line = np.float32(0)
                    for j in range(2 * lobes):
                        line += wx[j] * pixels[top + 1 - lobes + i, left + 1 - lobes + j, channel]
                    total += wy[i] * line
                out[row, column, channel] = total


def shift(x: float) -> np.ndarray:
    return np.array([[1, 0, x], [0, 1, 0], [0, 0, 1.0]])


def transfer(warp: Warp, cycles_per_px: float) -> float:
    position = np.arange(240)
    wave = np.sin(2 * np.pi * cycles_per_px * position)
    picture = np.tile(wave, (40, 1)).astype(np.float32)[..., None].repeat(3, axis=2)
    amplitudes = []
    for phase in np.arange(0.05, 1.0, 0.1):
        line = warp(picture, shift(phase))[20, 20:220, 0]
        angle = 2 * np.pi * cycles_per_px * (position[20:220] + phase)
        waves = np.stack([np.sin(angle), np.cos(angle)], axis=1)
        amplitudes.append(np.hypot(*np.linalg.lstsq(waves, line, rcond=None)[0]))
    return float(np.mean(amplitudes))


def position_error_px(warp: Warp) -> float:
    ramp = np.tile(np.arange(64, dtype=np.float32), (40, 1))[..., None].repeat(3, axis=2)
    inner = np.s_[16:24, 16:48]
    return max(
        float(np.abs(warp(ramp, shift(k / 100))[inner] - ramp[inner] - k / 100).max())
        for k in range(100)
    )


def overshoot(warp: Warp) -> float:
    edge = np.zeros((40, 80, 3), np.float32)
    edge[:, 40:] = 1
    return max(float(warp(edge, shift(p))[20, 12:68].max() - 1) for p in np.arange(0, 1, 0.05))


def main() -> None:
    print(describe_machine())
    kernels: dict[str, Warp] = {
        "OpenCV linear": by_opencv(cv2.INTER_LINEAR),
        "OpenCV cubic (a = -0.75)": by_opencv(cv2.INTER_CUBIC),
        "OpenCV Lanczos-4": by_opencv(cv2.INTER_LANCZOS4),
        "Lanczos-3, 4096 phases": by_lanczos(3),
        "Lanczos-4, 4096 phases": by_lanczos(4),
        "cubic B-spline (in use)": by_spline,
    }
    frame = np.random.default_rng(0).random((4000, 6000, 3)).astype(np.float32)
    angle = 0.002
    matrix = np.array(
        [[np.cos(angle), -np.sin(angle), 1.3], [np.sin(angle), np.cos(angle), 0.4], [0, 0, 1.0]]
    )
    print("| kernel | 0.10 | 0.25 | 0.35 cy/px | position px | overshoot | 24 MP x 3 |")
    print("|---|---|---|---|---|---|---|")
    for name, warp in kernels.items():
        shares = " | ".join(f"{transfer(warp, f):.3f}" for f in FREQUENCIES)
        seconds = best_of(lambda warp=warp: warp(frame, matrix))
        print(
            f"| {name} | {shares} | {position_error_px(warp):.4f} | {100 * overshoot(warp):.0f} % "
            f"| {seconds:.2f} s |",
            flush=True,
        )


if __name__ == "__main__":
    with kept_results(__file__):
        main()
