"""How often groups as clear as this one are right."""

from __future__ import annotations

import math

# Logistic curve of the margin, the likeliest one for 3005 groups of generated cards. Checked on
# cards that it was not fitted to: tests/benchmarks/bench_sort.py.
_AT_ZERO, _SLOPE = 0.3, 4.4
# No card proves more than this.
_MOST = 0.99


def certainty_of(margin: float) -> float:
    """Return the chance that a group is right, 0 to 1.

    Parameters
    ----------
    margin : float
        How much more the best other cut of the shots costs, in log odds, at least 0.

    Examples
    --------
    >>> [certainty_of(m) for m in (0.0, 0.5, 1.0, 5.0)]
    [0.57, 0.92, 0.99, 0.99]
    """
    return min(_MOST, round(1 / (1 + math.exp(-_AT_ZERO - _SLOPE * margin)), 2))
