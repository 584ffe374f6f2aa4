"""The rendered sample brackets of `fixtures/`, with their truth as arrays."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

FIXTURES = Path(__file__).parents[1] / "fixtures"


@dataclass(frozen=True, eq=False)
class FixtureBracket:
    """One rendered bracket.

    Attributes
    ----------
    folder : Path
        Holds the frames and, in its folder `truth`, what is known of them.
    paths : tuple of Path
        The frames in shooting order, near focus first.
    truth : ndarray, shape (H, W, 3), float32
        All-sharp picture of the reference frame, sRGB-coded, without noise.
    inverse_depth : ndarray, shape (H, W), float64
        1 / depth along the optical axis in 1 / scene unit; 0 = infinity.
    transforms : ndarray, shape (N, 3, 3), float64
        Reference to frame, acting on (x, y, 1), integer coordinates at pixel centres.
    gains : ndarray, shape (N,)
        Linear light of each frame over that of the reference frame.
    positions_px : ndarray, shape (N,)
        Frames on the focus axis: pixels of blur-circle diameter, the first at 0.
    reference : int
    record : dict
        All of truth/truth.json.
    """

    folder: Path
    paths: tuple[Path, ...]
    truth: np.ndarray
    inverse_depth: np.ndarray
    transforms: np.ndarray
    gains: np.ndarray
    positions_px: np.ndarray
    reference: int
    record: dict[str, Any]

    @cached_property
    def depth(self) -> np.ndarray:
        """Depth along the optical axis in scene units, shape (H, W); infinite for the sky."""
        with np.errstate(divide="ignore"):
            return 1 / self.inverse_depth

    @cached_property
    def pixel_positions_px(self) -> np.ndarray:
        """Position of every reference pixel on the focus axis, shape (H, W).

        A pixel at p is blurred by a disk of diameter ``|positions_px[i] - p|`` in frame i (in
        pixels of the reference frame).
        """
        nearest = 1 / self.record["focus_distances"][0]
        return self.record["blur_factor_px"] * (nearest - self.inverse_depth)

    @cached_property
    def covered(self) -> np.ndarray:
        """True where some frame is within half a step of being in focus, shape (H, W)."""
        half = float(np.diff(self.positions_px).max()) / 2
        gap = np.abs(self.pixel_positions_px[..., None] - self.positions_px).min(axis=-1)
        return gap <= half

    def frame(self, index: int) -> np.ndarray:
        """Return one frame as stored: (H, W, 3) float32, sRGB-coded."""
        with Image.open(self.paths[index]) as picture:
            return np.asarray(picture, np.float32) / 255


@lru_cache(maxsize=2)
def load_fixture(name: str) -> FixtureBracket:
    """Return the bracket "macro" or "landscape"."""
    folder = FIXTURES / name
    known = folder / "truth"
    record = json.loads((known / "truth.json").read_text(encoding="utf-8"))
    stored = cv2.imread(str(known / "inverse_depth.png"), cv2.IMREAD_UNCHANGED)
    with Image.open(known / "truth.png") as picture:
        truth = np.asarray(picture, np.float32) / 255
    return FixtureBracket(
        folder=folder,
        paths=tuple(folder / file for file in record["frames"]),
        truth=truth,
        inverse_depth=stored * record["inverse_depth_step"],
        transforms=np.array(record["transforms"]),
        gains=np.array(record["gains"]),
        positions_px=np.array(record["positions_px"]),
        reference=record["reference"],
        record=record,
    )
