"""Measure and print: best of n, peak resident size, machine and versions."""

from __future__ import annotations

import importlib.metadata
import multiprocessing
import os
import platform
import resource
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psutil

PACKAGES = ("numpy", "opencv-python-headless", "imagecodecs", "tifffile", "rawpy", "pillow")


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
    context = multiprocessing.get_context("spawn")
    with context.Pool(1) as pool:
        return pool.apply(_added_peak, (action, arguments))


def _added_peak(action: Callable[..., Any], arguments: tuple) -> float:
    before = psutil.Process().memory_info().rss
    action(*arguments)
    return (_peak_bytes() - before) / 2**20


def _peak_bytes() -> int:
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
