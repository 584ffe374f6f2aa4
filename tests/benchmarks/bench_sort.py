"""Share of files grouped right on cards that are hard to sort, and what certainty means.

    PYTHONPATH=.:tests python tests/benchmarks/bench_sort.py --seeds 100-119
    … --seeds 100-119 --cards FOLDER      keep the cards there, and take those that are there

Limits, margins and the curve of certainty were set with seeds 0 to 5; others are for reports.
"""

from __future__ import annotations

import argparse
import itertools
import pickle
import tempfile
from collections import defaultdict
from pathlib import Path

import card_patterns as hard
import cv2
import numpy as np
from bench_helpers import kept_results

from merge.pipeline.sorting import sort_folder

_EDGES = (0.0, 0.93, 0.95, 0.97, 0.985, 1.0)


def card(folder: Path, pattern, seed: int) -> list[hard.TrueGroup]:
    """Return the truth of a card, written anew unless it is there."""
    place, truth = folder / str(seed) / pattern.__name__, folder / str(seed)
    kept = truth / f"{pattern.__name__}.pkl"
    if not kept.exists():
        groups = hard.write_card(place, pattern, seed=seed).groups
        kept.write_bytes(pickle.dumps((groups, [])))
    return pickle.loads(kept.read_bytes())[0]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", default="100-101", help="first-last")
    parser.add_argument("--cards", type=Path)
    given = parser.parse_args()
    first, last = map(int, given.seeds.split("-"))
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as scratch:
        run(range(first, last + 1), given.cards or Path(scratch))


def run(seeds: range, folder: Path) -> None:
    """Print both tables."""
    shares: dict[str, list[float]] = defaultdict(list)
    files, right = 0, 0.0
    said: list[tuple[float, bool]] = []
    for pattern in hard.PATTERNS:
        for seed in seeds:
            truth = card(folder, pattern, seed)
            result = sort_folder(folder / str(seed) / pattern.__name__)
            found = [
                (g.kind, frozenset(f.path for s in g.shots for f in s.files)) for g in result.groups
            ]
            share, count = hard.share_right(truth, found), sum(len(g.files) for g in truth)
            shares[pattern.__name__].append(share)
            files, right = files + count, right + share * count
            true = {(g.kind, frozenset(g.files)) for g in truth}
            said += [(g.certainty, f in true) for g, f in zip(result.groups, found, strict=True)]
        row = shares[pattern.__name__]
        print(
            f"{pattern.__name__:28s} {np.mean(row):6.1%}   worst card {min(row):6.1%}", flush=True
        )
    print(
        f"\n{files} files of {len(seeds) * len(hard.PATTERNS)} cards: {right / files:.2%} right\n"
    )
    print("certainty       groups   said     right")
    table = np.array(said)
    for low, high in itertools.pairwise(_EDGES):
        part = table[(table[:, 0] > low - 1e-9) & (table[:, 0] < high - 1e-9)]
        if len(part):
            print(f"{low:.3f} - {high:.3f}  {len(part):6d}   {part[:, 0].mean():.3f}   "
                  f"{part[:, 1].mean():.3f}")  # fmt: skip


if __name__ == "__main__":
    with kept_results(__file__):
        main()
