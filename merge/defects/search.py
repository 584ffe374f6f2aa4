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
from merge.defects.types import SensorDefects
from merge.model import FloatArray, FrameTransform
from merge.significance import FEWEST

# A bound on time: every frame more is searched.
_LARGEST_SAMPLE = 8


def choose_sample(usable: Sequence[int]) -> tuple[int, ...]:
    """Return up to eight of some frames' indices, spread evenly; none where they are too few."""
    # With fewer, chance puts fine detail at one place in all (no false alarm from three frames on).
    if len(usable) < FEWEST:
        return ()
    places = np.linspace(0, len(usable) - 1, min(len(usable), _LARGEST_SAMPLE))
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
        if len(used) < FEWEST:
            return nothing
        motion = PictureMotion.of(
            [t for t in transforms if t is not None],
            None if positions_px is None else [positions_px[i] for i in used],
        )
        places, present, windows = self._spikes.steady()
        fixed = judge_spikes(
            places[:, :2].astype(np.int64), present[:, used], motion, reach=2, side=1
        )
        return SensorDefects(
            shape=self._shape,
            spots=len(separate_spikes(places[fixed])),
            pixels=reached_pixels(places[fixed], windows[fixed], self._shape),
            dust=self._dust.spots(used, motion),
        )


def find_hot_photosites(
    mosaics: Iterable[NDArray[Any]],
    transforms: Sequence[FrameTransform],
    *,
    period: int,
    full_scale: float,
    orientation: int = 1,
    positions_px: Sequence[float] | None = None,
) -> tuple[tuple[int, int], ...]:
    """Return (row, column) of hot and dead photosites that a sample of raw mosaics shows.

    Parameters
    ----------
    mosaics : iterable of ndarray, shape (H, W), uint16
        Sensor values as recorded; taken one at a time.
    transforms : sequence of FrameTransform
        Reference → frame, one for each, upright.
    period : int
        Distance of photosites of one colour: 2 for a Bayer mosaic, 1 without colour filters.
    full_scale : float
        White level.
    orientation : int
        EXIF orientation, 1 to 8, that makes the frames upright.
    positions_px : sequence of float, optional
        Of the frames on the focus axis, where they are known.

    Returns
    -------
    tuple of (int, int)
        On the sensor, not turned; in order. Empty for fewer than three mosaics.
    """
    if len(transforms) < FEWEST:
        return ()
    motion = PictureMotion.of(transforms, positions_px)
    search, shape = SpikeSearch(len(transforms), reach=1), (0, 0)
    for mosaic in mosaics:
        shape = (mosaic.shape[0], mosaic.shape[1])
        search.add(_planes(mosaic, period, full_scale), 1.0)
    places, present, _ = search.steady()
    row, column, plane, _ = places.T.astype(np.int64)
    on_sensor = np.stack([row * period + plane // period, column * period + plane % period], axis=1)
    fixed = judge_spikes(
        turn_upright(on_sensor, shape, orientation), present, motion, reach=1, side=period
    )
    return tuple(sorted((r, c) for r, c in on_sensor[fixed].tolist()))


def turn_upright(
    places: NDArray[np.int64], shape: tuple[int, int], orientation: int
) -> NDArray[np.int64]:
    """Return where (M, 2) places of a sensor are on the upright frame."""
    row, column = places.T
    last_row, last_column = shape[0] - 1 - row, shape[1] - 1 - column
    turned = {
        1: (row, column), 2: (row, last_column), 3: (last_row, last_column), 4: (last_row, column),
        5: (column, row), 6: (column, last_row), 7: (last_column, last_row), 8: (last_column, row),
    }  # fmt: skip
    return np.stack(turned[orientation], axis=1)


def _planes(mosaic: NDArray[Any], period: int, full_scale: float) -> FloatArray:
    """Return (H / period, W / period, period²) photosites of one colour each, noise nearly even."""
    height, width = (side // period for side in mosaic.shape)
    inner = mosaic[: height * period, : width * period].astype(np.float32)
    cells = inner.reshape(height, period, width, period).transpose(0, 2, 1, 3)
    # Photon noise grows with the root of light, and so hardly in the root of light.
    return np.sqrt(cells.reshape(height, width, period * period) / np.float32(full_scale))
