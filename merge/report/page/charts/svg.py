"""Pieces of inline SVG that keep their text readable at every width.

A chart is as wide as its box and has a fixed height: x is a percentage of the width, y a pixel.
Text, ticks and marks then keep their size on a phone and on paper, where a `viewBox` would shrink
them; only curves, which have no size, lie in a stretched layer. Colours are the page's variables.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape
from importlib.resources import files

Point = tuple[float, float]

# Share of the width at either side that stays free for marks at the ends.
MARGIN = 2.5
# A box of 390 px holds about this many characters of a chart's text.
_NARROW_PX, _WIDE_PX, _CHARACTER_PX = 330, 760, 7.2
_KEY_PX = 26.0

# The same in every chart, so that each can stand alone in any page that has the colours.
STYLE = f"<style>{(files('merge.report.page') / 'chart.css').read_text(encoding='utf-8')}</style>"

# Share of labels that must have room for the others just to be left out.
_MOST_OF = 0.8


@dataclass(frozen=True)
class Scale:
    """Values to percent of the width (or, with other ends, to pixels of the height)."""

    low: float
    high: float
    start: float = MARGIN
    end: float = 100 - MARGIN

    def __call__(self, value: float) -> float:
        """Return where a value lies."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + share * (self.end - self.start)


def number(value: float) -> str:
    """Return a coordinate, short.

    Examples
    --------
    >>> number(2.5), number(3.0), number(1 / 3)
    ('2.5', '3', '0.33')
    """
    return f"{value:.2f}".rstrip("0").rstrip(".")


def chart(*, name: str, title: str, description: str, height: float, parts: Iterable[str]) -> str:
    """Return a whole inline SVG.

    Parameters
    ----------
    name : str
        Prefix of its ids, unique on a page.
    title, description : str
        What it is, and what it says, in words: read aloud in place of the picture.
    height : float
        In px.
    parts : iterable of str
        SVG elements, back to front.
    """
    inside = "".join(parts)
    # An image hides what it holds from a screen reader: with marks to visit it is a group.
    role = "group" if 'class="mark"' in inside else "img"
    return (
        f'<svg class="chart" id="{name}" role="{role}" style="height:{number(height)}px" '
        f'aria-labelledby="{name}-title" aria-describedby="{name}-words" '
        'xmlns="http://www.w3.org/2000/svg">'
        f'<title id="{name}-title">{escape(title)}</title>'
        f'<desc id="{name}-words">{escape(description)}</desc>{STYLE}{inside}</svg>'
    )


def text(
    x: float,
    y: float,
    words: str,
    *,
    anchor: str = "start",
    classes: str = "",
    shift_px: float = 0.0,
) -> str:
    """Return words at x % and y px; near either end they turn inwards."""
    if anchor == "middle":
        half = 50 * len(words) * _CHARACTER_PX / _NARROW_PX
        anchor = "start" if x < min(half, 8) else "end" if x > 100 - min(half, 8) else "middle"
    extra = f' class="{classes}"' if classes else ""
    extra += f' dx="{number(shift_px)}"' if shift_px else ""
    return (
        f'<text x="{number(x)}%" y="{number(y)}" text-anchor="{anchor}"{extra}>'
        f"{escape(words)}</text>"
    )


def line(x1: float, y1: float, x2: float, y2: float, *, style: str = "", classes: str = "") -> str:
    """Return a straight line; x in %, y in px."""
    return (
        f'<line x1="{number(x1)}%" y1="{number(y1)}" x2="{number(x2)}%" y2="{number(y2)}"'
        f"{_dress(style, classes)}/>"
    )


def box(x1: float, y1: float, x2: float, y2: float, *, style: str = "", classes: str = "") -> str:
    """Return a filled box between two x in % and two y in px."""
    return (
        f'<rect x="{number(min(x1, x2))}%" y="{number(min(y1, y2))}" '
        f'width="{number(abs(x2 - x1))}%" height="{number(abs(y2 - y1))}"'
        f"{_dress(style, classes)}/>"
    )


