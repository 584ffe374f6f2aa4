"""An aperture series as text for one screen, JSON, plot and contact sheet."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from merge.apertures import ApertureFrame, ApertureReport, Region
from merge.errors import WriteError
from merge.pipeline.apertures import CROP_PX, ApertureSeries
from merge.write import replace_atomically

if TYPE_CHECKING:
    from matplotlib.axes import Axes

VERSION = 1
# From the palette of M. Okabe and K. Ito (from memory), told apart by every kind of sight.
_BLUE, _RED, _GREY = "#0072B2", "#D55E00", "#555555"
_MARGIN_PX, _LABEL_PX = 8, 22


def f_text(number: float) -> str:
    """Return an f-number as it is spoken of: two digits.

    Examples
    --------
    >>> f_text(5.6568), f_text(11.0)
    ('f/5.7', 'f/11')
    """
    return f"f/{number:.2g}"


def apertures_text(series: ApertureSeries) -> str:
    """Return the answers as text for one screen."""
    report = series.report
    lines = [
        f"Contrast of detail {1 / report.frequency:.0f} px wide, sharpest frame = 100 %:",
        *(_frame_line(report, i) for i in range(len(report.frames))),
        "",
        best_sentence(report),
        *place_lines(report),
        lens_sentence(report),
        *_cost_lines(report),
        limit_sentence(report),
        *_edge_lines(report),
    ]
    return "\n".join(lines)


def _frame_line(report: ApertureReport, i: int) -> str:
    frame = report.frames[i]
    bar = "█" * round(24 * min(frame.contrast, 1.0))
    error = f"± {max(0.1, 100 * frame.error):.1f}" if frame.error > 0 else ""
    if frame.fault:
        mark = f"! {frame.fault}; {100 * frame.expected:.0f} % expected"
    else:
        mark = "sharpest" if i == report.best else ""
    head = f"  {f_text(frame.f_number):<6} {frame.name:<20} {100 * frame.contrast:4.0f} %"
    return f"{head} {error:<7} {bar:<24} {mark}".rstrip()


def best_sentence(report: ApertureReport) -> str:
    """Return which frame is the sharpest as a whole."""
    best = report.frames[report.best]
    text = f"Sharpest as a whole: {best.name}, {f_text(best.f_number)}"
    if report.alike:
        others = ", ".join(f_text(report.frames[i].f_number) for i in report.alike)
        text += f" (not to be told from {others})"
    return text + "."


def place_lines(report: ApertureReport) -> list[str]:
    """Return the best f-number of each part of the picture, and what the parts are."""
    parts = [
        f"{r.name} {f_text(report.frames[r.best].f_number)}"
        for r in report.regions
        if r.name != "whole picture"
    ]
    return [f"By place: {', '.join(parts)}. Foreground and background: lower and upper third."]


def lens_sentence(report: ApertureReport) -> str:
    """Return the lens's best aperture in the plane of focus."""
    text = f"Best aperture in the plane of focus: {f_text(report.best_f_number)}"
    if report.best_at_end:
        way = "wider" if report.best_at_end == "widest" else "narrower"
        return f"{text}, the {report.best_at_end} of the series; it may lie {way} still."
    return text + "."


def _cost_lines(report: ApertureReport) -> list[str]:
    lines = ["What each step does to the contrast (diffraction alone; the rest of it):"]
    for cost in report.costs:
        span = f"{f_text(cost.from_f_number)} → {f_text(cost.to_f_number)}"
        split = ""
        if not math.isnan(cost.diffraction):
            split = f"(diffraction {_percent(cost.diffraction)}; rest {_percent(cost.rest)})"
        lines.append(f"  {span:<14} {_percent(cost.change):>6} {split}".rstrip())
    if math.isnan(report.frames[0].diffraction):
        lines.append("  Diffraction's part needs the pixel pitch: give --pixel-pitch.")
    return lines


def _percent(value: float) -> str:
    return "unknown" if math.isnan(value) else f"{100 * value:+.0f} %"


def limit_sentence(report: ApertureReport) -> str:
    """Return whether depth or diffraction limits the picture, and what to do."""
    best = f_text(report.best_f_number)
    if report.limit == "depth":
        return _depth_sentence(report, best)
    if report.limit == "diffraction":
        return (
            f"Diffraction limits: every place is sharpest near {best}, "
            "and closing further only costs contrast."
        )
    return "Neither depth nor diffraction shows a limit within this series."


