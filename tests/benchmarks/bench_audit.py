"""Time and memory of an audit of 40 frames of 24 megapixels, against decoding them once.

Run: ``PYTHONPATH=.:tests python tests/benchmarks/bench_audit.py``. What it finds and misses:
`bench_verdicts.py`.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import cv2
import numpy as np
from bench_helpers import kept_results, peak_mib
from blurred_scenes import occluding_disks
from scenes import blur

from merge.encoding import encode
from merge.pipeline.auditing import audit_stack
from merge.read import find_frames, read_luminance


def main() -> None:
    """Audit 40 JPEGs of 24 megapixels; compare with decoding them once."""
    texture = occluding_disks(1000, 1500, 3)
    texture = np.tile(np.hstack([texture, texture[:, ::-1]]), (4, 2))
    blurred = [encode(blur(texture, d), "srgb") for d in range(0, 26, 2)]
    levels = [(np.clip(b, 0, 1) * 255).astype(np.uint8) for b in blurred]
    edges = np.linspace(0, texture.shape[1], 41).astype(int)
    with tempfile.TemporaryDirectory() as folder:
        for i in range(40):
            frame = np.empty(texture.shape, np.uint8)
            for band in range(40):
                here = slice(edges[band], edges[band + 1])
                frame[:, here] = levels[min(abs(band - i), len(levels) - 1)][:, here]
            path = Path(folder) / f"frame_{i:02d}.jpg"
            cv2.imwrite(str(path), cv2.merge([frame] * 3), [cv2.IMWRITE_JPEG_QUALITY, 92])
        del blurred, levels, texture
        stack = find_frames(Path(folder))
        start = time.perf_counter()
        for source in stack.sources:
            read_luminance(source)
        decoded = time.perf_counter() - start
        result = audit_stack(stack)
        steps = np.diff(result.axis.positions_px) if result.axis else np.array([np.nan])
        peak = peak_mib(audit_folder, folder)
        print(
            f"40 frames of 24 MP: decoding once {decoded:.1f} s, audit {result.seconds:.1f} s "
            f"({result.seconds / decoded:.2f} x), steps {np.median(steps):.2f} px (2 px), "
            f"peak {peak:.0f} MiB over the libraries"
        )


def audit_folder(folder: str) -> None:
    audit_stack(find_frames(Path(folder)))


if __name__ == "__main__":
    with kept_results(__file__):
        main()
