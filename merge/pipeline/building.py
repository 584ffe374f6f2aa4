"""Builds the compiled loops of later stages beside a first merge, in processes of their own.

After installation a merge has every loop to build, one after another as it comes to them: more
time than the merge itself. Frames can be read meanwhile, and other cores stand idle. The compiler
holds Python's lock, so threads would not do.
"""

from __future__ import annotations

import atexit
import subprocess
import sys
import threading
from contextlib import suppress
from os import cpu_count, environ, pathsep
from pathlib import Path

from merge.compiled import build_declared, call_at_first_miss

# Modules that declare types, in the order in which a merge comes to them. It begins with loops that
# take the types of its files, and is there when a process of its own has started: with the second.
LATER_MODULES = (
    "merge.align.tiles",
    "merge.align.band",
    "merge.focus",
    "merge.axis.searching",
    "merge.align.warp",
    "merge.depth.filtering",
    "merge.depth.filling",
    "merge.depth.evidence",
    "merge.moving.compare",
    "merge.blend.surface",
    "merge.blend.foreground",
)
_PACKAGES = str(Path(__file__).parents[2])
_started: list[subprocess.Popen[bytes]] = []


def build_beside() -> None:
    """Have the loops of later stages built beside this process once one is found missing.

    For commands: a program that uses the library may not expect further processes. Nothing
    happens where all loops are kept from an earlier run, or on a single core.
    """
    if (cpu_count() or 1) > 1 and sys.executable and not getattr(sys, "frozen", False):
        call_at_first_miss(_start)


def _start() -> None:
    atexit.register(_end)
    # -P: a file in the folder of the photographs may have the name of a module.
    command = [sys.executable, "-P", "-m", __name__]
    path = pathsep.join(filter(None, (_PACKAGES, environ.get("PYTHONPATH"))))
    # What one builds the others leave or wait for, so that all may have the same list.
    for _ in range(1 if (cpu_count() or 1) < 4 else 2):
        with suppress(OSError):  # it only takes longer
            _started.append(
                subprocess.Popen(
                    command,
                    stdin=subprocess.PIPE,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                    env={**environ, "PYTHONPATH": path},
                )
            )


def _end() -> None:
    """Leave the rest of the loops unbuilt: nobody waits for them any more."""
    for process in _started:
        process.terminate()
        process.communicate()
    _started.clear()


def _build() -> None:
    """Build until the process that asked for it ends, in whatever way."""
    ended = threading.Event()

    def wait_for_the_end() -> None:
        sys.stdin.read()
        ended.set()

    threading.Thread(target=wait_for_the_end, daemon=True).start()
    build_declared(LATER_MODULES, stop=ended.is_set)


if __name__ == "__main__":
    _build()
