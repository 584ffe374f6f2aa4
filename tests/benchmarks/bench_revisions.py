"""Two revisions against each other, so that noise of the machine does not decide.

PYTHONPATH=.:tests python tests/benchmarks/bench_revisions.py OLD NEW [--method auto] [--rounds 5]
    [--megapixels 24 --frames 30]

Both revisions are checked out side by side, each with an empty folder for its compiled loops, and
merge the same bracket: each once with nothing compiled, then in turn, round after round. Printed
are processor seconds (user and system, all threads) and wall-clock seconds of whole processes, the
medians of the rounds' ratios new / old with their range, what the first run took
beyond the median of the others, and how far the two pictures are apart. Processor seconds hold on
a busy machine where wall-clock seconds do not, but grow, too, where other work shares its cores.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

import numpy as np
import tifffile
from bench_helpers import RESULTS, describe_machine, kept_results
from bench_io import busy_picture
from bench_merge import write_frames

REPOSITORY = RESULTS.parents[2]


@dataclass
class Revision:
    """One revision, where it lies, and what its runs took."""

    name: str
    folder: Path
    cpu_s: list[float] = field(default_factory=list)
    wall_s: list[float] = field(default_factory=list)

    @property
    def output(self) -> Path:
        """The merged picture of its last run."""
        return self.folder.with_suffix(".tif")

    def merge(self, frames: Path, method: str) -> None:
        """Merge once in a process of its own."""
        loops = self.folder.with_suffix(".loops")
        loops.mkdir(exist_ok=True)
        environment = {**os.environ, "PYTHONPATH": str(self.folder), "NUMBA_CACHE_DIR": str(loops)}
        command = [
            sys.executable, "-m", "merge", "merge", str(frames), "-o", str(self.output),
            "--method", method, "--overwrite",
        ]  # fmt: skip
        before, began = _children_cpu_s(), time.perf_counter()
        done = subprocess.run(
            command, cwd=self.folder, env=environment, capture_output=True, text=True
        )
        if done.returncode not in (0, 3):
            raise SystemExit(f"{self.name}: {done.stderr}")
        self.wall_s.append(time.perf_counter() - began)
        self.cpu_s.append(_children_cpu_s() - before)


def _children_cpu_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _git(*arguments: str) -> str:
    command = ["git", "-C", str(REPOSITORY), *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout.strip()


def print_comparison(old: Revision, new: Revision) -> None:
    """Print what the runs took; the first of each had nothing compiled."""
    for one in (old, new):
        usual = median(one.cpu_s[1:])
        print(
            f"{one.name:10s} {usual:7.1f} s of processor, {median(one.wall_s[1:]):7.1f} s by the "
            f"clock; first run {one.cpu_s[0] - usual:+.1f} s of processor, "
            f"{one.wall_s[0] - median(one.wall_s[1:]):+.1f} s by the clock"
        )
    for name, before, after in (
        ("processor", old.cpu_s, new.cpu_s),
        ("clock", old.wall_s, new.wall_s),
    ):
        ratios = sorted(b / a for a, b in zip(before[1:], after[1:], strict=True))
        print(
            f"{name:10s} new / old {median(ratios):.2f} ({ratios[0]:.2f} to {ratios[-1]:.2f}), "
            f"first run {after[0] / before[0]:.2f}"
        )
    one, other = (tifffile.imread(r.output).astype(np.float64) / 65535 for r in (old, new))
    if one.shape != other.shape:
        print(f"pictures   {one.shape} and {other.shape}")
        return
    error = max(float(((one - other) ** 2).mean()), 1e-12)
    print(f"pictures   {-10 * np.log10(error):.1f} dB apart")


def main() -> None:
    """Compare two revisions."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("old")
    parser.add_argument("new")
    parser.add_argument("--method", default="auto")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--megapixels", type=float, help="a seeded bracket; default fixtures/macro")
    parser.add_argument("--frames", type=int, default=12)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        frames = REPOSITORY / "fixtures" / "macro"
        if given.megapixels:
            frames = Path(name) / "frames"
            frames.mkdir()
            picture = np.rint(busy_picture(given.megapixels) * 255).astype(np.uint8)
            write_frames(frames, picture, given.frames)
        both = [
            Revision(_git("rev-parse", "--short", r), Path(name) / f"{which}")
            for which, r in (("old", given.old), ("new", given.new))
        ]
        print(describe_machine())
        print(f"load of the machine at the start: {os.getloadavg()[0]:.1f}")
        try:
            for one in both:
                _git("worktree", "add", "--detach", str(one.folder), one.name)
            for _ in range(given.rounds + 1):
                for one in both:
                    one.merge(frames, given.method)
        finally:
            for one in both:
                _git("worktree", "remove", "--force", str(one.folder))
        print_comparison(*both)
        print(f"load of the machine at the end: {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    with kept_results(__file__):
        main()
