"""Reads thousands of damaged files and counts what came of them.

    PYTHONPATH=.:tests:tests/fuzz python tests/fuzz/campaign.py --count 20000 --seed 1

Prints a table by kind and every fault with what makes it again. Exit code 1 where there is a fault,
a hang, or a picture read wrong without a word.
"""

from __future__ import annotations

import argparse
import json
import os
import select
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from mutants import KINDS

ROOT = Path(__file__).parents[2]
LIMIT_S = 20.0
# So many times as long a process without its turn is waited for.
_BUSY = 10
# Shares of the kinds: most for what is parsed by others' compiled code.
_SHARES = {"jpeg": 4, "png": 3, "tiff": 5, "dng": 3, "exif": 4, "icc": 1, "xmp": 1, "audit": 2,
           "groups": 1, "edits": 1, "record": 1, "name": 1, "heif": 2}  # fmt: skip


def plan_jobs(count: int, seed: int) -> list[tuple[str, int, int]]:
    """Return (kind, seed, number) of so many mutants, kinds mixed by their shares."""
    order = [kind for kind in KINDS for _ in range(_SHARES[kind])]
    return [(order[i % len(order)], seed, i // len(order) * 7 + i % 7) for i in range(count)]


def _processor_s(process: int) -> float:
    """Return the processor time of a process; infinite where the system does not tell."""
    try:
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    except (OSError, ValueError, IndexError):
        return float("inf")


class _Child:
    """A process that reads mutants; begun anew after it died."""

    def __init__(self) -> None:
        paths = [str(ROOT), str(ROOT / "tests"), str(ROOT / "tests" / "fuzz")]
        environment = os.environ | {"PYTHONPATH": os.pathsep.join(paths)}
        self._process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("child.py"))],
            env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0,
        )  # fmt: skip
        self._begun = False
        self._rest = b""
        self._ended = False

    def ask(self, job: tuple[str, int, int]) -> dict[str, Any] | None:
        """Return the answer; None where none came in time or the process ended."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.write((" ".join(map(str, job)) + "\n").encode())
        except OSError:
            return None
        line = self._read_line(LIMIT_S if self._begun else 6 * LIMIT_S)  # it loads libraries first
        self._begun = True
        return None if line is None else json.loads(line)

    def _read_line(self, limit_s: float) -> bytes | None:
        assert self._process.stdout is not None
        end, spent = time.monotonic() + limit_s, _processor_s(self._process.pid)
        while b"\n" not in self._rest:
            left = max(0.0, end - time.monotonic())
            ready, _, _ = select.select([self._process.stdout], [], [], left)
            if not ready:
                # On a busy machine it may just have had no turn.
                now = _processor_s(self._process.pid)
                if now - spent < limit_s / 2 and time.monotonic() < end + _BUSY * limit_s:
                    time.sleep(0.5)
                    continue
                return None
            data = os.read(self._process.stdout.fileno(), 1 << 16)
            if not data:
                self._ended = True
                return None
            self._rest += data
        line, _, self._rest = self._rest.partition(b"\n")
        return line

    def close(self) -> int | None:
        """End the process and return its exit code; None if it had to be killed."""
        if not self._ended and self._process.poll() is None:
            self._process.kill()
            self._process.wait()
            code = None
        else:
            code = self._process.wait()
        for stream in (self._process.stdin, self._process.stdout):
            if stream is not None:
                stream.close()
        return code


def run_jobs(jobs: Iterable[tuple[str, int, int]]) -> Iterator[dict[str, Any]]:
    """Yield what became of each mutant, in order."""
    child = _Child()
    try:
        for job in jobs:
            answer = child.ask(job)
            if answer is None:
                code = child.close()
                text = f"no answer in {LIMIT_S:g} s" if code is None else f"died, code {code}"
                kind, seed, number = job
                answer = {"kind": kind, "seed": seed, "number": number, "outcome": "fault",
                          "text": text, "seconds": LIMIT_S, "peak_bytes": 0}  # fmt: skip
                child = _Child()
            yield answer
    finally:
        child.close()


def is_bad(answer: dict[str, Any]) -> bool:
    """Return whether a mutant was a fault, or read wrong without a word."""
    return answer["outcome"] == "fault" or answer["text"].startswith(("WRONG", "DIFFERS"))


def main() -> int:
    """Run the campaign of the command line and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=20000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="go on from this mutant")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="stop after so long")
    given = parser.parse_args()
    began, table, bad = time.monotonic(), Counter[tuple[str, str]](), []
    slowest, peak = 0.0, 0
    for answer in run_jobs(plan_jobs(given.count, given.seed)[given.first :]):
        word = answer["outcome"]
        if word == "read" and answer["text"]:
            word = answer["text"].split(":")[0]
        table[answer["kind"], word] += 1
        slowest = max(slowest, answer["seconds"])
        peak = max(peak, answer["peak_bytes"])
        if is_bad(answer):
            bad.append(answer)
            print(f"{answer['kind']} {answer['seed']} {answer['number']}: {answer['text']}")
            sys.stdout.flush()
        if time.monotonic() - began > given.seconds:
            break
    for (kind, word), count in sorted(table.items()):
        print(f"{kind:8} {count:6} {word}")
    seconds = time.monotonic() - began
    print(
        f"{sum(table.values())} mutants of seed {given.seed}, {len(bad)} bad; "
        f"slowest {slowest:.1f} s, peak {peak / 1e9:.2f} GB, {seconds:.0f} s in all"
    )
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
