"""``depthweld apertures``: which f-number of a series is best, where, and why."""

from __future__ import annotations

import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from merge.atomic import check_writable, written_together
from merge.cli.command import Command, json_option, page_option
from merge.cli.paths import PastedPath, pasted_paths
from merge.cli.progress import show_progress
from merge.cli.quantities import BLUR, F_NUMBER, PIXEL_PITCH, SIZE_RATIO
from merge.cli.streams import print_json, print_text
from merge.pipeline.apertures import ApertureSeries, CropRow, assess_apertures, cut_crops
from merge.report.apertures import apertures_record, apertures_text
from merge.report.apertures_pictures import check_names, write_contact_sheet, write_plot
from merge.report.numbers import size_text

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
        return [F_NUMBER.convert(part, param, ctx) for part in value.split(",")]
    except click.BadParameter as exc:
        raise click.BadParameter(f"{value!r}: expected numbers such as 4,5.6,8,11") from exc


@click.command("apertures", cls=Command, epilog=_EXAMPLES)
@click.argument("frames", nargs=-1, required=True)
@click.option(
    "--f-numbers",
    callback=_read_numbers,
    help="F-numbers in shooting order, where the files do not tell: 4,5.6,8.",
)
@click.option(
    "--pixel-pitch", type=PIXEL_PITCH, help="Pixel pitch in µm, where the files do not tell."
)
@click.option(
    "--magnification",
    type=SIZE_RATIO,
    default=0.0,
    help="Size on the sensor over real size, 1:2, 0.5: close up, diffraction grows with it.",
)
@click.option(
    "--tolerance",
    type=BLUR,
    default=2.0,
    help="Blur allowed when counting the frames of a bracket. Default 2px.",
)
@json_option
@click.option(
    "--plot",
    type=PastedPath(),
    help="Write contrast over f-number, of centre and corners too, and the map (.png, .svg).",
)
@click.option(
    "--crops", type=PastedPath(), help="Write a sheet of crops at 100 %, in colour (.png)."
)
@page_option("Write a page to look at: crops at 100 %, charts, where and why.")
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
    check_names(plot, crops)
    given = pasted_paths(frames)
    for target in (plot, crops, report):
        if target is not None:
            check_writable(target, overwrite=overwrite, inputs=[Path(name) for name in given])
    began = time.perf_counter()
    with show_progress() as progress:
        series = assess_apertures(
            given,
            f_numbers=options["f_numbers"],
            magnification=options["magnification"],
            pitch_um=options["pixel_pitch"],
            tolerance_px=options["tolerance"],
            progress=progress,
        )
    record = apertures_record(series)
    seconds = time.perf_counter() - began
    targets = {"plot": plot, "crops": crops, "report": report}
    written = _write_files(series, record, targets, seconds, overwrite=overwrite)
    if as_json:
        print_json(record)
    else:
        print_text(apertures_text(series))
        for path in written:
            print_text(f"Written: {path} ({size_text(path.stat().st_size)})")


def _write_files(
    series: ApertureSeries,
    record: Mapping[str, Any],
    targets: Mapping[str, Path | None],
    seconds: float,
    *,
    overwrite: bool,
) -> list[Path]:
    """Write what is asked for, and return the files."""
    wanted = {name: path for name, path in targets.items() if path is not None}
    inputs = [source.path for source in series.sources]
    rows: tuple[CropRow, ...] = cut_crops(series) if {"crops", "report"} & set(wanted) else ()
    with written_together():
        if "plot" in wanted:
            write_plot(series, wanted["plot"], overwrite=overwrite, inputs=inputs)
        if "crops" in wanted:
            write_contact_sheet(series, rows, wanted["crops"], overwrite=overwrite, inputs=inputs)
        if "report" in wanted:
            # Templates take long to load; without a page none is needed.
            from merge.report.page.apertures_page import apertures_page
            from merge.report.page.shell import write_page

            page = apertures_page(series, rows, record, seconds=seconds)
            write_page(wanted["report"], page, overwrite=overwrite, inputs=inputs)
    return list(wanted.values())
