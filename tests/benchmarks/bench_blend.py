"""Quality of merges against the truth, as a Markdown table.

PYTHONPATH=.:tests python tests/benchmarks/bench_blend.py [photograph] [macro] [landscape]

PSNR in dB after one gain for the whole picture: of all pixels, of those within 15 px of a depth
step of more than one frame, and of the others; then SSIM (scikit-image's, Z. Wang et al., IEEE
Trans. Image Process. 13(4), 600-612 (2004)); then halos: how far a pixel's channels are off (root
mean square) on the far side of contrasty depth edges, in 1/255, mean over the pixels 1-2 / 3-4 /
5-8 / 9-15 px from the edge. Single frames, OpenCV's exposure fusion by contrast alone (T. Mertens
et al., Pacific Graphics 2007) and the choice by true depth get the frames aligned by the true
transforms; merges align for themselves unless the row says otherwise.
"""

from __future__ import annotations

import contextlib
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

import cv2
import numpy as np
from bench_helpers import kept_results
from fixture_data import load_fixture
from io_samples import write_png
from scenes import photograph_stack
from skimage.metrics import structural_similarity

from merge.align import StackRegistration, common_area, warp_frame
from merge.model import FrameRegistration, FrameTransform, MergeOptions, Registration, Stack
from merge.pipeline import first_pass, merging
from merge.read import find_frames

EDGE_PX = 15
# Halos: behind depth steps of more than a frame where near and far differ by so much luma, the mean
# error in these ranges of distance from the step.
CONTRAST = 0.2
HALO_PX = ((1, 2), (3, 4), (5, 8), (9, 15))
BORDER_PX = 12  # left out all round: what the resampling takes from outside
METHODS = ("detail", "surface", "auto")


@dataclass(frozen=True, eq=False)
class Scene:
    """A bracket on disk with all that is known of it; pictures in the reference's geometry."""

    name: str
    stack: Stack
    frames: list[np.ndarray]
    transforms: list[np.ndarray]
    gains: list[float]
    positions_px: np.ndarray
    reference: int
    truth: np.ndarray
    depth: np.ndarray  # in frames
    counted: np.ndarray  # (H, W) bool

    @property
    def edges(self) -> np.ndarray:
        """True within `EDGE_PX` of a depth step of more than one frame, shape (H, W)."""
        depth, around = self.depth.astype(np.float32), np.ones((3, 3), np.uint8)
        step = cv2.dilate(depth, around) - cv2.erode(depth, around) > 1
        return cv2.distanceTransform((~step).astype(np.uint8), cv2.DIST_L2, 5) <= EDGE_PX

    def behind_edges(self) -> np.ndarray:
        """Return the distance of far places from contrasty depth steps, px; 0 elsewhere."""
        depth, around = self.depth.astype(np.float32), np.ones((5, 5), np.uint8)
        luma = self.truth @ np.float32([0.299, 0.587, 0.114])
        contrast = cv2.dilate(luma, around) - cv2.erode(luma, around) > CONTRAST
        nearer = cv2.erode(depth, np.ones((3, 3), np.uint8)) < depth - 1
        step = nearer & contrast
        distance, label = cv2.distanceTransformWithLabels(
            (~step).astype(np.uint8), cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL
        )
        own = np.zeros(label.max() + 1, np.float32)
        own[label[step]] = depth[step]
        far = depth > own[label] - 0.5  # on the far side of its nearest step
        return np.where(far, distance + 1, 0)

    def halo(self, error: np.ndarray, area: tuple[slice, slice], counted: np.ndarray) -> str:
        """Return mean errors behind contrasty edges, in 1/255."""
        distance = self.behind_edges()[area]
        means = []
        for low, high in HALO_PX:
            ring = counted & (distance >= low) & (distance < high + 1)
            means.append(f"{255 * np.sqrt(error[ring]).mean():.1f}" if ring.any() else "-")
        return " / ".join(means)

    def print_row(self, name: str, picture: np.ndarray, origin: tuple[int, int]) -> None:
        """Print how near a picture, whose first pixel is at ``origin``, comes to the truth."""
        (top, left), (height, width) = origin, picture.shape[:2]
        area = np.s_[top : top + height, left : left + width]
        truth, edges, counted = self.truth[area], self.edges[area], self.counted[area].copy()
        inner = np.zeros_like(counted)
        inner[BORDER_PX:-BORDER_PX, BORDER_PX:-BORDER_PX] = True
        counted &= inner
        picture, reference = picture.astype(np.float64), truth.astype(np.float64)
        product = (picture * reference)[counted].sum()
        fitted = picture * product / (picture[counted] ** 2).sum()
        error = ((fitted - reference) ** 2).mean(axis=2)
        places = (counted, counted & edges, counted & ~edges)
        figures = [f"{-10 * np.log10(error[place].mean()):.1f}" for place in places]
        _, similar = structural_similarity(
            reference, fitted, channel_axis=2, data_range=1.0, full=True
        )
        figures.append(f"{similar[counted].mean():.3f}")
        figures.append(self.halo(error, area, counted))
        print(f"| {self.name} | {name} | " + " | ".join(figures) + " |", flush=True)


