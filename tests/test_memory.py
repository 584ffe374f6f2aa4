"""Memory must not grow with the number of frames, and a limit must be kept.

A child process's resident peak tells. The bar is that 64 frames of 24 megapixels need at most 5 %
more than 8 frames (`benchmarks/bench_merge.py`); this is the same at a size that a test can
afford. There a few percent are one frame, and how many frames are in flight at the peak depends on
when threads run: chance only adds, so a second run may mend a first one. The focus axis keeps about
a megabyte of every frame. So six more frames may cost up to three frames' pixels, not six.
"""

from __future__ import annotations

import dataclasses
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from small_brackets import small_bracket, write_frame

from merge.blend import DETAIL_PART_PX, PART_PX
from merge.errors import MemoryLimitError
from merge.model import MergeOptions
from merge.pipeline import merging
from merge.pipeline.memory import MemoryPlan, plan_memory
from merge.read import find_frames, probe_frame

HEIGHT, WIDTH = 800, 1200
CHILD = """
import sys
from merge.cli import main
main(sys.argv[1:], standalone_mode=False)
"""
# Rows of the parts that the output is blended in: a band holds whole ones.
PART = {"auto": PART_PX, "detail": DETAIL_PART_PX}
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


def write_bracket(folder: Path, count: int, height: int, width: int) -> Path:
    folder.mkdir()
    pictures, _ = small_bracket(count, height=height, width=width)
    for i, picture in enumerate(pictures):
        write_frame(folder / f"frame_{i:02d}.jpg", np.roll(picture, i % 4, axis=1), i)
    return folder


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs Linux's process status")
def test_peak_memory_does_not_grow_with_the_number_of_frames(tmp_path):
    frames = write_bracket(tmp_path / "in", 10, HEIGHT, WIDTH)
    # A limit sends what is kept of every frame to disk, as it would be at full size.
    allowed = 3 * HEIGHT * WIDTH * 3 * 4 / 2**20
    few, many = (peak_mib(frames, count, "--memory", "640MB") for count in (4, 10))
    if many - few >= allowed:
        many = min(many, peak_mib(frames, 10, "--memory", "640MB"))
    print(f"4 frames {few:.0f} MiB, 10 frames {many:.0f} MiB")
    assert many - few < allowed


# --- limits -----------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(
    ("method", "extent"), [("auto", "common"), ("auto", "reference"), ("detail", "reference")]
)
def test_result_in_bands_is_the_result_as_a_whole(tmp_path, monkeypatch, method, extent):
    """Two bands, the output on disk."""
    part, height = PART[method], PART[method] + 160
    stack = find_frames(write_bracket(tmp_path / "in", 4, height, 320))
    options = MergeOptions(method=method, extent=extent)
    whole = merging.merge_stack(stack, options)
    plan = MemoryPlan(1 << 20, ((0, part), (part, height)), on_disk=True)
    monkeypatch.setattr(merging, "plan_memory", lambda *given: plan)
    banded = merging.merge_stack(stack, options)
    np.testing.assert_allclose(banded.pixels, whole.pixels, atol=1e-6)


@pytest.mark.parametrize("method", ["auto", "detail"])
def test_bands_cover_the_output_and_grow_with_the_limit(tmp_path, method):
    source = probe_frame(write_frame(tmp_path / "a.jpg", np.zeros((16, 24, 3))))
    large = dataclasses.replace(source, shape=(9000, 13500, 3))

    def planned(limit_bytes: int | None) -> MemoryPlan:
        options = MergeOptions(method=method, memory_limit_bytes=limit_bytes)
        return plan_memory(large, (9000, 13500), options)

    assert planned(None).bands == ((0, 9000),)
    assert not planned(8 << 30).on_disk
    counts = []
    for limit in (2 << 30, 5 << 29):
        plan = planned(limit)
        assert plan.on_disk
        assert plan.bands[0][0] == 0
        assert plan.bands[-1][1] == 9000
        for one, two in zip(plan.bands, plan.bands[1:], strict=False):
            assert one[1] == two[0]
        assert all(top % PART[method] == 0 for top, _ in plan.bands)
        counts.append(len(plan.bands))
    assert counts[0] > counts[1] > 1


@pytest.mark.parametrize("method", ["auto", "detail"])
def test_a_limit_too_small_is_refused_before_any_work(tmp_path, method):
    for i in range(3):
        write_frame(tmp_path / f"{i}.jpg", np.zeros((HEIGHT, WIDTH, 3)), i)
    stack = find_frames(tmp_path)
    with pytest.raises(MemoryLimitError, match=r"1\.0 megapixels; give at least 0\.\d GB"):
        merging.merge_stack(stack, MergeOptions(method=method, memory_limit_bytes=64 << 20))
