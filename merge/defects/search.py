"""A sample of frames → what is wrong with the sensor."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from merge.defects.dust import DustSearch
from merge.defects.evidence import PictureMotion
from merge.defects.hot import judge_spikes, reached_pixels, separate_spikes
from merge.defects.spikes import SpikeSearch
from merge.model import FloatArray, FrameTransform, SensorDefects

# With fewer frames, chance puts fine detail at one place in all of them (measured: no false alarm
# from three frames on).
SMALLEST_SAMPLE = 3
LARGEST_SAMPLE = 8


def choose_sample(usable: Sequence[int]) -> tuple[int, ...]:
    """Return up to eight of some frames' indices, spread evenly; none where they are too few."""
    if len(usable) < SMALLEST_SAMPLE:
        return ()
    places = np.linspace(0, len(usable) - 1, min(len(usable), LARGEST_SAMPLE))
    return tuple(usable[i] for i in np.rint(places).astype(int))


class DefectSearch:
    """Finds what is wrong with the sensor from a sample of a stack's frames, given one by one.

    Parameters
    ----------
    count : int
        How many frames will come: those of `choose_sample`.
    transfer : str
        Their curve, see `merge.encoding`.
    """

    def __init__(self, count: int, transfer: str) -> None:
        self._spikes, self._dust = SpikeSearch(count, reach=2), DustSearch(transfer)
        self._shape = (0, 0)

    def add(self, samples: NDArray[Any], white: float = 1.0) -> None:
        """Take one more frame as read, neither warped nor changed in exposure; not kept.

        Parameters
        ----------
        samples : ndarray, shape (H, W, C), uint8, uint16 or float32
            Stored values.
        white : float
            Value of white.
        """
        self._shape = (samples.shape[0], samples.shape[1])
        self._spikes.add(samples, white)
        self._dust.add(samples, white)

    def finish(
        self,
        transforms: Sequence[FrameTransform | None],
        positions_px: Sequence[float] | None = None,
    ) -> SensorDefects:
        """Return hot and dead pixels and dust.

        Parameters
        ----------
        transforms : sequence of FrameTransform or None
            Reference → frame, one for each frame added; None for those that could not be aligned.
        positions_px : sequence of float, optional
            Their positions on the focus axis, where they are known.

        Returns
        -------
        SensorDefects
            Empty where the picture neither moves nor blurs enough between the frames to tell a
            defect from a thing, and for fewer than three aligned frames.
        """
        used = [i for i, transform in enumerate(transforms) if transform is not None]
        nothing = SensorDefects(self._shape, 0, np.empty((0, 2), np.int32))
        if len(used) < SMALLEST_SAMPLE:
            return nothing
        motion = PictureMotion.of(
            [t for t in transforms if t is not None],
            None if positions_px is None else [positions_px[i] for i in used],
        )
        places, present, windows = self._spikes.steady()
        fixed = judge_spikes(places, present[:, used], motion)
        return SensorDefects(
            shape=self._shape,
            spots=len(separate_spikes(places[fixed])),
            pixels=reached_pixels(places[fixed], windows[fixed], self._shape),
            dust=self._dust.spots(used, motion),
        )


def find_sensor_defects(
    frames: Iterable[NDArray[Any]],
    transforms: Sequence[FrameTransform],
    *,
    transfer: str,
    white: float = 1.0,
    positions_px: Sequence[float] | None = None,
) -> SensorDefects:
    """Return hot and dead pixels and dust that a sample of a stack's frames shows.

    Parameters are those of `DefectSearch` and its methods; ``frames`` are taken one at a time.
    """
    search = DefectSearch(len(transforms), transfer)
    for samples in frames:
        search.add(samples, white)
    return search.finish(transforms, positions_px)


def find_hot_photosites(
    mosaics: Iterable[NDArray[Any]],
    transforms: Sequence[FrameTransform],
    *,
    period: int,
    full_scale: float,
    positions_px: Sequence[float] | None = None,
) -> tuple[tuple[int, int], ...]:
    """Return (row, column) of hot and dead photosites that a sample of raw mosaics shows.

    Parameters
    ----------
    mosaics : iterable of ndarray, shape (H, W), uint16
        Sensor values as recorded, black level included.
    transforms : sequence of FrameTransform
        Reference → frame, one for each, in the sensor's own orientation (a turn of the developed
        frames only turns offsets, so theirs serve where the motion is a shift or a change of size).
    period : int
        Distance of photosites of one colour: 2 for a Bayer mosaic, 1 without colour filters.
    full_scale : float
        White level less black level.
    positions_px : sequence of float, optional
        As for `find_sensor_defects`.
    """
    motion = PictureMotion.of(transforms, positions_px)
    search = SpikeSearch(len(transforms), reach=1)
    for mosaic in mosaics:
        search.add(_planes(mosaic, period, full_scale), 1.0)
    places, present, _ = search.steady()
    fixed = judge_spikes(places, present, motion, scale=period)
    row, column, plane, _ = places[fixed].T
    rows, columns = row * period + plane // period, column * period + plane % period
    return tuple(sorted(zip(rows.tolist(), columns.tolist(), strict=True)))


def _planes(mosaic: NDArray[Any], period: int, full_scale: float) -> FloatArray:
    """Return (H / period, W / period, period²) photosites of one colour each, noise nearly even."""
    height, width = (side // period for side in mosaic.shape)
    inner = mosaic[: height * period, : width * period].astype(np.float32)
    cells = inner.reshape(height, period, width, period).transpose(0, 2, 1, 3)
    # Photon noise grows with the root of light, and so hardly in the root of light.
    return np.sqrt(cells.reshape(height, width, period * period) / np.float32(full_scale))
