"""Memory must not grow with the number of frames: a child process's resident peak tells.

The bar is that 40 frames of 24 megapixels need at most 5 % more than 8 frames
(`benchmarks/bench_merge.py`); this is the same at a size that a test can afford. There a few
percent are one frame, and how many frames are in flight at the peak depends on when threads run:
so twelve more frames may cost up to two frames' pixels, and not twelve.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from small_brackets import small_bracket, write_frame

HEIGHT, WIDTH = 800, 1200
CHILD = """
import sys
from merge.cli import main
main(sys.argv[1:], standalone_mode=False)
"""
REPORT = "print(open('/proc/self/status').read(), file=sys.stderr)"


def peak_mib(folder: Path, count: int, *options: str) -> float:
    """Return the peak of merging the first frames of a folder, in a process of its own."""
    frames = [str(path) for path in sorted(folder.glob("*.jpg"))[:count]]
    code = f"import atexit, sys\natexit.register(lambda: {REPORT})\n{CHILD}"
    out = str(folder.parent / "out.tif")
    done = subprocess.run(
        [sys.executable, "-c", code, "merge", *frames, "-o", out, "--overwrite", *options],
        cwd=Path(__file__).parents[1],
        capture_output=True,
        text=True,
        check=True,
    )
    return int(re.search(r"VmHWM:\s+(\d+) kB", done.stderr)[1]) / 1024


@pytest.fixture(scope="module")
def frames(tmp_path_factory) -> Path:
    """Return a folder of 20 frames of a megapixel."""
    folder = tmp_path_factory.mktemp("many") / "in"
    folder.mkdir()
    pictures, _ = small_bracket(6, height=HEIGHT, width=WIDTH)
    for i in range(20):
        picture = pictures[i // 4]
        write_frame(folder / f"frame_{i:02d}.jpg", np.roll(picture, i % 4, axis=1), i)
    return folder


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs Linux's process status")
def test_peak_memory_does_not_grow_with_the_number_of_frames(frames):
    # A small limit sends what is kept of every frame to disk, as it would be at full size.
    few, many = (peak_mib(frames, count, "--memory", "64MB") for count in (8, 20))
    print(f"8 frames {few:.0f} MiB, 20 frames {many:.0f} MiB")
    assert many - few < 2 * HEIGHT * WIDTH * 3 * 4 / 2**20
