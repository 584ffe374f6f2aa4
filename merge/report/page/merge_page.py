"""A merge as a page."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from merge.model import Progress
from merge.pipeline.merging import MergeResult
from merge.pipeline.page_pictures import screen_pixels
from merge.report.merge import times_text
from merge.report.page.bracket_page import BracketView, RunFacts, bracket_page, version_rows
from merge.report.page.shell import memory_row
from merge.report.page.viewer import Captions

_CHOSEN = "The frame that each part comes from"
_SHARPEST = "The frame that is sharpest at each place; method detail mixes frames size by size"


def merge_page(
    result: MergeResult, record: Mapping[str, Any], *, progress: Progress | None = None
) -> str:
    """Return the page of a merge.

    Parameters
    ----------
    result : MergeResult
        Merged with ``keep_depth``.
    record : mapping
        What ``--json`` prints, see `merge.pipeline.record.build_record`.
    progress : callable, optional
        Called with (stage, frames done, frames in all).

    Raises
    ------
    ReadError
        If a frame cannot be read any more.
    """
    sources = result.stack.sources
    reference = sources[result.registration.reference]
    chosen = _SHARPEST if result.options.method == "detail" else _CHOSEN
    view = BracketView(
        stack=result.stack,
        inspection=result.inspection,
        box=(*result.origin, *result.pixels.shape[:2]),
        main=screen_pixels(result.pixels, reference),
        depth=result.small_depth(),
        equalize=result.options.equalize_exposure,
        captions=Captions(main="Result", note="", frame_layer=chosen),
        deep=result.places,
    )
    written = record["written"]["picture"]["name"]
    return bracket_page(
        view,
        title=f"{written}: {len(sources)} frames merged",
        run=RunFacts(rows=_rows(record), again="depthweld plan --from record.json"),
        data=record,
        progress=progress,
    )


def _rows(record: Mapping[str, Any]) -> list[tuple[str, str]]:
    options, measured, box = record["options"], record["measured"], record["box_in_reference"]
    frames = record["frames"]
    reference = record["reference"]
    used = sum(frame["aligned"] for frame in frames)
    written = record["written"]["picture"]
    motion = options["motion"]
    return [
        ("Frames", f"{len(frames)}, {frames[0]['name']} to {frames[-1]['name']}, in order of "
         f"{record['ordered_by']}; {used} used"),
        ("Passed over", "; ".join(record["passed_over"]) or "nothing"),
        ("Aligned to", f"{frames[reference]['name']} (frame {reference + 1}), "
         + ("not moved" if motion == "none" else f"by {motion}")),
        ("Measured", f"shift up to {measured['shift_px']:.1f} px, magnification "
         f"{100 * (measured['magnification_range'] - 1):.2f} %, rotation up to "
         f"{measured['rotation_deg']:.2f}°, exposure {measured['exposure_range_ev']:.2f} EV"),
        ("Exposure", "evened out" if options["equalize_exposure"] else "kept as it was"),
        ("Method", options["method"]),
        ("Extent", f"{box['width']} x {box['height']} px, "
         + ("the area that all frames cover" if options["extent"] == "common"
            else "the reference frame's area")),
        ("Written", f"{written['name']}, {written['bytes'] / 1e6:.1f} MB"),
        ("Time", times_text(record["seconds"])),
        memory_row(record["peak_memory_bytes"]),
        *version_rows(record["program"]),
        ("Finished", record["finished_at"].replace("T", " ")),
    ]  # fmt: skip
