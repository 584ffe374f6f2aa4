"""The review's pages: the groups of a folder, and one merge with the viewer of the report pages."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from merge.model import Box
from merge.report.page.finding_crops import Places
from merge.report.page.pictures import nearest_frame
from merge.report.page.shell import embed_json, render
from merge.report.page.viewer import VIEWER_SCRIPTS, Captions, blur_map, encoded_depth, palettes
from merge.review.look import TILE, Look
from merge.review.session import Group, Session

VIEW_SCRIPTS = VIEWER_SCRIPTS
# Blur allowed where the page colours weak parts.
_TOLERANCE_PX = 2.0
_CAPTIONS = Captions(main="Result", note="", frame_layer="The frame that each part comes from")
_PAGES = Environment(
    loader=PackageLoader("merge.review"), autoescape=True, undefined=StrictUndefined
)


def tile_box(shape: Sequence[int], row: int, column: int) -> Box:
    """Return (row, column, height, width) of a tile in px, cut to the picture.

    Raises
    ------
    KeyError
        If it lies outside.
    """
    top, left = row * TILE, column * TILE
    if top >= shape[0] or left >= shape[1]:
        raise KeyError((row, column))
    return top, left, min(TILE, shape[0] - top), min(TILE, shape[1] - left)


def groups_html(session: Session) -> str:
    """Return the page that lists what was found."""
    return _PAGES.get_template("groups.html.j2").render(place=session.place, into=session.into)


def look_html(number: int, group: Group, look: Look) -> str:
    """Return the page on which a merge is looked at and repaired."""
    height, width = look.shape[:2]
    address = f"/look/{number}"
    rows = _frame_rows(address, look)
    viewer = render(
        "viewer.html.j2",
        overview=f"{address}/overview",
        width=width,
        height=height,
        captions=_CAPTIONS,
        frames=rows,
        has_blur=look.result.axis is not None,
        tolerance=f"{_TOLERANCE_PX:.2g}",
        reduction=1,
        quality=None,
        pictures=embed_json(_book(address, look)),
    )
    return _PAGES.get_template("look.html.j2").render(
        number=number,
        name=group.named.name,
        written=look.target,
        viewer=viewer,
        strip=render("strip.html.j2", frames=rows),
        count=len(rows),
        findings=group.findings or (),
    )


def _frame_rows(address: str, look: Look) -> list[dict[str, Any]]:
    aligned = look.frames.aligned
    return [
        {
            "index": index,
            "number": index + 1,
            "name": source.name,
            "thumbnail": f"{address}/frame/{index}?thumbnail" if index in aligned else "",
            "aligned": index in aligned,
            "share": None,
            "marks": [],
        }
        for index, source in enumerate(look.result.stack.sources)
    ]


def _book(address: str, look: Look) -> dict[str, Any]:
    """Return the block of JSON that the viewer's scripts draw from, with addresses for pictures."""
    height, width = look.shape[:2]
    aligned, axis = look.frames.aligned, look.result.axis
    places = Places(
        (*look.result.origin, height, width),
        axis,
        aligned,
        _TOLERANCE_PX,
        nearest_frame(look.depth.position, aligned),
        look.depth.confidence,
    )
    return {
        "served": True,
        "width": width,
        "height": height,
        "origin": list(look.result.origin),
        "name": _CAPTIONS.main,
        "frameLayer": _CAPTIONS.frame_layer,
        "tileSide": TILE,
        "tiles": f"{address}/tile/",
        "versions": look.versions,
        "frameTileSide": TILE,
        "reduction": look.frame_step,
        "frames": [
            {
                "index": index,
                "name": look.result.stack.sources[index].name,
                "picture": f"{address}/frame/{index}",
                "tiles": f"{address}/frame/{index}/",
                "position": None if axis is None else float(axis.positions_px[slot]),
            }
            for slot, index in enumerate(aligned)
        ],
        "depth": encoded_depth(look.depth_map),
        "blur": blur_map(places),
        "palettes": palettes(),
    }
