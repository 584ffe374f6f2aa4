"""How often groups as clear as this one are right."""

from __future__ import annotations

import math

from merge.sort.groups import Shot


def certainty_of(kind: str, margin: float, shots: list[Shot]) -> float:
    """Return the chance that a group is right, 0 to 1."""
    return round(1 / (1 + math.exp(-margin)), 2)
