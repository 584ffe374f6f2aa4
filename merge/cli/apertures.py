"""``depthweld apertures``: which f-number of a series is best, where, and why."""

from __future__ import annotations

import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from merge.atomic import check_writable, written_together
from merge.cli.command import Command
from merge.cli.paths import PastedPath, pasted_paths
from merge.cli.progress import show_progress
from merge.cli.streams import print_json, print_text
from merge.pipeline.apertures import ApertureSeries, assess_apertures
from merge.report.apertures import (
    apertures_record,
    apertures_text,
    write_contact_sheet,
    write_plot,
)

_EXAMPLES = """\b
Examples:
  depthweld apertures FRM_0101.JPG FRM_0102.JPG FRM_0103.JPG FRM_0104.JPG
  depthweld apertures series/ --report series.html
  depthweld apertures series/ --plot series.png --crops crops.png
"""


def _read_numbers(
    ctx: click.Context, param: click.Parameter, value: str | None
) -> list[float] | None:
    if value is None:
        return None
    try:
        numbers = [float(v.strip().lower().removeprefix("f/")) for v in value.split(",")]
    except ValueError:
        numbers = [0.0]
    if min(numbers) <= 0:
        raise click.BadParameter(f"{value!r}: expected numbers such as 4,5.6,8,11")
    return numbers


@click.command(
    "apertures",
    cls=Command,
    epilog=_EXAMPLES,
)
@click.argument("frames", nargs=-1, required=True)
@click.option(
    "--f-numbers",
    callback=_read_numbers,
    help="F-numbers in shooting order, where the files do not tell: 4,5.6,8.",
)
@click.option(
    "--pixel-pitch",
    type=click.FloatRange(min=0, min_open=True),
    help="Pixel pitch in µm, where the files do not tell.",
)
@click.option(
    "--magnification",
    type=click.FloatRange(min=0),
    default=0.0,
    show_default=True,
    help="Size on the sensor over real size: close up, diffraction grows with it.",
)
@click.option(
    "--tolerance",
    type=click.FloatRange(min=0, min_open=True),
    default=2.0,
    show_default=True,
    help="Blur allowed, in px, when counting the frames of a bracket.",
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
@click.option(
    "--plot",
    type=PastedPath(),
    help="Write contrast over f-number and the map (.png or .svg).",
)
@click.option("--crops", type=PastedPath(), help="Write a sheet of crops at 100 % (.png).")
@click.option(
    "--report",
    type=PastedPath(),
    metavar="PAGE.html",
    help="Write a page to look at: crops at 100 %, charts, where and why.",
)
@click.option("--overwrite", is_flag=True, help="Replace these files if they exist.")
def command(
    frames: tuple[str, ...],
    as_json: bool,
    plot: Path | None,
    crops: Path | None,
    report: Path | None,
    overwrite: bool,
    **options: Any,
) -> None:
    """Compare FRAMES of one focus and different f-numbers: files or folders.

    Works on real scenes: each place is compared with itself at the other f-numbers, so that
    its texture cancels. A slanted edge, if there is one, is measured besides.
    """
    for target in (plot, crops, report):
        if target is not None:
            check_writable(target, overwrite=overwrite, inputs=frames)
    began = time.perf_counter()
    with show_progress() as progress:
        series = assess_apertures(
            pasted_paths(frames),
            f_numbers=options["f_numbers"],
            magnification=options["magnification"],
            pitch_um=options["pixel_pitch"],
            tolerance_px=options["tolerance"],
            progress=progress,
        )
    inputs = [source.path for source in series.sources]
    record = apertures_record(series)
    with written_together():
        if plot is not None:
            write_plot(series, plot, overwrite=overwrite, inputs=inputs)
        if crops is not None:
            write_contact_sheet(series, crops, overwrite=overwrite, inputs=inputs)
        if report is not None:
            seconds = time.perf_counter() - began
            _write_report(report, series, record, seconds, overwrite=overwrite)
    if as_json:
        print_json(record)
    else:
        print_text(apertures_text(series))
        if report is not None:
            print_text(f"Written: {report} ({report.stat().st_size / 1e6:.1f} MB)")


def _write_report(
    report: Path,
    series: ApertureSeries,
    record: Mapping[str, Any],
    seconds: float,
    *,
    overwrite: bool,
) -> None:
    # Templates take long to load; without a page none is needed.
    from merge.report.page.apertures_page import apertures_page
    from merge.report.page.shell import write_page

    inputs = [source.path for source in series.sources]
    page = apertures_page(series, record, seconds=seconds)
    write_page(report, page, overwrite=overwrite, inputs=inputs)
