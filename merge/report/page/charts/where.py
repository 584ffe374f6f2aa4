"""Where in the picture each f-number is the sharpest."""

from __future__ import annotations

import math
from html import escape

import matplotlib
from matplotlib.colors import to_hex

from merge.apertures import ApertureReport
from merge.report.page.charts.svg import number

# Nearly even to the eye and alike to colour-blind ones: J. R. Nuñez, C. R. Anderton,
# R. S. Renslow, PLOS ONE 13(7), e0199239 (2018).
_COLOURS = "cividis"
_WIDE = 1000.0


def where_map(report: ApertureReport, picture: str, shape: tuple[int, int]) -> str:
    """Return a picture with a dot wherever it was measured, coloured by the f-number.

    Parameters
    ----------
    report : ApertureReport
    picture : str
        Address of the picture that lies below.
    shape : tuple of int
        (H, W) of it, for its proportions.
    """
    rows, columns = report.winners.shape
    tall = _WIDE * shape[0] / shape[1]
    radius = 0.34 * min(_WIDE / columns, tall / rows)
    parts = [f'<image href="{picture}" width="{number(_WIDE)}" height="{number(tall)}"/>']
    for r in range(rows):
        for c in range(columns):
            value = float(report.winners[r, c])
            if math.isnan(value):
                continue
            x, y = _WIDE * (c + 0.5) / columns, tall * (r + 0.5) / rows
            share = _share(report, value)
            parts.append(
                f'<circle cx="{number(x)}" cy="{number(y)}" r="{number(radius)}" '
                f'style="fill:{_colour(share)};stroke:#fff;stroke-width:2"/>'
            )
            parts.append(
                f'<text x="{number(x)}" y="{number(y + 0.34 * radius)}" class="wide" '
                f'text-anchor="middle" style="font-size:{number(0.92 * radius)}px;'
                f'fill:{"#fff" if share < 0.55 else "#000"}">{value:.2g}</text>'
            )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="where" role="img" '
        f'viewBox="0 0 {number(_WIDE)} {number(tall)}" '
        f'aria-label="{escape("Where each f-number is the sharpest: " + shares_text(report))}">'
        f"{''.join(parts)}</svg>"
    )


def where_key(report: ApertureReport) -> list[tuple[str, str, float]]:
    """Return (f-number, colour, share of the measured places nearest to it) of every frame."""
    numbers = [f.f_number for f in report.frames]
    stops = [2 * math.log2(n) for n in numbers]
    counts = [0] * len(numbers)
    for value in report.winners.ravel().tolist():
        if not math.isnan(value):
            here = 2 * math.log2(value)
            counts[min(range(len(stops)), key=lambda i: abs(stops[i] - here))] += 1
    whole = max(sum(counts), 1)
    return [
        (f"f/{n:.2g}", _colour(_share(report, n)), counts[i] / whole) for i, n in enumerate(numbers)
    ]


def shares_text(report: ApertureReport) -> str:
    """Return how much of the measured places each f-number wins."""
    return ", ".join(
        f"{name} in {100 * share:.0f} %" for name, _, share in where_key(report) if share > 0
    )


def _share(report: ApertureReport, f_number: float) -> float:
    """Return where an f-number lies between the widest and the narrowest, by stops."""
    low, high = (math.log2(report.frames[i].f_number) for i in (0, -1))
    return min(max((math.log2(f_number) - low) / (high - low), 0.0), 1.0)


def _colour(share: float) -> str:
    """Return a colour of the map, from dark at 0 to light at 1.

    Examples
    --------
    >>> _colour(0.0), _colour(1.0)
    ('#00224e', '#fee838')
    """
    return to_hex(matplotlib.colormaps[_COLOURS](share))
