"""Frames of one focus at several f-numbers → which is best, where, and why."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from merge.align import register_pair
from merge.apertures import (
    ApertureReport,
    EdgeResponse,
    TileGrid,
    TileSpectra,
    align_spectra,
    assess_series,
    choose_tiles,
    find_edge,
    make_bins,
    measure_edge,
    region_masks,
    tile_spectra,
)
from merge.encoding import linearize
from merge.errors import MergeError, RegistrationError
from merge.model import FloatArray, FrameSource, Stack
from merge.optics import effective_f_number
from merge.pipeline.ahead import work_ahead
from merge.read import check_stack, find_frames, read_luminance

Progress = Callable[[str, int, int], None]

# Long side of the pictures that frames are aligned by; tiles find the rest of their shift.
_ALIGN_PX = 600
# Correlation below which frames do not show one subject: unrelated photographs stay below 0.3.
_LEAST_AGREEMENT = 0.5
CROP_PX = 240


@dataclass(frozen=True, eq=False)
class CropRow:
    """One place of the picture in every frame, at one screen pixel a frame pixel.

    Attributes
    ----------
    place : str
        Region that it stands for.
    box : tuple of int
        (row, column, height, width) in the reference frame.
    crops : tuple of ndarray, shape (h, w), float32
        Luminance of each frame, in its own encoding; brightness evened.
    """

    place: str
    box: tuple[int, int, int, int]
    crops: tuple[FloatArray, ...]


@dataclass(frozen=True, eq=False)
class ApertureSeries:
    """The answers, the files in order of f-number, and crops to look at."""

    report: ApertureReport
    sources: tuple[FrameSource, ...]
    rows: tuple[CropRow, ...]


def assess_apertures(
    inputs: Iterable[str | Path] | str | Path,
    *,
    f_numbers: Sequence[float] | None = None,
    magnification: float = 0.0,
    pitch_um: float | None = None,
    tolerance_px: float = 2.0,
    progress: Progress | None = None,
) -> ApertureSeries:
    """Return which aperture of a series is best, where, and why.

    Parameters
    ----------
    inputs : path or iterable of paths
        Frames of one focus; see `merge.read.find_frames`.
    f_numbers : sequence of float, optional
        Of the frames in shooting order, where the files do not tell them.
    magnification : float, default 0
        Size of the image over the subject's: close up, diffraction follows N (1 + m).
    pitch_um : float, optional
        Pixel pitch, where the files do not tell it.
    tolerance_px : float, default 2.0
        Blur allowed when counting the frames of a bracket.
    progress : callable, optional
        Called with (what, done, total).

    Returns
    -------
    ApertureSeries

    Raises
    ------
    ReadError, FrameMismatchError
        As reading a stack does.
    RegistrationError
        If a frame does not show the subject of the others.
    MergeError
        If f-numbers are missing or alike, or too little detail can be compared.
    """
    stack = find_frames(inputs)
    check_stack(stack)
    order, numbers = _by_f_number(stack, f_numbers)
    sources = [stack.sources[i] for i in order]
    if pitch_um is None:
        pitch_um = sources[0].settings.pixel_pitch_um
    middle = len(sources) // 2
    measured = _Measurement(sources, middle, stack.white_balance)
    todo = [middle, *(i for i in range(len(sources)) if i != middle)]
    for done, (i, luminance) in enumerate(measured.read_ahead(todo), 1):
        measured.add(i, luminance)
        if progress:
            progress("frames", done, len(sources))
    report = assess_series(
        [s.name for s in sources],
        numbers,
        measured.spectra(),
        measured.grid,
        effective=[float(effective_f_number(n, magnification)) for n in numbers],
        pitch_um=pitch_um,
        tolerance_px=tolerance_px,
    )
    return ApertureSeries(
        replace(report, edges=measured.edges()), tuple(sources), measured.crop_rows()
    )


def _by_f_number(stack: Stack, given: Sequence[float] | None) -> tuple[list[int], list[float]]:
    """Return the order of the frames by f-number, and the f-numbers so ordered."""
    if given is not None and len(given) != len(stack):
        raise MergeError(
            f"{len(given)} f-numbers given for {len(stack)} frames; give one for each, "
            "in shooting order."
        )
    numbers = list(given) if given is not None else []
    for source in stack.sources if given is None else ():
        if source.settings.f_number is None:
            raise MergeError(
                f"{source.name}: its f-number is not recorded. "
                "Give the f-numbers of all frames in shooting order with --f-numbers."
            )
        numbers.append(source.settings.f_number)
    if len({round(n, 2) for n in numbers}) < 2:
        raise MergeError(
            f"{stack.sources[0].name} … {stack.sources[-1].name}: all frames have one f-number, "
            "expected at least two. Give an aperture series."
        )
    order = sorted(range(len(numbers)), key=lambda i: numbers[i])
    return order, [numbers[i] for i in order]


class _Measurement:
    """What is kept of each frame: spectra of tiles, crops, an edge."""

    def __init__(
        self,
        sources: list[FrameSource],
        reference: int,
        white_balance: tuple[float, ...] | None,
    ) -> None:
        self._sources, self._reference = sources, reference
        self._white_balance = white_balance
        self._bins = make_bins()
        self._spectra: dict[int, TileSpectra] = {}
        self._edges: dict[int, EdgeResponse | None] = {}
        self._crops: dict[int, list[FloatArray]] = {}
        self.grid: TileGrid
        self._small: FloatArray
        self._edge_box: tuple[int, int, int, int] | None = None
        self._places: list[tuple[str, tuple[int, int, int, int]]] = []

    def read_ahead(self, todo: list[int]) -> Iterator[tuple[int, FloatArray]]:
        """Give frames, the next one being decoded meanwhile."""
        yield from zip(todo, work_ahead(self._read, todo), strict=True)

    def _read(self, i: int) -> FloatArray:
        return read_luminance(self._sources[i], white_balance=self._white_balance)

    def add(self, i: int, luminance: FloatArray) -> None:
        """Measure one frame; the reference comes first."""
        source = self._sources[i]
        if i == self._reference:
            self._begin(luminance, source)
        matrix = self._locate(luminance, source)
        corners = _moved(self.grid.corners, matrix, self.grid.tile_px)
        spectra = tile_spectra(luminance, corners, source.transfer, self._bins)
        if i != self._reference:
            spectra = align_spectra(spectra, self._spectra[self._reference], self._bins)
        else:
            self._places = _crop_places(spectra, self.grid, luminance.shape)
        self._spectra[i] = spectra
        self._crops[i] = [_cut(luminance, box, matrix) for _, box in self._places]
        if self._edge_box is not None:
            box = _moved_box(self._edge_box, matrix)
            self._edges[i] = measure_edge(luminance, source.transfer, box)

    def _begin(self, luminance: FloatArray, source: FrameSource) -> None:
        try:
            self.grid = choose_tiles(luminance)
        except ValueError as exc:
            raise MergeError(f"{source.name}: {exc}. Give larger frames.") from exc
        self._small = _small_linear(luminance, source)
        self._edge_box = find_edge(luminance, source.transfer)

    def _locate(self, luminance: FloatArray, source: FrameSource) -> NDArray[np.float64]:
        """Return the map from the reference frame's pixels to this frame's."""
        small = _small_linear(luminance, source)
        if small.shape == self._small.shape and np.array_equal(small, self._small):
            return np.eye(3)
        result = register_pair(self._small, small, model="similarity")
        if result.agreement < _LEAST_AGREEMENT:
            raise RegistrationError(
                f"{source.name}: does not show the subject of "
                f"{self._sources[self._reference].name} (likeness {result.agreement:.2f}, "
                f"expected at least {_LEAST_AGREEMENT}). Leave it out."
            )
        scale = luminance.shape[1] / small.shape[1]
        centre = (scale - 1) / 2
        up = np.array([[scale, 0, centre], [0, scale, centre], [0, 0, 1.0]])
        return np.asarray(up @ result.matrix @ np.linalg.inv(up))

    def spectra(self) -> list[TileSpectra]:
        """Return the spectra in order of f-number."""
        return [self._spectra[i] for i in range(len(self._sources))]

    def edges(self) -> tuple[EdgeResponse | None, ...]:
        """Return the edge's response in every frame, nothing without an edge."""
        return tuple(self._edges[i] for i in sorted(self._edges))

    def crop_rows(self) -> tuple[CropRow, ...]:
        """Return the crops place by place, their brightness that of the reference."""
        rows = []
        for k, (place, box) in enumerate(self._places):
            goal = float(self._crops[self._reference][k].mean())
            crops = []
            for i in range(len(self._sources)):
                crop = self._crops[i][k]
                crops.append(np.clip(crop * (goal / max(float(crop.mean()), 1e-3)), 0, 1))
            rows.append(CropRow(place, box, tuple(crops)))
        return tuple(rows)


