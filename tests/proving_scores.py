"""How near a merge of a proving bracket comes to its truth: by region, transforms, depth.

PSNR in dB against the attainable picture after one gain for the whole picture, where all frames
reach and nothing moves.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from proving_data import ProvingBracket
from thin_lens import to_coded, to_light

from merge import MergeResult, find_frames, read_frame

# Edges: within so many px of a step of the true depth, of more than a frame's step and this blur.
EDGE_PX, EDGE_STEP_PX = 15, 3.0
BORDER_PX = 12  # left out all round: what the resampling takes from outside
# A rim: so many times steeper than any frame within this distance, and by so much a pixel (coded).
RIM_TIMES, RIM_NEAR_PX, RIM_LEAST, RIM_SIGMA_PX = 1.5, 4, 2 / 255, 1.0
_SLOPE = np.array([[-0.5, 0.0, 0.5]], np.float32)
REGIONS = ("all", "edges", "elsewhere", "backdrop")


@dataclass(frozen=True, eq=False)
class Scored:
    """A bracket with what every way of merging it is measured by."""

    bracket: ProvingBracket
    placed: list[np.ndarray]  # frames in the reference's geometry and exposure, by the truth
    counted: np.ndarray
    edges: np.ndarray

    def regions(self) -> dict[str, np.ndarray]:
        """Return the masks of `REGIONS`."""
        far = self.bracket.beyond & ~self.edges
        return {
            "all": self.counted,
            "edges": self.counted & self.edges,
            "elsewhere": self.counted & ~self.edges & ~far,
            "backdrop": self.counted & far,
        }

    def psnr(self, picture: np.ndarray, origin: tuple[int, int] = (0, 0)) -> dict[str, float]:
        """Return dB by region of a picture whose first pixel is at ``origin``."""
        (top, left), (height, width) = origin, picture.shape[:2]
        area = np.s_[top : top + height, left : left + width]
        truth = self.bracket.truth[area].astype(np.float64)
        inner = np.zeros(truth.shape[:2], bool)
        inner[BORDER_PX:-BORDER_PX, BORDER_PX:-BORDER_PX] = True
        masks = {name: mask[area] & inner for name, mask in self.regions().items()}
        counted = masks["all"]
        given = picture.astype(np.float64)
        gain = (given * truth)[counted].sum() / (given[counted] ** 2).sum()
        error = ((given * gain - truth) ** 2).mean(axis=2)
        return {
            name: round(float(-10 * np.log10(error[mask].mean())), 2) if mask.sum() > 500 else None
            for name, mask in masks.items()
        }


def depth_edges(bracket: ProvingBracket) -> np.ndarray:
    """Return True within `EDGE_PX` of a step of the true depth, shape (H, W)."""
    positions = bracket.positions_px
    where = np.interp(bracket.depth, np.arange(len(positions)), positions).astype(np.float32)
    around = np.ones((3, 3), np.uint8)
    least = max(EDGE_STEP_PX, 1.02 * float(np.abs(np.diff(positions)).max()))
    if len(positions) == 2:
        least = EDGE_STEP_PX
    step = cv2.dilate(where, around) - cv2.erode(where, around) > least
    return cv2.distanceTransform((~step).astype(np.uint8), cv2.DIST_L2, 5) <= EDGE_PX


def prepare(bracket: ProvingBracket) -> tuple[Scored, float]:
    """Return a bracket ready to be scored, and the seconds that decoding it takes."""
    stack = find_frames(bracket.folder)
    began = time.perf_counter()
    frames = [read_frame(source).pixels for source in stack.sources]
    seconds = time.perf_counter() - began
    placed, reached = [], np.ones(bracket.inverse_depth.shape, bool)
    height, width = reached.shape
    for index, frame in enumerate(frames):
        place = bracket.places_in(index).astype(np.float32)
        x, y = place[..., 0], place[..., 1]
        reached &= (x >= 1) & (y >= 1) & (x <= width - 2) & (y <= height - 2)
        moved = cv2.remap(frame, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        light = to_light(np.clip(moved, 0, 1)) / bracket.gains[index]
        placed.append(to_coded(light))
    around = cv2.dilate(bracket.moving.astype(np.uint8), np.ones((21, 21), np.uint8)) > 0
    return Scored(bracket, placed, reached & ~around, depth_edges(bracket)), seconds


def choice_by_true_depth(scored: Scored) -> np.ndarray:
    """Return each pixel from the frame that is truly nearest."""
    nearest = np.rint(scored.bracket.depth).astype(int)
    rows, columns = np.indices(nearest.shape)
    return np.stack(scored.placed)[nearest, rows, columns]


def exposure_fusion(scored: Scored) -> np.ndarray:
    """Return OpenCV's exposure fusion of the truly placed frames, by contrast alone."""
    coded = [np.rint(np.clip(frame, 0, 1) * 255).astype(np.uint8) for frame in scored.placed]
    return cv2.createMergeMertens(1, 0, 0).process(coded)


