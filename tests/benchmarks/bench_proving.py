"""Every proving bracket against its truth, as one table; what became worse since the last run.

    PYTHONPATH=.:tests python tests/benchmarks/bench_proving.py [--half tuning] [NAME ...]
        [--quick] [--keep]

A NAME may be the folder of a bracket that `fixtures/proving.py` rendered elsewhere.

PSNR in dB against the attainable picture after one gain, where all frames reach and nothing moves:
of all pixels, of those within 15 px of a depth step (more than a frame's step and 3 px of blur),
of the backdrop (beyond the last frame, away from edges) and of the rest. Merges take default
options and align for themselves; the choice by true depth and OpenCV's exposure fusion by contrast
alone (T. Mertens et al., Pacific Graphics 2007) get frames placed and exposed by the truth.
"transform" is the worst frame's root mean square error, in px, where that frame is sharp to a step,
"of light" for the middles of blur disks that the lens cuts in place of the aperture's centre;
"depth" the error in px of blur, median and ninth decile, away from edges and beyond the ends.
"rims": pixels in 10,000 with an edge that no frame has near there, of `auto` and of the choice.
Audits: of the bracket as it is, without a frame in the middle, and cut at an end, where the truth
says that a default audit should tell; found / placed, and warnings without cause.
Times are multiples of decoding all frames. ``--quick``: `auto` and the choice only, no audits.

``--keep`` writes the rows to ``results/proving.json`` with commit, date and machine; every run
compares with what is kept there.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import shutil
import sys
import tempfile
import time
import warnings
from typing import Any

import cv2
import numpy as np
import proving_data
from bench_helpers import RESULTS, current_commit, describe_machine
from proving_data import ProvingBracket
from proving_scores import (
    REGIONS,
    Scored,
    choice_by_true_depth,
    depth_error,
    exposure_fusion,
    hard_rims,
    prepare,
    transform_error,
)

from merge import MergeOptions, audit_stack, find_frames, merge_stack
from merge.model import Finding

KEPT = RESULTS / "proving.json"
METHODS = ("auto", "detail", "surface")
# A default audit allows 2 px of blur, so steps up to 4 px; nearer to it than this is not judged.
TOLERANCE_PX, UNSURE = 2.0, 0.15


def detail_share(bracket: ProvingBracket, mask: np.ndarray) -> float:
    """Return the share of the sharp picture's fine contrast that lies in a mask."""
    grey = bracket.sharp.mean(axis=2)
    detail = np.abs(cv2.GaussianBlur(grey, (0, 0), 0.7) - cv2.GaussianBlur(grey, (0, 0), 1.4))
    detail = np.where(bracket.moving, 0, detail)
    return float(detail[mask].sum() / detail.sum())


def coverage_faults(bracket: ProvingBracket, frames: list[int]) -> tuple[list[dict], set[str]]:
    """Return what an audit of some frames must say of steps and ends, and what it may say."""
    blur = np.stack([bracket.blur_px(i) for i in frames])
    steps = np.abs(np.diff(bracket.positions_px[frames]))
    wide, limit = steps / 2, TOLERANCE_PX
    must: list[dict] = []
    may: set[str] = set()
    over = wide > limit * (1 + UNSURE)
    gap_kinds = ["gap", "wide steps", "dropped slice"]
    near = blur if np.median(blur[0] - blur[-1]) < 0 else -blur  # positive: beyond the near end
    for k in np.flatnonzero(over):
        inside = (near[k] > limit) & (near[k + 1] < -limit)
        if detail_share(bracket, inside) > 0.02:
            must.append({"kinds": gap_kinds, "frames": [int(k), int(k) + 1]})
    if over.sum() > 1 and must:  # one cause, not many gaps
        must = [{"kinds": gap_kinds, "frames": []}]
    if (wide > limit * (1 - UNSURE)).any():
        may |= set(gap_kinds)
    for end, sign in ((0, 1.0), (-1, -1.0)):
        # Far beyond, frames show nothing of the detail: to tell or not to tell is both right.
        shown = detail_share(bracket, (sign * near[end] > limit) & (sign * near[end] < 12))
        if shown > 0.12:
            must.append({"kinds": ["end not covered"], "frames": []})
        if detail_share(bracket, sign * near[end] > limit * (1 - 2 * UNSURE)) > 0.01:
            may |= {"end not covered"}
    return must, may


