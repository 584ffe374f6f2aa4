"""``depthweld plan``: f-number, frames and focus positions for the next shoot."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NoReturn

import click

from merge.cli.command import Command
from merge.errors import MergeError, ReadError
from merge.model import CaptureSettings
from merge.optics import parse_tolerance_px, pixel_pitch_from_sensor_um
from merge.plan import PlanRequest, plan_bracket, plan_reshoot

_DEFAULTS = PlanRequest(pixel_pitch_um=1.0, tolerance_px=2.0)
# Options that go into the request as they are; left out, its default holds.
_PASSED_ON = (
    "magnification", "f_number", "frames", "time_s", "pupil_ratio",
    "widest", "smallest", "sharpest",
)  # fmt: skip


class _Quantity(click.ParamType):
    """A number above 0 with an optional unit, also written as a fraction: 35cm, 1/60, f/8, 1:2."""

    def __init__(
        self,
        name: str,
        *,
        example: str,
        units: Mapping[str, float] | None = None,
        default_unit: str = "",
        prefix: str = "",
    ) -> None:
        self.name, self.example, self.prefix = name, example, prefix
        self.units = {"": 1.0} | dict(units or {})
        self.units[""] = self.units[default_unit]

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if isinstance(value, float):
            return value
        text = str(value).strip().lower().removeprefix(self.prefix)
        number = r"([0-9]*\.?[0-9]+)"
        match = re.fullmatch(rf"{number}\s*(?:[/:]\s*{number})?\s*([a-zµ%]*)", text)
        if "mm" in self.units and text in {"inf", "infinity", "∞"}:
            return math.inf
        if match is None or match[3] not in self.units:
            self._refuse(value, param, ctx)
        top, bottom = float(match[1]), float(match[2] or 1)
        if top == 0 or bottom == 0:
            self._refuse(value, param, ctx)
        return top / bottom * self.units[match[3]]

    def _refuse(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> NoReturn:
        self.fail(f"{value!r}: expected a {self.name} above 0 such as {self.example}", param, ctx)


_LENGTH_UNITS = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
_DISTANCE = _Quantity("length", units=_LENGTH_UNITS, default_unit="m", example="35cm, 0.5m or inf")
_MILLIMETRES = _Quantity("length", units=_LENGTH_UNITS, default_unit="mm", example="24mm")
_F_NUMBER = _Quantity("f-number", prefix="f/", example="f/5.6")
_SECONDS = _Quantity("time", units={"s": 1.0, "min": 60.0}, example="1/60, 30s or 2min")
_SIZE_RATIO = _Quantity("ratio", units={"x": 1.0}, example="0.5, 1:2 or 2x")
_PERCENT = _Quantity("percentage", units={"%": 1.0}, example="20%")
_MICROMETRES = _Quantity("size", units={"um": 1.0, "µm": 1.0}, example="3.76um")
_MILLIONS = _Quantity("number", example="24")


_EXAMPLES = """\b
Examples:
  depthweld plan --sensor 36x24 --megapixels 24 --focal-length 24 --near 0.6m --far inf
  depthweld plan --pixel-pitch 3.76 --magnification 1:1 --depth 5mm --plot plan.png
  depthweld plan --frame IMG_0042.dng --near 0.6m --far 30m --frames 3
  depthweld plan --from audit.json --report again.html
