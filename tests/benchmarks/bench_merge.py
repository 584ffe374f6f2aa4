"""Time and peak memory of `depthweld merge` for brackets of different length.

PYTHONPATH=.:tests python tests/benchmarks/bench_merge.py [megapixels] [frames …]
PYTHONPATH=.:tests python tests/benchmarks/bench_merge.py 24 8 40 --method surface

Each bracket is merged by a process of its own, which reports its own peak. The frames are seeded
JPEGs; their bytes are in the page cache, so times do not include a slow card.
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
from bench_helpers import best_of, describe_machine
from bench_io import busy_picture

from merge.read import probe_frame, read_frame

# Runs the command and reports the peak of this process alone, whoever started it.
CHILD = f"""
import sys
sys.path.insert(0, {str(Path(__file__).parent)!r})
from bench_helpers import _peak_bytes
from merge.cli import main
code = 0
try:
    main(sys.argv[1:], standalone_mode=False)
except SystemExit as exc:
    code = exc.code or 0
print("peak", _peak_bytes(), file=sys.stderr)
sys.exit(code)
"""


def write_frames(folder: Path, picture: np.ndarray, count: int) -> None:
    """Write a bracket whose focus moves from left to right and whose size grows by 2 %."""
    height, width = picture.shape[:2]
    blurred = [picture]
    for sigma in (1.5, 3.0, 4.5, 6.0):
        blurred.append(cv2.GaussianBlur(picture, (0, 0), sigma))
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
        path = folder / f"frame_{i:03d}.jpg"
        path.write_bytes(imagecodecs.jpeg8_encode(moved, level=92))


def merge_in_process(folder: Path, *options: str) -> tuple[float, float, dict]:
    """Return wall-clock seconds, peak resident MiB, and the run's record."""
    arguments = ["merge", str(folder), "-o", str(folder.parent / "out.tif"), "--overwrite"]
    begun = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", CHILD, *arguments, "--json", *options],
        capture_output=True,
        text=True,
        check=False,
    )
    seconds = time.perf_counter() - begun
    if done.returncode != 0:
        raise SystemExit(done.stderr)
    peak = int(done.stderr.rsplit("peak ", 1)[1])
    return seconds, peak / 2**20, json.loads(done.stdout)


def main(megapixels: float, counts: list[int], options: list[str]) -> None:
    picture = np.rint(busy_picture(megapixels) * 255).astype(np.uint8)
    print(describe_machine())
    print(f"{picture.shape[1]} x {picture.shape[0]} px, options: {' '.join(options) or 'none'}")
    for count in counts:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name) / "in"
            folder.mkdir()
            write_frames(folder, picture, count)
            source = probe_frame(folder / "frame_000.jpg")
            decode = best_of(lambda s=source: read_frame(s))
            seconds, peak, record = merge_in_process(folder, *options)
        stages = ", ".join(f"{stage} {t:.1f}" for stage, t in record["seconds"].items())
        print(
            f"{count:3d} frames: {seconds:6.1f} s, {seconds / count:.2f} s a frame "
            f"({seconds / count / decode:.1f} x one decode of {decode:.2f} s); "
            f"peak {peak:.0f} MiB; {stages}",
            flush=True,
        )


if __name__ == "__main__":
    given = sys.argv[1:]
    first_option = next((i for i, text in enumerate(given) if text.startswith("-")), len(given))
    numbers, extra = given[:first_option], given[first_option:]
    main(float(numbers[0]) if numbers else 24.0, [int(n) for n in numbers[1:]] or [8, 40], extra)
