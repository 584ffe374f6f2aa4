"""The review's addresses: pages, pictures, and what can be asked for, as JSON.

Whatever a page asks for is named by numbers of this session; no path ever comes from a page.
"""

from __future__ import annotations

import base64
import functools
from collections.abc import Callable
from importlib.resources import files
from typing import Any

import anyio.to_thread
import imagecodecs
import numpy as np
from numpy.typing import NDArray
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from merge.edits import parse_edit
from merge.errors import MergeError
from merge.pipeline.page_pictures import small_frame
from merge.report.page.pictures import shrink
from merge.report.page.shell import joined_scripts, joined_styles
from merge.review.candidates import Candidate
from merge.review.look import Look
from merge.review.session import Session
from merge.review.viewing import VIEW_SCRIPTS, groups_html, look_html, tile_box

_THUMBNAIL_SIDE = 220
_QUALITY, _THUMBNAIL_QUALITY = 92, 80
_MOST_BYTES = 2_000_000
Answer = Callable[[Request, Session], Response]


def make_app(session: Session) -> Starlette:
    """Return the application; `merge.review.guard.Guard` has to stand before it."""
    pictures: dict[tuple[str, int, int], bytes] = {}

    def route(path: str, answer: Answer, method: str = "GET") -> Route:
        @functools.wraps(answer)
        async def answering(request: Request) -> Response:
            session.touch()
            if method == "POST":
                request.state.data = await _json_of(request)
            try:
                return await anyio.to_thread.run_sync(answer, request, session)
            except MergeError as exc:
                return JSONResponse({"error": str(exc)}, 409)
            except (KeyError, IndexError) as exc:
                raise HTTPException(404, "There is nothing of that number.") from exc
            except (TypeError, ValueError, OverflowError) as exc:
                return JSONResponse({"error": f"That cannot be done: {exc}"}, 400)

        return Route(path, answering, methods=[method])

    def thumbnail(request: Request, session: Session) -> Response:
        number, index = request.path_params["group"], request.path_params["frame"]
        key = ("thumbnail", number, index)
        if key not in pictures:
            source = session.group(number).sources[index]
            pictures[key] = _encoded(small_frame(source, _THUMBNAIL_SIDE), _THUMBNAIL_QUALITY)
        return _jpeg(pictures[key])

    return Starlette(
        routes=[
            route("/", lambda request, session: HTMLResponse(groups_html(session))),
            route("/review.js", _script_of("review.js")),
            route("/early.js", _script_of("early.js")),
            route("/look.js", _look_script),
            route("/review.css", _style),
            route("/state", lambda request, session: JSONResponse(session.plain())),
            route("/thumbnail/{group:int}/{frame:int}", thumbnail),
            route("/audit/{group:int}", _ask("audit"), "POST"),
            route("/merge/{group:int}", _ask("merge"), "POST"),
            route("/open/{group:int}", _ask("open"), "POST"),
            route("/cancel/{group:int}", _cancel, "POST"),
            route("/look/{group:int}", _look_page),
            route("/look/{group:int}/overview", _overview),
            route("/look/{group:int}/tile/{row:int},{column:int}", _tile),
            route("/look/{group:int}/frame/{frame:int}", _frame),
            route("/look/{group:int}/frame/{frame:int}/{row:int},{column:int}", _frame_tile),
            route("/look/{group:int}/edits", lambda *at: JSONResponse(_look_of(*at).plain())),
            route("/look/{group:int}/candidates", _candidates, "POST"),
            route("/look/{group:int}/take", _take, "POST"),
            route("/look/{group:int}/switch", _switch, "POST"),
            route("/look/{group:int}/remove", _remove, "POST"),
            route("/look/{group:int}/undo", _step("undo"), "POST"),
            route("/look/{group:int}/redo", _step("redo"), "POST"),
            route("/look/{group:int}/save", _step("save"), "POST"),
        ]
    )


async def _json_of(request: Request) -> dict[str, Any]:
    """Return the JSON object that a page sent."""
    if int(request.headers.get("content-length", "0")) > _MOST_BYTES:
        raise HTTPException(413, "That is too much at once.")
    try:
        data = await request.json()
    except (ValueError, RecursionError) as exc:
        raise HTTPException(400, "That is no JSON.") from exc
    if not isinstance(data, dict):
        raise HTTPException(400, "A JSON object was expected.")
    return data


def _encoded(pixels: NDArray[np.uint8], quality: int = _QUALITY) -> bytes:
    """Return a picture as JPEG: ten times as fast as WebP, and nothing travels far."""
    return bytes(imagecodecs.jpeg8_encode(pixels, level=quality, subsampling="444"))


