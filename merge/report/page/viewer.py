"""The picture viewer of a page: its pictures, maps and frames as one block of JSON and HTML."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib
import numpy as np
from numpy.typing import NDArray

from merge.model import Finding, Stack
from merge.report.page.finding_crops import Places
from merge.report.page.pictures import (
    FRAME_TILE,
    MAIN_TILE,
    UNKNOWN,
    EncodedDepth,
    FrameBook,
    MainPicture,
    as_text,
    data_uri,
    encode_png,
)
from merge.report.page.shell import embed_json, render

# Even steps for the eye, and told apart by colour-blind readers: made for that and checked in
# J. R. Nunez et al., PLoS ONE 13(7), e0199239 (2018) (cividis); viridis and inferno likewise.
_PALETTES = ("viridis", "cividis", "inferno")
# What a page with a viewer needs beside page.js.
VIEWER_SCRIPTS = ("pictures.js", "viewer.js", "loupe.js", "input.js")
# The map of blur ends at this many times the tolerance.
BLUR_SPAN = 3.0


@dataclass(frozen=True)
class Captions:
    """How a page calls its main picture.

    Attributes
    ----------
    main : str
        Short: "Result".
    note : str
        A sentence about what the picture is; may be empty.
    frame_layer : str
        What the map of frames shows.
    """

    main: str
    note: str
    frame_layer: str


@dataclass(frozen=True, eq=False)
class ViewerData:
    """Everything that the viewer and the strip show.

    Attributes
    ----------
    stack : Stack
    places : Places
    depth : EncodedDepth
        Of the page's picture.
    main : MainPicture
    book : FrameBook
    tiles : mapping of int to mapping
        Full-size tiles of the frames.
    unaligned : mapping of int to bytes
        Thumbnails of frames that could not be aligned.
    findings : sequence of Finding
    captions : Captions
    """

    stack: Stack
    places: Places
    depth: EncodedDepth
    main: MainPicture
    book: FrameBook
    tiles: Mapping[int, Mapping[tuple[int, int], bytes]]
    unaligned: Mapping[int, bytes]
    findings: Sequence[Finding]
    captions: Captions


def viewer_html(viewed: ViewerData) -> str:
    """Return the viewer with its pictures, for a page's first section."""
    height, width = viewed.book.shape
    return render(
        "viewer.html.j2",
        overview=data_uri(viewed.main.overview),
        width=width,
        height=height,
        captions=viewed.captions,
        frames=frame_rows(viewed),
        has_blur=viewed.places.axis is not None,
        tolerance=f"{viewed.places.tolerance_px:.2g}",
        reduction=viewed.book.reduction,
        quality=viewed.main.quality,
        pictures=embed_json(_pictures(viewed)),
    )


def strip_html(viewed: ViewerData) -> str:
    """Return the strip of frames."""
    return render("strip.html.j2", frames=frame_rows(viewed))


def frame_rows(viewed: ViewerData) -> list[dict[str, Any]]:
    """Return what the strip tells of every frame of the stack."""
    rows = []
    for index, source in enumerate(viewed.stack.sources):
        thumbnail = viewed.book.thumbnails.get(index) or viewed.unaligned.get(index)
        marks = [
            f.kind
            for f in viewed.findings
            if f.facts.about_frames and index in f.frames and len(f.frames) <= 2
        ]
        rows.append(
            {
                "index": index,
                "number": index + 1,
                "name": source.name,
                "thumbnail": data_uri(thumbnail) if thumbnail else "",
                "aligned": index in viewed.book.reduced,
                "share": viewed.book.shares.get(index),
                "marks": list(dict.fromkeys(marks)),
            }
        )
    return rows


def _pictures(viewed: ViewerData) -> dict[str, Any]:
    """Return the block of JSON that the scripts draw from."""
    book, places = viewed.book, viewed.places
    height, width = book.shape
    aligned = list(places.aligned)
    return {
        "width": width,
        "height": height,
        "origin": list(places.box[:2]),
        "name": viewed.captions.main,
        "frameLayer": viewed.captions.frame_layer,
        "tileSide": MAIN_TILE,
        "tiles": as_text(viewed.main.tiles),
        "frameTileSide": FRAME_TILE,
        "reduction": book.reduction,
        "frames": [
            {
                "index": i,
                "name": viewed.stack.sources[i].name,
                "picture": _base64(book.reduced[i]),
                "tiles": as_text(viewed.tiles.get(i, {})),
                "position": None
                if places.axis is None
                else float(places.axis.positions_px[aligned.index(i)]),
            }
            for i in aligned
        ],
        "depth": encoded_depth(viewed.depth),
        "blur": blur_map(places),
        "palettes": palettes(),
    }


def encoded_depth(depth: EncodedDepth) -> dict[str, Any]:
    """Return a depth map as the scripts read it."""
    return {"png": _base64(depth.png), "step": depth.step}


def palettes() -> dict[str, str]:
    """Return the colours of the maps, 256 each, as the scripts read them."""
    return {name: _palette(name) for name in _PALETTES}


def blur_map(places: Places) -> dict[str, Any] | None:
    """Return the blur left in the sharpest frame as the scripts read it; None without an axis."""
    blur = places.blur_px()
    if blur is None or places.axis is None:
        return None
    unit = places.tolerance_px * BLUR_SPAN / (UNKNOWN - 1)
    stored = np.clip(np.nan_to_num(blur) / unit, 0, UNKNOWN - 1)
    stored[np.isnan(blur)] = UNKNOWN
    return {
        "png": _base64(encode_png(np.rint(stored).astype(np.uint8))),
        "side": places.axis.tile_size_px,
        "unit": unit,
        "unknown": UNKNOWN,
        "tolerance": places.tolerance_px,
    }


def _palette(name: str) -> str:
    colours: NDArray[np.float64] = matplotlib.colormaps[name](np.arange(256))[:, :3]
    return _base64(np.rint(colours * 255).astype(np.uint8).tobytes())


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode()
