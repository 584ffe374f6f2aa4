"""Paths as people paste them: quoted, with backslashes before spaces, as file:// addresses."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit
from urllib.request import url2pathname

import click

_QUOTES = (("'", "'"), ('"', '"'), ("\u2018", "\u2019"), ("\u201c", "\u201d"))


def clean_path(text: str) -> str:
    r"""Return the path that a pasted text means; one that exists as it stands stays.

    Examples
    --------
    >>> clean_path("'/photos/pond 3'"), clean_path("file:///photos/pond%203/a.jpg")
    ('/photos/pond 3', '/photos/pond 3/a.jpg')
    """
    if not text or os.path.lexists(text):
        return text
    pasted = text.strip()
    for opening, closing in _QUOTES:
        if len(pasted) > 1 and pasted.startswith(opening) and pasted.endswith(closing):
            pasted = pasted[1:-1]
    if pasted.lower().startswith("file:"):
        return _from_address(pasted)
    pasted = os.path.expanduser(pasted)
    if os.sep == "/" and "\\" in pasted and not os.path.lexists(pasted):
        unescaped = re.sub(r"\\(.)", r"\1", pasted)
        if os.path.lexists(unescaped) or os.path.isdir(os.path.dirname(unescaped) or "."):
            return unescaped
    return pasted


def _from_address(address: str) -> str:
    parts = urlsplit(address)
    if parts.netloc not in ("", "localhost"):
        raise click.UsageError(f"{address}: on another computer; copy the files here first")
    # What follows "?" or "#" in an address belongs to the name of a file.
    rest = address[len("file:") :]
    path = rest[2 + len(parts.netloc) :] if rest.startswith("//") else rest
    return url2pathname(path) if os.sep == "\\" else unquote(path)


class PastedPath(click.ParamType):
    """A path, mended as `clean_path` does.

    Parameters
    ----------
    what : str
        What is written there, for messages.
    endings : sequence of str
        Those that the file's name may have; any, if there are none.
    """

    name = "path"

    def __init__(self, what: str = "", endings: Sequence[str] = ()) -> None:
        self.what, self.endings = what, endings

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Return the path; an empty one is refused."""
        if isinstance(value, Path):
            return value
        path = clean_path(str(value))
        if not path.strip():
            self.fail("an empty name; give a file or folder", param, ctx)
        if self.endings and Path(path).suffix.lower() not in self.endings:
            ways = " or ".join(self.endings)
            self.fail(f"{path}: {self.what} is written as {ways}; choose that ending", param, ctx)
        return Path(path)


PAGE = PastedPath("a page", (".html", ".htm"))


def place_in(output: str, default: Path) -> Path:
    """Return the file to write; a folder takes the default name, and is made when missing.

    Parameters
    ----------
    output : str
        A file, or a folder: one that exists, or a name with a slash at its end.
    default : Path
        Its name is taken.
    """
    path = clean_path(output)
    folder = Path(path)
    if path.endswith(("/", os.sep)) and not folder.exists():
        folder.mkdir(parents=True)
    return folder / default.name if folder.is_dir() else folder


def pasted_paths(texts: Iterable[str]) -> list[str]:
    """Return several paths, each mended; a name that was torn at its spaces is told.

    Raises
    ------
    click.UsageError
        If a path does not exist, but does when joined with those after it, or is empty.
    """
    if not all(text.strip() for text in texts):
        raise click.UsageError("an empty name; give a file or folder")
    given = [line for text in texts for line in _lines(text)]
    paths = [clean_path(text) for text in given]
    for i, path in enumerate(paths):
        if not os.path.lexists(path) and not re.search(r"[*?\[]", path):
            _refuse_torn(given, i)
    return paths


def _lines(text: str) -> list[str]:
    """Return the addresses of several files that were copied together, one a line."""
    lines = [line for line in text.splitlines() if line.strip()]
    several = len(lines) > 1 and all(line.strip().startswith("file:") for line in lines)
    return lines if several else [text]


def _refuse_torn(given: Sequence[str], first: int) -> None:
    for stop in range(first + 2, min(first + 12, len(given)) + 1):
        joined = " ".join(given[first:stop])
        if os.path.lexists(clean_path(joined)):
            raise click.UsageError(
                f"{given[first]}: no such file, but '{joined}' is one: put quotes around a name "
                "with spaces"
            )
