"""`detail`: per pyramid level the coefficient with the most local energy wins.

The two finest levels, which hold nearly all of the work, are done in parts; the coarser ones on
the whole picture, which is a sixteenth there.
"""

from __future__ import annotations

import cv2
import numpy as np

from merge.allocator import zeros_apart
from merge.blend.common import fitting_levels, level_masks
from merge.blend.parts import Part, at_level, divide, margin_px, within
from merge.model import BoolArray, Box, FloatArray
from merge.pyramid import build_gaussian, build_laplacian, collapse_pyramid
from merge.samples import colour_power, luminance

# Levels and window (photograph scene: 29.4 dB with 7 levels and a window of 1 px, 27.9 without
# window, 27.7 with 3 levels).
_LEVELS = 7
_WINDOW_SIGMA_PX = 1.0
# Levels that are done in parts, a bound on memory, and a part's side.
_FINE_LEVELS = 2
DETAIL_PART_PX = 512


class _Bands:
    """The strongest coefficients so far of some levels."""

    def __init__(self) -> None:
        self.bands: list[FloatArray] = []
        self._energies: list[FloatArray] = []

    def add(self, bands: list[FloatArray], energies: list[FloatArray]) -> None:
        if not self.bands:
            self.bands = [_kept(band) for band in bands]
            self._energies = [_kept(energy) for energy in energies]
            return
        for k, (band, energy) in enumerate(zip(bands, energies, strict=True)):
            stronger = cv2.compare(energy, self._energies[k], cv2.CMP_GT)
            cv2.copyTo(band, stronger, self.bands[k])
            cv2.max(energy, self._energies[k], dst=self._energies[k])

    def settle(self, rest: FloatArray) -> None:
        """Keep only what these levels add to a picture whose next level is ``rest``, nothing.

        No other frame will come.
        """
        sum_of_all = _kept(collapse_pyramid([*self.bands, rest]))
        nothing = (np.broadcast_to(np.float32(0), band.shape) for band in self.bands[1:])
        self.bands, self._energies = [sum_of_all, *nothing], []


def _kept(values: FloatArray) -> FloatArray:
    """Return a copy that goes back to the system when it is no longer needed."""
    copy = zeros_apart(values.shape)
    copy[...] = values
    return copy


class DetailBlend:
    """Per level and pixel, the coefficient of the frame with the most local energy.

    A frame is given part by part, from any thread, then ended.

    Parameters
    ----------
    shape : tuple of int
        (H, W, C) of the frames.
    rows : (first, last), optional
        Blend the fine levels of the parts that begin in these rows only. Give all parts all the
        same, or a blend whose `coarse` picture is known.
    coarse : ndarray, optional
        From `coarse_result` of a blend of the same frames.
    """

    def __init__(
        self,
        shape: tuple[int, ...],
        *,
        rows: tuple[int, int] | None = None,
        coarse: FloatArray | None = None,
    ) -> None:
        levels, self._channels = fitting_levels(shape, _LEVELS), shape[2]
        self._fine = min(_FINE_LEVELS, levels)
        self._coarse = levels - self._fine
        self._known_coarse = coarse
        self.parts = _divide(shape, None)
        self.own_parts = _divide(shape, rows)
        if coarse is not None:
            self.parts = self.own_parts
        self._blended: dict[Part, _Bands] = {part: _Bands() for part in self.own_parts}
        self._rest = _CoarseLevels(at_level((0, 0, shape[0], shape[1]), self._fine)[2:], shape[2])

    def add_part(self, part: Part, pixels: FloatArray, valid: BoolArray | None = None) -> None:
        """Take one part of a frame.

        Parameters
        ----------
        part : Part
            One of `parts`.
        pixels : ndarray, shape (height, width, C) of ``part.box``, float32 without NaN
        valid : ndarray of bool, shape (height, width), optional
            Pixels that the frame has; default all.
        """
        levels = build_laplacian(pixels, self._fine)
        masks = level_masks(valid, self._fine)
        energies = [_energy(band, mask) for band, mask in zip(levels[:-1], masks[:-1], strict=True)]
        own = self._blended.get(part)
        if own is not None:
            cores = [
                within(at_level(part.core, k), at_level(part.box, k)) for k in range(self._fine)
            ]
            own.add(
                [band[core] for band, core in zip(levels[:-1], cores, strict=True)],
                [energy[core] for energy, core in zip(energies, cores, strict=True)],
            )
        if self._known_coarse is None:
            inner = self.inner_reduced(part)
            cut = within(inner, at_level(part.box, self._fine))
            sharp = build_gaussian(np.maximum(energies[0], 0), self._fine)[-1]
            small = None
            if valid is not None:
                small = build_gaussian(valid.astype(np.float32), self._fine)[-1][cut]
            self._rest.put(inner, levels[-1][cut], sharp[cut], small)

    def add_coarse(self, part: Part, reduced: FloatArray) -> None:
        """Take one part of a frame that has no fine detail there.

        Parameters
        ----------
        part : Part
            One of `parts`.
        reduced : ndarray, shape (height, width, C) of `inner_reduced`, float32
        """
        if self._known_coarse is None:
            self._rest.put(self.inner_reduced(part), reduced, 0, None)

    def settle(self, part: Part) -> None:
        """Let go of what further frames' fine detail in a part would be compared with."""
        own = self._blended.get(part)
        if own is not None:
            size = at_level(part.core, self._fine)[2:]
            own.settle(np.zeros((*size, self._channels), np.float32))

    def inner_reduced(self, part: Part) -> Box:
        """Return a part's own box in pixels of the coarse levels, each `reduction` wide."""
        return at_level(part.inner, self._fine)

    @property
    def reduction(self) -> int:
        """By how much the coarse levels are smaller than the frames."""
        return 1 << self._fine

    def end_frame(self) -> None:
        """Take the coarse levels of the frame whose parts have been given."""
        if self._known_coarse is None:
            self._rest.end_frame(self._coarse)

    def add(self, pixels: FloatArray, valid: BoolArray | None = None) -> None:
        """Take one frame as a whole, shape (H, W, C); ``valid`` (H, W) default all."""
        for part in self.parts:
            box = within(part.box, (0, 0, *pixels.shape[:2]))
            self.add_part(part, pixels[box], None if valid is None else valid[box])
        self.end_frame()

    def coarse_result(self) -> FloatArray:
        """Return the merged picture at the size of the coarse levels."""
        if self._known_coarse is None:
            self._known_coarse = self._rest.result()
        return self._known_coarse

    def take(self, part: Part) -> FloatArray:
        """Return a part's blended pixels, shape of its inner box, and forget them."""
        coarse = self.coarse_result()
        cut = within(at_level(part.core, self._fine), (0, 0, *coarse.shape[:2]))
        rest = np.asarray(coarse[cut], np.float32)
        picture = collapse_pyramid([*self._blended.pop(part).bands, rest])
        return picture[within(part.inner, part.core)]


