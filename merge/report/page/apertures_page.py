"""An aperture series as a page: which f-number, the proof at 100 %, where, and why."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from merge.apertures import ApertureReport
from merge.pipeline.apertures import ApertureSeries, CropRow
from merge.pipeline.page_pictures import small_frame
from merge.pipeline.record import peak_memory_bytes, program_version
from merge.report.apertures import PARTS, answer_lines, limit_sentence
from merge.report.numbers import change_text, f_text
from merge.report.page.charts import (
    contrast_chart,
    edge_chart,
    region_chart,
    where_key,
    where_map,
)
from merge.report.page.pictures import data_uri, encode_picture
from merge.report.page.shell import Section, memory_row, render, render_page, run_section

_STYLES = ("answers.css",)
_PICTURE_SIDE, _PICTURE_QUALITY = 1000, 60


def apertures_page(
    series: ApertureSeries, rows: Sequence[CropRow], record: Mapping[str, Any], *, seconds: float
) -> str:
    """Return the page of an aperture series.

    Parameters
    ----------
    series : ApertureSeries
    rows : sequence of CropRow
        What `merge.pipeline.apertures.cut_crops` gives.
    record : mapping
        What ``--json`` prints, see `merge.report.apertures.apertures_record`.
    seconds : float
        What measuring took.

    Raises
    ------
    ReadError
        If the frame in the middle cannot be read any more.
    """
    report = series.report
    first, last = report.frames[0], report.frames[-1]
    sections = [
        Section("answer", "Which f‑number?", _answer(report)),
        Section("look", "Look: the same places at every f‑number", _look(series, rows)),
        Section("where", "Where is each the sharpest?", _where(series)),
        Section("why", "Why: what each stop gives and costs", _why(report)),
        run_section("How it was measured", _run(series, seconds)),
    ]
    return render_page(
        title=f"Apertures {f_text(first.f_number)} to {f_text(last.f_number)}, "
        f"{len(report.frames)} frames",
        summary=" ".join(line.strip() for line in answer_lines(report)),
        sections=sections,
        data=record,
        styles=_STYLES,
    )


def _run(series: ApertureSeries, seconds: float) -> list[tuple[str, str]]:
    report, first = series.report, series.sources[0]
    pitch = first.settings.pixel_pitch_um
    told = "not known" if math.isnan(report.frames[0].diffraction) else "as given"
    camera = ", ".join(filter(None, (first.settings.camera, first.settings.lens)))
    return [
        ("Frames", f"{len(series.sources)}, {report.frames[0].name} to {report.frames[-1].name}"),
        ("Camera", camera or "not told by the files"),
        ("Size", f"{first.shape[1]} x {first.shape[0]} px"),
        ("Pixel pitch", told if pitch is None else f"{pitch:.3g} µm"),
        ("Compared at", f"{report.frequency:.3f} cycles a pixel"),
        ("Blur allowed", f"{report.tolerance_px:.3g} px"),
        ("Time", f"{seconds:.1f} s, this page not counted"),
        memory_row(peak_memory_bytes()),
        ("Version", f"depthweld {program_version()}"),
    ]  # fmt: skip


def _answer(report: ApertureReport) -> str:
    faults = [f"{f.name} ({f_text(f.f_number)}): {f.fault}" for f in report.frames if f.fault]
    return render(
        "apertures_answer.html.j2",
        answer=limit_sentence(report),
        places=[
            {
                "name": region.name,
                "f_number": f_text(report.frames[region.best].f_number),
                "frame": report.frames[region.best].name,
                "blur": None if math.isnan(region.blur_px) else f"{region.blur_px:.2g}",
            }
            for region in report.regions
        ],
        at=f_text(report.in_focus_f_number),
        enough=report.enough,
        meaning=PARTS,
        faults=faults,
    )


def _look(series: ApertureSeries, rows: Sequence[CropRow]) -> str:
    shown = [_crop_row(series, row) for row in rows]
    return render("apertures_look.html.j2", rows=shown)


def _crop_row(series: ApertureSeries, row: CropRow) -> dict[str, Any]:
    report = series.report
    region = next((r for r in report.regions if r.name == row.place), None)
    crops = []
    for i, (frame, crop) in enumerate(zip(report.frames, row.crops, strict=True)):
        contrast = None if region is None else f"{100 * region.contrast[i]:.0f} %"
        crops.append(
            {
                "uri": data_uri(_exact(crop)),
                "f_number": f_text(frame.f_number),
                "name": frame.name,
                "contrast": contrast,
                "best": region is not None and region.best == i,
                "fault": frame.fault,
                "width": crop.shape[1],
                "height": crop.shape[0],
            }
        )
    return {"place": row.place, "row": row.box[0], "column": row.box[1], "crops": crops}


def _exact(crop: NDArray[np.uint8]) -> bytes:
    """Return a crop (h, w, 3) as WebP without loss: sharpness is what is to be judged."""
    file = io.BytesIO()
    Image.fromarray(crop).save(file, "WEBP", lossless=True, quality=60, method=3)
    return file.getvalue()


def _where(series: ApertureSeries) -> str:
    middle = series.sources[series.reference]
    picture = small_frame(middle, _PICTURE_SIDE, series.white_balance)
    return render(
        "apertures_where.html.j2",
        picture=where_map(
            series.report, data_uri(encode_picture(picture, _PICTURE_QUALITY)), middle.shape[:2]
        ),
        key=[
            {"f_number": name, "colour": colour, "share": f"{100 * share:.0f} %"}
            for name, colour, share in where_key(series.report)
        ],
    )


def _why(report: ApertureReport) -> str:
    return render(
        "apertures_why.html.j2",
        width=f"{1 / report.frequency:.0f}",
        contrast=contrast_chart(report),
        regions=[region_chart(report, r) for r in report.regions if r.name != "whole picture"],
        costs=[
            {
                "span": f"{f_text(c.from_f_number)} → {f_text(c.to_f_number)}",
                "change": _change(c.change),
                "diffraction": _change(c.diffraction),
                "rest": _change(c.rest),
            }
            for c in report.costs
        ],
        pitch_known=not math.isnan(report.frames[0].diffraction),
        frames=[
            {
                "name": f.name,
                "f_number": f_text(f.f_number),
                "contrast": f"{100 * f.contrast:.1f} %",
                "error": f"± {200 * f.error:.1f}",
                "diffraction": _share(f.diffraction),
                "note": f.fault or ("sharpest" if i == report.best else ""),
            }
            for i, f in enumerate(report.frames)
        ],
        edge=edge_chart(report),
    )


def _change(value: float) -> str:
    return "not known" if math.isnan(value) else change_text(value, 1)


def _share(value: float) -> str:
    return "not known" if math.isnan(value) else f"{100 * value:.1f} %"
