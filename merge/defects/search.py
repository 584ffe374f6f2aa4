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


def find_sensor_defects(
    frames: Iterable[FloatArray],
    transforms: Sequence[FrameTransform],
    *,
    transfer: str,
    positions_px: Sequence[float] | None = None,
) -> SensorDefects:
    """Return hot and dead pixels and dust that a sample of a stack's frames shows.

    Parameters
    ----------
    frames : iterable of ndarray, shape (H, W, C), float32
        As read, neither warped nor changed in exposure; only one is held at a time.
    transforms : sequence of FrameTransform
        Reference → frame, one for each.
    transfer : str
        Their curve, see `merge.encoding`.
    positions_px : sequence of float, optional
        The frames' positions on the focus axis, where they are known.

    Returns
    -------
    SensorDefects
        Empty where the picture neither moves nor blurs enough between the frames to tell a
        defect from a thing, and for fewer than three frames.
    """
    motion = PictureMotion.of(transforms, positions_px)
    spikes, dust = SpikeSearch(len(transforms), reach=2), DustSearch(transfer, motion)
    shape: tuple[int, ...] = (0, 0)
    for pixels in frames:
        shape = pixels.shape
        spikes.add(pixels)
        dust.add(pixels)
    places, present, windows = spikes.steady()
    fixed = judge_spikes(places, present, motion)
    pixels_reached = reached_pixels(places[fixed], windows[fixed], shape)
    return SensorDefects(
        shape=(shape[0], shape[1]),
        spots=len(separate_spikes(places[fixed])),
        pixels=pixels_reached,
        dust=dust.spots(),
    )


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
        search.add(_planes(mosaic, period, full_scale))
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
