"""Where in the picture a finding lies, and which parts of which pictures show it best."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.model import Finding, FloatArray, FocusAxis
from merge.report.page.pictures import Box, Crop

# Height and width of a crop in pixels of the picture: large enough to know the place again.
CROP_SHAPE = (220, 300)
_FRAMES_SHOWN = 2


@dataclass(frozen=True, eq=False)
class Places:
    """What is known of the places in a page's picture.

    Attributes
    ----------
    box : (row, column, height, width)
        The page's picture in the reference frame.
    axis : FocusAxis or None
        Of the aligned frames.
    aligned : sequence of int
        Their indices in the stack.
    tolerance_px : float
    choice : ndarray of int, shape (h, w)
        The frame that is sharpest at each place of the page's picture, reduced.
    confidence : ndarray, shape (h, w), float32
    """

    box: Box
    axis: FocusAxis | None
    aligned: Sequence[int]
    tolerance_px: float
    choice: NDArray[np.int32]
    confidence: FloatArray

    def crops_of(self, finding: Finding) -> tuple[Crop, ...]:
        """Return what to show of a finding: the main picture, then its frames; may be empty."""
        if not finding.facts.placed or not (finding.box or finding.frames):
            return ()
        # Of many frames no two say more than the others.
        frames = [i for i in finding.frames if i in self.aligned]
        frames = frames if len(frames) <= _FRAMES_SHOWN else []
        if finding.box is None and not frames:
            return ()
        place = self._place_on_axis(finding) if finding.box else self._place_of_frame(frames[0])
        return tuple(Crop(frame, place) for frame in (None, *frames))

    def blur_px(self) -> NDArray[np.float64] | None:
        """Return the blur of every tile in its sharpest frame, NaN where it has no detail.

        Median of 3 x 3 tiles: single tiles are placed wrongly now and then.
        """
        if self.axis is None:
            return None
        blur = self._nearest_blur(self.axis)
        padded = np.pad(blur, 1, constant_values=np.nan)
        rows, columns = blur.shape
        around = [padded[r : r + rows, c : c + columns] for r in range(3) for c in range(3)]
        known = ~np.isnan(blur)
        smooth = np.full_like(blur, np.nan)
        smooth[known] = np.nanmedian(np.stack(around)[:, known], axis=0)
        return smooth

    def _nearest_blur(self, axis: FocusAxis) -> NDArray[np.float64]:
        apart = np.abs(axis.tile_positions_px[..., None] - axis.positions_px)
        return np.asarray(apart.min(axis=-1))

    def _place_on_axis(self, finding: Finding) -> Box:
        row, column, height, width = finding.box or self.box
        if self.axis is None:
            return self._clip(row + height / 2, column + width / 2)
        axis, side = self.axis, self.axis.tile_size_px
        rows, columns = (np.arange(n) * side + side / 2 for n in axis.tile_detail.shape)
        inside = np.outer(
            (rows >= row) & (rows < row + height), (columns >= column) & (columns < column + width)
        )
        weight = axis.tile_detail * inside
        if finding.facts.hole:  # the place is where the sharpest frame is beyond tolerance
            weak = np.nan_to_num(self._nearest_blur(axis)) > self.tolerance_px
            own = np.isin(self._nearest_frame(axis), finding.frames)
            weight = weight * (weak & own) if (weight * (weak & own)).any() else weight
        return self._densest(weight, side, (-self.box[0], -self.box[1]))

    def _nearest_frame(self, axis: FocusAxis) -> NDArray[np.int64]:
        apart = np.abs(axis.tile_positions_px[..., None] - axis.positions_px)
        slots = np.argmin(np.nan_to_num(apart, nan=np.inf), axis=-1)
        return np.asarray(self.aligned)[slots]

    def _place_of_frame(self, frame: int) -> Box:
        weight = self.confidence * (self.choice == frame)
        if not weight.any():
            return self._clip(self.box[0] + self.box[2] / 2, self.box[1] + self.box[3] / 2)
        return self._densest(weight, self.box[3] / self.choice.shape[1], (0, 0))

    def _densest(
        self, weight: NDArray[np.floating], cell_px: float, offset: tuple[float, float]
    ) -> Box:
        """Return the crop with the most weight; ``offset`` is the map's corner in the picture."""
        window = [max(1, round(n / cell_px)) for n in CROP_SHAPE]
        total = cv2.blur(
            weight.astype(np.float32), (window[1], window[0]), borderType=cv2.BORDER_CONSTANT
        )
        row, column = np.unravel_index(int(total.argmax()), total.shape)
        return self._clip(
            (row + 0.5) * cell_px + offset[0] + self.box[0],
            (column + 0.5) * cell_px + offset[1] + self.box[1],
        )

    def _clip(self, row: float, column: float) -> Box:
        """Return the crop about a point of the reference frame, inside the page's picture."""
        size = [min(n, whole) for n, whole in zip(CROP_SHAPE, self.box[2:], strict=True)]
        corner = [
            int(np.clip(round(centre - start - n / 2), 0, whole - n))
            for centre, start, n, whole in zip(
                (row, column), self.box[:2], size, self.box[2:], strict=True
            )
        ]
        return corner[0], corner[1], size[0], size[1]
