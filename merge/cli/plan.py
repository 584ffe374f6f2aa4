"""``depthweld plan``: f-number, frames and focus positions for the next shoot."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import click

from merge.atomic import check_writable, written_together
from merge.cli.command import Command, page_option
from merge.cli.paths import PastedPath
from merge.cli.quantities import (
    DEPTH,
    DISTANCE,
    EXPOSURE,
    F_NUMBER,
    FOCAL_LENGTH,
    MILLIONS,
    PAUSE,
    PERCENT,
    PIXEL_PITCH,
    SIZE_RATIO,
    SPAN_OF_TIME,
)
from merge.cli.streams import print_json, print_text
from merge.errors import MergeError
from merge.json_files import read_json
from merge.model import CaptureSettings
from merge.optics import parse_tolerance_px, pixel_pitch_from_sensor_um
from merge.plan import PlanRequest, plan_bracket, plan_reshoot
from merge.plan.schema import AUDIT_SCHEMA

_PAUSE_S = PlanRequest(pixel_pitch_um=1.0, tolerance_px=2.0).pause_s
# Options that go into the request as they are; left out, its default holds.
_PASSED_ON = (
    "magnification", "f_number", "frames", "time_s", "pupil_ratio",
    "widest", "smallest", "sharpest", "pause_s",
)  # fmt: skip
# Options that a plan from an audit takes beside --from; all others ask for another plan.
_WITH_AUDIT = {
    "tolerance", "pixel_pitch", "magnification", "f_number", "focal_length", "report", "overwrite"
}  # fmt: skip
# Pairs of which one would be passed over, and what to do.
_EXCLUSIVE = (
    ("pixel_pitch", "megapixels", "both tell the pixel size: give one"),
    ("frames", "time_s", "give the number of frames or the time available, not both"),
    ("frames", "overlap", "the number of frames fixes the overlap: give one"),
    ("f_number", "sharpest", "with the f-number fixed none is chosen: leave out --sharpest"),
    ("near", "magnification", "on a rail (--magnification) the depth alone counts: give --depth"),
    ("far", "magnification", "on a rail (--magnification) the depth alone counts: give --depth"),
    ("far", "depth", "both tell the far end: give one"),
)


_EXAMPLES = """\b
Examples:
  depthweld plan --sensor 36x24 --megapixels 24 --focal-length 24 --near 0.6m --far inf
  depthweld plan --pixel-pitch 3.76 --magnification 1:1 --depth 5mm --plot plan.png
  depthweld plan --frame IMG_0042.dng --near 0.6m --far 30m --frames 3
  depthweld plan --from audit.json --report again.html
