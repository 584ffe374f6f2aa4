"""Where to focus between two frames, and beyond them, so that blur changes evenly."""

from __future__ import annotations

import math

from merge.optics.geometry import distance_from_sensor_mm, magnification_from_sensor_distance


def focus_between_m(
    share: float, first_m: float, second_m: float, focal_length_mm: float | None = None
) -> float:
    """Return the focus distance at a share of the way from one frame to another.

    Even at the sensor: with a focal length by the thin lens; else, or closer than four focal
    lengths, evenly in 1/distance, which is the same far away.

    Parameters
    ----------
    share : float
        0 at the first frame, 1 at the second; beyond these it goes on.
    first_m, second_m : float
        Distances from the sensor mark in m, > 0.
    focal_length_mm : float, optional

    Returns
    -------
    float
        In m; inf where it lies at infinity or beyond.
    """
    if focal_length_mm is None or min(first_m, second_m) * 1000 < 4 * focal_length_mm:
        inverse = (1 - share) / first_m + share / second_m
        return 1 / inverse if inverse > 0 else math.inf
    one, two = (
        float(magnification_from_sensor_distance(m * 1000, focal_length_mm))
        for m in (first_m, second_m)
    )
    # The image of a plane lies f m behind the focal point; none lies nearer than infinity's.
    size = max(0.0, (1 - share) * one + share * two)
    return float(distance_from_sensor_mm(size, focal_length_mm)) / 1000
