"""Measure, print and keep: best of n, peak resident size, machine and versions, result files."""

from __future__ import annotations

import contextlib
import datetime as dt
import importlib.metadata
import io
import multiprocessing
import os
import platform
import re
import resource
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psutil

PACKAGES = ("numpy", "opencv-python-headless", "imagecodecs", "tifffile", "rawpy", "pillow")


RESULTS = Path(__file__).parent / "results"


class _Tee(io.TextIOBase):
    """Writes what it is given twice: to the screen, and to be kept."""

    def __init__(self, screen: Any) -> None:
        self.screen, self.kept = screen, io.StringIO()

    def write(self, text: str) -> int:
        self.screen.write(text)
        return self.kept.write(text)

    def flush(self) -> None:
        self.screen.flush()


@contextlib.contextmanager
def kept_results(script: str) -> Iterator[None]:
    """Keep what a benchmark prints in ``results/``, with its command, commit, machine and date.

    The file is written when the benchmark has ended well; one file for each set of options.
    """
    name = "-".join([Path(script).stem, *(a.strip("-") for a in sys.argv[1:])])
    tee = _Tee(sys.stdout)
    with contextlib.redirect_stdout(tee):
        yield
    head = (
        f"command  {Path(script).name} {' '.join(sys.argv[1:])}\n"
        f"commit   {current_commit()}\n"
        f"date     {dt.date.today().isoformat()}\n"
        f"machine  {describe_machine()}\n\n"
    )
    RESULTS.mkdir(exist_ok=True)
    target = RESULTS / f"{re.sub(r'[^A-Za-z0-9.-]+', '_', name)[:80]}.txt"
    target.write_text(head + tee.kept.getvalue(), encoding="utf-8")


def current_commit() -> str:
    """Return the short hash of the commit that is measured, marked where files have changed."""
    git = ["git", "-C", str(RESULTS.parent)]
    try:
        head = subprocess.run(
            [*git, "rev-parse", "--short", "HEAD"], capture_output=True, text=True
        )
        dirty = subprocess.run([*git, "status", "--porcelain"], capture_output=True, text=True)
    except OSError:
        return "unknown"
    if head.returncode:
        return "unknown"
    return head.stdout.strip() + (" with changes" if dirty.stdout.strip() else "")


def best_of(action: Callable[[], Any], *, times: int = 3) -> float:
    """Return the shortest wall-clock time of an action in seconds."""
    seconds = []
    for _ in range(times):
        start = time.perf_counter()
        action()
        seconds.append(time.perf_counter() - start)
    return min(seconds)


def peak_mib(action: Callable[..., Any], *arguments: Any) -> float:
    """Return the peak resident size that an action adds, in MiB, in a process of its own.

    The action and its arguments must be importable or picklable.
    """
    return alone(_added_peak, action, arguments)


def alone(action: Callable[..., Any], *arguments: Any) -> Any:
    """Return what an action returns in a process of its own; both must be picklable."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(action, arguments)


def _added_peak(action: Callable[..., Any], arguments: tuple) -> float:
    before = psutil.Process().memory_info().rss
    action(*arguments)
    return (peak_bytes() - before) / 2**20


def peak_bytes() -> int:
    """Return this process's peak; ru_maxrss on Linux would count the parent's, too."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM"))
        return int(line.split()[1]) * 1024
    # Bytes on macOS, KiB elsewhere.
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak if sys.platform == "darwin" else peak * 1024


def describe_machine() -> str:
    """Return processor, cores, system and library versions in two lines."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        processor = next(line.split(":", 1)[1].strip() for line in lines if "model name" in line)
    except (OSError, StopIteration):
        processor = platform.processor() or platform.machine()
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in PACKAGES)
    gib = psutil.virtual_memory().total / 2**30
    cores = len(psutil.Process().cpu_affinity()) if platform.system() == "Linux" else os.cpu_count()
    return (
        f"{processor}, {cores} cores, {gib:.0f} GiB, {platform.system()}, "
        f"Python {platform.python_version()}\n{versions}"
    )


def print_row(name: str, seconds: float, memory_mib: float | None = None, note: str = "") -> None:
    """Print one line of a result table."""
    memory = "" if memory_mib is None else f"{memory_mib:7.0f} MiB"
    print(f"{name:46s} {seconds:8.3f} s {memory:>12s}  {note}", flush=True)