"""


@click.command("plan", cls=Command, epilog=_EXAMPLES)
@click.option("--pixel-pitch", type=PIXEL_PITCH, help="Distance of pixels on the sensor, in µm.")
@click.option("--sensor", metavar="WxH", help="Sensor size in mm, e.g. 36x24.")
@click.option("--megapixels", type=MILLIONS, help="With --sensor, in place of --pixel-pitch.")
@click.option(
    "--frame",
    "frame_path",
    type=PastedPath(),
    help="A picture from the camera: pixel pitch, focal length, exposure are read from it.",
)
@click.option("--focal-length", type=FOCAL_LENGTH, help="In mm.")
@click.option("--magnification", type=SIZE_RATIO, help="For a rail, with --depth: 1:2, 0.5, 2x.")
@click.option("--near", type=DISTANCE, help="Nearest distance from the sensor mark: 0.5m, 6ft 2in.")
@click.option("--far", type=DISTANCE, help="Farthest distance: 12m, 40ft, inf.")
@click.option("--depth", type=DEPTH, help="Depth of the subject instead of --far: 4mm, 0.5in.")
@click.option(
    "--tolerance",
    help="Largest blur circle: 2px, 0.03mm on the sensor, d/1500 of its diagonal. Default 2px.",
)
@click.option("--f-number", type=F_NUMBER, help="Fix the f-number: f/8.")
@click.option("--frames", type=click.IntRange(1, 10000), help="Fix the number of frames.")
@click.option("--time", "time_s", type=SPAN_OF_TIME, help="Time for the whole bracket: 30s, 2min.")
@click.option("--exposure", type=EXPOSURE, help="Metered exposure of one frame, in s: 1/60.")
@click.option("--exposure-at", type=F_NUMBER, help="The f-number of --exposure: f/8.")
@click.option(
    "--pause",
    "pause_s",
    type=PAUSE,
    help=f"Between frames, with --time or --exposure. Default {_PAUSE_S:g}s.",
)
@click.option("--widest", type=F_NUMBER, help="The lens's widest aperture. Default f/2.8.")
@click.option("--smallest", type=F_NUMBER, help="The lens's smallest aperture. Default f/22.")
@click.option(
    "--sharpest",
    type=F_NUMBER,
    help="Where the lens is best. Default: two stops down from --widest, close-up fewer.",
)
@click.option("--overlap", type=PERCENT, help="Least overlap of neighbouring frames: 20%.")
@click.option("--pupil-ratio", type=SIZE_RATIO, help="Exit over entrance pupil. Default 1.")
@click.option(
    "--from",
    "audit_path",
    type=PastedPath(),
    help="An audit's JSON: where to re-shoot the bracket's gaps.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the plan as JSON.")
@click.option("--plot", type=PastedPath(), help="Draw it into a .png or .svg file.")
@page_option("Write a page to look at and to print for the field.")
@click.option("--overwrite", is_flag=True, help="Replace an existing plot or page.")
def command(audit_path: Path | None, as_json: bool, **options: Any) -> None:
    """Plan a focus bracket: f-number, number of frames, where to focus.

    A landscape needs the lens and two distances, a close-up magnification and depth; both
    need the pixel size. Lengths and times take a unit: 60cm, 6ft 2in, 30s.
    """
    _check_together(audit_path, options)
    inputs = [p for p in (audit_path, options["frame_path"]) if p is not None]
    for target in (options["plot"], options["report"]):
        if target is not None:
            check_writable(target, overwrite=options["overwrite"], inputs=inputs)
    if audit_path is not None:
        record, text = _reshoot(audit_path, options)
    else:
        record, text = _plan(options)
    if as_json:
        print_json(record)
    else:
        print_text(text)
    if options["report"] is not None and not as_json:
        print_text(f"Written: {options['report']}")


def _check_together(audit_path: Path | None, options: dict[str, Any]) -> None:
    """Refuse options of which one would be passed over, by name."""
    given = {name for name, value in options.items() if value not in (None, False)}
    if audit_path is not None:
        if others := [_option(name) for name in options if name in given - _WITH_AUDIT]:
            raise click.UsageError(
                f"--from plans the frames that an audit misses; {', '.join(others)} would do "
                "nothing: leave out one or the other"
            )
        return
    for first, second, advice in _EXCLUSIVE:
        if {first, second} <= given:
            raise click.UsageError(f"{_option(first)} and {_option(second)}: {advice}")
    if "megapixels" in given and "sensor" not in given:
        raise click.UsageError(
            "--megapixels tells the pixel size with --sensor only: give that too"
        )
    if "sensor" in given and "megapixels" not in given:
        by_diagonal = str(options["tolerance"] or "").strip().lower().startswith("d")
        if not by_diagonal:
            raise click.UsageError("--sensor tells the pixel size with --megapixels: give that too")
    if "pause_s" in given and not given & {"time_s", "exposure", "exposure_at", "frame_path"}:
        raise click.UsageError("--pause counts with --time or --exposure only: give one of them")


def _option(name: str) -> str:
    """Return an option as it is typed."""
    names = {"time_s": "time", "pause_s": "pause", "frame_path": "frame"}
    return "--" + names.get(name, name).replace("_", "-")


def _plan(options: dict[str, Any]) -> tuple[dict[str, Any], str]:
    # Imported here so that a plan for another frame's gap loads no more than it needs.
    from merge.report.plan import plan_record, plan_text, write_plan_plot

    request = _request(options)
    try:
        plan = plan_bracket(request)
    except MergeError as exc:
        raise click.UsageError(str(exc)) from exc
    record = plan_record(plan)
    frame = options["frame_path"]
    inputs = [] if frame is None else [frame]
    with written_together():
        if options["plot"] is not None:
            write_plan_plot(plan, options["plot"], overwrite=options["overwrite"], inputs=inputs)
        if options["report"] is not None:
            from merge.report.page.plan_page import plan_page

            _write_report(options, plan_page(plan, record), inputs)
    return record, plan_text(plan)


def _write_report(options: dict[str, Any], page: str, inputs: list[Path]) -> None:
    from merge.report.page.shell import write_page

    write_page(options["report"], page, overwrite=options["overwrite"], inputs=inputs)


def _reshoot(path: Path, options: dict[str, Any]) -> tuple[dict[str, Any], str]:
    from merge.report.plan import reshoot_record, reshoot_text

    audit = read_json(path, schema=AUDIT_SCHEMA, source="depthweld audit FRAMES --json")
    pitch = options["pixel_pitch"]
    tolerance = options["tolerance"]
    reshoot = plan_reshoot(
        audit,
        tolerance_px=None if tolerance is None else _tolerance_px(tolerance, pitch, None),
        pixel_pitch_um=pitch,
        magnification=options["magnification"],
        f_number=options["f_number"],
        focal_length_mm=options["focal_length"],
    )
    record = reshoot_record(reshoot)
    if options["report"] is not None:
        from merge.report.page.plan_page import reshoot_page

        _write_report(options, reshoot_page(reshoot, record), [path])
    return record, reshoot_text(reshoot)


def _request(options: dict[str, Any]) -> PlanRequest:
    """Return what the options ask for; what a frame tells fills what they leave out."""
    settings, diagonal = _probe(options["frame_path"])
    if options["sensor"] is not None:
        width, height = _sensor_size(options["sensor"])
        diagonal = math.hypot(width, height)
    pitch = _pixel_pitch(options, settings)
    focal = options["focal_length"]
    if focal is None and options["magnification"] is None:
        focal = settings.focal_length_mm
    exposure, exposure_at = options["exposure"], options["exposure_at"]
    if exposure is None and exposure_at is None:
        exposure, exposure_at = settings.exposure_time_s, settings.f_number
        if exposure is None or exposure_at is None:
            exposure = exposure_at = None
    given = {name: options[name] for name in _PASSED_ON if options[name] is not None}
    return PlanRequest(
        pixel_pitch_um=pitch,
        tolerance_px=_tolerance_px(options["tolerance"] or "2px", pitch, diagonal),
        focal_length_mm=focal,
        near_mm=options["near"],
        far_mm=options["far"],
        depth_mm=options["depth"],
        exposure_s=exposure,
        exposure_f_number=exposure_at,
        overlap=(options["overlap"] or 0.0) / 100,
        **given,
    )


def _probe(path: Path | None) -> tuple[CaptureSettings, float | None]:
    """Return a frame's settings and, if its pixel pitch is known, the diagonal in mm."""
    if path is None:
        return CaptureSettings(), None
    # Decoders take long to load, and most plans need none.
    from merge.read import probe_frame

    source = probe_frame(path)
    pitch = source.settings.pixel_pitch_um
    diagonal = None if pitch is None else math.hypot(*source.shape[:2]) * pitch / 1000
    return source.settings, diagonal