def _depth_sentence(report: ApertureReport, best: str) -> str:
    places = [r for r in report.regions if r.name in ("foreground", "background", "centre")]
    places = places or list(report.regions)
    far = max(places, key=lambda r: r.best_f_number)
    near = min(places, key=lambda r: r.best_f_number)
    text = f"Depth limits: {_at(report, far)}, {_at(report, near)}"
    if far.best != near.best:
        text += ": no single aperture holds both"
    if report.frames_needed > 1:
        text += f"; {report.frames_needed} frames at {best} would"
    return text + "."


def _at(report: ApertureReport, region: Region) -> str:
    return f"{region.name} best at {f_text(report.frames[region.best].f_number)}"


def _edge_lines(report: ApertureReport) -> list[str]:
    found = [(f, e) for f, e in zip(report.frames, report.edges, strict=False) if e is not None]
    if not found:
        return []
    row, column = found[0][1].box[:2]
    parts = ", ".join(f"{f_text(f.f_number)} {e.mtf50:.3f}" for f, e in found)
    return [
        f"Slanted edge at row {row}, column {column} (in the manner of ISO 12233): "
        f"MTF50 in cycles/px {parts}."
    ]


def apertures_record(series: ApertureSeries) -> dict[str, Any]:
    """Return what JSON carries; unknown numbers are null."""
    report = series.report
    return _plain(
        {
            "format": "depthweld aperture series",
            "version": VERSION,
            "reference_frequency_cycles_per_px": report.frequency,
            "frames": [
                vars(frame) | {"file": str(source.path)}
                for frame, source in zip(report.frames, series.sources, strict=True)
            ],
            "best": report.frames[report.best].name,
            "ranking": [report.frames[i].name for i in report.ranking],
            "alike": [report.frames[i].name for i in report.alike],
            "best_f_number": report.best_f_number,
            "best_at_end": report.best_at_end or None,
            "costs": [vars(cost) for cost in report.costs],
            "regions": [vars(r) | {"best": report.frames[r.best].name} for r in report.regions],
            "limit": report.limit,
            "frames_needed": report.frames_needed or None,
            "tolerance_px": report.tolerance_px,
            "summary": limit_sentence(report),
            "winner_map_f_number": report.winners.tolist(),
            "edges": [None if e is None else _edge_record(e) for e in report.edges],
        }
    )


def _edge_record(edge: Any) -> dict[str, Any]:
    kept = edge.frequency <= 0.5
    return vars(edge) | {
        "frequency": edge.frequency[kept][::8].round(4).tolist(),
        "response": edge.response[kept][::8].round(4).tolist(),
    }


def _plain(value: Any) -> Any:
    """Return JSON's own types, None for NaN."""
    if isinstance(value, dict):
        return {key: _plain(v) for key, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, float | np.floating):
        return None if math.isnan(value) else round(float(value), 5)
    return int(value) if isinstance(value, np.integer) else value


def write_plot(
    series: ApertureSeries, path: Path, *, overwrite: bool = False, inputs: Iterable[Path] = ()
) -> None:
    """Write contrast over f-number with diffraction's curve, and the map of winners.

    Raises
    ------
    WriteError
        If the name ends neither in .png nor .svg, the file exists or cannot be written.
    """
    kind = path.suffix.lower().removeprefix(".")
    if kind not in {"png", "svg"}:
        raise WriteError(f"{path}: a plot is written as .png or .svg; change the name")
    # Loaded here: it takes most of a second, and only a plot needs it.
    from matplotlib.figure import Figure

    figure = Figure(figsize=(11, 4.6), dpi=110, layout="constrained")
    left, right = figure.subplots(1, 2, width_ratios=[3, 2])
    _draw_contrast(left, series.report)
    _draw_winners(right, series.report)
    with replace_atomically(path, overwrite=overwrite, inputs=inputs) as file:
        figure.savefig(file, format=kind)