def hard_rims(scored: Scored, picture: np.ndarray, origin: tuple[int, int] = (0, 0)) -> np.ndarray:
    """Return where a picture has an edge that no frame has near there, shape of the picture.

    Its gradient, all blurred by `RIM_SIGMA_PX` against noise, exceeds `RIM_TIMES` the largest of
    the truly placed frames within `RIM_NEAR_PX` by more than `RIM_LEAST` a pixel.
    """
    (top, left), (height, width) = origin, picture.shape[:2]
    area = np.s_[top : top + height, left : left + width]
    largest = np.zeros((height, width), np.float32)
    for frame in scored.placed:
        np.maximum(largest, _gradient(frame[area]), out=largest)
    near = cv2.dilate(largest, np.ones((2 * RIM_NEAR_PX + 1,) * 2, np.uint8))
    inner = np.zeros((height, width), bool)
    inner[BORDER_PX:-BORDER_PX, BORDER_PX:-BORDER_PX] = True
    rim = _gradient(picture) > RIM_TIMES * near + np.float32(RIM_LEAST)
    return rim & inner & scored.counted[area]


def _gradient(picture: np.ndarray) -> np.ndarray:
    """Return the steepest change of any channel, a pixel."""
    soft = cv2.GaussianBlur(np.asarray(picture, np.float32), (0, 0), RIM_SIGMA_PX)
    along, down = (cv2.filter2D(soft, -1, k) for k in (_SLOPE, _SLOPE.T))
    return np.hypot(along, down).max(axis=2)


def frame_order(bracket: ProvingBracket, result: MergeResult) -> list[int]:
    """Return which frame of the bracket each frame of a result is: it orders them by focus."""
    at = {path: index for index, path in enumerate(bracket.paths)}
    return [at[source.path] for source in result.stack.sources]


def transform_error(scored: Scored, result: MergeResult) -> dict[str, Any]:
    """Return the worst frame's error in px where it is sharp, and the frames left out.

    "light_px" is the same for the middles of blur disks in place of the aperture's centre: where
    lenses cut the disks, all that frames show (one against another, the disk of a lens whose pupil
    lies elsewhere on the axis is the same).
    """
    bracket = scored.bracket
    step = max(2.0, float(np.abs(np.diff(bracket.positions_px)).max()))
    rows, columns = np.indices(bracket.inverse_depth.shape)
    points = np.stack([columns, rows], -1).astype(float)
    worst, worst_light, left_out = 0.0, 0.0, 0
    here = bracket.light_px(bracket.reference)
    order = frame_order(bracket, result)
    # Positions of result and truth rise along the same way, by the same unit but for an error.
    positions = bracket.positions_px
    way = np.sign(positions[order[-1]] - positions[order[0]])
    places = np.interp(bracket.depth, np.arange(len(positions)), positions)
    for index, frame in zip(order, result.registration.frames, strict=True):
        if frame.transform is None:
            left_out += 1
            continue
        sharp = (np.abs(bracket.blur_px(index)) < step) & scored.counted
        if sharp.sum() < 500:
            continue
        away = way * (places[sharp] - positions[index])
        found = frame.transform.apply(points[sharp], frame.transform.plane_px + away)
        off = found - bracket.places_in(index)[sharp]
        worst = max(worst, float(np.sqrt((off**2).sum(-1).mean())))
        shown = frame.transform.apply((points + here)[sharp], frame.transform.plane_px + away)
        off = shown - (bracket.places_in(index) + bracket.light_px(index))[sharp]
        worst_light = max(worst_light, float(np.sqrt((off**2).sum(-1).mean())))
    same = order[result.registration.reference] == bracket.reference
    return {
        "px": round(worst, 3),
        "light_px": round(worst_light, 3),
        "left_out": left_out,
        "true_reference": same,
    }


def depth_error(scored: Scored, result: MergeResult) -> list[float] | None:
    """Return the depth map's error in px of blur: median and ninth decile."""
    if result.depth is None:
        return None
    bracket, positions = scored.bracket, scored.bracket.positions_px
    (top, left), (height, width) = result.origin, result.depth.position.shape
    area = np.s_[top : top + height, left : left + width]
    counted = (scored.counted & ~scored.edges & ~bracket.beyond)[area]
    if not counted.any():
        return None
    frames = np.arange(len(positions))
    order = frame_order(bracket, result)
    found = np.interp(result.depth.position[counted], np.arange(len(order)), positions[order])
    off = np.abs(found - np.interp(bracket.depth[area][counted], frames, positions))
    return [round(float(np.median(off)), 2), round(float(np.percentile(off, 90)), 2)]
