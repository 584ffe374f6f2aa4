"""Default merges of colour brackets of random scenes against their truth.

Run: ``PYTHONPATH=.:tests python tests/benchmarks/bench_fresh.py FIRST LAST [--method detail]
[--keep FOLDER]``, with seeds; ``--keep`` leaves the brackets there, and the pictures beside them.

PSNR in dB over the choice by true depth, all / edges / elsewhere / backdrop (as in
`bench_proving.py`); "px" the worst frame's rms error of the transform where it is sharp; rims in
10,000 pixels; "noise" the standard deviation of what is wrong with even places, over that of the
frame with least of it. Told: findings beyond notes; nothing moves in any bracket, and each is one.
"""

from __future__ import annotations

import argparse
import pickle
import sys
import tempfile
import warnings
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from bench_helpers import kept_results
from colour_brackets import ColourBracket, colour_bracket
from proving_scores import (
    REGIONS,
    Scored,
    choice_by_true_depth,
    hard_rims,
    prepare,
    transform_error,
)

from merge import MergeOptions, find_frames, merge_stack
from merge.errors import MergeError

FALSE = {"moving parts", "motion not followed", "sensor defects", "not aligned"}
# Even: the true picture changes by less than this, coded, within so many px; judged where it is so
# much of the picture.
EVEN, EVEN_PX, EVEN_SHARE = 0.01, 9, 0.01
_SMALL = 1.5  # sigma px: noise is what is finer


def _fine(picture: np.ndarray) -> np.ndarray:
    return picture - cv2.GaussianBlur(picture, (0, 0), _SMALL)


def noise_ratio(scored: Scored, picture: np.ndarray, origin: tuple[int, int]) -> float | None:
    """Return the noise in even places of a picture over that of the frame with least there."""
    (top, left), (height, width) = origin, picture.shape[:2]
    area = np.s_[top : top + height, left : left + width]
    around = np.ones((EVEN_PX, EVEN_PX), np.uint8)
    truth = scored.bracket.truth[area]
    even = (cv2.dilate(truth, around) - cv2.erode(truth, around)).max(axis=2) < EVEN
    even &= scored.counted[area] & ~scored.edges[area]
    if even.mean() < EVEN_SHARE:
        return None
    fine = _fine(truth)
    frames = [(_fine(frame[area]) - fine)[even].std() for frame in scored.placed]
    return float((_fine(picture) - fine)[even].std() / min(frames))


def score(bracket: ColourBracket, method: str) -> tuple[dict[str, Any], np.ndarray]:
    """Return what is known of a merge, and its picture."""
    result = merge_stack(find_frames(bracket.folder), MergeOptions(method=method))
    names = [path.name for path in bracket.paths]
    reference = result.stack.sources[result.registration.reference].path.name
    scored, _ = prepare(bracket.seen_from(names.index(reference)))
    chosen = choice_by_true_depth(scored)
    own, best = scored.psnr(result.pixels, result.origin), scored.psnr(chosen)
    row = {
        "own": own,
        "over": {k: None if own[k] is None else own[k] - best[k] for k in REGIONS},
        "px": transform_error(scored, result),
        "model": result.registration.model,
        "rims": 1e4 * float(hard_rims(scored, result.pixels, result.origin).mean()),
        "noise": noise_ratio(scored, result.pixels, result.origin),
        "told": sorted({f.kind for f in result.findings if f.severity != "note"}),
    }
    return row, result.pixels


def _line(seed: int, bracket: ColourBracket, row: dict[str, Any]) -> str:
    def cell(value: float | None, form: str) -> str:
        return "-" if value is None else format(value, form)

    about = bracket.about
    psnr = " / ".join(cell(row["over"][k], "+.1f") for k in REGIONS)
    error = row["px"]
    left = f", {error['left_out']} left out" if error["left_out"] else ""
    motion = f"{error['px']:.2f} ({row['model']}{left})"
    told = ", ".join(kind.upper() if kind in FALSE else kind for kind in row["told"])
    return (
        f"| {seed} | {about['layout']}, {about['handling']}, {about['frames']} x {about['step']} px"
        f", ISO {about['iso']}, {about['breathing']:.1%}, {about['light']}"
        f" | {row['own']['all']:.1f} | {psnr} | {motion} | {row['rims']:.1f}"
        f" | {cell(row['noise'], '.2f')} | {told} |"
    )


def _made(seed: int, folder: Path) -> ColourBracket:
    kept = folder / "b.pkl"
    if kept.exists():
        return pickle.loads(kept.read_bytes())
    folder.mkdir(parents=True, exist_ok=True)
    bracket = colour_bracket(seed, folder)
    kept.write_bytes(pickle.dumps(bracket))
    return bracket


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("first", type=int)
    parser.add_argument("last", type=int)
    parser.add_argument("--method", default="auto")
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args(arguments)
    print(f"method {options.method}")
    print("| seed | bracket | dB | over the choice | px | rims | noise | told |")
    print("|" + "---|" * 8)
    rows = []
    with tempfile.TemporaryDirectory() as scratch:
        for seed in range(options.first, options.last):
            bracket = _made(seed, (options.keep or Path(scratch)) / str(seed))
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    row, picture = score(bracket, options.method)
            except MergeError as error:
                print(f"| {seed} | {bracket.about} | REFUSED: {error} |", flush=True)
                continue
            rows.append(row)
            print(_line(seed, bracket, row), flush=True)
            if options.keep:
                coded = np.rint(np.clip(picture[..., ::-1], 0, 1) * 255).astype(np.uint8)
                cv2.imwrite(str(options.keep / f"{seed}-{options.method}.png"), coded)
    for region in REGIONS:
        over = [r["over"][region] for r in rows if r["over"][region] is not None]
        if not over:
            continue
        low, middle = (float(np.percentile(over, p)) for p in (10, 50))
        print(f"{region}: over the choice {np.mean(over):+.2f} dB, median {middle:+.2f}, "
              f"a tenth below {low:+.2f}, worst {min(over):+.2f}, n {len(over)}")  # fmt: skip
    errors = [r["px"]["px"] for r in rows]
    print(f"transform: median {np.median(errors):.2f} px, 90 % {np.percentile(errors, 90):.2f}, "
          f"worst {max(errors):.2f}; false findings on "
          f"{sum(bool(FALSE & set(r['told'])) for r in rows)} of {len(rows)}")  # fmt: skip


if __name__ == "__main__":
    with kept_results(__file__):
        main(sys.argv[1:])
