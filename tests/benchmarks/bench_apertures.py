"""Time of an aperture series of eight 24-megapixel frames against decoding them.

Run: ``PYTHONPATH=.:tests python tests/benchmarks/bench_apertures.py``.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from bench_helpers import best_of, describe_machine, kept_results
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from merge.pipeline.apertures import assess_apertures
from merge.read import probe_frame, read_luminance

WIDTH, HEIGHT = 6000, 4000
F_NUMBERS = (2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0, 32.0)


def write_frames(folder: Path) -> list[Path]:
    """Write a mosaic of photographs, blurred differently in each frame, with noise."""
    from skimage import data

    rng = np.random.default_rng(5)
    tiles = [getattr(data, n)() for n in ("brick", "grass", "gravel", "camera")]
    rows = [np.concatenate([tiles[k] for k in rng.integers(4, size=12)], 1) for _ in range(8)]
    scene = np.concatenate(rows)[:HEIGHT, :WIDTH].astype(np.float32)
    paths = []
    for i, number in enumerate(F_NUMBERS):
        frame = cv2.GaussianBlur(scene, (0, 0), 0.4 + 0.04 * number)
        frame = frame + rng.normal(0, 1.5, scene.shape).astype(np.float32)
        header = Image.Exif()
        part = header.get_ifd(0x8769)
        part[33437] = IFDRational(round(10 * number), 10)
        path = folder / f"FRM_{i + 1:04d}.JPG"
        grey = np.clip(frame, 0, 255).astype(np.uint8)
        Image.fromarray(np.repeat(grey[..., None], 3, axis=2)).save(
            path, quality=92, exif=header.tobytes()
        )
        paths.append(path)
    return paths


def processor_time(action) -> float:
    """Return the least processor time of three runs, all threads together."""
    seconds = []
    for _ in range(3):
        start = time.process_time()
        action()
        seconds.append(time.process_time() - start)
    return min(seconds)


def main() -> None:
    print(describe_machine())
    with tempfile.TemporaryDirectory() as name:
        paths = write_frames(Path(name))
        sources = [probe_frame(p) for p in paths]
        # Processor time beside wall-clock time: it holds on a machine that others use, too.
        decoding = best_of(lambda: [read_luminance(s) for s in sources])
        whole = best_of(lambda: assess_apertures(paths, pitch_um=4.0))
        decoding_cpu = processor_time(lambda: [read_luminance(s) for s in sources])
        whole_cpu = processor_time(lambda: assess_apertures(paths, pitch_um=4.0))
    print(f"decoding {len(paths)} frames of {WIDTH * HEIGHT / 1e6:.0f} MP: {decoding:.2f} s")
    print(f"series assessed: {whole:.2f} s, {whole / decoding:.2f} times the decoding")
    print(f"processor time {whole_cpu:.2f} s against {decoding_cpu:.2f} s")


if __name__ == "__main__":
    with kept_results(__file__):
        main()
