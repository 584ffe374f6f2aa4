"""How far every place is out of focus, and the frames of a bracket that would hold all of them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from merge.apertures.contrast import SeriesPowers, pooled_contrast, tile_energies
from merge.apertures.spectra import REFERENCE_RING, RINGS, TILE
from merge.optics import (
    GREEN_UM,
    defocus_transfer,
    diffraction_mtf,
    disk_transfer,
    frames_to_cover,
)

# Blur circles tried, px at one f-number.
DIAMETERS_PX = np.concatenate(
    [np.arange(0, 8, 0.25), np.arange(8, 40, 1.0), np.arange(40, 121, 4.0)]
)
# Rings whose detail tells blur; the finest is noise in small apertures.
_BLUR_RINGS = range(len(RINGS) - 1)
# Contrast that leaks into a blurred tile from its surroundings, of the focused one.
_FLOOR = 0.03
_LEAST_TRANSFER = 0.02
# Wavelengths of defocus up to which the exact transfer is taken: beyond, the disk's is within
# 0.025 of it (see `merge.optics.disk_transfer`).
_EXACT_WAVES = 10
# Robust scale of a difference of log contrasts: noise and neighbours of another depth.
_LOG_SCALE = 0.1
# Signal over noise, in its strongest frame, from which on a ring tells blur: tiles of an even sky
# read up to 3.7.
_TELLS_BLUR = 5.0
# No subject has so many times the contrast of the most contrasty place in focus: wide blur, which
# leaves next to nothing, would need that.
_MOST_TEXTURE = 4.0
# Share of the places at either end that may be wrong: a twig, a reflection, a tile of noise.
_STRAY = 0.03
# Share of the variance that the height in the picture explains where depth goes by height.
_BY_HEIGHT = 0.6


def blur_models(
    f_numbers: NDArray[np.float64], at: float, pitch_um: float | None, stretch: float
) -> NDArray[np.float64]:
    """Return the contrast that each blur circle leaves of a focused subject's.

    Parameters
    ----------
    f_numbers : ndarray, shape (N,)
    at : float
        F-number at which the blur circles have the diameters tried; they go as 1/N.
    pitch_um : float or None
        With it the exact transfer of a defocused lens, without it the geometric disk.
    stretch : float
        Effective over marked f-number.

    Returns
    -------
    ndarray, shape (diameters, rings, N)

    Notes
    -----
    A tile's window mixes neighbouring frequencies, coarse ones of real subjects being the
    stronger (power falling as 1/f²), so zeros of the transfer are filled.
    """
    numbers = f_numbers[None, None, None, :]
    ring = np.asarray(RINGS)[None, list(_BLUR_RINGS), None, None]
    aside = np.array([-1.5, -0.75, 0, 0.75, 1.5])[None, None, :, None] / TILE
    share = np.array([0.1, 0.2, 0.4, 0.2, 0.1])[None, None, :, None] / (1 + aside / ring) ** 2
    pitch = 1.0 if pitch_um is None else pitch_um
    # Cycles/mm at the sensor and µm; without a pitch the pixel itself is the unit.
    frequency = 1000 * (ring + aside) / pitch
    diameters = pitch * DIAMETERS_PX[:, None, None, None] * at / numbers
    transfer = np.asarray(disk_transfer(frequency, diameters))
    if pitch_um is not None:
        effective = numbers * stretch
        most = _EXACT_WAVES * 8 * GREEN_UM * effective
        exact = defocus_transfer(frequency, GREEN_UM, effective, np.minimum(diameters, most))
        sharp = np.asarray(diffraction_mtf(frequency, GREEN_UM, effective))
        transfer = np.where(diameters < most, exact, transfer * sharp)
    seen = np.sqrt((share * transfer**2).sum(axis=2))
    return np.asarray(seen / np.maximum(seen[:1], _LEAST_TRANSFER))


def tile_blurs(
    series: SeriesPowers,
    focused: SeriesPowers,
    good: NDArray[np.bool_],
    models: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return each tile's blur-circle diameter, NaN where its detail does not tell it.

    Against the focused tiles, which share the lens, diffraction and shake of each frame, a
    tile's contrast changes over the f-numbers as the transfer of a disk whose diameter goes as
    1/N. Its own texture is a factor in each ring, free up to what a subject can have; rings count
    by their signal over noise.

    Parameters
    ----------
    series, focused : SeriesPowers
        Of T tiles; of those in the plane of focus.
    good : ndarray, shape (N,), bool
        Frames without fault.
    models : ndarray, shape (diameters, rings, N)
        From `blur_models`.

    Returns
    -------
    ndarray, shape (T,), float64
        Px at the f-number of the models.
    """
    energy = np.stack([tile_energies(series, r) for r in _BLUR_RINGS], axis=1)
    noise = series.noise[:, list(_BLUR_RINGS)]
    signal = (energy / np.maximum(noise, 1e-9)).max(axis=2)
    lens = np.stack([pooled_contrast(focused, r) for r in _BLUR_RINGS])
    own = np.stack([tile_energies(focused, r) for r in _BLUR_RINGS], axis=1)
    data, in_focus = (_log_contrast(e[..., good], lens[:, good]) for e in (energy, own))
    most = np.quantile(np.median(in_focus, axis=2), 1 - _STRAY, axis=0) + np.log(_MOST_TEXTURE)
    kept = models[:, :, good]
    logs = np.log(kept + _FLOOR * kept.max(axis=2, keepdims=True))
    weight = signal / (1 + signal)
    cost = np.empty((len(data), len(logs)))
    for k, log in enumerate(logs):
        difference = data - log
        texture = np.median(difference, axis=2)
        difference -= texture[..., None]
        off = np.sqrt(difference**2 + _LOG_SCALE**2).sum(axis=2)
        cost[:, k] = (weight * (off + np.maximum(texture - most, 0))).sum(axis=1)
    told = (signal > _TELLS_BLUR).sum(axis=1) >= 2
    return np.where(told, DIAMETERS_PX[cost.argmin(axis=1)], np.nan)


