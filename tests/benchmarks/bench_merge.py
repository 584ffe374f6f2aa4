"""Time and peak memory of `depthweld merge` for brackets of different length.

PYTHONPATH=.:tests python tests/benchmarks/bench_merge.py [megapixels] [frames …]
PYTHONPATH=.:tests python tests/benchmarks/bench_merge.py 24 8 30 64 --method surface
PYTHONPATH=.:tests python tests/benchmarks/bench_merge.py 6 20 --method detail
PYTHONPATH=.:tests python tests/benchmarks/bench_merge.py 24 30 --blurred-coded

Each bracket is merged by a process of its own, which reports its own peak. The frames are seeded
JPEGs with a camera's noise, of a camera's best quality, blurred in linear light, as a lens does;
with ``--blurred-coded`` after they were encoded, as drawn or simulated pictures are, the first of
which a merge reads twice (all frames were so up to commit 2176dff). Their bytes are in the page
cache, so times do not include a slow card. Beside it: one thread that only decodes the frames, and,
for small brackets, a script that decodes all frames, runs OpenCV's exposure fusion by contrast
alone on them, unaligned, and writes a TIFF.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
from bench_helpers import best_of, describe_machine, kept_results
from bench_io import busy_picture
from scenes import disk_kernel

from merge.encoding import encode, linearize
from merge.read import probe_frame, read_samples

# Runs the command and reports the peak of this process alone, whoever started it.
CHILD = f"""
import sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
from bench_helpers import peak_bytes
from merge.cli import main
code = 0
try:
    main(sys.argv[1:], standalone_mode=False)
except SystemExit as exc:
    code = exc.code or 0
print("peak", peak_bytes(), file=sys.stderr)
sys.exit(code)
"""

FUSION = f"""
import sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
from pathlib import Path
import cv2
import imagecodecs
import numpy as np
import tifffile
from bench_helpers import peak_bytes
paths = sorted(Path(sys.argv[1]).glob("*.jpg"))
frames = [imagecodecs.jpeg8_decode(path.read_bytes()) for path in paths]
fused = cv2.createMergeMertens(1, 0, 0).process(frames)
tifffile.imwrite(sys.argv[2], np.rint(fused.clip(0, 1) * 65535).astype(np.uint16))
print("peak", peak_bytes(), file=sys.stderr)
"""
# All frames and their pyramids as floats: above this the fusion needs more memory than there is.
_FUSION_PIXELS = 150e6
# From frame to frame; the blur circle no longer grows beyond so many frames.
_STEP_PX, _FARTHEST = 3.0, 12
_CODED = "--blurred-coded"
_NOISE = 1.8  # of 255, about ISO 400 on a full-frame sensor


def write_frames(folder: Path, picture: np.ndarray, count: int, mixing: str = "srgb") -> None:
    """Write a bracket whose focus moves from left to right and whose size grows by 2 %.

    ``mixing`` is the curve between what blur mixes and what is stored.
    """
    height, width = picture.shape[:2]
    light = linearize(picture.astype(np.float32) / 255, mixing)
    blurred = [picture]
    for away in range(1, min(count, _FARTHEST)):
        mixed = encode(cv2.filter2D(light, -1, disk_kernel(_STEP_PX * away)), mixing)
        blurred.append(np.rint(255 * mixed.clip(0, 1)).astype(np.uint8))
    for i in range(count):
        frame = np.empty_like(picture)
        edges = np.linspace(0, width, count + 1).astype(int)
        for k in range(count):
            part = np.s_[:, edges[k] : edges[k + 1]]
            frame[part] = blurred[min(abs(k - i), len(blurred) - 1)][part]
        size = 1 + 0.02 * i / max(count - 1, 1)
        matrix = cv2.getRotationMatrix2D((width / 2, height / 2), 0, size)
        moved = cv2.warpAffine(
            frame, matrix, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
        )
        noise = np.empty(moved.shape, np.int16)
        cv2.randn(noise, (0, 0, 0), (_NOISE,) * 3)
        noisy = cv2.add(moved, noise, dtype=cv2.CV_8U)
        path = folder / f"frame_{i:03d}.jpg"
        path.write_bytes(imagecodecs.jpeg8_encode(noisy, level=97))


def merge_in_process(folder: Path, *options: str) -> tuple[float, float, dict]:
    """Return wall-clock seconds, peak resident MiB, and the run's record."""
    arguments = ["merge", str(folder), "-o", str(folder.parent / "out.tif"), "--overwrite"]
    seconds, peak, output = run_child(CHILD, *arguments, "--json", *options)
    return seconds, peak, json.loads(output)


def run_child(code: str, *arguments: str) -> tuple[float, float, str]:
    """Return wall-clock seconds, peak resident MiB, and what a child process prints."""
    begun = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=False
    )
    seconds = time.perf_counter() - begun
    if done.returncode != 0:
        raise SystemExit(done.stderr)
    return seconds, int(done.stderr.rsplit("peak ", 1)[1]) / 2**20, done.stdout


def main(megapixels: float, counts: list[int], options: list[str]) -> None:
    picture = np.rint(busy_picture(megapixels) * 255).astype(np.uint8)
    print(describe_machine())
    print(f"{picture.shape[1]} x {picture.shape[0]} px, options: {' '.join(options) or 'none'}")
    mixing = "linear" if _CODED in options else "srgb"
    options = [option for option in options if option != _CODED]
    for count in counts:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "in"
            folder.mkdir()
            write_frames(folder, picture, count, mixing)
            sources = [probe_frame(path) for path in sorted(folder.iterdir())]
            decode = best_of(lambda s=sources: [read_samples(one) for one in s], times=2) / count
            seconds, peak, record = merge_in_process(folder, *options)
            if count * picture.shape[0] * picture.shape[1] <= _FUSION_PIXELS:
                fusion = run_child(FUSION, str(folder), str(folder.parent / "fused.tif"))
                print(f"    fusion script: {fusion[0]:.1f} s, peak {fusion[1]:.0f} MiB")
        stages = ", ".join(f"{stage} {t:.1f}" for stage, t in record["seconds"].items())
        print(
            f"{count:3d} frames: {seconds:6.1f} s, {seconds / count:.2f} s a frame "
            f"({seconds / count / decode:.1f} x one decode of {decode:.3f} s); "
            f"peak {peak:.0f} MiB; {stages}",
            flush=True,
        )


if __name__ == "__main__":
    given = sys.argv[1:]
    first_option = next((i for i, text in enumerate(given) if text.startswith("-")), len(given))
    numbers, extra = given[:first_option], given[first_option:]
    with kept_results(__file__):
        main(
            float(numbers[0]) if numbers else 24.0, [int(n) for n in numbers[1:]] or [8, 40], extra
        )
