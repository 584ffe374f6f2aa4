"""How long the command takes to answer when there is nothing to do.

PYTHONPATH=.:tests python tests/benchmarks/bench_import.py
"""

from __future__ import annotations

import subprocess
import sys

from bench_helpers import best_of, describe_machine, kept_results, print_row

CASES = {
    "python -c pass": ["-c", "pass"],
    "depthweld --help": ["-m", "merge", "--help"],
    "depthweld merge --help": ["-m", "merge", "merge", "--help"],
    "import merge": ["-c", "import merge"],
    "from merge import merge_stack": ["-c", "from merge import merge_stack"],
}


def main() -> None:
    print(describe_machine())
    for name, arguments in CASES.items():
        command = [sys.executable, *arguments]

        def run(command: list[str] = command) -> None:
            subprocess.run(command, check=True, stdout=subprocess.DEVNULL)

        print_row(name, best_of(run, times=5))


if __name__ == "__main__":
    with kept_results(__file__):
        main()
