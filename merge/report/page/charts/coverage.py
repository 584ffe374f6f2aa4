"""The focus axis to scale: frames, their depth of field, the picture's detail, gaps and ends."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from merge.model import Array, Box, Finding, FocusAxis
from merge.report.page.charts import svg

_NAME = "coverage"
# From top to bottom, in px: what is being visited, the detail, the frames, the axis.
_DETAIL_TOP, _DETAIL_FOOT = 56.0, 146.0
_REACH_TOP, _REACH_STEP, _REACH_TALL = 156.0, 15.0, 10.0
_REACH_FOOT = _REACH_TOP + _REACH_STEP + _REACH_TALL
_FRAME_LABEL, _AXIS, _AXIS_LABEL = 204.0, 214.0, 232.0
_TITLE, _KEY, _HEIGHT = 252.0, 282.0, 290.0
_BINS = 90
_MANY = 24
# So much of the axis beyond the outer frames is shown, over what the frames span.
_BEYOND = 0.2
# Shares of the detail that the drawn part ends at, unless that lies too far out.
_SHOWN = (0.002, 0.998)
_WORTH_TELLING = 0.01


@dataclass(frozen=True)
class _View:
    """The part of the axis that is shown."""

    axis: FocusAxis
    tolerance_px: float
    x: svg.Scale
    aligned: Sequence[int]
    names: Sequence[str]


def coverage_chart(
    axis: FocusAxis,
    findings: Sequence[Finding],
    *,
    tolerance_px: float,
    names: Sequence[str],
    aligned: Sequence[int],
) -> str:
    """Return the focus axis, drawn to scale, as inline SVG.

    Parameters
    ----------
    axis : FocusAxis
    findings : sequence of Finding
        Those of kind "gap" and "end not covered" are marked; their frames count all N.
    tolerance_px : float
        Blur-circle diameter that is allowed.
    names : sequence of str, N
        Of all frames of the stack.
    aligned : sequence of int
        Indices of the frames on the axis, in its order.

    Returns
    -------
    str
        Each frame and each gap is a mark with the place in the picture where it matters.
    """
    view = _View(axis, tolerance_px, _scale(axis, tolerance_px), aligned, names)
    marked = [f for f in findings if f.facts.on_axis]
    return svg.chart(
        name=_NAME,
        title="Focus axis: frames, their depth of field, and the picture's detail",
        description=_words(view, marked),
        height=_HEIGHT,
        parts=[
            svg.hatching(f"{_NAME}-open", "var(--bad)"),
            svg.hint("Point at a frame or a gap to see its place in the picture."),
            *_detail(view),
            *(_hole_mark(view, f) for f in marked),
            *(_frame_mark(view, k) for k in range(len(aligned))),
            *_frame_numbers(view),
            *_hole_labels(view, marked),
            *_ruler(view),
            *_beyond(view),
            *_key(),
        ],
    )


def _scale(axis: FocusAxis, tolerance_px: float) -> svg.Scale:
    """Return the axis from a little before the first frame to a little after the last."""
    frames = axis.positions_px
    span = max(float(np.ptp(frames)), 4 * tolerance_px)
    known = np.isfinite(axis.tile_positions_px) & (axis.tile_detail > 0)
    tiles, weight = axis.tile_positions_px[known], axis.tile_detail[known]
    low, high = float(frames.min()) - 1.2 * tolerance_px, float(frames.max()) + 1.2 * tolerance_px
    if tiles.size:
        outer_low, outer_high = _quantiles(tiles, weight, _SHOWN)
        low = max(min(low, float(outer_low)), low - _BEYOND * span)
        high = min(max(high, float(outer_high)), high + _BEYOND * span)
    return svg.Scale(low, high)


def _key() -> list[str]:
    held, open_ = "fill:var(--accent);fill-opacity:.55", f"fill:url(#{_NAME}-open)"
    return [
        *svg.swatch(0, _KEY, held, "sharp in some frame"),
        *svg.swatch(170, _KEY, open_, "blurred in every frame"),
    ]


def _detail(view: _View) -> list[str]:
    """Return the picture's detail as a histogram along the axis, what no frame holds hatched."""
    axis, x = view.axis, view.x
    known = np.isfinite(axis.tile_positions_px) & (axis.tile_detail > 0)
    tiles, weight = axis.tile_positions_px[known], axis.tile_detail[known]
    # Ends of the depth of field are borders of bins, so that no bar is half in, half out.
    frames = axis.positions_px
    ends = np.concatenate([frames - view.tolerance_px, frames + view.tolerance_px])
    even = np.linspace(x.low, x.high, _BINS + 1)
    edges = np.unique(np.concatenate([even, ends[(ends > x.low) & (ends < x.high)]]))
    counts, _ = np.histogram(tiles, edges, weights=weight)
    density = counts / np.diff(edges)
    smooth = _smoothed(density, np.diff(edges))
    top = float(smooth.max()) or 1.0
    parts: dict[bool, list[str]] = {True: [], False: []}
    for start, end, value in zip(edges[:-1], edges[1:], smooth, strict=True):
        held = np.abs(frames - (start + end) / 2).min() <= view.tolerance_px
        tall = (_DETAIL_FOOT - _DETAIL_TOP) * float(value) / top
        if tall >= 0.3:
            parts[bool(held)].append(
                f"M{svg.number(x(start))} {svg.number(_DETAIL_FOOT)}v-{svg.number(tall)}"
                f"h{svg.number(x(end) - x(start))}v{svg.number(tall)}z"
            )
    held, open_ = ("".join(parts[k]) for k in (True, False))
    # Patterns would be stretched with the layer: the hatching is cut out of an even one instead.
    clip = (
        f'<clipPath id="{_NAME}-cut" clipPathUnits="objectBoundingBox">'
        f'<path transform="scale(.01 {1 / _HEIGHT:.6f})" d="{open_ or "M0 0"}"/></clipPath>'
    )
    return [
        svg.stretched(
            f'<path d="{held or "M0 0"}" style="fill:var(--accent);fill-opacity:.55"/>', _HEIGHT
        ),
        f"<defs>{clip}</defs>",
        f'<rect x="0" y="0" width="100%" height="{svg.number(_HEIGHT)}" '
        f'clip-path="url(#{_NAME}-cut)" style="fill:url(#{_NAME}-open)"/>',
        svg.line(0, _DETAIL_FOOT, 100, _DETAIL_FOOT, classes="grid"),
    ]