def judge_audit(
    findings: tuple[Finding, ...], must: list[dict], may: set[str]
) -> tuple[int, list[str]]:
    """Return how many faults were found, and the warnings without cause."""
    found = 0
    for fault in must:
        hits = [f for f in findings if f.kind in fault["kinds"]]
        if fault["frames"]:
            hits = [f for f in hits if set(f.frames) & set(fault["frames"]) or not f.frames]
        found += bool(hits)
    right = may | {kind for fault in must for kind in fault["kinds"]}
    false = [f.kind for f in findings if f.severity != "note" and f.kind not in right]
    return found, false


def audits(bracket: ProvingBracket) -> dict[str, Any]:
    """Audit the bracket as it is, without a middle frame, and cut at its far end."""
    count = len(bracket)
    everything = list(range(count))
    cases = {"whole": everything}
    if count >= 5:
        middle = count // 2 - 1
        cases["dropped"] = everything[:middle] + everything[middle + 1 :]
        cut = min(
            count - 3, max(1, round(6 / max(np.abs(np.diff(bracket.positions_px)).mean(), 1)))
        )
        cases["cut"] = everything[:-cut]
    placed = found = 0
    false: list[str] = []
    missed: list[str] = []
    seconds = 0.0
    for name, frames in cases.items():
        must, may = coverage_faults(bracket, frames)
        own = [
            {
                "kinds": [fault["kind"]],
                "frames": [frames.index(f) for f in fault["frames"] if f in frames],
            }
            for fault in bracket.record["faults"]
            if name == "whole"
        ]
        allowed = may | set(bracket.record["may"]) | {f["kind"] for f in bracket.record["faults"]}
        with tempfile.TemporaryDirectory() as folder:
            for index in frames:
                shutil.copy(bracket.paths[index], folder)
            began = time.perf_counter()
            result = audit_stack(find_frames(folder))
            if name == "whole":
                seconds = time.perf_counter() - began
        if name == "dropped":
            allowed |= {"dropped slice"}
        hits, wrong = judge_audit(result.findings, must + own, allowed)
        placed += len(must) + len(own)
        found += hits
        false += [f"{name}: {kind}" for kind in wrong]
        if hits < len(must) + len(own):
            missed.append(f"{name}: {hits} of {[f['kinds'][0] for f in must + own]}")
    return {"placed": placed, "found": found, "false": false, "missed": missed, "s": seconds}


def rims(scored: Scored, picture: np.ndarray, origin: tuple[int, int]) -> float:
    """Return the pixels in 10,000 with an edge that no frame has near there."""
    return round(1e4 * float(hard_rims(scored, picture, origin).mean()), 1)


def score(name: str, quick: bool) -> dict[str, Any]:
    """Return one bracket's row."""
    bracket = proving_data.load(name)
    scored, decoding = prepare(bracket)
    row: dict[str, Any] = {"name": name, "half": bracket.record["half"], "ways": {}}
    for method in METHODS[:1] if quick else METHODS:
        began = time.perf_counter()
        result = merge_stack(find_frames(bracket.folder), MergeOptions(method=method))
        took = time.perf_counter() - began
        row["ways"][method] = scored.psnr(result.pixels, result.origin)
        if method == "auto":
            row["transform"] = transform_error(scored, result)
            row["model"] = result.registration.model
            row["depth_px"] = depth_error(scored, result)
            row["rims"] = [rims(scored, result.pixels, result.origin)]
            row["merge_times"] = round(took / decoding, 1)
            row["told"] = sorted({f.kind for f in result.findings if f.severity != "note"})
    chosen = choice_by_true_depth(scored)
    row["ways"]["choice"] = scored.psnr(chosen)
    row["rims"].append(rims(scored, chosen, (0, 0)))
    if not quick:
        row["ways"]["fusion"] = scored.psnr(exposure_fusion(scored))
        row["audit"] = audits(bracket)
        row["audit_times"] = round(row["audit"].pop("s") / decoding, 1)
    auto, choice = row["ways"]["auto"], row["ways"]["choice"]
    edges = auto["edges"] is None or auto["edges"] >= choice["edges"] + 1.0
    row["bars"] = {"all": auto["all"] >= choice["all"] - 0.3, "edges": edges}
    return row


