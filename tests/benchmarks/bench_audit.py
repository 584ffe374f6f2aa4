"""Time and memory of an audit of 40 frames of 24 megapixels, against decoding them once.

Run: ``PYTHONPATH=.:tests python tests/benchmarks/bench_audit.py``. Two kinds of JPEG: colour with a
camera's noise (4:2:2, 5 to 8 MB, as cameras write them) and grey without noise (three alike
channels, 3 MB). Decoding is all pixels to what the reader gives, 8 bits in three channels, on one
thread. Both run in turn, each in a process of its own as a command does; the median ratio counts.
What an audit finds and misses: `bench_verdicts.py`.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from bench_helpers import alone, kept_results, peak_mib
from blurred_scenes import occluding_disks
from scenes import blur

from merge.encoding import encode
from merge.pipeline.auditing import audit_stack
from merge.read import find_frames, read_samples

FRAMES, STEP_PX, ROUNDS = 40, 2, 5
# Noise of light where it is 0 and 1 (standard deviations), in each channel: ISO 800 or so.
DARK, BRIGHT = 0.005, 0.015


def lit_frames() -> Iterator[np.ndarray]:
    """Yield linear light (4000, 6000): bands of a texture, each in focus in one frame."""
    texture = occluding_disks(1000, 1500, 3)
    texture = np.tile(np.hstack([texture, texture[:, ::-1]]), (4, 2))
    levels = [blur(texture, d).astype(np.float32) for d in range(0, 26, STEP_PX)]
    edges = np.linspace(0, texture.shape[1], FRAMES + 1).astype(int)
    for i in range(FRAMES):
        nearest = [levels[min(abs(band - i), len(levels) - 1)] for band in range(FRAMES)]
        yield np.hstack([n[:, a:b] for n, a, b in zip(nearest, edges[:-1], edges[1:], strict=True)])


def write_pair(grey: Path, colour: Path, light: np.ndarray, seed: int) -> None:
    """Write light as a grey JPEG without noise, and tinted with a camera's noise."""
    stored = np.rint(255 * np.clip(encode(light, "srgb"), 0, 1)).astype(np.uint8)
    cv2.imwrite(str(grey), cv2.merge([stored] * 3), [cv2.IMWRITE_JPEG_QUALITY, 92])
    tints = np.random.default_rng(0).uniform(0.55, 1, (4, 6, 3)).astype(np.float32)
    rng, size = np.random.default_rng(seed), light.shape[::-1]
    channels = []
    for tint in cv2.split(cv2.resize(tints, size, interpolation=cv2.INTER_LINEAR)):
        shown = light * tint
        spread = np.sqrt(DARK**2 + (BRIGHT**2 - DARK**2) * np.clip(shown, 0, 1))
        shown += spread * rng.standard_normal(shown.shape, dtype=np.float32)
        channels.append(np.rint(255 * np.clip(encode(shown, "srgb"), 0, 1)).astype(np.uint8))
    sampling = [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_422]
    cv2.imwrite(str(colour), cv2.merge(channels), [cv2.IMWRITE_JPEG_QUALITY, 96, *sampling])


def decode_folder(folder: Path) -> float:
    """Return how many seconds decoding all frames takes, one after the other."""
    start = time.perf_counter()
    for source in find_frames(folder).sources:
        read_samples(source)
    return time.perf_counter() - start


def audit_folder(folder: Path) -> tuple[float, float]:
    """Return an audit's seconds, and its median step in px."""
    result = audit_stack(find_frames(folder))
    return result.seconds, float(np.median(np.diff(result.axis.positions_px)))


def main() -> None:
    """Audit both kinds; compare with decoding them once."""
    with tempfile.TemporaryDirectory() as temporary:
        folders = [Path(temporary) / kind for kind in ("grey", "colour")]
        for folder in folders:
            folder.mkdir()
        for i, light in enumerate(lit_frames()):
            write_pair(*(folder / f"frame_{i:02d}.jpg" for folder in folders), light, i)
        for folder in folders:
            size = sum(path.stat().st_size for path in folder.iterdir()) / FRAMES / 1e6
            alone(audit_folder, folder)  # loops are compiled once
            rounds = []
            for _ in range(ROUNDS):
                decoded, (took, step) = alone(decode_folder, folder), alone(audit_folder, folder)
                rounds.append((took / decoded, decoded, took))
            ratio, decoded, took = sorted(rounds)[ROUNDS // 2]
            print(
                f"{FRAMES} {folder.name} frames of 24 MP, {size:.1f} MB each: decoding once "
                f"{decoded:.1f} s, audit {took:.1f} s, {ratio:.2f} times as long ("
                + ", ".join(f"{r:.2f}" for r, *_ in rounds)
                + f"), steps {step:.2f} px ({STEP_PX} px), peak "
                f"{peak_mib(audit_folder, folder):.0f} MiB over the libraries",
                flush=True,
            )


if __name__ == "__main__":
    with kept_results(__file__):
        main()
