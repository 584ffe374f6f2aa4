"""Planes through what is known of the depth: they follow slopes and average noise."""

from __future__ import annotations

import dataclasses

import cv2
import numpy as np

from merge.depth.evidence import Evidence
from merge.model import BoolArray, DepthMap, FloatArray
from merge.threads import map_threads
from merge.tiles import Tile, grow_tile, iterate_tiles, tile_within

# Radius of the windows in pixels of the picture, and how often what lies off is left out. A place
# follows a plane about which places around scatter by no more than so many frames, if it lies no
# farther off than so many times that.
_RADIUS_PX, _ROUNDS = 5, 1
_MOST_SCATTER, _OUTLIER = 0.1, 3.0
# Scatter never counts as less: half precision of the measures.
_LEAST_SCATTER = 0.02
_ROWS, _COLUMNS = 128, 256


def follow_planes(depth: DepthMap, evidence: Evidence) -> DepthMap:
    """Return a depth map whose exact depth lies on planes through sure places around.

    Only sure places move, and only where the places around lie on one plane: steps, ridges, and
    thin things before others stay as they are.

    Parameters
    ----------
    depth : DepthMap, shape (h, w)
        With ``exact``.
    evidence : Evidence
        From `weigh_evidence`.

    Returns
    -------
    DepthMap
        Its ``position``, by which frames are mixed, is the same.
    """
    assert depth.exact is not None
    before, out, radius = depth.exact, depth.exact.copy(), evidence.in_map_px(_RADIUS_PX)

    def follow(box: Tile) -> None:
        if evidence.sure[box].any():
            wide = grow_tile(box, (_ROUNDS + 1) * radius, before.shape)
            weight = depth.confidence[wide] ** 2 * evidence.sure[wide]
            plane, follows = _fit_planes(before[wide], weight, radius)
            inner = tile_within(box, wide)
            np.copyto(out[box], plane[inner], where=follows[inner] & evidence.sure[box])

    map_threads(follow, list(iterate_tiles(out.shape, _ROWS, _COLUMNS)))
    return dataclasses.replace(depth, exact=out)


def _fit_planes(place: FloatArray, weight: FloatArray, radius: int) -> tuple[FloatArray, BoolArray]:
    """Return what the plane through the window around every place says, and where it counts.

    What lies off its own window's plane loses its weight (Tukey's biweight).
    """
    rows, columns = place.shape
    y = np.arange(rows, dtype=np.float32)[:, None] - np.float32(rows / 2)
    x = np.arange(columns, dtype=np.float32) - np.float32(columns / 2)
    z, counted = place - np.median(place), weight.astype(np.float32)
    for done in range(_ROUNDS + 1):
        sums = (
            cv2.boxFilter(
                counted * values, -1, (2 * radius + 1,) * 2, borderType=cv2.BORDER_CONSTANT
            )
            for values in (np.float32(1), x, y, z, x * x, y * y, x * y, x * z, y * z, z * z)
        )
        total = np.maximum(next(sums), 1e-12)
        mx, my, mz, xx, yy, xy, xz, yz, zz = (each / total for each in sums)
        # As if the window's own spread counted for a hundredth, so that few places give no slope.
        xx += radius * radius / 300 - mx * mx
        yy += radius * radius / 300 - my * my
        xy -= mx * my
        xz -= mx * mz
        yz -= my * mz
        share = xx * yy - xy * xy
        across, down = (xz * yy - yz * xy) / share, (yz * xx - xz * xy) / share
        off = z - (mz + across * (x - mx) + down * (y - my))
        scatter = np.sqrt(np.maximum(zz - mz * mz - across * xz - down * yz, 0))
        outlier = _OUTLIER * np.maximum(scatter, _LEAST_SCATTER)
        if done < _ROUNDS:
            counted = weight * np.clip(1 - (off / outlier) ** 2, 0, 1) ** 2
    follows = (scatter < _MOST_SCATTER) & (np.abs(off) < outlier)
    return (place - off).astype(np.float32), follows