"""


@click.command("plan", cls=Command, epilog=_EXAMPLES)
@click.option("--pixel-pitch", type=_MICROMETRES, help="Distance of pixels on the sensor, in µm.")
@click.option("--sensor", metavar="WxH", help="Sensor size in mm, e.g. 36x24.")
@click.option("--megapixels", type=_MILLIONS, help="With --sensor.")
@click.option(
    "--frame",
    "frame_path",
    type=click.Path(path_type=Path),
    help="A picture from the camera: pixel pitch, focal length, exposure are read from it.",
)
@click.option("--focal-length", type=_MILLIMETRES, help="In mm.")
@click.option("--magnification", type=_SIZE_RATIO, help="For a rail: 1:2, 0.5, 2x.")
@click.option("--near", type=_DISTANCE, help="Nearest distance from the sensor mark: 0.5m.")
@click.option("--far", type=_DISTANCE, help="Farthest distance: 12m, inf.")
@click.option("--depth", type=_MILLIMETRES, help="Depth of the subject instead of --far: 4mm.")
@click.option(
    "--tolerance",
    help="Largest blur circle: 2px, 0.03mm on the sensor, d/1500 of its diagonal. Default 2px.",
)
@click.option("--f-number", type=_F_NUMBER, help="Fix the f-number: f/8.")
@click.option("--frames", type=click.IntRange(1, 10000), help="Fix the number of frames.")
@click.option("--time", "time_s", type=_SECONDS, help="Time for the whole bracket: 30s, 2min.")
@click.option("--exposure", type=_SECONDS, help="Metered exposure of one frame: 1/60.")
@click.option("--exposure-at", type=_F_NUMBER, help="The f-number of --exposure: f/8.")
@click.option(
    "--pause",
    type=click.FloatRange(min=0),
    default=_DEFAULTS.pause_s,
    show_default=True,
    help="Seconds between frames.",
)
@click.option("--widest", type=_F_NUMBER, help="The lens's widest aperture. Default f/2.8.")
@click.option("--smallest", type=_F_NUMBER, help="The lens's smallest aperture. Default f/22.")
@click.option(
    "--sharpest",
    type=_F_NUMBER,
    help="Where the lens is best. Default: two stops down from --widest, close-up one.",
)
@click.option("--overlap", type=_PERCENT, help="Least overlap of neighbouring frames: 20%.")
@click.option("--pupil-ratio", type=_SIZE_RATIO, help="Exit over entrance pupil. Default 1.")
@click.option(
    "--from",
    "audit_path",
    type=click.Path(path_type=Path),
    help="An audit's JSON: where to re-shoot the bracket's gaps.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the plan as JSON.")
@click.option("--plot", type=click.Path(path_type=Path), help="Draw it into a .png or .svg file.")
@click.option(
    "--report",
    type=click.Path(path_type=Path),
    metavar="PAGE.html",
    help="Write a page to look at and to print for the field.",
)
@click.option("--overwrite", is_flag=True, help="Replace an existing plot or page.")
def command(audit_path: Path | None, as_json: bool, **options: Any) -> None:
    """Plan a focus bracket: f-number, number of frames, where to focus.

    A landscape needs the lens and two distances, a close-up magnification and depth; both
    need the pixel size. Lengths take a unit.
    """
    if options["report"] is not None:
        from merge.report.page.shell import check_page

        inputs = [p for p in (audit_path, options["frame_path"]) if p is not None]
        check_page(options["report"], overwrite=options["overwrite"], inputs=inputs)
    if audit_path is not None:
        click.echo(_reshoot(audit_path, options, as_json))
    else:
        click.echo(_plan(options, as_json))
    if options["report"] is not None and not as_json:
        click.echo(f"Written: {options['report']}")


def _plan(options: dict[str, Any], as_json: bool) -> str:
    # Imported here so that a plan for another frame's gap loads no more than it needs.
    from merge.report.plan import plan_record, plan_text, write_plan_plot

    request = _request(options)
    try:
        plan = plan_bracket(request)
    except MergeError as exc:
        raise click.UsageError(str(exc)) from exc
    if options["plot"] is not None:
        write_plan_plot(plan, options["plot"], overwrite=options["overwrite"])
    record = plan_record(plan)
    if options["report"] is not None:
        from merge.report.page.plan_page import plan_page

        _write_report(options, plan_page(plan, record), [options["frame_path"]])
    return json.dumps(record, indent=1, ensure_ascii=False) if as_json else plan_text(plan)


def _write_report(options: dict[str, Any], page: str, inputs: list[Path | None]) -> None:
    from merge.report.page.shell import write_page

    sources = [path for path in inputs if path is not None]
    write_page(options["report"], page, overwrite=options["overwrite"], inputs=sources)


def _reshoot(path: Path, options: dict[str, Any], as_json: bool) -> str:
    from merge.report.plan import reshoot_record, reshoot_text

    if options["plot"] is not None:
        raise click.UsageError("--plot draws a plan for a scene; leave it out with --from")
    audit = _read_audit(path)
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
    if as_json:
        return json.dumps(record, indent=1, ensure_ascii=False)
    return reshoot_text(reshoot)


def _read_audit(path: Path) -> dict[str, Any]:
    """Return an audit's JSON object."""
    try:
        audit = json.loads(path.read_text(encoding="utf-8"))
    except OSError as exc:
        raise ReadError(f"{path}: cannot be read ({exc.strerror}); check the name") from exc
    except ValueError as exc:
        raise ReadError(
            f"{path}: no JSON; write it with 'depthweld audit FRAMES --json > audit.json'"
        ) from exc
    if not isinstance(audit, dict):
        raise ReadError(f"{path}: JSON, but no audit; expected an object with a focus axis")
    return audit


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
        pause_s=options["pause"],
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
    plain = text.strip().lower().removesuffix("px").strip()
    if pitch is None and not re.fullmatch(r"[0-9.]+", plain):
        raise click.UsageError("--tolerance in mm needs --pixel-pitch")
    try:
        return parse_tolerance_px(text, pixel_pitch_um=pitch or 1.0, diagonal_mm=diagonal_mm)
    except ValueError as exc:
        more = "; give --sensor or --frame" if "sensor" in str(exc) else ""
        raise click.UsageError(f"--{exc}{more}") from exc