def _smoothed(density: Array, widths: Array) -> Array:
    """Return the density averaged over neighbouring bins: narrow bins between ends are noisy."""
    mass = np.convolve(density * widths, [1, 2, 3, 2, 1], mode="same")
    return np.asarray(mass / np.convolve(widths, [1, 2, 3, 2, 1], mode="same"))


def _beyond(view: _View) -> list[str]:
    """Return a word at either side for detail that lies beyond what is drawn."""
    known = np.isfinite(view.axis.tile_positions_px)
    tiles, weight = view.axis.tile_positions_px[known], view.axis.tile_detail[known]
    whole = float(weight.sum())
    found = []
    for outside, x, anchor, words in (
        (tiles < view.x.low, 0.0, "start", "◂ {} beyond"),
        (tiles > view.x.high, 100.0, "end", "{} beyond ▸"),
    ):
        share = float(weight[outside].sum()) / whole if whole else 0.0
        if share >= _WORTH_TELLING:
            said = words.format(f"{100 * share:.0f} %")
            found.append(svg.text(x, _TITLE, said, anchor=anchor, classes="soft"))
    return found


def _frame_mark(view: _View, k: int) -> str:
    """Return one frame: its plane, and the reach of its depth of field."""
    position, reach = float(view.axis.positions_px[k]), view.tolerance_px
    index = view.aligned[k]
    top = _REACH_TOP + _REACH_STEP * (k % 2)
    x, left, right = view.x(position), view.x(position - reach), view.x(position + reach)
    share = _share(view, np.abs(view.axis.tile_positions_px - position) <= reach)
    head = f"Frame {index + 1}, {view.names[index]}"
    rest = (
        f"at {position:.1f} px, sharp from {position - reach:.1f} to {position + reach:.1f} px: "
        f"{100 * share:.2g} % of the detail"
    )
    short = f"at {position:.1f} px: sharp there {100 * share:.2g} % of the detail"
    inside = "".join(
        [
            svg.box(left, _DETAIL_TOP, right, _AXIS, classes="hit"),
            svg.box(left, top, right, top + _REACH_TALL, style="fill:var(--accent)"),
            svg.line(x, _DETAIL_TOP, x, _REACH_FOOT, style=_plane_style(view)),
        ]
    )
    place = _place(view.axis, np.abs(view.axis.tile_positions_px - position) <= reach)
    return svg.mark(
        inside, label=f"{head}: {rest}", frames=[index], place=place, say=(svg.cut(head), short)
    )


def _plane_style(view: _View) -> str:
    """Return how the planes are drawn: of many only a hint, or they would hide the detail."""
    many = len(view.aligned) > _MANY
    return f"stroke:var(--ink);stroke-width:{0.7 if many else 1.3};opacity:{0.45 if many else 1}"


