"""Numbers and lists as findings write them."""

from __future__ import annotations

from collections.abc import Sequence

# A list of more names is cut short and says how many follow.
_MOST_NAMES = 6


def percent(share: float) -> str:
    """Write a share; above twice the whole as a factor."""
    if share < 0.001:
        return "less than 0.1 %"
    return f"{100 * share:.2g} %" if share <= 2 else f"{share:.2g} times"


def two_apart(value: float, other: float) -> str:
    """Write a number with as many digits as it takes to differ from another, three at most."""
    for digits in (1, 2):
        if f"{value:.{digits}f}" != f"{other:.{digits}f}":
            return f"{value:.{digits}f}"
    return f"{value:.3f}"


def list_names(names: Sequence[str]) -> str:
    """Write a list as a sentence does; a long one says how many more there are."""
    shown = list(names[:_MOST_NAMES])
    if len(names) > _MOST_NAMES:
        shown.append(f"{len(names) - _MOST_NAMES} more")
    return shown[0] if len(shown) == 1 else ", ".join(shown[:-1]) + f" and {shown[-1]}"


def shutter(seconds: float) -> str:
    """Write an exposure time as a camera does: 1/60 s, 0.5 s, 2 s."""
    return f"1/{1 / seconds:.0f} s" if 0 < seconds < 0.3 else f"{seconds:.3g} s"
