"""Numbers and lists as findings write them."""

from __future__ import annotations

from collections.abc import Sequence

# A list of more names is cut short and says how many follow.
MOST_NAMES = 6
# Energy of fine detail, over what could be, from which a loss is worth a line: a contrast of 90 %.
WORTH_TELLING = 0.81


def percent(share: float) -> str:
    """Write a share; above twice the whole as a factor."""
    if share < 0.001:
        return "less than 0.1 %"
    return f"{two_digits(100 * share)} %" if share <= 2 else f"{two_digits(share)} times"


def two_digits(value: float) -> str:
    """Write a number to two digits, without a power of ten."""
    return f"{float(f'{value:.2g}'):.12g}"


def counted(number: int) -> str:
    """Write an ordinal: second, third, 21st."""
    words = {2: "second", 3: "third", 4: "fourth", 5: "fifth"}
    ending = "th" if 10 < number % 100 < 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return words.get(number, f"{number}{ending}")


def two_apart(value: float, other: float) -> str:
    """Write a number with as many digits as it takes to differ from another, three at most."""
    for digits in (1, 2):
        if f"{value:.{digits}f}" != f"{other:.{digits}f}":
            return f"{value:.{digits}f}"
    return f"{value:.3f}"


def list_names(names: Sequence[str]) -> str:
    """Write a list as a sentence does; a long one says how many more there are."""
    shown = list(names[:MOST_NAMES])
    if len(names) > MOST_NAMES:
        shown.append(f"{len(names) - MOST_NAMES} more")
    return shown[0] if len(shown) == 1 else ", ".join(shown[:-1]) + f" and {shown[-1]}"


def shutter(seconds: float) -> str:
    """Write an exposure time as a camera does: 1/60 s, 0.5 s, 2 s."""
    return f"1/{1 / seconds:.0f} s" if 0 < seconds < 0.3 else f"{seconds:.3g} s"
