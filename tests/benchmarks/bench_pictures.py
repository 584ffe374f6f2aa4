"""Pictures that a library bundles, drawn as slopes through focus and merged, against simple ways.

Run: ``PYTHONPATH=.:tests python tests/benchmarks/bench_pictures.py [PICTURE ...]``

Eight frames of 300 x 400 px, 8 bits, that do not move; depth runs evenly from the bottom to the
top, each step 3 px of blur-circle diameter; blur by disks in linear light, noise of one step. PSNR
in dB of `merge_stack` and of the choice by the largest Laplacian over sigma 3 px. Told: findings
beyond notes; there is nothing to tell. The pictures are scikit-image's (Van der Walt et al., 2014);
"stars" and "shapes" are drawn.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import cv2
import numpy as np
import skimage.data
from bench_helpers import kept_results
from scenes import blur

from merge import MergeOptions, find_frames, merge_stack
from merge.encoding import encode, linearize

PICTURES = (
    "astronaut", "brick", "camera", "cell", "chelsea", "clock", "coffee", "coins", "grass",
    "gravel", "hubble_deep_field", "moon", "page", "rocket", "text", "checkerboard", "colorwheel",
    "horse", "logo", "shapes", "stars",
)  # fmt: skip
FRAMES, SHAPE, STEP_PX, RIM = 8, (300, 400), 3.0, 12


def drawn(name: str) -> np.ndarray:
    """Return "stars" or "shapes", coded values in [0, 1], (H, W)."""
    height, width = SHAPE
    picture = np.zeros(SHAPE, np.float32)
    if name == "stars":
        rng = np.random.default_rng(3)
        places = rng.integers(height, size=200), rng.integers(width, size=200)
        picture[places] = rng.random(200) ** 2
        return np.clip(6 * cv2.GaussianBlur(picture, (0, 0), 0.8) + 0.02, 0, 1)
    picture[:] = 0.6
    cv2.rectangle(picture, (70, 60), (160, 240), 0.3, -1)
    cv2.circle(picture, (285, 150), 50, 0.4, -1)
    cv2.line(picture, (165, 270), (235, 240), 0.1, 2)
    return picture


def picture_of(name: str) -> np.ndarray:
    """Return a picture's coded values in [0, 1], (H, W, 3)."""
    found = getattr(skimage.data, name)() if hasattr(skimage.data, name) else drawn(name)
    white = 255 if found.dtype == np.uint8 else 1
    colours = np.atleast_3d(found)[..., :3].astype(np.float32) / white
    shrinks = colours.shape[0] > SHAPE[0]
    way = cv2.INTER_AREA if shrinks else cv2.INTER_CUBIC
    fitted = cv2.resize(colours, SHAPE[::-1], interpolation=way).reshape(*SHAPE, -1)
    return np.clip(np.broadcast_to(fitted, (*SHAPE, 3)), 0, 1)


def frames_of(picture: np.ndarray) -> list[np.ndarray]:
    """Return the frames as stored, (H, W, 3), uint8."""
    light, rng = linearize(picture, "srgb"), np.random.default_rng(1)
    depth = np.broadcast_to(np.linspace(FRAMES - 1, 0, SHAPE[0])[:, None], SHAPE)
    frames = []
    for k in range(FRAMES):
        diameters, seen = np.rint(2 * STEP_PX * np.abs(depth - k)) / 2, light.copy()
        for diameter in np.unique(diameters):
            there = diameters == diameter
            seen[there] = blur(light, diameter)[there]
        coded = encode(seen, "srgb") + rng.normal(0, 1 / 255, seen.shape)
        frames.append(np.rint(np.clip(coded, 0, 1) * 255).astype(np.uint8))
    return frames


def choice_by_laplacian(frames: np.ndarray) -> np.ndarray:
    """Return each pixel of the frame (N, H, W, 3) that is sharpest around it."""
    sharpness = [
        cv2.GaussianBlur(np.abs(cv2.Laplacian(f.mean(axis=2), cv2.CV_32F, ksize=5)), (0, 0), 3)
        for f in frames
    ]
    return np.take_along_axis(frames, np.argmax(sharpness, axis=0)[None, ..., None], axis=0)[0]


def main() -> None:
    """Print a line a picture."""
    print(f"{'picture':20} merged Laplacian  told")
    for name in sys.argv[1:] or PICTURES:
        picture = picture_of(name)
        frames = frames_of(picture)
        with tempfile.TemporaryDirectory() as folder:
            for k, frame in enumerate(frames):
                cv2.imwrite(str(Path(folder) / f"{k}.png"), frame[..., ::-1])
            result = merge_stack(find_frames(Path(folder)), MergeOptions(motion="none"))
        inside = np.s_[RIM:-RIM, RIM:-RIM]
        chosen = choice_by_laplacian(np.stack(frames).astype(np.float32) / 255)
        merged, simple = (
            -10 * np.log10(np.mean((values - picture)[inside] ** 2))
            for values in (np.atleast_3d(result.pixels), chosen)
        )
        told = ", ".join(f.kind for f in result.findings if f.severity != "note")
        print(f"{name:20} {merged:6.1f} {simple:9.1f}  {told}", flush=True)


if __name__ == "__main__":
    with kept_results(__file__):
        main()