@contextlib.contextmanager
def photograph_scene() -> Iterator[Scene]:
    """Yield the bracket of the open stereo photograph: 20 frames, 3 px steps, 3 % breathing."""
    known = photograph_stack()
    with tempfile.TemporaryDirectory() as name:
        for i, frame in enumerate(known.frames):
            write_png(Path(name) / f"frame_{i:02d}.png", np.rint(frame * 65535).astype(np.uint16))
        counted = np.ones(known.depth.shape, bool)
        yield Scene(
            "photograph", find_frames(name), known.frames, known.transforms, known.gains,
            known.positions_px, known.reference, known.truth, known.depth, counted,
        )  # fmt: skip


@contextlib.contextmanager
def fixture_scene(name: str) -> Iterator[Scene]:
    """Yield a rendered bracket, counted where some frame is in focus."""
    known = load_fixture(name)
    depth = np.interp(known.pixel_positions_px, known.positions_px, np.arange(len(known.paths)))
    frames = [known.frame(i) for i in range(len(known.paths))]
    yield Scene(
        name, find_frames(known.folder), frames, list(known.transforms), list(known.gains),
        known.positions_px, known.reference, known.truth, depth, known.covered,
    )  # fmt: skip


def with_true_transforms(scene: Scene) -> type[StackRegistration]:
    """Return a registration that finds the true geometry and gains."""
    frames = tuple(
        FrameRegistration(FrameTransform(matrix), gain=gain)
        for matrix, gain in zip(scene.transforms, scene.gains, strict=True)
    )
    shape = scene.truth.shape[:2]
    registration = Registration(frames, scene.reference, "similarity", shape)

    class Known(StackRegistration):
        def finish(self, reference: int | None = None) -> Registration:
            return registration

    return Known


def print_other_ways(scene: Scene) -> None:
    """Print the rows that need no merge of ours."""
    transforms = [FrameTransform(matrix) for matrix in scene.transforms]
    box = common_area(transforms, scene.truth.shape[:2])
    top, left, height, width = box
    truth = scene.truth[top : top + height, left : left + width]
    aligned = [
        np.clip(warp_frame(frame, transform, box=box), 0, 1)
        for frame, transform in zip(scene.frames, transforms, strict=True)
    ]
    counted = scene.counted[top : top + height, left : left + width]
    errors = [((frame - truth)[counted] ** 2).mean() for frame in aligned]
    scene.print_row("single best frame", aligned[int(np.argmin(errors))], (top, left))
    coded = [np.rint(frame * 255).astype(np.uint8) for frame in aligned]
    fused = cv2.createMergeMertens(1, 0, 0).process(coded)
    scene.print_row("OpenCV exposure fusion, contrast only", fused, (top, left))
    nearest = np.rint(scene.depth).astype(int)[top : top + height, left : left + width]
    rows, columns = np.indices(nearest.shape)
    chosen = np.stack(aligned)[nearest, rows, columns]
    scene.print_row("choice by the true depth", chosen, (top, left))


def print_merges(scene: Scene, *, true_geometry: bool) -> None:
    """Print one row for every method."""
    registrar = with_true_transforms(scene) if true_geometry else StackRegistration
    for method in METHODS:
        options = MergeOptions(method=method, reference=scene.reference)
        with mock.patch.object(first_pass, "StackRegistration", registrar):
            result = merging.merge_stack(scene.stack, options)
        note = ", true transforms" if true_geometry else ""
        scene.print_row(method + note, result.pixels, result.origin)


def main(names: list[str]) -> None:
    print("| scene | way | all | edges | elsewhere | SSIM | halo |\n|---|---|---|---|---|---|---|")
    for name in names:
        with photograph_scene() if name == "photograph" else fixture_scene(name) as scene:
            print_other_ways(scene)
            print_merges(scene, true_geometry=False)
            if name == "photograph":
                print_merges(scene, true_geometry=True)


if __name__ == "__main__":
    with kept_results(__file__):
        main(sys.argv[1:] or ["photograph", "macro", "landscape"])
