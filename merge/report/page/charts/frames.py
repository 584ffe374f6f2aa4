"""Frame after frame: how they trend, and what limits the sharpness of each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from merge.diagnose import SliceLimits
from merge.diagnose.slices import Limit
from merge.model import Finding, FocusAxis, Registration
from merge.report.page.charts import svg

_TRENDS, _LIMITS = "trends", "limits"

# Of the trends, in px: one panel below the other.
_PANEL_TOP, _PANEL, _PANEL_GAP = 68.0, 62.0, 44.0
# A title stands above the label of a tick at the very top.
_TITLE = 18.0
# A panel spans at least this much, so that noise does not look like a trend.
_LEAST_SPAN = {"shift": 4.0, "magnification": 0.5, "exposure": 0.2, "sharpness": 20.0}


@dataclass(frozen=True)
class _Trend:
    """One panel: a value or two of every frame."""

    key: str
    title: str
    unit: str
    digits: int
    lines: tuple[tuple[float, ...], ...]
    outliers: frozenset[int]


def frame_trends_chart(
    registration: Registration,
    axis: FocusAxis | None,
    findings: Sequence[Finding],
    *,
    names: Sequence[str],
    aligned: Sequence[int],
) -> str:
    """Return shift, magnification, exposure and sharpness of every frame as inline SVG.

    Parameters
    ----------
    registration : Registration
        Of all N frames.
    axis : FocusAxis or None
        Of the frames in `aligned`; its quality gives sharpness and exposure.
    findings : sequence of Finding
        Bumped, soft, shaken frames and exposure jumps are marked as outliers.
    names : sequence of str, N
    aligned : sequence of int
        Indices of the frames on the axis.

    Returns
    -------
    str
        Frame i is centred at (i + 0.5) / N of the width: above a strip of N even thumbnails.
    """
    trends = _trends(registration, axis, findings, aligned)
    count = len(names)
    height = _PANEL_TOP + len(trends) * (_PANEL + _PANEL_GAP) + 8
    parts = [svg.hint("Point at a frame for its numbers.")]
    for k, trend in enumerate(trends):
        parts += _panel(trend, _PANEL_TOP + k * (_PANEL + _PANEL_GAP), count, height)
    parts += svg.labels(
        [_centre(i, count) for i in range(count)],
        [str(i + 1) for i in range(count)],
        height - 4,
        classes="strong",
    )
    parts += [_visit(trends, names, i, height) for i in range(count)]
    return svg.chart(
        name=_TRENDS,
        title="Shift, magnification, exposure and sharpness of every frame",
        description=_trend_words(trends, names),
        height=height,
        parts=parts,
    )


def _trends(
    registration: Registration,
    axis: FocusAxis | None,
    findings: Sequence[Finding],
    aligned: Sequence[int],
) -> list[_Trend]:
    frames = registration.frames
    shifts = [
        (math.nan, math.nan) if f.transform is None else f.transform.shift_px(registration.shape)
        for f in frames
    ]
    sizes = tuple(
        math.nan if f.transform is None else 100 * (f.transform.magnification - 1) for f in frames
    )
    gains = [math.nan if f.transform is None else f.gain for f in frames]
    sharp = [math.nan] * len(frames)
    if axis is not None and axis.quality is not None:
        ratio = axis.quality.detail_ratio
        known = np.isfinite(ratio).any()
        usual = float(np.nanmedian(ratio)) if known else 1.0
        for index, value in zip(aligned, ratio, strict=True):
            sharp[index] = 100 * math.sqrt(value / usual) if math.isfinite(value) else math.nan
    exposures = tuple(math.log2(g) if g > 0 else math.nan for g in gains)
    across, down = (tuple(s[k] for s in shifts) for k in (0, 1))
    found = [
        ("shift", "Shift, solid across, dashed down", "px", 1, (across, down)),
        ("magnification", "Magnification", "%", 2, (sizes,)),
        ("exposure", "Exposure", "EV", 2, (exposures,)),
        ("sharpness", "Sharpness, against its neighbours", "%", 0, (tuple(sharp),)),
    ]
    return [
        _Trend(*f, _outliers(findings, f[0]))
        for f in found
        if any(math.isfinite(v) for line in f[4] for v in line)
    ]


def _outliers(findings: Sequence[Finding], key: str) -> frozenset[int]:
    return frozenset(i for f in findings if f.facts.panel == key for i in f.frames)


def _centre(frame: int, count: int) -> float:
    return 100 * (frame + 0.5) / count


def _panel(trend: _Trend, top: float, count: int, height: float) -> list[str]:
    """Return one trend: its ends named, its outliers on their corner and in words."""
    values = [v for line in trend.lines for v in line if math.isfinite(v)]
    low, high = min(values), max(values)
    spare = max(0.0, _LEAST_SPAN[trend.key] - (high - low)) / 2 + 0.08 * (high - low)
    y = svg.Scale(low - spare, high + spare, top + _PANEL, top)
    unit = f" {trend.unit}"
    parts = [
        svg.text(0, top - _TITLE, trend.title, classes="strong"),
        svg.text(
            100,
            top - _TITLE,
            f"{_signed(low, trend.digits)} to {_signed(high, trend.digits)}{unit}",
            anchor="end",
            classes="soft",
        ),
    ]
    for value in _ticks(y.low, y.high):
        parts.append(svg.line(0, y(value), 100, y(value), classes="grid"))
        parts.append(svg.text(0, y(value) - 3, _tick_words(value), classes="soft"))
    for k, line in enumerate(trend.lines):
        points = [(_centre(i, count), y(v)) for i, v in enumerate(line)]
        dashes = "stroke-dasharray:5 4" if k else ""
        parts.append(svg.curve(points, height, style=dashes))
        parts += _dots(points, trend.outliers, hollow=bool(k), small=count > 40)
    return parts


def _ticks(low: float, high: float) -> list[float]:
    """Return one to three round values between the ends of a scale: 1, 2 or 5 times a power of 10.

    Examples
    --------
    >>> _ticks(-1.9, 1.7), _ticks(88, 108)
    ([-1.0, 0.0, 1.0], [90.0, 100.0])
    """
    decade = 10.0 ** math.floor(math.log10(high - low))
    step = next(s * decade for s in (0.2, 0.5, 1.0, 2.0, 5.0) if (high - low) / (s * decade) < 4)
    first, last = math.ceil(low / step), math.floor(high / step)
    return [k * step for k in range(first, last + 1)]


def _tick_words(value: float) -> str:
    return f"{value + 0:.3g}".replace("-", "−")


def _dots(
    points: Sequence[svg.Point], outliers: frozenset[int], *, hollow: bool, small: bool
) -> list[str]:
    fill = "fill:var(--paper);stroke:var(--accent);stroke-width:1.5" if hollow else ""
    found = []
    for i, (x, y) in enumerate(points):
        if not math.isfinite(y):
            continue
        if i in outliers:
            style = "fill:var(--bad);stroke:var(--paper);stroke-width:1.5"
            found.append(svg.diamond(x, y, 7.5, style=style))
        else:
            found.append(svg.dot(x, y, 1.8 if small else 3.2, style=fill or "fill:var(--accent)"))
    return found


def _visit(trends: Sequence[_Trend], names: Sequence[str], frame: int, height: float) -> str:
    count = len(names)
    numbers = [
        (trend, [_signed(line[frame], trend.digits) for line in trend.lines]) for trend in trends
    ]
    known = [
        f"{trend.title.split(',')[0].lower()} {' / '.join(values)} {trend.unit}"
        + (" (stands out)" if frame in trend.outliers else "")
        for trend, values in numbers
        if "not known" not in values
    ]
    head = f"Frame {frame + 1}, {names[frame]}"
    rest = "; ".join(known) or "not aligned"
    short = [f"{'/'.join(values)} {trend.unit}" for trend, values in numbers]
    column = svg.box(
        100 * frame / count, _PANEL_TOP - _TITLE, 100 * (frame + 1) / count, height, classes="hit"
    )
    shown = " · ".join(s for s in short if "not known" not in s) or "not aligned"
    return svg.mark(
        column,
        label=f"{head}: {rest}",
        frames=[frame],
        say=(svg.cut(head), shown),
        at=_centre(frame, count),
    )


def _signed(value: float, digits: int) -> str:
    if not math.isfinite(value):
        return "not known"
    text = f"{value:.{digits}f}"
    return text.replace("-", "−") if float(text) else f"{0:.{digits}f}"


def _trend_words(trends: Sequence[_Trend], names: Sequence[str]) -> str:
    sentences = []
    for trend in trends:
        values = [v for line in trend.lines for v in line if math.isfinite(v)]
        text = (
            f"{trend.title.split(',')[0]} from {_signed(min(values), trend.digits)} to "
            f"{_signed(max(values), trend.digits)} {trend.unit}"
        )
        if trend.outliers:
            text += "; standing out: " + ", ".join(names[i] for i in sorted(trend.outliers))
        sentences.append(text + ".")
    return " ".join(sentences)


# Term of the blur budget, what it is called, and how it is filled; from the top of a column.
_TERMS = (
    ("diffraction_contrast", "diffraction", "fill:var(--accent)"),
    ("pixel_contrast", "pixel", "fill:var(--muted);fill-opacity:.38"),
    ("step_contrast", "step", f"fill:url(#{_LIMITS}-step)"),
    ("seen_contrast", "unexplained", f"fill:url(#{_LIMITS}-seen)"),
)
_CALLED = {
    "diffraction": "diffraction",
    "pixel": "the pixel",
    "step": "the focus step",
    "softness": "something unexplained",
    "unknown": "not known",
}
# Left free for the scale, and the widest that a column gets, in %.
_SCALE_PERCENT, _WIDEST_COLUMN = 9.0, 12.0
_COLUMN_TOP, _COLUMN_FOOT = 80.0, 230.0


def limits_chart(slices: Sequence[SliceLimits], *, names: Sequence[str]) -> str:
    """Return what costs every frame its contrast as stacked columns, inline SVG.

    Parameters
    ----------
    slices : sequence of SliceLimits
        One for each frame.
    names : sequence of str
        Of the frames that the slices count.

    Notes
    -----
    Contrasts multiply, so that what a term takes depends on the order in which terms are taken.
    A column therefore shares the whole loss out in proportion to the logarithm of each term's
    contrast: no order matters, and the tallest part is the term that limits.
    """
    parts = [
        svg.hatching(f"{_LIMITS}-step", "var(--warn)"),
        svg.dotting(f"{_LIMITS}-seen", "var(--bad)"),
        svg.hint("Point at a frame for its numbers."),
        *_limits_key(slices),
    ]
    y = svg.Scale(0, 1, _COLUMN_FOOT, _COLUMN_TOP)
    for share in (0.0, 0.5, 1.0):
        parts.append(svg.line(0, y(share), 100, y(share), classes="grid"))
    parts += [_column(s, names, k, len(slices), y) for k, s in enumerate(slices)]
    parts += [
        svg.text(0, y(share) - 4, f"{100 * share:.0f} %", classes="soft halo")
        for share in (0.5, 1.0)
    ]
    parts += svg.labels(
        [_column_centre(k, len(slices)) for k in range(len(slices))],
        [str(s.frame + 1) for s in slices],
        _COLUMN_FOOT + 18,
        classes="strong",
    )
    return svg.chart(
        name=_LIMITS,
        title="What each frame loses of the contrast of detail 4 px wide, and to what",
        description=_limit_words(slices),
        height=_COLUMN_FOOT + 26,
        parts=parts,
    )


def _losses(limits: SliceLimits) -> tuple[float, list[float]]:
    """Return the contrast left, and what each term takes of the whole; 0 where not known."""
    contrasts = [getattr(limits, key) for key, _, _ in _TERMS]
    kept = [1.0 if c is None else min(max(c, 1e-3), 1.0) for c in contrasts]
    left = math.prod(kept)
    whole = math.log(left)
    if whole == 0:
        return left, [0.0] * len(kept)
    return left, [(1 - left) * math.log(k) / whole for k in kept]


def _column_centre(k: int, count: int) -> float:
    return _SCALE_PERCENT + (100 - _SCALE_PERCENT) * (k + 0.5) / count


def _column(limits: SliceLimits, names: Sequence[str], k: int, count: int, y: svg.Scale) -> str:
    left, losses = _losses(limits)
    wide = (100 - _SCALE_PERCENT) / count
    middle = _column_centre(k, count)
    half = min(0.36 * wide, _WIDEST_COLUMN / 2)
    start, end = middle - half, middle + half
    hit = (middle - wide / 2, _COLUMN_TOP - 2, middle + wide / 2, _COLUMN_FOOT + 24)
    shapes = [svg.box(*hit, classes="hit")]
    at = 1.0
    for (_, _, fill), loss in zip(_TERMS, losses, strict=True):
        if loss > 0:
            shapes.append(svg.box(start, y(at), end, y(at - loss), style=fill))
        at -= loss
    outline = "fill:none;stroke:var(--ink);stroke-width:1"
    shapes.append(svg.box(start, y(left), end, y(0), style=outline))
    head = f"Frame {limits.frame + 1}, {names[limits.frame]}"
    rest = f"{100 * left:.0f} % of contrast left; "
    rest += (
        "limit not known" if limits.limit == "unknown" else f"limited by {_CALLED[limits.limit]}"
    )
    alone = ", ".join(f"{name} {_left(getattr(limits, key))}" for key, name, _ in _TERMS)
    return svg.mark(
        "".join(shapes),
        label=f"{head}: {rest}. Left by each alone: {alone}",
        frames=[limits.frame],
        say=(svg.cut(head), rest),
        at=middle,
    )


def _left(contrast: float | None) -> str:
    return "not known" if contrast is None else f"{100 * contrast:.0f} %"


def _limits_key(slices: Sequence[SliceLimits]) -> list[str]:
    """Return the swatches; a term that no frame knows says so."""
    parts = []
    for k, (key, name, fill) in enumerate(_TERMS):
        x = (0.0, 96.0, 158.0, 218.0)[k]
        known = any(getattr(s, key) is not None for s in slices)
        parts += svg.swatch(x, 59, fill, name if known else f"{name}?")
    return parts


def _limit_words(slices: Sequence[SliceLimits]) -> str:
    groups: dict[Limit, list[int]] = {}
    for s in slices:
        groups.setdefault(s.limit, []).append(s.frame + 1)
    said = "; ".join(
        f"{_CALLED[limit]}: frames {', '.join(map(str, frames))}"
        for limit, frames in groups.items()
    )
    return f"Limited by: {said}. Outlined at the foot of each column is the contrast that is left."
