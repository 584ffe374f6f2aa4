"""Kills runs at random moments, fills the disk, changes frames under a run; looks at what is left.

    PYTHONPATH=.:tests:tests/fuzz python tests/fuzz/faults.py --kills 200 --limits 40 --changes 40

Each run is a fork of this process, which has loaded everything, and merges a small bracket into
picture, depth map, record and page. Prints a table and every fault. Of POSIX systems only.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import json
import os
import resource
import shutil
import signal
import sys
import tempfile
import threading
import time
import warnings
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import imagecodecs
import numpy as np
import tifffile
from small_brackets import write_bracket

import merge.report.page.merge_page
from merge.atomic import write_json
from merge.cli import main as command_line
from merge.cli.merge import command as _loaded  # noqa: F401 - else every fork loads it
from merge.compiled import build_declared
from merge.pipeline import saving as _saving  # noqa: F401
from merge.pipeline.building import LATER_MODULES

_LIMIT_S = 120.0


class Bench:
    """A small bracket, and a folder that its outputs go to."""

    def __init__(self, folder: Path) -> None:
        self.frames, self.out = folder / "in", folder / "out"
        self.out.mkdir()
        self._folder = folder
        write_bracket(self.frames, suffix=".jpg", height=96, width=128)
        self.kept = folder / "kept"
        shutil.copytree(self.frames, self.kept)
        self._before = self._sources()
        self.faults: list[str] = []
        self.table: Counter[str] = Counter()

    def begin(self, *options: str, prepare: Callable[[], object] | None = None) -> int:
        """Start a merge in a fork and return its process number."""
        outputs = {"-o": "o.tif", "--depth": "d.tif", "--record": "r.json", "--report": "p.html"}
        arguments = ["merge", str(self.frames), *options]
        for option, name in outputs.items():
            arguments += [option, str(self.out / name)]
        process = os.fork()
        if process:
            return process
        with open(self._folder / "log", "wb") as log:
            os.dup2(log.fileno(), 1)
            os.dup2(log.fileno(), 2)
        code = 99
        try:
            if prepare is not None:
                prepare()
            command_line(arguments)
        except SystemExit as exc:
            code = int(exc.code or 0)
        except BaseException as exc:
            os.write(2, f"Traceback: {exc!r}".encode())
        os._exit(code)

    def wait(self, process: int) -> int:
        """Return the exit code, negative for a signal; a run without end is killed, 98."""
        end = time.monotonic() + _LIMIT_S
        while time.monotonic() < end:
            done, status = os.waitpid(process, os.WNOHANG)
            if done:
                return os.waitstatus_to_exitcode(status)
            time.sleep(0.005)
        os.kill(process, signal.SIGKILL)
        os.waitpid(process, 0)
        return 98

    def log(self) -> str:
        """Return what the last run printed."""
        return (self._folder / "log").read_text(errors="replace")

    def fault(self, words: str) -> None:
        """Note a fault, and print it at once."""
        self.faults.append(words)
        print(f"FAULT {words}", flush=True)

    def check(self, what: str) -> set[str]:
        """Note sources that changed and outputs that are damaged; return the outputs' names."""
        if self._sources() != self._before:
            self.fault(f"{what}: a source frame changed")
        names = {path.name for path in self.out.iterdir() if not path.name.startswith(".")}
        for name in names:
            try:
                _open_output(self.out / name)
            except Exception as exc:
                self.fault(f"{what}: {name} is damaged ({exc!r})")
        if names and names != _ALL:
            self.fault(f"{what}: a part of the outputs, {sorted(names)}")
        return names

    def next_run(self, what: str) -> None:
        """Do what any next run into the folder does first, and note what is left then."""
        write_json(self.out / "next.json", {}, overwrite=True)
        (self.out / "next.json").unlink()
        left = [path.name for path in self.out.iterdir() if path.name.startswith(".")]
        if left:
            self.fault(f"{what}: left behind {left}")

    def clear(self) -> None:
        """Remove the outputs, and restore the frames."""
        for path in self.out.iterdir():
            path.unlink()
        for path in self.kept.iterdir():
            shutil.copy2(path, self.frames / path.name)

    def _sources(self) -> dict[str, str]:
        return {
            path.name: hashlib.sha256(path.read_bytes()).hexdigest()
            for path in sorted(self.frames.iterdir())
        }


_ALL = {"o.tif", "d.tif", "d-view.png", "r.json", "p.html"}


def _open_output(path: Path) -> None:
    data = path.read_bytes()
    if path.suffix == ".tif":
        tifffile.imread(path)
    elif path.suffix == ".png":
        imagecodecs.png_decode(data)
    elif path.suffix == ".json":
        json.loads(data)
    elif not data.rstrip().endswith(b"</html>"):
        raise ValueError("no end of the page")


