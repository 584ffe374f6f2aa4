"""Share of files grouped right on cards that are hard to sort, and what certainty means.

    PYTHONPATH=.:tests python tests/benchmarks/bench_sort.py --seeds 100-119
    … --seeds 100-119 --cards FOLDER      keep the cards there, and take those that are there
    … --seeds 628-660 --margins FILE      keep the margins of all groups, and whether they are right

Costs were set with seeds 0 to 5 and 200 to 207, the curve of certainty with seeds 600 to 627 of the
patterns that leave groups unsure and 600 to 611 of the others; other seeds are for reports.
"""

from __future__ import annotations

import argparse
import itertools
import json
import pickle
import tempfile
from dataclasses import dataclass
from pathlib import Path

import card_patterns as hard
import cv2
import numpy as np
from bench_helpers import kept_results

from merge.pipeline.sorting import sort_folder
from merge.sort import reasons
from merge.sort.certainty import certainty_of

EDGES = (0.0, 0.7, 0.8, 0.9, 0.95, 0.98, 1.01)
# Seeds that the curve of certainty was fitted to.
FITTED = range(600, 628)


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
    parser.add_argument("--margins", type=Path)
    given = parser.parse_args()
    first, last = map(int, given.seeds.split("-"))
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as scratch:
        folder = given.cards or Path(scratch)
        if given.margins is not None:
            reasons.certainty_of = float
        outcomes = [
            outcome(folder, pattern, seed)
            for pattern in hard.PATTERNS
            for seed in range(first, last + 1)
        ]
    if given.margins is not None:
        groups = [[round(margin, 3), right] for o in outcomes for margin, _, right in o.groups]
        given.margins.write_text(json.dumps({"seeds": given.seeds, "groups": groups}))
        outcomes = [o.with_certainty() for o in outcomes]
    tell(outcomes)


@dataclass(frozen=True)
class Outcome:
    """What became of one card: for each group found, certainty, number of files, right or not."""

    pattern: str
    seed: int
    groups: list[tuple[float, int, bool]]

    def with_certainty(self) -> Outcome:
        """Return the same with the certainty that is said of the margins kept in its place."""
        said = [(certainty_of(margin), size, right) for margin, size, right in self.groups]
        return Outcome(self.pattern, self.seed, said)

    @property
    def files(self) -> int:
        """All files of the card."""
        return sum(size for _, size, _ in self.groups)

    @property
    def right(self) -> int:
        """Files in groups that have the true kind and exactly the true files."""
        return sum(size for _, size, right in self.groups if right)


def outcome(folder: Path, pattern, seed: int) -> Outcome:
    """Return what sorting makes of a card."""
    true = {(g.kind, frozenset(g.files)) for g in card(folder, pattern, seed)}
    groups = []
    for group in sort_folder(folder / str(seed) / pattern.__name__).groups:
        files = frozenset(f.path for s in group.shots for f in s.files)
        groups.append((group.certainty, len(files), (group.kind, files) in true))
    return Outcome(pattern.__name__, seed, groups)


def tell(outcomes: list[Outcome]) -> None:
    """Print shares by pattern, and certainty by seeds that it was and was not fitted to."""
    for pattern in dict.fromkeys(o.pattern for o in outcomes):
        row = [o.right / o.files for o in outcomes if o.pattern == pattern]
        print(f"{pattern:28s} {np.mean(row):6.1%}   worst card {min(row):6.1%}")
    files, right = sum(o.files for o in outcomes), sum(o.right for o in outcomes)
    print(f"\n{files} files of {len(outcomes)} cards: {right / files:.2%} right")
    for words, chosen in (
        ("seeds that the curve was fitted to", lambda seed: seed in FITTED),
        ("other seeds", lambda seed: seed not in FITTED),
    ):
        said = np.array(
            [(g[0], g[2]) for o in outcomes if chosen(o.seed) for g in o.groups]
        ).reshape(-1, 2)
        if len(said):
            _tell_certainty(words, said)


def _tell_certainty(words: str, said: np.ndarray) -> None:
    print(f"\n{words}\ncertainty        groups   said    right")
    for low, high in itertools.pairwise(EDGES):
        part = said[(said[:, 0] >= low) & (said[:, 0] < high)]
        if len(part):
            print(f"{low:.2f} to {high:.2f}   {len(part):6d}   {part[:, 0].mean():.3f}   "
                  f"{part[:, 1].mean():.3f}")  # fmt: skip


if __name__ == "__main__":
    with kept_results(__file__):
        main()
