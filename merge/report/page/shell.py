r"""The frame that every page shares: head, styles, script, sections, the run as JSON.

How the parts of a page fit together
------------------------------------
A page is ``render_page(title=…, summary=…, sections=[Section(id, heading, html), …], data=…)``.

- ``Section.html`` is trusted: build it with `render` (Jinja2 with autoescape), `markupsafe`, or
  escape by hand whatever comes from files. ``title``, ``summary`` and headings are escaped here.
- ``data`` is the dict that the command prints with ``--json``. It stands in
  ``<script type="application/json" id="run-data">`` with ``<``, ``>`` and ``&`` written as \u
  escapes, so that no text in it can end the element.
- Nothing is loaded: styles and script are inline, pictures are data URIs, and a content security
  policy forbids everything else. No inline event handlers: the one script is all.

Charts are inline SVG strings (``merge/report/page/charts``). They take their colours from CSS
variables alone, which are set for light and dark paper: ``--ink`` (text, lines), ``--muted``
(secondary text), ``--rule`` (hairlines, grids), ``--paper`` (background), ``--accent`` (the thing
meant), ``--warn``, ``--bad``, ``--good``. Text inherits the page's font. A chart is
as wide as its box, with ``class="chart"``, ``role="group"`` and an ``aria-label`` that says what it
shows. Whatever tells more on a closer look has ``class="mark"``, ``tabindex="0"``, ``role="img"``
or "button", an ``aria-label`` with the numbers in words, and one of

- ``data-frame="3"``: index of a frame, from 0, counting all frames of the stack;
- ``data-box="row,column,height,width"``: a place, in pixels of the reference frame;
- both, or several frames: ``data-frame="3 4"`` (a gap between two frames).

On pages with a picture viewer the scripts do the rest: hovering or focusing such an element,
wherever it is on the page, outlines the box or the parts where the frame is sharpest in the viewer
and marks the frames in the strip; a click or Enter brings the place into view and chooses the frame
in the loupe.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from merge.atomic import encode_text, replace_atomically
from merge.records import plain_values

_UNSAFE = "<>&\u2028\u2029"


@dataclass(frozen=True)
class Section:
    """One part of a page.

    Attributes
    ----------
    id : str
        Name of the place within the page: letters, digits, hyphens.
    heading : str
        Plain text.
    html : str
        Trusted: everything from outside is escaped already.
    """

    id: str
    heading: str
    html: str


def render_page(
    *,
    title: str,
    summary: str,
    sections: Sequence[Section],
    data: Mapping[str, Any],
    styles: Sequence[str] = (),
    scripts: Sequence[str] = (),
) -> str:
    """Return a whole page as one string.

    Parameters
    ----------
    title : str
        Plain text: what was looked at.
    summary : str
        Plain text, the answer in one or two sentences.
    sections : sequence of Section
        In reading order.
    data : mapping
        What ``--json`` prints; JSON values.
    styles : sequence of str
        Names of style sheets of this package beside page.css.
    scripts : sequence of str
        Names of scripts of this package beside page.js, in the order in which they start.
    """
    style, script = joined_styles(styles), joined_scripts(scripts)
    return render(
        "page.html.j2",
        title=title,
        summary=summary,
        sections=[{"id": s.id, "heading": s.heading, "html": Markup(s.html)} for s in sections],
        data=embed_json(data),
        style=Markup(style),
        script=Markup(script),
        script_hash=base64.b64encode(hashlib.sha256(script.encode()).digest()).decode(),
    )


def joined_styles(names: Sequence[str] = ()) -> str:
    """Return page.css and other style sheets of this package as one text."""
    return "".join(_static(name) for name in ("page.css", *names))


def joined_scripts(names: Sequence[str] = (), more: Sequence[str] = ()) -> str:
    """Return page.js, other scripts of this package and more texts as one script."""
    parts = [_static(name) for name in ("page.js", *names)]
    return "\n".join(('"use strict";\n(() => {', *parts, *more, "})();\n"))


def write_page(path: Path, page: str, *, overwrite: bool, inputs: Iterable[Path] = ()) -> None:
    """Write a page whole or not at all.

    Parameters
    ----------
    path : Path
    page : str
        From `render_page`.
    overwrite : bool
        Replace an existing file.
    inputs : iterable of Path
        Files that must never be replaced.

    Raises
    ------
    WriteError
        If the file exists (without ``overwrite``), is an input, or cannot be written.
    """
    with replace_atomically(path, overwrite=overwrite, inputs=inputs) as file:
        file.write(encode_text(page))


def render(name: str, **values: Any) -> str:
    """Return a filled template of this package; it escapes values unless they are Markup."""
    return _environment().get_template(name).render(values)


def run_section(heading: str, rows: Sequence[tuple[str, str]]) -> Section:
    """Return the last section of a page: what was done, row by row, and its value in words."""
    return Section("run", heading, render("run.html.j2", rows=rows))


def memory_row(peak_bytes: int | None) -> tuple[str, str]:
    """Return the row of a run's memory."""
    if peak_bytes is None:
        return "Memory at most", "not known on this system"
    return "Memory at most", f"{peak_bytes / 2**20:.0f} MiB, this page not counted"


def embed_json(data: Any) -> Markup:
    r"""Return JSON that is safe inside a script element; a number that is not known is null.

    Examples
    --------
    >>> print(embed_json({"name": "</script>", "gain": float("nan")}))
    {"name":"\u003c/script\u003e","gain":null}
    """
    text = json.dumps(
        plain_values(data), ensure_ascii=False, allow_nan=False, separators=(",", ":")
    )
    for character in _UNSAFE:
        text = text.replace(character, f"\\u{ord(character):04x}")
    return Markup(text)


@lru_cache(maxsize=1)
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("merge.report.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@lru_cache(maxsize=16)
def _static(name: str) -> str:
    return files("merge.report.page").joinpath(name).read_text(encoding="utf-8")
