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

# Modules that declare types, in the order in which a merge comes to them; what the first frames
# need is built by the merge.
_AXIS = (
    "merge.focus",
    "merge.axis.residuals",
    "merge.axis.searching",
    "merge.axis.solving",
    "merge.axis.softness",
)
_LATER = (
    "merge.depth.filtering",
    "merge.depth.filling",
    "merge.depth.coarse",
    "merge.moving.compare",
    "merge.align.warp",
    "merge.blend.surface",
    "merge.blend.foreground",
)
LATER_MODULES = _AXIS + _LATER
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
    # The last ones first: the merge comes from the other end, and none is built twice but where
    # they meet.
    backwards = _LATER[::-1]
    atexit.register(_end)
    shares = [_AXIS + backwards] if (cpu_count() or 1) < 4 else [_AXIS, backwards]
    for share in shares:
        # -P: a file in the folder of the photographs may have the name of a module.
        command = [sys.executable, "-P", "-m", __name__, *share]
        path = pathsep.join(filter(None, (_PACKAGES, environ.get("PYTHONPATH"))))
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


def _build(modules: list[str]) -> None:
    """Build until the process that asked for it ends, in whatever way."""
    ended = threading.Event()

    def wait_for_the_end() -> None:
        sys.stdin.read()
        ended.set()

    threading.Thread(target=wait_for_the_end, daemon=True).start()
    build_declared(modules, stop=ended.is_set)


if __name__ == "__main__":
    _build(sys.argv[1:])
