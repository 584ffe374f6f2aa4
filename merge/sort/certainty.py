"""How often groups as clear as this one are right."""

from __future__ import annotations

import numpy as np

# Margins, in log odds, and how often groups of generated cards that were so clear were right. In
# undecided scenes several groups are wrong together, so the chance at no margin lies below a half.
# Fitted to the seeds that `tests/benchmarks/bench_sort.py` names, checked on others
# (tests/test_certainty.py). No card proves more than 0.99.
_MARGINS = (0.0, 0.1, 0.25, 0.43, 1.0, 1.5)
_RIGHT = (0.15, 0.2, 0.4, 0.96, 0.97, 0.99)


def certainty_of(margin: float) -> float:
    """Return the chance that a group is right, 0 to 1.

    Parameters
    ----------
    margin : float
        How much more the best other cut of the shots costs, in log odds, at least 0.

    Examples
    --------
    >>> [certainty_of(m) for m in (0.0, 0.34, 1.0, 5.0)]
    [0.15, 0.68, 0.97, 0.99]
    """
    return round(float(np.interp(margin, _MARGINS, _RIGHT)), 2)
