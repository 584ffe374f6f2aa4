"""Brackets as other people write them: blur chosen by depth, in encoded values; faults, too.

Run: ``PYTHONPATH=.:tests python tests/benchmarks/bench_outside.py FIRST LAST [--faults]
[--keep FOLDER]``, with seeds. A picture (scikit-image's, noise, a checkerboard, writing) is blurred
by a Gaussian whose sigma grows with the distance from each frame's plane, over steps, ramps, a
ball, blocks, waves; frames grow, shift, are noisy and saved in some format. Nothing of it obeys
the optics that the engine assumes.

Merges are compared, in dB of PSNR within the area merged, with the best frame, OpenCV's exposure
fusion by contrast and the choice by the largest Laplacian, all three of truly aligned frames.
With ``--faults`` every bracket gets one fault and is audited: told are findings beyond notes, but
for those about how wide steps are.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import imagecodecs
import numpy as np
import skimage.data
from bench_helpers import kept_results

from merge import Finding, MergeError, MergeResult, audit_stack, find_frames, merge_stack

PICTURES = (
    "astronaut coffee chelsea rocket brick grass gravel moon camera coins page text "
    "hubble_deep_field immunohistochemistry retina"
).split()
SIZES = ((400, 600), (480, 640), (600, 800), (533, 801), (640, 480), (720, 1080), (1000, 1500))
WIDE = {"gap", "wide steps", "dropped slice", "fine steps", "step at the limit"}
WANTED = {
    "whole": set(),
    "dropped": {"gap", "dropped slice", "wide steps"},
    "shaken": {"shaken frame"},
    "doubled": {"duplicate"},
    "bumped": {"bumped frame"},
    "near cut": {"end not covered"},
    "far cut": {"end not covered"},
    "brighter": {"exposure jump"},
    "soft": {"soft frame"},
    "swapped": {"out of order"},
    "two brackets": {"two scenes"},
    "twice": {"bracket twice"},
    "other size": {"not aligned"},
    "apertures": {"one focus"},
}
MARGIN = 60


@dataclass
class Bracket:
    """Frames (H, W, 3), encoded, 0 to 1; `moves` take the sharp picture's pixels to a frame's."""

    about: str
    frames: list[np.ndarray]
    moves: list[np.ndarray]
    sharp: np.ndarray
    depth: np.ndarray
    suffix: str


def _picture(rng: np.random.Generator, height: int, width: int) -> tuple[str, np.ndarray]:
    kind = str(rng.choice(["picture", "picture", "picture", "noise", "checks", "writing", "four"]))
    if kind == "four":
        parts = [[_picture(rng, height // 2 + 1, width // 2 + 1) for _ in "ab"] for _ in "ab"]
        joined = np.vstack([np.hstack([p[1] for p in row]) for row in parts])
        return "four", joined[:height, :width]
    if kind == "noise":
        grain = cv2.GaussianBlur(rng.random((height, width, 3)), (0, 0), rng.uniform(0.7, 3))
        return kind, ((grain - grain.min()) / np.ptp(grain)).astype(np.float32)
    if kind == "checks":
        size = int(rng.integers(6, 40))
        y, x = np.mgrid[:height, :width] // size
        return kind, np.where(((x + y) % 2)[..., None], *rng.uniform(0, 1, (2, 3))).astype("f4")
    if kind == "writing":
        page = np.full((height, width, 3), 235, np.uint8)
        for row in range(20, height + 20, 26):
            words = "".join(rng.choice(list("abcde fghij klmno pqrst uvwxyz ABC 0123"), width // 9))
            cv2.putText(page, words, (4, row), cv2.FONT_HERSHEY_SIMPLEX, 0.7, (20, 30, 60), 2)
        return kind, page.astype(np.float32) / 255
    kind = str(rng.choice(PICTURES))
    picture = np.atleast_3d(getattr(skimage.data, kind)())[..., :3].astype(np.float32) / 255
    picture = np.broadcast_to(picture, (*picture.shape[:2], 3))
    if rng.random() < 0.5:
        tiles = (-(-height // picture.shape[0]), -(-width // picture.shape[1]))
        return kind, np.tile(picture, (*tiles, 1))[:height, :width]
    return kind, np.clip(cv2.resize(picture, (width, height), interpolation=cv2.INTER_CUBIC), 0, 1)


def _depth(rng: np.random.Generator, height: int, width: int) -> tuple[str, np.ndarray]:
    kind = str(rng.choice(["steps", "two", "ramp", "slope", "ball", "blocks", "waves", "cone"]))
    y, x = np.mgrid[:height, :width].astype(np.float32)
    x, y = x / (width - 1), y / (height - 1)
    angle = rng.uniform(0, 2 * np.pi)
    across = np.cos(angle) * (x - 0.5) + np.sin(angle) * (y - 0.5)
    middle = np.hypot((x - 0.5) * width, (y - 0.5) * height) / min(height, width)
    depth = {
        "steps": np.floor(x * rng.integers(3, 8)),
        "two": (x > rng.uniform(0.3, 0.7)).astype(float),
        "ramp": 1 - y,
        "slope": across,
        "ball": 1 - np.sqrt(np.maximum(0.2 - middle**2, 0)),
        "blocks": rng.permutation(20)[(np.floor(x * 4.99) + 5 * np.floor(y * 3.99)).astype(int)],
        "waves": np.sin(6 * x + angle) + np.cos(5 * y),
        "cone": middle,
    }[kind]
    return kind, ((depth - depth.min()) / np.ptp(depth)).astype(np.float32)


def _blurred(sharp: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    """Blur each pixel by its own sigma, taken from pictures blurred as a whole, 0.25 px apart."""
    levels = np.rint(sigma / 0.25).astype(int)
    out = sharp.copy()
    for level in np.unique(levels[levels > 0]):
        out[levels == level] = cv2.GaussianBlur(sharp, (0, 0), level * 0.25)[levels == level]
    return out


def make(seed: int, fault: str = "whole") -> Bracket:
    """Make a bracket from a seed; the same seed with a fault differs in nothing else."""
    rng = np.random.default_rng([seed, 77])
    height, width = SIZES[rng.choice(len(SIZES), p=[0.22, 0.22, 0.16, 0.16, 0.1, 0.1, 0.04])]
    count, sigma = int(rng.integers(5, 16)), float(rng.uniform(0.5, 3))
    size = (height + 2 * MARGIN, width + 2 * MARGIN)
    (what, sharp), (shape, depth) = _picture(rng, *size), _depth(rng, *size)
    grow = float(rng.choice([0, 0, 0.005, 0.01, 0.02, 0.03])) * rng.choice([-1, 1])
    shift, noise = float(rng.choice([0, 1, 3])), float(rng.choice([1, 1, 2, 5])) / 255
    suffix = str(rng.choice([".png", ".jpg", ".tif", "16.tif", "16.png"]))
    depth = depth * (count - 1)
    inner = depth[MARGIN:-MARGIN, MARGIN:-MARGIN]  # the margin may reach farther
    planes, extra = np.arange(count, dtype=float), np.zeros(count)
    k = int(rng.integers(1, count - 1))
    if fault == "dropped":
        planes, extra = np.delete(planes, k), np.delete(extra, k)
    elif fault == "doubled":
        planes, extra = np.insert(planes, k, planes[k]), np.zeros(count + 1)
    elif fault == "near cut":
        planes = planes[planes >= inner.min() + 2]
    elif fault == "far cut":
        planes = planes[planes <= inner.max() - 2]
    elif fault == "swapped":
        planes[[k, k - 1]] = planes[[k - 1, k]]
    elif fault == "twice":
        planes, extra = np.tile(planes, 2), np.tile(extra, 2)
    elif fault == "apertures":
        stops = np.arange(8)
        planes, extra = np.full(8, float(k)), 0.12 * 2 ** (stops / 2)
    frames, moves = [], []
    for i, plane in enumerate(planes):
        blur = sigma * np.abs(depth - plane)
        if fault == "apertures":
            blur = np.hypot(blur * 2 ** (1 - i / 2), extra[i])
        if fault == "soft" and i == k:
            blur = np.hypot(blur, 1.5)
        picture = _blurred(sharp, blur)
        if fault == "shaken" and i == k:
            picture = cv2.filter2D(picture, -1, np.full((1, 6), 1 / 6, np.float32))
        scale = 1 + grow * (k if fault == "apertures" else plane)
        move = cv2.getRotationMatrix2D(((size[1] - 1) / 2, (size[0] - 1) / 2), 0, scale)
        move[:, 2] += rng.normal(0, shift, 2) + (12 if fault == "bumped" and i == k else 0)
        move = np.vstack([move, [0, 0, 1]])
        flags = cv2.INTER_AREA if scale == 1 and not shift else cv2.INTER_CUBIC
        picture = cv2.warpPerspective(
            picture, move, size[::-1], flags=flags, borderMode=cv2.BORDER_REFLECT
        )
        picture = picture[MARGIN:-MARGIN, MARGIN:-MARGIN]
        picture = picture * (1.3 if fault == "brighter" and i == k else 1)
        frames.append(np.clip(picture + rng.normal(0, noise, picture.shape), 0, 1).astype("f4"))
        moves.append(move)
    if fault == "two brackets":
        other = make(seed + 5000)
        at = [cv2.resize(f, (width, height), interpolation=cv2.INTER_AREA) for f in other.frames]
        frames, moves = frames + at, moves + other.moves
    if fault == "other size":
        frames[k] = frames[k][:-2]
    about = (
        f"{what} {shape} {count} x {sigma:.1f} sigma, grows {grow:+.1%}, shift {shift:g}, "
        f"noise {255 * noise:.0f}, {suffix}, {width}x{height}, {fault} {k + 1}"
    )
    return Bracket(about, frames, moves, sharp, depth, suffix)


def write(bracket: Bracket, folder: Path) -> None:
    """Write the frames, and keep in their place what the files hold."""
    folder.mkdir(parents=True, exist_ok=True)
    for i, frame in enumerate(bracket.frames):
        deep = bracket.suffix.startswith("16")
        data = np.rint(frame * (65535 if deep else 255)).astype(np.uint16 if deep else np.uint8)
        path = folder / f"img_{i + 1:03d}{bracket.suffix.removeprefix('16')}"
        if bracket.suffix == ".jpg":
            path.write_bytes(imagecodecs.jpeg_encode(data, level=92))
        else:
            cv2.imwrite(str(path), data[..., ::-1])
        kept = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1]
        bracket.frames[i] = kept.astype(np.float32) / np.iinfo(kept.dtype).max


def _psnr(a: np.ndarray, b: np.ndarray) -> float:
    return float(-10 * np.log10(max(float(np.mean((a - b) ** 2)), 1e-10)))


def compare(bracket: Bracket, result: MergeResult) -> tuple[dict[str, float], float]:
    """Return the dB of the merge and of three simple ways, and the worst corner's error in px."""
    number = [int(s.path.stem[4:]) - 1 for s in result.stack.sources]
    reference = bracket.moves[number[result.registration.reference]]
    height, width = bracket.frames[0].shape[:2]
    inside = np.array([[1, 0, -MARGIN], [0, 1, -MARGIN], [0, 0, 1.0]])

    def place(picture: np.ndarray, move: np.ndarray) -> np.ndarray:
        return cv2.warpPerspective(
            picture, move, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
        )

    (top, left), (rows, columns) = result.origin, result.pixels.shape[:2]
    area = np.s_[top + 12 : top + rows - 12, left + 12 : left + columns - 12]
    truth = place(bracket.sharp, inside @ reference)[area]
    back = inside @ reference
    placed = [
        place(f, back @ np.linalg.inv(inside @ m))[area]
        for f, m in zip(bracket.frames, bracket.moves, strict=True)
    ]
    sharpness = [np.abs(cv2.Laplacian(f.mean(axis=2), cv2.CV_32F, ksize=5)) for f in placed]
    first = np.argmax([cv2.GaussianBlur(s, (0, 0), 3) for s in sharpness], axis=0)
    chosen = np.take_along_axis(np.stack(placed), first[None, ..., None], 0)[0]
    coded = [np.rint(np.clip(f, 0, 1) * 255).astype(np.uint8) for f in placed]
    fused = cv2.createMergeMertens(1, 0, 0).process(coded)
    own = np.clip(np.float32(result.pixels), 0, 1)[12 : rows - 12, 12 : columns - 12]
    scores = {
        "own": _psnr(own, truth),
        "best frame": max(_psnr(f, truth) for f in placed),
        "fusion": _psnr(fused, truth),
        "Laplacian": _psnr(chosen, truth),
    }
    corners = np.array([[0, 0, 1], [width, 0, 1], [0, height, 1], [width, height, 1.0]]).T
    worst = 0.0
    for i, frame in zip(number, result.registration.frames, strict=True):
        if frame.transform is None:
            worst = np.inf
            continue
        wanted = (inside @ bracket.moves[i]) @ np.linalg.inv(back) @ corners
        got = frame.transform.matrix @ corners
        worst = max(worst, float(np.abs(wanted[:2] / wanted[2] - got[:2] / got[2]).max()))
    return scores, worst


