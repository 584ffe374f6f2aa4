"""An audit as a page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from merge.depth import measure_reduction
from merge.diagnose.wording import shutter
from merge.model import Progress
from merge.pipeline.auditing import AuditResult
from merge.pipeline.deep import depth_of_reference
from merge.pipeline.page_pictures import locate_sharpest
from merge.pipeline.record import program_record
from merge.report.page.bracket_page import BracketView, RunFacts, bracket_page, version_rows
from merge.report.page.shell import memory_row
from merge.report.page.viewer import Captions


def audit_page(
    result: AuditResult, record: Mapping[str, Any], *, progress: Progress | None = None
) -> str:
    """Return the page of an audit.

    Parameters
    ----------
    result : AuditResult
    record : mapping
        What ``--json`` prints, see `merge.report.audit.audit_record`.
    progress : callable, optional
        Called with (stage, frames done, frames in all).

    Raises
    ------
    ReadError
        If a frame cannot be read any more.
    """
    height, width = result.registration.shape
    view = BracketView(
        stack=result.stack,
        inspection=result.inspection,
        box=(0, 0, height, width),
        main=None,
        depth=locate_sharpest(result.stack, result.registration, result.axis, progress=progress),
        equalize=True,
        captions=Captions(
            main="Sharpest parts",
            note="The sharpest parts of the frames, put side by side: a quick look at what the "
            "bracket holds, not a merge.",
            frame_layer="The frame that is sharpest at each place",
        ),
        deep=depth_of_reference(
            result.registration, result.axis, measure_reduction(result.registration.shape)
        ),
    )
    count = len(result.stack)
    return bracket_page(
        view,
        title=f"Audit of {count} frames, {result.stack.sources[0].name} to "
        f"{result.stack.sources[-1].name}",
        run=RunFacts(rows=_rows(record), again="depthweld plan --from audit.json"),
        data=record,
        progress=progress,
    )


def _rows(record: Mapping[str, Any]) -> list[tuple[str, str]]:
    frames, settings = record["frames"], record["settings"]
    aligned = sum(frame["aligned"] for frame in frames)
    pitch, magnification = record["pixel_pitch_um"], record["magnification"]
    taken = [
        f"f/{settings['f_number']:g}" if settings["f_number"] else "",
        f"{settings['focal_length_mm']:g} mm" if settings["focal_length_mm"] else "",
        f"ISO {settings['iso']:g}" if settings["iso"] else "",
        shutter(settings["exposure_time_s"]) if settings["exposure_time_s"] else "",
    ]
    return [
        ("Frames", f"{len(frames)}, {frames[0]['name']} to {frames[-1]['name']}; {aligned} aligned"
         + ("; stopped before the last" if record["interrupted"] else "")),
        ("Taken at", ", ".join(filter(None, taken)) or "not told by the files"),
        ("Blur allowed", f"{record['tolerance_px']:.3g} px"),
        ("Pixel pitch", "not known" if pitch is None else f"{pitch:.3g} µm"),
        ("Magnification", "not given" if magnification is None else f"{magnification:g}"),
        ("Time", f"{record['seconds']:.1f} s, this page not counted"),
        memory_row(record["peak_memory_bytes"]),
        *version_rows(program_record()),
    ]  # fmt: skip