def _hole_mark(view: _View, finding: Finding) -> str:
    """Return a gap, or what lies beyond an end, hatched over its width."""
    start, end = _hole(view, finding)
    left = view.x(max(start, view.x.low)) if math.isfinite(start) else 0.0
    right = view.x(min(end, view.x.high)) if math.isfinite(end) else 100.0
    share = _share(
        view, (view.axis.tile_positions_px > start) & (view.axis.tile_positions_px < end)
    )
    numbers = " and ".join(str(i + 1) for i in finding.frames)
    blur = f"{finding.value or 0.0:.1f} px of blur"
    if finding.kind == "gap":
        head = f"Gap between frames {numbers}: {blur} midway"
        short = f"Frames {numbers}: {blur} midway"
    else:
        head = short = f"Beyond frame {numbers}: up to {blur}"
    rest = f"{100 * share:.2g} % of the detail lies here"
    weight = {"problem": 1.0, "warning": 0.75, "note": 0.35}[finding.severity]
    inside = svg.box(left, _DETAIL_TOP, right, _AXIS, classes="hit") + svg.box(
        left,
        _REACH_TOP,
        right,
        _REACH_FOOT,
        style=f"fill:url(#{_NAME}-open);opacity:{weight}",
    )
    return svg.mark(
        inside,
        label=f"{head}; {rest} ({finding.severity})",
        frames=finding.frames,
        place=finding.box,
        say=(short, f"{rest} ({finding.severity})"),
    )


def _hole_labels(view: _View, marked: Sequence[Finding]) -> list[str]:
    """Return the blur of the worst holes above them, for paper."""
    places, words = [], []
    for finding in marked:
        start, end = _hole(view, finding)
        if finding.severity == "problem" and finding.value is not None:
            places.append(view.x((max(start, view.x.low) + min(end, view.x.high)) / 2))
            words.append(f"{finding.value:.1f} px")
    return svg.labels(places, words, _DETAIL_TOP - 5, classes="strong")


def _hole(view: _View, finding: Finding) -> tuple[float, float]:
    """Return the ends of a hole on the axis; an open end is infinite."""
    at = {index: float(p) for index, p in zip(view.aligned, view.axis.positions_px, strict=True)}
    near = [at[i] for i in finding.frames if i in at]
    if finding.kind == "gap":
        return min(near) + view.tolerance_px, max(near) - view.tolerance_px
    if near and near[0] <= float(np.median(view.axis.positions_px)):
        return -math.inf, near[0] - view.tolerance_px
    return near[0] + view.tolerance_px, math.inf


def _frame_numbers(view: _View) -> list[str]:
    places = [view.x(float(p)) for p in view.axis.positions_px]
    words = [str(index + 1) for index in view.aligned]
    return svg.labels(places, words, _FRAME_LABEL, classes="strong")


def _ruler(view: _View) -> list[str]:
    ticks = svg.round_ticks(view.x.low, view.x.high, 6)
    places = [view.x(t) for t in ticks]
    return [
        *svg.ruler(places, [f"{t:g}".replace("-", "−") for t in ticks], _AXIS, _AXIS_LABEL),
        svg.text(50, _TITLE, "place of focus, in px of blur", anchor="middle", classes="soft"),
    ]


def _share(view: _View, tiles: NDArray[np.bool_]) -> float:
    detail = view.axis.tile_detail
    whole = float(detail[np.isfinite(view.axis.tile_positions_px)].sum())
    return float(detail[tiles].sum()) / whole if whole > 0 else 0.0


def _place(axis: FocusAxis, tiles: NDArray[np.bool_]) -> Box | None:
    """Return (row, column, height, width) in px around the middle 90 % of the tiles' detail."""
    rows, columns = np.nonzero(tiles & (axis.tile_detail > 0))
    if len(rows) == 0:
        return None
    weight = axis.tile_detail[rows, columns]
    size = axis.tile_size_px
    top, bottom = (int(row) for row in _quantiles(rows, weight, (0.05, 0.95)))
    left, right = (int(column) for column in _quantiles(columns, weight, (0.05, 0.95)))
    return top * size, left * size, (bottom - top + 1) * size, (right - left + 1) * size


def _quantiles(values: NDArray[Any], weights: Array, shares: Sequence[float]) -> Array:
    return np.quantile(values, shares, weights=weights, method="inverted_cdf")


def _words(view: _View, marked: Sequence[Finding]) -> str:
    """Return what the chart says, for a reader who does not see it."""
    frames = view.axis.positions_px
    steps = np.diff(frames)
    text = (
        f"{len(frames)} frames from {frames[0]:.1f} to {frames[-1]:.1f} px of blur-circle "
        f"diameter, steps of {steps.min():.1f} to {steps.max():.1f} px; each is sharp within "
        f"{view.tolerance_px:.2g} px."
    )
    if not marked:
        return text + " No gap and no uncovered end."
    gaps = sum(f.kind == "gap" for f in marked)
    ends = len(marked) - gaps
    return text + f" {gaps} gaps, {ends} uncovered ends; each mark tells its own."
