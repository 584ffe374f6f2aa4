"""The proving brackets of `tests/proving/`, with their truth as arrays.

Two halves: constants and prototypes may be chosen on "tuning"; "checking" is scored and bounded
only. `fixtures/README.md` says what each holds and how they were made.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image
from thin_lens import to_coded, to_light

PROVING = Path(__file__).parent / "proving"
HALVES = ("tuning", "checking")

# Linear sRGB to linear BT.2020 (ITU-R BT.2087-0, table 1).
_TO_BT2020 = np.array(
    [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
)


def names(half: str | None = None) -> list[str]:
    """Return the brackets' names, of one half or of both, tuning first."""
    halves = HALVES if half is None else (half,)
    return [p.name for h in halves for p in sorted((PROVING / h).iterdir()) if p.is_dir()]


@dataclass(frozen=True, eq=False)
class ProvingBracket:
    """One bracket; pictures are (H, W, 3) float32, geometry is that of the reference frame.

    Attributes
    ----------
    folder : Path
        Holds the frames alone, and a folder `truth`.
    record : dict
        All of truth/truth.json.
    """

    folder: Path
    record: dict[str, Any]

    @property
    def paths(self) -> tuple[Path, ...]:
        """Return the frames' files in shooting order."""
        return tuple(self.folder / file for file in self.record["frames"])

    @cached_property
    def sharp(self) -> np.ndarray:
        """All-sharp picture, coded as the product codes what it reads.

        That is sRGB; for raw BT.2020 primaries with the sRGB curve.
        """
        return self._picture("truth.webp")

    @cached_property
    def truth(self) -> np.ndarray:
        """The attainable picture, coded alike: what merges are compared with.

        As `sharp`, but blurred where the subject lies beyond the frames, and by diffraction.
        """
        return self._picture("attainable.webp") if self.record["attainable"] else self.sharp

    def _picture(self, name: str) -> np.ndarray:
        with Image.open(self.folder / "truth" / name) as picture:
            coded = np.asarray(picture.convert("RGB"), np.float32) / 255
        if self.record["quality"]:
            return coded
        return to_coded((to_light(coded) @ _TO_BT2020.T).clip(0, 1))

    def _map(self, name: str) -> np.ndarray:
        return cv2.imread(str(self.folder / "truth" / name), cv2.IMREAD_UNCHANGED)

    @cached_property
    def inverse_depth(self) -> np.ndarray:
        """1 / depth along the axis in 1 / scene unit, shape (H, W), float64; 0 = infinity."""
        return self._map("inverse_depth.png") * self.record["inverse_depth_step"]

    @cached_property
    def moving(self) -> np.ndarray:
        """True where something moves in some frame, shape (H, W)."""
        if not self.record["moving"]:
            return np.zeros(self.inverse_depth.shape, bool)
        return self._map("moving.png") > 0

    def __len__(self) -> int:
        return len(self.record["frames"])

    @property
    def name(self) -> str:
        """Name of the bracket."""
        return self.record["name"]

    @property
    def reference(self) -> int:
        """Index of the reference frame."""
        return self.record["reference"]

    @property
    def positions_px(self) -> np.ndarray:
        """Frames on the focus axis: pixels of blur diameter on the optical axis, first at 0."""
        return np.array(self.record["positions_px"])

    @property
    def transforms(self) -> np.ndarray:
        """Reference to frame, (N, 3, 3), of far points, without distortion and sway."""
        return np.array(self.record["transforms"])

    @property
    def gains(self) -> np.ndarray:
        """Linear light of each channel over the reference frame's, shape (N, 3)."""
        return np.array(self.record["gains"])

    @cached_property
    def _grid(self) -> np.ndarray:
        rows, columns = np.indices(self.inverse_depth.shape)
        return np.stack([columns, rows], -1).astype(float)

    def _corner(self, view: dict[str, Any]) -> float:
        return np.hypot(self.record["width"], self.record["height"]) / 2 / view["focal_px"]

    def _directions(self) -> np.ndarray:
        """Return (x, y, 1) directions in the world of every reference pixel, shape (H, W, 3)."""
        view = self.record["views"][self.reference]
        middle = self._middle(view)
        seen = (self._grid - middle) / view["focal_px"] * [1, -1]
        t, grow = seen, view["distortion"] / self._corner(view) ** 2
        for _ in range(6):
            t = seen / (1 + grow * (t**2).sum(-1, keepdims=True))
        ahead = np.concatenate([t, np.ones((*t.shape[:2], 1))], -1)
        return ahead @ np.array(view["rotation"]).T

    def _middle(self, view: dict[str, Any]) -> np.ndarray:
        size = np.array([self.record["width"], self.record["height"]])
        return size / 2 - 0.5 + view["shift_px"]

    @cached_property
    def _world(self) -> np.ndarray:
        """Directions of all pixels, (3, H, W)."""
        return np.ascontiguousarray(np.moveaxis(self._directions(), -1, 0))

    def _as_seen(self, index: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return tangents x, y and inverse depth of all pixels in a frame's camera, (H, W)."""
        view, own = self.record["views"][index], self.record["views"][self.reference]
        # Homogeneous: direction / inverse is the point; nothing divides by 0 at infinity.
        turn, inverse = np.array(view["rotation"]), self.inverse_depth
        offset = (np.array(own["position"]) - np.array(view["position"])) @ turn
        seen = (turn.T @ self._world.reshape(3, -1)).reshape(3, *inverse.shape)
        x, y, ahead = (plane + part * inverse for plane, part in zip(seen, offset, strict=True))
        return x / ahead, y / ahead, inverse / ahead

    def places_in(self, index: int) -> np.ndarray:
        """Return where every reference pixel lies in a frame: exact (x, y), shape (H, W, 2)."""
        view = self.record["views"][index]
        x, y, _ = self._as_seen(index)
        size = 1 + view["distortion"] / self._corner(view) ** 2 * (x * x + y * y)
        column, row = self._middle(view)
        size *= view["focal_px"]
        return np.stack([x * size + column, row - y * size], -1)

    def blur_px(self, index: int) -> np.ndarray:
        """Return the blur diameter of every reference pixel in a frame, px, near side positive."""
        view = self.record["views"][index]
        x, y, inverse = self._as_seen(index)
        bend = view["curvature"] / self._corner(view) ** 2 * (x * x + y * y)
        focus = view["inverse_focus"] + bend
        return 2 * self.record["radius"] * view["focal_px"] * (inverse - focus)

    def light_px(self, index: int) -> np.ndarray:
        """Return how far the middle of every pixel's blur disk lies off its place, (H, W, 2) px.

        Where a second stop cuts the aperture, as lenses do off the axis, what is left of it is
        two disks' overlap, whose middle lies halfway between theirs.
        """
        view = self.record["views"][index]
        x, y, _ = self._as_seen(index)
        share = self.record["cats_eye"] / self._corner(view) * self.blur_px(index) / 4
        return np.stack([x * share, -y * share], -1)

    @cached_property
    def _blurs_px(self) -> np.ndarray:
        return np.stack([self.blur_px(i) for i in range(len(self))], dtype=np.float32)

    @cached_property
    def depth(self) -> np.ndarray:
        """Position of every pixel in frames: where its blur is least, to a fraction."""
        return _crossing(self._blurs_px)

    @cached_property
    def least_blur_px(self) -> np.ndarray:
        """Least blur diameter of every pixel over the frames."""
        return np.abs(self._blurs_px).min(axis=0)

    @cached_property
    def beyond(self) -> np.ndarray:
        """True where no frame comes within half its step, and at least a pixel, of focus."""
        step = float(np.abs(np.diff(self.positions_px)).max())
        return self.least_blur_px > max(1.0, 0.55 * step)


def _crossing(blur: np.ndarray) -> np.ndarray:
    """Return where the signed blur of (N, H, W) crosses zero, in frames; ends where it does not."""
    # Blur falls or rises steadily from frame to frame; sides tell between which two it is 0.
    sign = 1.0 if np.median(blur[0] - blur[-1]) > 0 else -1.0
    passed = (sign * blur > 0).sum(axis=0)
    low = np.clip(passed - 1, 0, len(blur) - 2)
    rows, columns = np.indices(low.shape)
    a, b = blur[low, rows, columns], blur[low + 1, rows, columns]
    share = np.clip(a / np.where(np.abs(a - b) < 1e-9, 1e-9, a - b), 0, 1)
    return (low + share).astype(np.float32)


@lru_cache(maxsize=4)
def load(name: str) -> ProvingBracket:
    """Return a bracket by name, or one rendered elsewhere by its folder."""
    stored = [PROVING / half / name for half in HALVES if (PROVING / half / name).is_dir()]
    return load_folder(stored[0] if stored else Path(name))


def load_folder(folder: Path) -> ProvingBracket:
    """Return a bracket from its folder."""
    record = json.loads((folder / "truth" / "truth.json").read_text(encoding="utf-8"))
    return ProvingBracket(folder, record)