def _draw_contrast(axes: Axes, report: ApertureReport) -> None:
    frames = report.frames
    numbers = np.array([f.f_number for f in frames])
    good = [f for f in frames if not f.fault]
    parts = [f.contrast / f.diffraction for f in frames if not f.fault and f.diffraction > 0.05]
    if parts:
        _draw_diffraction(axes, report, max(parts))
    axes.errorbar(
        [f.f_number for f in good],
        [100 * f.contrast for f in good],
        [200 * f.error for f in good],
        fmt="o-",
        color=_BLUE,
        capsize=3,
        label="measured (bars: two standard errors)",
    )
    _draw_faults(axes, [f for f in frames if f.fault])
    axes.axvline(report.best_f_number, color=_GREY, linewidth=1, linestyle=":")
    axes.annotate(
        f"best in focus\n{f_text(report.best_f_number)}",
        (report.best_f_number, 108),
        xytext=(5, 0),
        textcoords="offset points",
        color=_GREY,
    )
    axes.set_xscale("log", base=2)
    axes.set_xticks(numbers, [f"{n:.2g}" for n in numbers])
    axes.set_xticks([], minor=True)
    axes.set_ylim(0, 118)
    axes.set_xlabel("f-number")
    axes.set_ylabel(f"contrast of detail {1 / report.frequency:.0f} px wide (%)")
    axes.set_title("Whole picture")
    axes.grid(alpha=0.3)
    axes.legend(loc="lower left", fontsize=9, framealpha=0.9)


def _draw_diffraction(axes: Axes, report: ApertureReport, scale: float) -> None:
    """Draw diffraction's law through the frames, at the height where no frame lies above."""
    numbers = np.log2([f.f_number for f in report.frames])
    loss = [max(f.diffraction, 1e-3) for f in report.frames]
    fine = np.linspace(numbers[0], numbers[-1], 100)
    # The law is smooth in the logarithm: a parabola through the frames follows it closely.
    degree = min(3, len(loss) - 1)
    curve = np.polyval(np.polyfit(numbers, loss, degree), fine)
    axes.plot(
        2**fine,
        100 * scale * np.maximum(curve, 0),
        "--",
        color=_RED,
        label="diffraction alone, no aberration or defocus",
    )


def _draw_faults(axes: Axes, faults: list[ApertureFrame]) -> None:
    if not faults:
        return
    numbers = [f.f_number for f in faults]
    axes.plot(
        numbers, [100 * f.contrast for f in faults], "x", color=_RED, markersize=9,
        label="against the trend",
    )  # fmt: skip
    axes.plot(
        numbers, [100 * f.expected for f in faults], "o", color=_BLUE, fillstyle="none",
        label="expected there",
    )  # fmt: skip


def _draw_winners(axes: Axes, report: ApertureReport) -> None:
    import matplotlib

    numbers = [f.f_number for f in report.frames]
    stops = np.ma.masked_invalid(2 * np.log2(report.winners))
    colours = matplotlib.colormaps["viridis"].with_extremes(bad="white")
    low, high = 2 * np.log2(numbers[0]), 2 * np.log2(numbers[-1])
    image = axes.imshow(stops, cmap=colours, vmin=low, vmax=high, interpolation="nearest")
    figure = axes.figure
    bar = figure.colorbar(image, ax=axes, shrink=0.8)
    bar.set_ticks([2 * math.log2(n) for n in numbers], labels=[f_text(n) for n in numbers])
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_title("Sharpest at (white: no texture)")


def write_contact_sheet(
    series: ApertureSeries, path: Path, *, overwrite: bool = False, inputs: Iterable[Path] = ()
) -> None:
    """Write crops of every frame side by side, a pixel of the frame for each of the sheet.

    Raises
    ------
    WriteError
        If the name does not end in .png, the file exists or cannot be written.
    """
    if path.suffix.lower() != ".png":
        raise WriteError(f"{path}: a contact sheet is written as .png; change the name")
    from PIL import Image, ImageDraw, ImageFont

    frames = series.report.frames
    height, width = series.rows[0].crops[0].shape if series.rows else (CROP_PX, CROP_PX)
    across, down = width + _MARGIN_PX, height + _MARGIN_PX + _LABEL_PX
    size = (_MARGIN_PX + across * len(frames), _MARGIN_PX + down * len(series.rows))
    sheet = Image.new("L", size, 24)
    draw, font = ImageDraw.Draw(sheet), ImageFont.load_default(13)
    for r, row in enumerate(series.rows):
        for i, frame in enumerate(frames):
            left, top = _MARGIN_PX + i * across, _MARGIN_PX + r * down
            label = f"{row.place}  {f_text(frame.f_number)}" + (" !" if frame.fault else "")
            draw.text((left, top + 2), label, fill=230, font=font)
            sheet.paste(Image.fromarray(_eight_bits(row.crops[i])), (left, top + _LABEL_PX))
    with replace_atomically(path, overwrite=overwrite, inputs=inputs) as file:
        sheet.save(file, format="PNG")


def _eight_bits(crop: NDArray[np.float32]) -> NDArray[np.uint8]:
    return np.asarray(np.clip(crop * 255 + 0.5, 0, 255).astype(np.uint8))