def _small_linear(luminance: FloatArray, source: FrameSource) -> FloatArray:
    """Return reduced linear light of mean 0.2, for aligning frames of unlike exposure."""
    factor = max(1, round(max(luminance.shape) / _ALIGN_PX))
    size = (luminance.shape[1] // factor, luminance.shape[0] // factor)
    cut = luminance[: size[1] * factor, : size[0] * factor]
    light = linearize(cv2.resize(cut, size, interpolation=cv2.INTER_AREA), source.transfer)
    return np.asarray(light * (0.2 / max(float(light.mean()), 1e-6)), np.float32)


def _moved(corners: NDArray[np.int64], matrix: NDArray[np.float64], tile: int) -> NDArray[np.int64]:
    """Return the corners of the tiles whose centres a map takes along."""
    middle = corners[:, ::-1] + (tile - 1) / 2
    homogeneous = np.column_stack([middle, np.ones(len(middle))]) @ matrix.T
    moved = homogeneous[:, :2] / homogeneous[:, 2:]
    return np.rint(moved[:, ::-1] - (tile - 1) / 2).astype(np.int64)


def _moved_box(
    box: tuple[int, int, int, int], matrix: NDArray[np.float64]
) -> tuple[int, int, int, int]:
    row, column, height, width = box
    centre = matrix @ np.array([column + (width - 1) / 2, row + (height - 1) / 2, 1.0])
    top = round(float(centre[1] / centre[2]) - (height - 1) / 2)
    left = round(float(centre[0] / centre[2]) - (width - 1) / 2)
    return top, left, height, width


def _crop_places(
    spectra: TileSpectra, grid: TileGrid, shape: tuple[int, ...]
) -> list[tuple[str, tuple[int, int, int, int]]]:
    """Return a box around the most detailed tile of each part of the picture."""
    detail = (np.abs(spectra.values) ** 2).mean(axis=1) * spectra.usable
    side = min(CROP_PX, *shape)
    places = []
    for name, mask in region_masks(grid).items():
        if name == "whole picture" or not (mask & spectra.usable).any():
            continue
        row, column = grid.corners[int(np.argmax(np.where(mask, detail, -1)))]
        centre = (row + grid.tile_px // 2, column + grid.tile_px // 2)
        top, left = (
            int(np.clip(c - side // 2, 0, n - side)) for c, n in zip(centre, shape, strict=True)
        )
        places.append((name, (top, left, side, side)))
    return places


def _cut(
    luminance: FloatArray, box: tuple[int, int, int, int], matrix: NDArray[np.float64]
) -> FloatArray:
    """Return the box's pixels of a frame, shifted inwards where the frame ends."""
    top, left, height, width = _moved_box(box, matrix)
    top = int(np.clip(top, 0, luminance.shape[0] - height))
    left = int(np.clip(left, 0, luminance.shape[1] - width))
    return luminance[top : top + height, left : left + width].copy()
