"""Frames of one focus at several f-numbers → which is best, where, and why."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
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
from merge.model import FloatArray, FrameSource, Progress, Stack
from merge.optics import effective_f_number
from merge.pipeline.page_pictures import screen_pixels
from merge.plan.checks import check_number
from merge.read import BlankRows, check_stack, find_frames, read_frame, read_luminance
from merge.threads import work_ahead

# Long side of the pictures that frames are aligned by; tiles find the rest of their shift.
_ALIGN_PX = 600
# Correlation below which frames do not show one subject: unrelated photographs stay below 0.3.
_LEAST_CORRELATION = 0.5
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
    crops : tuple of ndarray, shape (h, w, 3), uint8
        Each frame's own pixels in sRGB; brightness that of the reference.
    """

    place: str
    box: tuple[int, int, int, int]
    crops: tuple[NDArray[np.uint8], ...]


@dataclass(frozen=True, eq=False)
class ApertureSeries:
    """The answers, and what is needed to look at the places that they rest on.

    Attributes
    ----------
    report : ApertureReport
    sources : tuple of FrameSource
        In order of f-number, as the report's frames.
    reference : int
        Frame that the others are aligned to.
    white_balance : tuple of float or None
        Of raw frames.
    maps : tuple of ndarray, shape (3, 3), float64
        From the reference frame's pixels (x, y) to each frame's.
    places : tuple of (str, box)
        A place of each part of the picture, (row, column, height, width) in the reference.
    """

    report: ApertureReport
    sources: tuple[FrameSource, ...]
    reference: int
    white_balance: tuple[float, ...] | None
    maps: tuple[NDArray[np.float64], ...]
    places: tuple[tuple[str, tuple[int, int, int, int]], ...]


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
    OptionError
        If a number is none that a camera has.
    MergeError
        If f-numbers are missing or alike, or too little detail can be compared.
    """
    check_number("pixel_pitch_um", pitch_um)
    check_number("magnification", magnification, low=0.0)
    for number in f_numbers or ():
        check_number("f_number", number)
    stack = find_frames(inputs)
    check_stack(stack)
    order, numbers = _by_f_number(stack, f_numbers)
    sources = [stack.sources[i] for i in order]
    if pitch_um is None:
        pitch_um = sources[0].settings.pixel_pitch_um
    middle = len(sources) // 2
    todo = [middle, *(i for i in range(len(sources)) if i != middle)]
    read = _reader(sources, stack.white_balance)
    pictures = zip(todo, work_ahead(read, todo), strict=True)
    measured = _Measurement(sources, middle, next(pictures)[1])
    for done in range(1, len(sources) + 1):
        if progress:
            progress("frames", done, len(sources))
        if done < len(sources):
            measured.add(*next(pictures))
    measured.blank.check([sources[i] for i in todo])
    report = assess_series(
        [s.name for s in sources],
        numbers,
        measured.spectra(),
        measured.grid,
        effective=[float(effective_f_number(n, magnification)) for n in numbers],
        pitch_um=pitch_um,
        tolerance_px=tolerance_px,
        edges=measured.edges(),
    )
    return ApertureSeries(
        report,
        tuple(sources),
        middle,
        stack.white_balance,
        tuple(measured.maps[i] for i in range(len(sources))),
        tuple(measured.places),
    )


def cut_crops(series: ApertureSeries) -> tuple[CropRow, ...]:
    """Return the places of a series at 100 %, in colour; every frame is read once more.

    Raises
    ------
    ReadError
        If a frame cannot be read any more.
    """
    boxes = [box for _, box in series.places]
    crops: dict[int, list[NDArray[np.uint8]]] = {}
    todo = [series.reference, *(i for i in range(len(series.sources)) if i != series.reference)]
    goal: list[float] = []
    for i, pixels in zip(todo, work_ahead(_colour_reader(series), todo), strict=True):
        parts = [_cut(pixels, box, series.maps[i]) for box in boxes]
        if i == series.reference:
            goal = [float(part.mean()) for part in parts]
        evened = [
            np.clip(part * (g / max(float(part.mean()), 1e-3)), 0, 1)
            for part, g in zip(parts, goal, strict=True)
        ]
        crops[i] = [screen_pixels(part, series.sources[i]) for part in evened]
    return tuple(
        CropRow(place, box, tuple(crops[i][k] for i in range(len(series.sources))))
        for k, (place, box) in enumerate(series.places)
    )


def _colour_reader(series: ApertureSeries) -> Callable[[int], FloatArray]:
    def read(i: int) -> FloatArray:
        return read_frame(series.sources[i], white_balance=series.white_balance).pixels

    return read


def _reader(
    sources: Sequence[FrameSource], white_balance: tuple[float, ...] | None
) -> Callable[[int], FloatArray]:
    def read(i: int) -> FloatArray:
        return read_luminance(sources[i], white_balance=white_balance)

    return read


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
    """What is kept of each frame: spectra of tiles, where it lies, an edge."""

    def __init__(
        self, sources: Sequence[FrameSource], reference: int, luminance: FloatArray
    ) -> None:
        """Measure the reference frame, whose luminance (H, W) is given."""
        source = sources[reference]
        try:
            self.grid = choose_tiles(luminance)
        except ValueError as exc:
            raise MergeError(f"{source.name}: {exc}. Give larger frames.") from exc
        self._sources, self._reference = sources, reference
        self._bins = make_bins()
        self._small = _small_linear(luminance, source)
        self._edge_box = find_edge(luminance, source.transfer)
        self._spectra: dict[int, TileSpectra] = {}
        self._edges: dict[int, EdgeResponse | None] = {}
        self.maps: dict[int, NDArray[np.float64]] = {}
        self.blank = BlankRows()
        self.add(reference, luminance)
        self.places = _crop_places(self._spectra[reference], self.grid, luminance.shape)

    def add(self, i: int, luminance: FloatArray) -> None:
        """Measure one frame."""
        source = self._sources[i]
        self.blank.add(luminance)
        matrix = self.maps[i] = self._locate(luminance, source)
        corners = _moved(self.grid.corners, matrix, self.grid.tile_px)
        spectra = tile_spectra(luminance, corners, source.transfer, self._bins)
        if i != self._reference:
            spectra = align_spectra(spectra, self._spectra[self._reference], self._bins)
        self._spectra[i] = spectra
        if self._edge_box is not None:
            box = _moved_box(self._edge_box, matrix)
            self._edges[i] = measure_edge(luminance, source.transfer, box)

    def _locate(self, luminance: FloatArray, source: FrameSource) -> NDArray[np.float64]:
        """Return the map from the reference frame's pixels to this frame's."""
        small = _small_linear(luminance, source)
        if small.shape == self._small.shape and np.array_equal(small, self._small):
            return np.eye(3)
        result = register_pair(self._small, small, model="similarity")
        if result.correlation < _LEAST_CORRELATION:
            raise RegistrationError(
                f"{source.name}: does not show the subject of "
                f"{self._sources[self._reference].name} (correlation "
                f"{result.correlation:.2f}, at least {_LEAST_CORRELATION} needed). Leave it out."
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
    """Return a box around the most detailed tile of each part, no place twice."""
    detail = (np.abs(spectra.values) ** 2).mean(axis=1) * spectra.usable
    side = min(CROP_PX, *shape)
    masks = {n: m & spectra.usable for n, m in region_masks(grid).items() if n != "whole picture"}
    middle = grid.corners + grid.tile_px / 2
    places: list[tuple[str, tuple[int, int, int, int]]] = []
    taken: list[NDArray[np.float64]] = []
    for name, mask in masks.items():
        if not mask.any():
            continue
        # As far from the places shown already as the part is large enough for.
        for apart in (side, side / 2, side / 4, 0.0):
            away = [np.abs(middle - other).max(axis=1) >= apart for other in taken]
            free = np.logical_and.reduce([mask, *away])
            if free.any():
                break
        best = int(np.argmax(np.where(free, detail, -1)))
        taken.append(middle[best])
        top, left = (
            int(np.clip(round(c) - side // 2, 0, n - side))
            for c, n in zip(middle[best], shape, strict=True)
        )
        places.append((name, (top, left, side, side)))
    return places


def _cut(
    pixels: FloatArray, box: tuple[int, int, int, int], matrix: NDArray[np.float64]
) -> FloatArray:
    """Return the box's pixels of a frame (H, W, C), shifted inwards where the frame ends."""
    top, left, height, width = _moved_box(box, matrix)
    top = int(np.clip(top, 0, pixels.shape[0] - height))
    left = int(np.clip(left, 0, pixels.shape[1] - width))
    return pixels[top : top + height, left : left + width].copy()