def measure(bench: Bench) -> tuple[float, dict[str, int]]:
    """Return the seconds of a whole run and the sizes of its outputs."""
    bench.wait(bench.begin())
    bench.clear()
    began = time.monotonic()
    code = bench.wait(bench.begin())
    seconds = time.monotonic() - began
    names = bench.check("whole run")
    if code or names != _ALL:
        bench.fault(f"whole run: exit code {code}, {sorted(names)}: {bench.log()[:500]}")
    sizes = {name: (bench.out / name).stat().st_size for name in names}
    bench.clear()
    return seconds, sizes


def kill_runs(bench: Bench, count: int, seconds: float, rng: np.random.Generator) -> None:
    """Kill runs, two of three while the first output is being written or after."""
    for number in range(count):
        what = f"kill {number}"
        process = bench.begin()
        if number % 3 == 0:
            time.sleep(float(rng.uniform(0, seconds)))
        else:
            while not any(bench.out.iterdir()) and os.waitpid(process, os.WNOHANG) == (0, 0):
                time.sleep(0.0005)
            time.sleep(float(rng.uniform(0, 0.1 * seconds)))
        with contextlib.suppress(ProcessLookupError):
            os.kill(process, signal.SIGKILL)
        with contextlib.suppress(ChildProcessError):
            os.waitpid(process, 0)
        partial = any(path.name.startswith(".") for path in bench.out.iterdir())
        names = bench.check(what)
        word = "outputs whole" if names else "partial files" if partial else "nothing yet"
        bench.table[f"killed, {word}"] += 1
        bench.next_run(what)
        bench.clear()


def fill_disk(bench: Bench, count: int, sizes: dict[str, int], rng: np.random.Generator) -> None:
    """Let the largest file that a run may write end somewhere inside its outputs."""
    top = int(1.1 * max(sizes.values()))
    # What the run prints goes into a file, too, and must find room.
    edges = [1024, 4096, *(n - 1 for n in sizes.values()), *sizes.values()]
    limits = [*edges, *(int(n) for n in rng.integers(1024, top, count))][:count]
    for limit in limits:
        what = f"files up to {limit} bytes"

        def prepare(limit: int = limit) -> None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

        code = bench.wait(bench.begin(prepare=prepare))
        _check_end(bench, what, code)
        bench.clear()


def change_frames(bench: Bench, count: int, seconds: float, rng: np.random.Generator) -> None:
    """Cut, remove or replace a frame at a random moment of a run."""
    for number in range(count):
        way = ("cut", "removed", "replaced", "grown")[number % 4]
        paths = sorted(bench.frames.iterdir())
        path = paths[int(rng.integers(len(paths)))]
        process = bench.begin()
        time.sleep(float(rng.uniform(0, seconds)))
        if way == "cut":
            os.truncate(path, path.stat().st_size // 2)
        elif way == "removed":
            path.unlink()
        elif way == "replaced":
            path.write_bytes(paths[0].read_bytes()[:100])
        else:
            with path.open("ab") as file:
                file.write(bytes(1000))
        code = bench.wait(process)
        for kept in bench.kept.iterdir():
            shutil.copy2(kept, bench.frames / kept.name)
        _check_end(bench, f"frame {way}", code)
        bench.clear()


def _check_end(bench: Bench, what: str, code: int) -> None:
    log = bench.log()
    names = bench.check(what)
    bench.table[f"{what.split(' up to')[0]}: exit code {code}"] += 1
    left = [path.name for path in bench.out.iterdir() if path.name.startswith(".")]
    if left:
        bench.fault(f"{what}: left behind {left}")
    if code not in (0, 1) or (code == 0) != (names == _ALL) or "Traceback" in log:
        bench.fault(f"{what}: exit code {code}, {sorted(names)}: {log[:600]}")
    if code == 1 and len(log.splitlines()) != 1:
        bench.fault(f"{what}: no single line: {log[:600]}")


def main() -> int:
    """Run what the command line asks for and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name in ("kills", "limits", "changes"):
        parser.add_argument(f"--{name}", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    warnings.simplefilter("ignore", DeprecationWarning)  # forks of a process with threads
    rng = np.random.default_rng(given.seed)
    build_declared(LATER_MODULES, stop=lambda: False)
    assert threading.active_count() == 1
    assert merge.report.page.merge_page
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        seconds, sizes = measure(bench)
        with contextlib.suppress(KeyboardInterrupt):  # then what was done so far is told
            kill_runs(bench, given.kills, seconds, rng)
            fill_disk(bench, given.limits, sizes, rng)
            change_frames(bench, given.changes, seconds, rng)
    for word, number in sorted(bench.table.items()):
        print(f"{number:5} {word}")
    total: Any = sum(bench.table.values())
    print(f"{total} runs, {len(bench.faults)} faults; a whole run takes {seconds:.2f} s")
    return 1 if bench.faults else 0


if __name__ == "__main__":
    sys.exit(main())
