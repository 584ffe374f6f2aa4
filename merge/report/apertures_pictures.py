"""An aperture series as a plot and as a sheet of crops."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from merge.apertures import ApertureFrame, ApertureReport
from merge.atomic import replace_atomically
from merge.errors import WriteError
from merge.pipeline.apertures import CROP_PX, ApertureSeries, CropRow
from merge.report.apertures import diffraction_law, part_contrasts
from merge.report.numbers import f_text
from merge.report.plots import BLUE, GREEN, RED, check_plot, draw_f_number_axis, written_plot

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_INK = "#222222"
_PART_STYLES = {
    "plane of focus": (GREEN, "s", "-"),
    "centre": ("#E69F00", "^", "--"),
    "corners": ("#CC79A7", "v", "-."),
}
_MARGIN_PX, _LABEL_PX, _FRAME_PX = 10, 22, 4


def check_names(plot: Path | None, sheet: Path | None) -> None:
    """Refuse names that do not end as their files do, before anything is measured.

    Raises
    ------
    WriteError
        If the plot's name ends neither in .png nor .svg, or the sheet's not in .png.
    """
    if plot is not None:
        check_plot(plot)
    if sheet is not None and sheet.suffix.lower() != ".png":
        raise WriteError(f"{sheet}: a contact sheet is written as .png; change the name")


def write_plot(
    series: ApertureSeries, path: Path, *, overwrite: bool = False, inputs: Iterable[Path] = ()
) -> None:
    """Write contrast over f-number, of the whole, centre and corners, and the map of winners.

    Raises
    ------
    WriteError
        If the name ends neither in .png nor .svg, the file exists or cannot be written.
    """
    height, width = series.sources[series.reference].shape[:2]
    plot = written_plot(path, (12.5, 5.4), (3, 2), overwrite=overwrite, inputs=inputs)
    with plot as (left, right):
        _draw_contrast(left, series.report)
        _draw_winners(right, series.report, height / width)


def _draw_contrast(axes: Axes, report: ApertureReport) -> None:
    frames = report.frames
    numbers = np.array([f.f_number for f in frames])
    good = [i for i, f in enumerate(frames) if not f.fault]
    if law := diffraction_law(report):
        stops, contrast = np.array(law).T
        axes.plot(
            2**stops, 100 * contrast, ":", color=RED, linewidth=2,
            label="diffraction alone, no aberration or defocus",
        )  # fmt: skip
    for name, contrast in part_contrasts(report):
        colour, marker, style = _PART_STYLES[name]
        axes.plot(
            numbers[good], [100 * contrast[i] for i in good], linestyle=style, marker=marker,
            markersize=5, color=colour, linewidth=1.6, label=name,
        )  # fmt: skip
    axes.errorbar(
        numbers[good],
        [100 * frames[i].contrast for i in good],
        [200 * frames[i].error for i in good],
        fmt="o-",
        color=BLUE,
        capsize=3,
        linewidth=2.4,
        label="whole picture (bars: two standard errors)",
    )
    _draw_faults(axes, [f for f in frames if f.fault])
    best = frames[report.best]
    axes.plot(
        best.f_number, 100 * best.contrast, "o", markersize=15, fillstyle="none", color=_INK,
        markeredgewidth=1.6, label=f"sharpest as a whole: {f_text(best.f_number)}",
    )  # fmt: skip
    draw_f_number_axis(axes, numbers.tolist(), [f_text(n) for n in numbers])
    axes.set_ylim(0, 106)
    axes.set_yticks(range(0, 101, 20), [f"{v} %" for v in range(0, 101, 20)])
    axes.set_ylabel(f"contrast of detail {1 / report.frequency:.0f} px wide")
    axes.set_title("Contrast over f-number, each curve's highest = 100 %")
    # Below the axes: whatever the curves do, the key covers none of them.
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.13), ncols=2, fontsize=9, frameon=False)


def _draw_faults(axes: Axes, faults: Sequence[ApertureFrame]) -> None:
    if not faults:
        return
    numbers = [f.f_number for f in faults]
    axes.plot(
        numbers, [100 * f.contrast for f in faults], "x", color=RED, markersize=10,
        markeredgewidth=2.5, label="shaken or focused elsewhere: left out",
    )  # fmt: skip
    axes.plot(
        numbers, [100 * f.expected for f in faults], "o", color=BLUE, fillstyle="none",
        label="what the others predict there",
    )  # fmt: skip


def _draw_winners(axes: Axes, report: ApertureReport, aspect: float) -> None:
    import matplotlib

    numbers = sorted({f.f_number for f in report.frames})
    stops = np.ma.masked_invalid(2 * np.log2(report.winners))
    colours = matplotlib.colormaps["viridis"].with_extremes(bad="0.92")
    image = axes.imshow(
        stops, cmap=colours, vmin=2 * math.log2(numbers[0]), vmax=2 * math.log2(numbers[-1]),
        interpolation="nearest", extent=(0, 100, 100, 0), aspect=aspect,
    )  # fmt: skip
    bar = axes.figure.colorbar(image, ax=axes, shrink=0.8)
    bar.set_ticks([2 * math.log2(n) for n in numbers], labels=[f_text(n) for n in numbers])
    bar.set_label("f-number")
    axes.set_xticks(range(0, 101, 25), [f"{v} %" for v in range(0, 101, 25)])
    axes.set_yticks(range(0, 101, 25), [f"{v} %" for v in range(0, 101, 25)])
    axes.set_xlabel("across the picture")
    axes.set_ylabel("down the picture")
    axes.set_title("Where each f-number is the sharpest (grey: no texture)", fontsize=11)


def write_contact_sheet(
    series: ApertureSeries,
    rows: Sequence[CropRow],
    path: Path,
    *,
    overwrite: bool = False,
    inputs: Iterable[Path] = (),
) -> None:
    """Write crops of every frame side by side, a pixel of the frame for each of the sheet.

    Each row's sharpest has a frame around it and says so.

    Raises
    ------
    WriteError
        If the name does not end in .png, the file exists or cannot be written.
    """
    check_names(None, path)
    from PIL import Image, ImageDraw, ImageFont

    report = series.report
    height, width = rows[0].crops[0].shape[:2] if rows else (CROP_PX, CROP_PX)
    across, down = width + _MARGIN_PX, height + _MARGIN_PX + _LABEL_PX
    size = (_MARGIN_PX + across * len(report.frames), _MARGIN_PX + down * len(rows))
    sheet = Image.new("RGB", size, (24, 24, 24))
    draw, font = ImageDraw.Draw(sheet), ImageFont.load_default(13)
    winners = {r.name: r.best for r in report.regions}
    for r, row in enumerate(rows):
        for i, frame in enumerate(report.frames):
            left, top = _MARGIN_PX + i * across, _MARGIN_PX + r * down
            best = winners.get(row.place) == i
            label = f"{row.place}  {f_text(frame.f_number)}"
            label += ": sharpest" if best else " (left out)" if frame.fault else ""
            draw.text((left, top + 2), label, fill=_WINNER if best else (225, 225, 225), font=font)
            if best:
                corner = (left - _FRAME_PX, top + _LABEL_PX - _FRAME_PX)
                end = (left + width + _FRAME_PX - 1, top + _LABEL_PX + height + _FRAME_PX - 1)
                draw.rectangle((corner, end), outline=_WINNER, width=_FRAME_PX)
            sheet.paste(Image.fromarray(row.crops[i]), (left, top + _LABEL_PX))
    with replace_atomically(path, overwrite=overwrite, inputs=inputs) as file:
        sheet.save(file, format="PNG")


_WINNER = (240, 200, 60)