def _divide(shape: tuple[int, ...], rows: tuple[int, int] | None) -> list[Part]:
    """Return parts with what collapsing them takes around, and their energies around that."""
    window = 4 * round(_WINDOW_SIGMA_PX) << (_FINE_LEVELS - 1)
    margin = margin_px(_FINE_LEVELS) + window
    return list(divide(shape, DETAIL_PART_PX, 2 << _FINE_LEVELS, margin, rows))


class _CoarseLevels:
    """The levels that are done on the whole picture."""

    def __init__(self, size: tuple[int, int], channels: int) -> None:
        self._picture = np.zeros((*size, channels), np.float32)
        self._sharp = np.zeros(size, np.float32)
        self._valid: FloatArray | None = None
        self._bands = _Bands()
        self._total: FloatArray | None = None
        self._weights: FloatArray | None = None

    def put(
        self,
        box: Box,
        picture: FloatArray,
        sharp: FloatArray | float,
        valid: FloatArray | None,
    ) -> None:
        place = within(box, (0, 0, *self._sharp.shape))
        self._picture[place], self._sharp[place] = picture, sharp
        if valid is not None:
            if self._valid is None:
                self._valid = np.ones(self._sharp.shape, np.float32)
            self._valid[place] = valid

    def end_frame(self, levels: int) -> None:
        bands = build_laplacian(self._picture, levels)
        mask = None if self._valid is None else self._valid > 0.999
        masks = level_masks(mask, levels)
        self._bands.add(
            bands[:-1],
            [_energy(band, mask) for band, mask in zip(bands[:-1], masks[:-1], strict=True)],
        )
        # Blurred frames are brighter in the mean of their coded values: the low-pass rest comes
        # from the frames that are sharp there (28.5 -> 29.8 dB, 4.3 -> 0.1 / 255 too bright).
        weight = (build_gaussian(self._sharp, levels)[-1] + np.float32(1e-9)) ** 2
        if masks[-1] is not None:
            weight *= np.maximum(masks[-1], np.float32(1e-6))
        rest = bands[-1] * weight[..., None]
        self._total = rest if self._total is None else self._total + rest
        self._weights = weight if self._weights is None else self._weights + weight
        self._valid = None

    def result(self) -> FloatArray:
        assert self._total is not None, "no frame was added"
        assert self._weights is not None
        self._total /= np.maximum(self._weights, np.float32(1e-30))[..., None]
        return collapse_pyramid([*self._bands.bands, self._total])


def _energy(band: FloatArray, mask: BoolArray | None) -> FloatArray:
    """Return the energy around every coefficient; negative where there is none."""
    luma = luminance(band)  # of one channel: the band itself, not to be written to
    energy = cv2.GaussianBlur(luma * luma, (0, 0), _WINDOW_SIGMA_PX)
    if band.shape[2] == 3:
        colours = cv2.GaussianBlur(colour_power(band), (0, 0), _WINDOW_SIGMA_PX)
        energy = cv2.max(energy, colours, dst=energy)
    if mask is not None:
        energy[~mask] = -1
    return energy
