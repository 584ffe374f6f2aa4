"""Standard output and error of a command, whatever they are connected to."""

from __future__ import annotations

import json
import logging
import os
import re
import sys
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import IO, Any, NoReturn

import click

from merge.printable import printable, printable_json

EXIT_UNWRITTEN = 1
# By the shells' custom of 128 plus the signal's number: whoever read the output has gone.
EXIT_PIPE = 141
# Remarks about what has no bearing on the pixels that are read.
_HARMLESS = re.compile(r"Interlace handling|iCCP|sRGB|gAMA|cHRM|bKGD|tIME|tEXt|hIST|sBIT")
_QUOTED = 100


class OutputLostError(Exception):
    """What was to be printed on stdout could not be."""


def print_text(text: str) -> None:
    """Print a result for people on stdout."""
    _print(printable(text))


def print_json(data: Any) -> None:
    """Print a result for machines on stdout; in ASCII where that does not take UTF-8."""
    name = (getattr(sys.stdout, "encoding", None) or "").lower().replace("-", "")
    text = json.dumps(data, indent=1, ensure_ascii=name != "utf8")
    _print(printable_json(text))


def _print(text: str) -> None:
    try:
        click.echo(text)
    except BrokenPipeError:
        _give_up(EXIT_PIPE)
    except OSError as exc:
        raise OutputLostError(str(exc.strerror or exc)) from exc


def print_line(message: str) -> None:
    """Print a message as one line on stderr, whatever stands in it."""
    with suppress(OSError):  # where stderr is full or gone, the exit code tells
        click.echo(printable(" ".join(message.split())), err=True)


@contextmanager
def standard_streams() -> Iterator[None]:
    """Make the streams safe to use, and keep what libraries print to themselves.

    A stream that is closed is opened onto nothing: else the next file would get its number, and
    what libraries print would go into that file. Characters that a stream cannot show become
    escapes. An output that cannot be written ends the command with a line and a code.
    """
    _open_closed()
    for stream in (sys.stdout, sys.stderr):
        with suppress(AttributeError, ValueError, OSError):
            stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]
    try:
        with _remarks_kept(), _warnings_as_notes():
            yield
    except BrokenPipeError:
        _give_up(EXIT_PIPE)
    except (OutputLostError, OSError) as exc:  # click prints help by itself
        reason = getattr(exc, "strerror", None) or exc
        print_line(f"depthweld: what was to be printed could not be ({reason}); make room")
        _give_up(EXIT_UNWRITTEN)


def _open_closed() -> None:
    for number, mode in ((0, "r"), (1, "w"), (2, "w")):
        try:
            os.fstat(number)
        except OSError:
            opened = os.open(os.devnull, os.O_RDWR)
            if opened != number:
                os.dup2(opened, number)
                os.close(opened)
        name = ("stdin", "stdout", "stderr")[number]
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(number, mode, closefd=False))


def _give_up(code: int) -> NoReturn:
    """End without the interpreter trying to write the rest once more."""
    with suppress(OSError, ValueError):
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, 1)
        os.close(nothing)
    sys.exit(code)


@contextmanager
def _warnings_as_notes() -> Iterator[None]:
    """Make notes, shown with -v, of what libraries warn a programmer of."""

    def show(message: Warning | str, category: type[Warning], *_: Any) -> None:
        logging.getLogger("merge").info("a library warned: %s", message)

    before = warnings.showwarning
    warnings.showwarning = show  # type: ignore[assignment]
    try:
        yield
    finally:
        warnings.showwarning = before


@contextmanager
def _remarks_kept() -> Iterator[None]:
    """Lead what compiled libraries print on stderr into a file, and say once what they had."""
    before = sys.stderr
    try:
        if before.fileno() != 2:
            raise OSError("not the system's")  # a test, or a program that uses this one
        remarks: IO[bytes] = tempfile.TemporaryFile()
    except (OSError, ValueError, AttributeError):
        yield
        return
    kept = os.dup(2)
    with remarks, os.fdopen(kept, "w", buffering=1, encoding=before.encoding,
                            errors="backslashreplace") as ours:  # fmt: skip
        os.dup2(remarks.fileno(), 2)
        sys.stderr = ours
        try:
            yield
        finally:
            with suppress(OSError):
                ours.flush()
            os.dup2(kept, 2)
            sys.stderr = before
            _tell(remarks)


def _tell(remarks: IO[bytes]) -> None:
    remarks.seek(0)
    lines = remarks.read(1 << 20).decode("utf-8", "replace").splitlines()
    told = list(dict.fromkeys(s for s in map(str.strip, lines) if s and not _HARMLESS.search(s)))
    if told:
        first = told[0] if len(told[0]) <= _QUOTED else told[0][: _QUOTED - 1] + "…"
        more = f" and {len(told) - 1} more" if told[1:] else ""
        print_line(
            f"depthweld: note: a library that decodes pictures remarked: {first}{more}; "
            "look at what came of these frames"
        )
