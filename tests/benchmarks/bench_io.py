"""Times of reading and writing a picture.

PYTHONPATH=.:tests python tests/benchmarks/bench_io.py [megapixels]
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
from bench_helpers import best_of, describe_machine, kept_results, peak_mib, print_row
from io_samples import camera_colours, mosaic_of, write_dng, write_tiff

from merge.read import probe_frame, read_frame, read_luminance, read_preview
from merge.write import write_picture


def busy_picture(megapixels: float, *, seed: int = 7) -> np.ndarray:
    """Return (H, W, 3) float32 in [0, 1]: detail on all scales, noise of a real camera."""
    height = round((megapixels * 1e6 / 1.5) ** 0.5) // 16 * 16
    width = height * 3 // 2
    rng = np.random.default_rng(seed)
    picture = np.full((height, width, 3), 0.4, np.float32)
    for octave in range(1, 9):
        small = rng.standard_normal((height >> octave, width >> octave, 3), dtype=np.float32)
        picture += 0.02 * octave**0.5 * cv2.resize(small, (width, height))
    picture += 0.006 * rng.standard_normal(picture.shape, dtype=np.float32)
    return picture.clip(0, 1)


def make_files(folder: Path, picture: np.ndarray) -> list[Path]:
    """Write the picture in every format that is measured."""
    deep = np.rint(picture * 65535).astype(np.uint16)
    flat = (deep >> 8).astype(np.uint8)
    (folder / "full.jpg").write_bytes(imagecodecs.jpeg8_encode(flat, level=92))
    write_tiff(folder / "plain.tif", deep)
    write_tiff(folder / "deflate.tif", deep, compression="zlib", predictor=True)
    (folder / "deep.png").write_bytes(imagecodecs.png_encode(deep, level=1, strategy=3, filter=16))
    preview = cv2.resize(flat, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    exposure = (33434, 5, 1, (1, 250), True)
    sensor = mosaic_of(camera_colours(picture * 0.9))
    write_dng(folder / "sensor.dng", sensor, preview=preview, extra=(exposure,))
    return sorted(folder.iterdir())


def read_all(path: Path) -> None:
    read_frame(probe_frame(path))


def read_grey(path: Path, reduction: int) -> None:
    read_luminance(probe_frame(path), reduction=reduction)


def main(megapixels: float) -> None:
    picture = busy_picture(megapixels)
    print(describe_machine())
    print(f"{picture.shape[1]} x {picture.shape[0]} px, best of 3; memory is what the call adds")
    with tempfile.TemporaryDirectory() as name:
        for path in make_files(Path(name), picture):
            source = probe_frame(path)
            size = f"{path.stat().st_size / 1e6:.0f} MB"
            print_row(
                f"{path.name}: probe_frame", best_of(lambda p=path: probe_frame(p)), None, size
            )
            print_row(
                f"{path.name}: read_frame",
                best_of(lambda s=source: read_frame(s)),
                peak_mib(read_all, path),
            )
            for reduction in (1, 2, 4):
                print_row(
                    f"{path.name}: read_luminance /{reduction}",
                    best_of(lambda s=source, r=reduction: read_luminance(s, reduction=r)),
                    peak_mib(read_grey, path, reduction),
                )
            preview = best_of(lambda s=source: read_preview(s, min_long_side_px=1200))
            print_row(f"{path.name}: read_preview 1200", preview)
        source = probe_frame(Path(name) / "plain.tif")
        for suffix in (".tif", ".png", ".jpg"):
            target = Path(name) / f"written{suffix}"
            provenance = {"version": "0", "frames": ["a", "b"]}

            def write(target: Path = target, provenance: dict = provenance) -> None:
                write_picture(target, picture, source=source, provenance=provenance, overwrite=True)

            seconds = best_of(write)
            print_row(
                f"write_picture {suffix}", seconds, None, f"{target.stat().st_size / 1e6:.0f} MB"
            )


if __name__ == "__main__":
    with kept_results(__file__):
        main(float(sys.argv[1]) if len(sys.argv) > 1 else 24.0)