def dot(x: float, y: float, radius: float, *, style: str) -> str:
    """Return a round mark."""
    return f'<circle cx="{number(x)}%" cy="{number(y)}" r="{number(radius)}" style="{style}"/>'


def swatch(left_px: float, y: float, style: str, words: str) -> list[str]:
    """Return a filled patch so far from the left end, and what it means, on the base line y.

    In px, so that a key stays together in a chart that is wider than the window.
    """
    return [
        f'<rect x="{number(left_px)}" y="{number(y - 10)}" width="14" height="11"'
        f"{_dress(style, '')}/>",
        text(0, y, words, classes="soft", shift_px=left_px + 19),
    ]


def line_key(entries: Sequence[tuple[str, str]]) -> list[str]:
    """Return what curves mean, side by side below the chart's hint: (name, style) of each."""
    parts, room, y = [], 100 / max(len(entries), 2), 48.0
    for k, (name, style) in enumerate(entries):
        # A swatch of its own length within percent, as `diamond`.
        parts.append(
            f'<svg x="{number(k * room)}%" y="{number(y)}" width="1" height="1" '
            f'overflow="visible"><path d="M0 0h{number(_KEY_PX)}" class="line" '
            f'style="{style}"/></svg>'
        )
        parts.append(text(k * room, y + 4, name, classes="soft", shift_px=_KEY_PX + 6))
    return parts


def diamond(x: float, y: float, radius: float, *, style: str = "") -> str:
    """Return a mark on its corner: told from a round one without colour."""
    r = number(radius)
    # A shape of its own size within percent: an empty picture that overflows.
    return (
        f'<svg x="{number(x)}%" y="{number(y)}" width="1" height="1" overflow="visible">'
        f'<path d="M0-{r}L{r} 0L0 {r}L-{r} 0Z"{_dress(style, "")}/></svg>'
    )


def curve(points: Sequence[Point], height: float, *, style: str = "", classes: str = "line") -> str:
    """Return a curve through (%, px) points, broken where a value is not known."""
    commands, pen_down = [], False
    for x, y in points:
        if not (math.isfinite(x) and math.isfinite(y)):
            pen_down = False
            continue
        commands.append(f"{'L' if pen_down else 'M'}{number(x)} {number(y)}")
        pen_down = True
    return stretched(f'<path d="{"".join(commands)}"{_dress(style, classes)}/>', height)


def stretched(inside: str, height: float) -> str:
    """Return a layer whose x runs from 0 to 100 over the whole width."""
    tall = number(height)
    return (
        f'<svg x="0" y="0" width="100%" height="{tall}" viewBox="0 0 100 {tall}" '
        f'preserveAspectRatio="none">{inside}</svg>'
    )


def hatching(name: str, colour: str) -> str:
    """Return the definition of a pattern of slanting lines; use it as ``url(#name)``."""
    return (
        f'<defs><pattern id="{name}" width="6" height="6" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><rect width="6" height="6" '
        f'style="fill:{colour};fill-opacity:.16"/>'
        f'<rect width="2" height="6" style="fill:{colour}"/></pattern></defs>'
    )


def dotting(name: str, colour: str) -> str:
    """Return the definition of a pattern of dots; use it as ``url(#name)``."""
    return (
        f'<defs><pattern id="{name}" width="6" height="6" patternUnits="userSpaceOnUse">'
        f'<rect width="6" height="6" style="fill:{colour};fill-opacity:.2"/>'
        f'<circle cx="3" cy="3" r="1.7" style="fill:{colour}"/></pattern></defs>'
    )