def _jpeg(data: bytes) -> Response:
    return Response(data, media_type="image/jpeg")


def _exact(pixels: NDArray[np.uint8]) -> Response:
    """Return a picture without any loss; the fastest way there is, nothing travels far."""
    data = imagecodecs.png_encode(np.ascontiguousarray(pixels), level=1)
    return Response(data, media_type="image/png")


def _static(name: str) -> str:
    return (files("merge.review") / "static" / name).read_text(encoding="utf-8")


def _script_of(name: str) -> Answer:
    return lambda request, session: Response(_static(name), media_type="text/javascript")


def _look_script(request: Request, session: Session) -> Response:
    text = joined_scripts(VIEW_SCRIPTS, [_static("repair.js")])
    return Response(text, media_type="text/javascript")


def _style(request: Request, session: Session) -> Response:
    return Response(joined_styles() + _static("review.css"), media_type="text/css")


# ---- groups ----


def _ask(task: Any) -> Answer:
    def answer(request: Request, session: Session) -> Response:
        session.ask(request.path_params["group"], task)
        return JSONResponse(session.plain())

    return answer


def _cancel(request: Request, session: Session) -> Response:
    session.cancel(request.path_params["group"])
    return JSONResponse(session.plain())


# ---- one merge ----


def _look_of(request: Request, session: Session) -> Look:
    return session.look(request.path_params["group"])


def _look_page(request: Request, session: Session) -> Response:
    number = request.path_params["group"]
    group, look = session.group(number), session.look(number)
    return HTMLResponse(look_html(number, group, look))


def _overview(request: Request, session: Session) -> Response:
    look = _look_of(request, session)
    return _jpeg(_encoded(look.overview(before="before" in request.query_params)))


def _tile(request: Request, session: Session) -> Response:
    look = _look_of(request, session)
    box = tile_box(look.shape, request.path_params["row"], request.path_params["column"])
    return _exact(look.part(box, before="before" in request.query_params))


def _frame(request: Request, session: Session) -> Response:
    """Return a frame in the picture's geometry, reduced; made once."""
    look = _look_of(request, session)
    index = _aligned(look, request.path_params["frame"])
    small = look.small_frame(index)
    if "thumbnail" in request.query_params:
        return _jpeg(_encoded(shrink(small, _THUMBNAIL_SIDE), _THUMBNAIL_QUALITY))
    return _jpeg(_encoded(small))


def _frame_tile(request: Request, session: Session) -> Response:
    look = _look_of(request, session)
    index = _aligned(look, request.path_params["frame"])
    box = tile_box(look.shape, request.path_params["row"], request.path_params["column"])
    return _exact(look.frame_part(index, box))


def _aligned(look: Look, index: int) -> int:
    if index not in look.frames.aligned:
        raise KeyError(index)
    return index


def _candidates(request: Request, session: Session) -> Response:
    look, data = _look_of(request, session), request.state.data
    x, y = float(data["x"]), float(data["y"])
    size = None if data.get("size") is None else float(np.clip(float(data["size"]), 8, 600))
    region = data.get("region")
    if region is not None:
        region = [(float(a), float(b)) for a, b in region]
    found = look.candidates(x, y, size, region)
    return JSONResponse({"candidates": [_candidate_plain(c) for c in found]})


def _candidate_plain(candidate: Candidate) -> dict[str, Any]:
    data = _encoded(candidate.pixels)
    edit = candidate.edit
    return {
        "name": candidate.name,
        "edit": {"kind": edit.kind, "frame": edit.frame, "region": edit.region,
                 "feather_px": edit.feather_px, "on": True},
        "box": candidate.box,
        "picture": f"data:image/jpeg;base64,{base64.b64encode(data).decode()}",
        "detail": candidate.detail,
        "change": candidate.change,
    }  # fmt: skip


def _take(request: Request, session: Session) -> Response:
    look = _look_of(request, session)
    look.add(parse_edit(request.state.data["edit"]))
    return JSONResponse(look.plain())


def _switch(request: Request, session: Session) -> Response:
    look, data = _look_of(request, session), request.state.data
    look.switch(_number_of(look, data), on=bool(data["on"]))
    return JSONResponse(look.plain())


def _remove(request: Request, session: Session) -> Response:
    look = _look_of(request, session)
    look.remove(_number_of(look, request.state.data))
    return JSONResponse(look.plain())


def _number_of(look: Look, data: dict[str, Any]) -> int:
    number = int(data["number"])
    if not 0 <= number < len(look.edits):
        raise KeyError(number)
    return number


def _step(what: str) -> Answer:
    def answer(request: Request, session: Session) -> Response:
        look = _look_of(request, session)
        getattr(look, what)()
        return JSONResponse(look.plain())

    return answer