def print_row(row: dict[str, Any]) -> None:
    """Print a bracket's lines of the table."""

    def cell(value: float | None) -> str:
        return "-" if value is None else f"{value:.1f}"

    bars = "".join("+" if row["bars"][k] else "-" for k in ("all", "edges"))
    error = row["transform"]
    depth = row["depth_px"] or [float("nan")] * 2
    audit = row.get("audit")
    rim = row["rims"]
    told = "-" if audit is None else f"{audit['found']}/{audit['placed']}, {len(audit['false'])}"
    times = f"{row['merge_times']:.0f}, {row.get('audit_times', float('nan')):.1f}"
    ways = " | ".join(
        " / ".join(cell(row["ways"][way][region]) for region in REGIONS)
        if way in row["ways"]
        else "-"
        for way in (*METHODS, "choice", "fusion")
    )
    print(
        f"| {row['name']} | {bars} | {ways} | {error['px']:.2f} ({row['model']}"
        + (f", {error['light_px']:.2f} of light" if error["light_px"] < error["px"] - 0.02 else "")
        + (f", {error['left_out']} left out" if error["left_out"] else "")
        + ("" if error.get("true_reference", True) else ", ANOTHER REFERENCE")
        + f") | {depth[0]:.1f} / {depth[1]:.1f} | {rim[0]:.1f} / {rim[1]:.1f} | {told} | {times} |",
        flush=True,
    )
    for line in [*(audit or {}).get("missed", []), *(audit or {}).get("false", [])]:
        print(f"|   audit | {line} |", flush=True)


def worse(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    """Return what a row says that is worse than an earlier one."""
    lines = []
    for way in new["ways"].keys() & old["ways"].keys() - {"choice", "fusion"}:
        for region in REGIONS:
            a, b = old["ways"][way][region], new["ways"][way][region]
            if a is not None and b is not None and b < a - 0.05:
                lines.append(f"{way}, {region}: {a:.2f} -> {b:.2f} dB")
    a, b = old["transform"], new["transform"]
    if b["px"] > 1.1 * a["px"] + 0.02 or b["left_out"] > a["left_out"]:
        lines.append(f"transform: {a} -> {b}")
    if old["depth_px"] and new["depth_px"] and new["depth_px"][1] > 1.1 * old["depth_px"][1] + 0.05:
        lines.append(f"depth: {old['depth_px']} -> {new['depth_px']} px")
    if "rims" in old and new["rims"][0] > 1.2 * old["rims"][0] + 0.5:
        lines.append(f"rims: {old['rims']} -> {new['rims']} in 10,000")
    if "audit" in old and "audit" in new:
        for key, sign in (("found", -1), ("false", 1)):
            a, b = (row["audit"][key] for row in (old, new))
            a, b = (len(v) if isinstance(v, list) else v for v in (a, b))
            if sign * (b - a) > 0:
                lines.append(f"audit, {key}: {a} -> {b}")
    if new["merge_times"] > 1.5 * old["merge_times"]:
        lines.append(f"time: {old['merge_times']} -> {new['merge_times']} decodings")
    return [f"{new['name']}: {line}" for line in sorted(lines)]


def _kept_rows() -> dict[str, Any]:
    return json.loads(KEPT.read_text(encoding="utf-8")) if KEPT.exists() else {}


def _warm_up() -> None:
    """Load compiled loops, which would count as the first bracket's time."""
    stack = find_frames(proving_data.load("gateway-28mm-raw").folder)
    merge_stack(stack)
    audit_stack(stack)


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", metavar="NAME")
    parser.add_argument("--half", choices=proving_data.HALVES)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--keep", action="store_true", help="write the rows to the results file")
    options = parser.parse_args(arguments)
    kept = _kept_rows()
    about = {
        "commit": current_commit(), "date": dt.date.today().isoformat(),
        "machine": describe_machine(),
    }  # fmt: skip
    print(f"commit {about['commit']}, {about['date']}, {about['machine']}")
    ways = " | ".join((*METHODS, "choice", "fusion"))
    print(f"| bracket | bars | {ways} | transform px | depth px | rims | audit | times |")
    print("|" + "---|" * 12)
    complaints = []
    _warm_up()
    for name in options.names or proving_data.names(options.half):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            row = score(name, options.quick) | about
        print_row(row)
        if name in kept:
            complaints += worse(kept[name], row)
        if options.keep and name in proving_data.names():
            RESULTS.mkdir(exist_ok=True)
            together = _kept_rows() | {name: row}  # another half may run beside this one
            KEPT.write_text(json.dumps(together, indent=1) + "\n", encoding="utf-8")
    print("\nworse than kept:" if complaints else "\nnothing worse than kept")
    print("\n".join(complaints))


if __name__ == "__main__":
    main(sys.argv[1:])