def _log_contrast(energy: NDArray[np.float64], lens: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return log contrast over that of the lens in focus; the floor keeps noise from counting."""
    ratio = np.sqrt(energy) / np.maximum(lens, _LEAST_TRANSFER)
    return np.asarray(np.log(ratio + _FLOOR * ratio.max(axis=2, keepdims=True) + 1e-12))


def tile_transfers(
    series: SeriesPowers,
    focused: SeriesPowers,
    blurs_px: NDArray[np.float64],
    models: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the contrast that each frame leaves of each tile's detail, shape (T, N).

    The tile's own texture is unknown; what tile and model share from its sharpest frame on to
    the smallest aperture, where aberrations are gone, gives it. So places that are sharp count
    for what they are, and places that no frame shows sharp for little: the mean over the tiles
    is the picture's mean contrast.

    Parameters
    ----------
    series, focused : SeriesPowers
    blurs_px : ndarray, shape (T,)
        From `tile_blurs`; NaN counts as in focus.
    models : ndarray, shape (diameters, rings, N)
    """
    amplitude = np.sqrt(tile_energies(series, REFERENCE_RING))
    nearest = np.abs(DIAMETERS_PX - np.nan_to_num(blurs_px)[:, None]).argmin(axis=1)
    model = models[nearest, REFERENCE_RING] * pooled_contrast(focused)
    after = np.arange(amplitude.shape[1]) >= amplitude.argmax(axis=1)[:, None]
    texture = (amplitude * model * after).sum(axis=1) / np.maximum(
        (model**2 * after).sum(axis=1), 1e-9
    )
    # No place is much sharper than the plane of focus; noise over next to nothing would be.
    return np.minimum(amplitude / np.maximum(texture, 1e-9)[:, None], _MOST_TRANSFER)


_MOST_TRANSFER = 1.5


def frames_needed(
    blurs_px: NDArray[np.float64],
    cells: NDArray[np.int64],
    map_shape: tuple[int, int],
    tolerance_px: float,
) -> int:
    """Return the frames of a bracket that hold every place within a tolerance.

    Parameters
    ----------
    blurs_px : ndarray, shape (T,)
        Blur-circle diameters at the bracket's f-number; NaN is passed over.
    cells : ndarray, shape (T, 2), int64
        (row, column) of each tile in the map.
    map_shape : tuple of int
    tolerance_px : float
        Largest blur-circle diameter allowed.

    Returns
    -------
    int
        At least 1; 0 where no blur is known.

    Notes
    -----
    A blur circle does not tell on which side of the focus a place lies. Where the height in the
    picture explains the blur, as on a ground that runs into the distance, what lies below the
    sharpest height is nearer and what lies above is farther; else all lies on one side. A few
    stray places do not count.
    """
    blur = _steady_map(blurs_px, cells, map_shape)
    known = blur[np.isfinite(blur)]
    if not known.size:
        return 0
    span = float(np.quantile(known, 1 - _STRAY))
    rows = np.array(
        [np.median(r[np.isfinite(r)]) if np.isfinite(r).any() else np.nan for r in blur]
    )
    rest = (blur - rows[:, None])[np.isfinite(blur)]
    if float((rest**2).mean()) < (1 - _BY_HEIGHT) * float(known.var()):
        focus = int(np.nanargmin(rows))
        span = sum(
            float(np.quantile(side[np.isfinite(side)], 1 - 2 * _STRAY))
            for side in (blur[:focus], blur[focus + 1 :])
            if np.isfinite(side).any()
        )
    return max(1, frames_to_cover(span, tolerance_px))


def _steady_map(
    values: NDArray[np.float64], cells: NDArray[np.int64], map_shape: tuple[int, int]
) -> NDArray[np.float64]:
    """Return the known places as a map, none beyond what its neighbours reach; NaN elsewhere."""
    out = np.full(map_shape, np.nan)
    out[cells[:, 0], cells[:, 1]] = values
    padded = np.pad(out, 1, constant_values=np.nan)
    rows, columns = map_shape
    around = np.stack(
        [
            padded[r : r + rows, c : c + columns]
            for r in range(3)
            for c in range(3)
            if (r, c) != (1, 1)
        ]
    )
    low = np.where(np.isnan(around), np.inf, around).min(axis=0)
    high = np.where(np.isnan(around), -np.inf, around).max(axis=0)
    return np.where(low <= high, np.clip(out, low, high), out)