def mark(
    inside: str,
    *,
    label: str,
    frames: Sequence[int] = (),
    place: tuple[int, int, int, int] | None = None,
    say: Sequence[str] = (),
    at: float = 0.0,
) -> str:
    """Return something that keyboard and pointer can visit.

    Parameters
    ----------
    inside : str
        Its shapes; one of them of class "hit" is what lights up.
    label : str
        What a screen reader says.
    frames : sequence of int
        Indices of the frames that the page is to show, counted from 0.
    place : tuple of int, optional
        (row, column, height, width) in the reference frame.
    say : sequence of str
        Lines shown while it is visited.
    at : float
        Where in the width they are said, in %; at either end they turn inwards.
    """
    data = f' data-frame="{" ".join(map(str, frames))}"' if frames else ""
    if place is not None:
        data += f' data-box="{",".join(map(str, place))}"'
    anchor, x = ("start", 0.0) if at < 25 else ("end", 100.0) if at > 75 else ("middle", at)
    shown = "".join(
        text(x, 14 + 17 * i, words, anchor=anchor, classes="say strong" if i == 0 else "say")
        for i, words in enumerate(say)
    )
    return (
        f'<g class="mark" tabindex="0" role="img" aria-label="{escape(label, quote=True)}"{data}>'
        f"{inside}{shown}</g>"
    )


def cut(words: str, most: int = 44) -> str:
    """Return words short enough for one line on a phone."""
    return words if len(words) <= most else words[: most - 1] + "…"


def hint(words: str) -> str:
    """Return what stands where a visited mark speaks, as long as none is."""
    return text(0, 14, words, classes="soft rest")


def spaced(places: Sequence[float], words: Sequence[str], *, wide: bool) -> list[int]:
    """Return which labels have room: all but a few, else every second, fifth, tenth and so on."""
    count = len(places)
    chosen = _fitting(places, words, [0, count - 1, *range(1, count - 1)][:count], wide=wide)
    if len(chosen) >= _MOST_OF * count:
        return chosen
    for stride in (2, 5, 10, 20, 50, 100, 200, 500):
        every = list(range(stride - 1, count, stride))
        if len(_fitting(places, words, every, wide=wide)) == len(every):
            return _fitting(places, words, [*every, 0, count - 1], wide=wide)
    return chosen


def _fitting(
    places: Sequence[float], words: Sequence[str], order: Sequence[int], *, wide: bool
) -> list[int]:
    """Return the labels that have room beside those that come before them."""
    room = 100 / (_WIDE_PX if wide else _NARROW_PX)
    chosen: list[int] = []
    for i in dict.fromkeys(order):
        needed = [room * (_CHARACTER_PX * (len(words[i]) + len(words[k])) / 2 + 5) for k in chosen]
        apart = [abs(places[i] - places[k]) for k in chosen]
        if all(a >= n for a, n in zip(apart, needed, strict=True)):
            chosen.append(i)
    return sorted(chosen)


def labels(
    places: Sequence[float], words: Sequence[str], y: float, *, classes: str = "soft"
) -> list[str]:
    """Return words centred at places in %, as many as fit a phone, more on a wide page."""
    if not places:
        return []
    narrow, wide = (spaced(places, words, wide=w) for w in (False, True))
    found = []
    for i in sorted({*narrow, *wide}):
        only = "" if i in narrow and i in wide else " narrow" if i in narrow else " wide"
        found.append(text(places[i], y, words[i], anchor="middle", classes=classes + only))
    return found


def ruler(places: Sequence[float], words: Sequence[str], y: float, label_y: float) -> list[str]:
    """Return an axis over the whole width with marks and words at places in %."""
    quiet = "stroke:var(--muted)"
    marks = [line(place, y, place, y + 5, style=quiet) for place in places]
    return [line(0, y, 100, y, style=quiet), *marks, *labels(places, words, label_y)]


def round_ticks(low: float, high: float, count: int = 5) -> list[float]:
    """Return about so many round numbers between two ends.

    Examples
    --------
    >>> round_ticks(0, 57)
    [0.0, 10.0, 20.0, 30.0, 40.0, 50.0]
    >>> round_ticks(-0.04, 0.11, 3)
    [0.0, 0.05, 0.1]
    """
    raw = (high - low) / count
    if not raw > 0:
        return [low]
    power = 10.0 ** math.floor(math.log10(raw))
    step = min((base * power for base in (1, 2, 5, 10)), key=lambda s: abs(math.log(s / raw)))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(k * step, 10) for k in range(first, last + 1)]


def _dress(style: str, classes: str) -> str:
    dressed = f' class="{classes}"' if classes else ""
    return dressed + (f' style="{style}"' if style else "")
