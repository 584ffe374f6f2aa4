"""Defects of the sensor in words."""

from __future__ import annotations

from merge.defects.types import SensorDefects
from merge.model import Finding


def defects_finding(
    defects: SensorDefects | None, *, photosites: int = 0, frames: tuple[int, ...] = ()
) -> Finding | None:
    """Return the note about what was repaired; None where nothing was.

    Parameters
    ----------
    defects : SensorDefects or None
    photosites : int
        Hot or dead photosites of raw files that were filled before development.
    frames : tuple of int
        Indices of the frames that were looked at.
    """
    hot = photosites + (0 if defects is None else defects.spots)
    dust = () if defects is None else defects.dust
    if not hot and not dust:
        return None
    parts = [f"{hot} hot or dead pixel{'s' * (hot != 1)}"] if hot else []
    advice = ""
    if dust:
        deepest = max(1 - min(spot.transmission) for spot in dust)
        parts.append(
            f"{len(dust)} dust spot{'s' * (len(dust) != 1)} (up to {deepest:.0%} of light lost)"
        )
        advice = "Clean the sensor before the next shoot."
    return Finding(
        "sensor defects",
        "note",
        f"{' and '.join(parts)} of the sensor repaired in every frame.",
        advice,
        value=float(hot + len(dust)),
        frames=frames,
    )