def _sensor_size(text: str) -> tuple[float, float]:
    match = re.fullmatch(r"([0-9.]+)\s*[x×]\s*([0-9.]+)(?:\s*mm)?", text.strip().lower())
    try:
        width, height = (float(match[1]), float(match[2])) if match else (0.0, 0.0)
    except ValueError:
        width = height = 0.0
    if not (width > 0 and height > 0):
        raise click.UsageError(f"--sensor {text!r}: expected width x height in mm, e.g. 36x24")
    return width, height


def _pixel_pitch(options: dict[str, Any], settings: CaptureSettings) -> float:
    pitch: float | None = options["pixel_pitch"]
    if pitch is not None:
        return pitch
    if options["sensor"] is not None and options["megapixels"] is not None:
        width, height = _sensor_size(options["sensor"])
        return pixel_pitch_from_sensor_um(width, height, options["megapixels"])
    if settings.pixel_pitch_um is not None:
        return settings.pixel_pitch_um
    ways = "--pixel-pitch, or --sensor with --megapixels"
    if options["frame_path"] is not None:
        name = options["frame_path"].name
        raise click.UsageError(f"{name} does not tell its pixel pitch: give {ways}")
    raise click.UsageError(f"the pixel size is not known: give {ways}, or --frame PICTURE")


def _tolerance_px(text: str, pitch: float | None, diagonal_mm: float | None) -> float:
    """Return the tolerance in pixels; usage errors in the option's name."""
    if pitch is None and not text.strip().lower().endswith("px"):
        raise click.UsageError("--tolerance in mm needs --pixel-pitch")
    try:
        return parse_tolerance_px(text, pixel_pitch_um=pitch or 1.0, diagonal_mm=diagonal_mm)
    except ValueError as exc:
        more = "; give --sensor or --frame" if "sensor" in str(exc) else ""
        raise click.UsageError(f"--{exc}{more}") from exc