def _told(findings: Sequence[Finding]) -> str:
    """Name findings, those beyond notes in capitals, with frames counted from 1."""
    out = []
    for f in findings:
        frames = [i + 1 for i in f.frames][:6] if f.facts.about_frames or f.kind in WIDE else ""
        out.append(f"{f.kind if f.severity == 'note' else f.kind.upper()}{frames}")
    return ", ".join(out)


def _audited(fault: str, folder: Path) -> str:
    findings = audit_stack(find_frames(folder)).findings
    told = {f.kind for f in findings if f.severity != "note"}
    mark = "found" if told & WANTED[fault] else ("" if fault == "whole" else "MISSED")
    false = told - WANTED[fault] - WIDE
    return f"{mark}{f' FALSE {sorted(false)}' if false else ''} | {_told(findings)}"


def _merged(bracket: Bracket, folder: Path, keep: bool) -> str:
    result = merge_stack(find_frames(folder))
    scores, worst = compare(bracket, result)
    over = scores["own"] - max(v for k, v in scores.items() if k != "own")
    if keep:
        coded = np.rint(np.clip(np.float32(result.pixels), 0, 1)[..., ::-1] * 255)
        cv2.imwrite(str(folder.with_suffix(".png")), coded.astype(np.uint8))
    ways = " ".join(f"{k} {v:.1f}" for k, v in scores.items())
    return f"{over:+.1f} | {ways} | {worst:.2f} px | {_told(result.findings)}"


def main(arguments: list[str]) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("first", type=int)
    parser.add_argument("last", type=int)
    parser.add_argument("--faults", action="store_true", help="one kind after the other")
    parser.add_argument("--fault", choices=WANTED, help="this one in every bracket")
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args(arguments)
    faulty, kinds = options.faults or options.fault, list(WANTED)
    with tempfile.TemporaryDirectory() as scratch:
        for seed in range(options.first, options.last):
            fault = options.fault or (kinds[seed % len(kinds)] if faulty else "whole")
            bracket = make(seed, fault)
            folder = (options.keep or Path(scratch)) / str(seed)
            write(bracket, folder)
            try:
                said = _audited(fault, folder) if faulty else _merged(bracket, folder, options.keep)
            except MergeError as error:
                said = f"refused: {error}"
            print(f"{seed} {bracket.about} | {said}", flush=True)


if __name__ == "__main__":
    with kept_results(__file__):
        main(sys.argv[1:])
