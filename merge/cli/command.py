"""What all commands share: one line for what goes wrong, and the exit codes."""

from __future__ import annotations

import logging
import signal
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any, NoReturn, get_args

import click

from merge.allocator import pool_freed_memory
from merge.cli.paths import PAGE, PastedPath
from merge.cli.quantities import F_NUMBER, PIXEL_PITCH, SIZE_RATIO
from merge.cli.streams import print_line
from merge.errors import MergeError
from merge.model import AuditOptions, Severity

EXIT_FAILED, EXIT_USAGE, EXIT_FINDINGS = 1, 2, 3
# By the shells' custom of 128 plus the signal's number.
EXIT_INTERRUPTED = 130
_DEFAULTS = AuditOptions()
# What every command takes, unless it has more to say about them.
_LOUDNESS = {
    "quiet": "No progress.",
    "verbose": "A line for each finished stage, where there is no terminal.",
}


class Command(click.Command):
    """A command whose errors are one line on stderr, without a traceback for `MergeError`.

    Exit codes: 0 done, 1 failed, 2 wrong usage, 3 done with findings at or above --fail-on,
    130 and 143 stopped by a signal.
    """

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        own = {parameter.name for parameter in self.params}
        for name, text in _LOUDNESS.items():
            if name not in own:
                names = [f"-{name[0]}", f"--{name}"]
                option = click.Option(
                    names, is_flag=True, expose_value=False, callback=keep_loudness, help=text
                )
                self.params.append(option)

    def make_context(self, *args: Any, **kwargs: Any) -> click.Context:
        """Read the arguments; wrong ones are one line."""
        try:
            return super().make_context(*args, **kwargs)
        except click.UsageError as exc:
            self._refuse_usage(exc)

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command; what a user can cause is one line."""
        pool_freed_memory()
        try:
            with _exit_on_termination(), _notes(shown=ctx.meta.get("merge.verbose", False)):
                return super().invoke(ctx)
        except click.UsageError as exc:
            self._refuse_usage(exc)
        except MergeError as exc:
            self._stop(str(exc), EXIT_FAILED)
        except OSError as exc:
            found = exc.strerror or exc
            self._stop(f"{exc.filename or 'a file'}: {found}; check disk and rights", EXIT_FAILED)
        except MemoryError:
            advice = "close other programs, give a smaller --memory, or merge smaller frames"
            self._stop(f"memory ran out; {advice}", EXIT_FAILED)
        except KeyboardInterrupt:
            self._stop("interrupted; nothing is left half-written", EXIT_INTERRUPTED)

    def _refuse_usage(self, exc: click.UsageError) -> NoReturn:
        message = exc.format_message().rstrip(".")
        self._stop(f"{message}; see 'depthweld {self.name} --help'", EXIT_USAGE)

    def _stop(self, message: str, code: int) -> NoReturn:
        print_line(f"depthweld {self.name}: {message}")
        sys.exit(code)


def keep_loudness(ctx: click.Context, param: click.Parameter, value: bool) -> bool:
    """Keep --quiet or --verbose where `show_progress` looks for it."""
    ctx.meta[f"merge.{param.name}"] = value
    return value


json_option = click.option("--json", "as_json", is_flag=True, help="Print everything as JSON.")
fail_on_option = click.option(
    "--fail-on",
    type=click.Choice(get_args(Severity)),
    help="Exit code 3 if a finding is at least this bad.",
)
prefer_option = click.option(
    "--prefer",
    type=click.Choice(["raw", "jpeg"]),
    default="raw",
    show_default=True,
    help="Which of a raw file and a JPEG of one picture counts.",
)


def page_option(shows: str) -> Callable[..., Any]:
    """Return the option of a page, with what it shows."""
    return click.option("--report", type=PAGE, metavar="PAGE.html", help=shows)


def each_option(verb: str) -> Callable[..., Any]:
    """Return the option that takes every bracket of a day."""
    return click.option(
        "--each",
        type=PastedPath(),
        metavar="SORTED",
        help=f"{verb} every focus bracket of 'depthweld sort --json', of the folder that 'sort "
        "--into' made, or of a card. Goes on after a failure; run again to resume. --report is "
        "then a page of the day.",
    )


def inspection_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that an `AuditOptions` is made of, read by `audit_options`."""
    for option in (
        click.option(
            "--pupil-ratio",
            type=SIZE_RATIO,
            default=_DEFAULTS.pupil_ratio,
            show_default=True,
            help="Exit over entrance pupil of the lens.",
        ),
        click.option(
            "--magnification", type=SIZE_RATIO, help="Size on the sensor over real size: 0.5, 1:2."
        ),
        click.option(
            "--f-number", type=F_NUMBER, help="F-number set, where the files do not tell."
        ),
        click.option(
            "--pixel-pitch",
            type=PIXEL_PITCH,
            help="Pixel pitch in µm, where the files do not tell.",
        ),
        click.option(
            "--tolerance",
            default=_DEFAULTS.tolerance,
            show_default=True,
            help="Blur allowed: 2px, 0.03mm on the sensor, or d/1500 of its diagonal.",
        ),
        click.option(
            "--anyway",
            is_flag=True,
            help="Take also what is no focus bracket: an aperture series, an exposure bracket, a "
            "burst at one focus, one bracket twice, two scenes.",
        ),
    ):
        command = option(command)
    return command


def audit_options(given: Mapping[str, Any]) -> AuditOptions:
    """Return what the options of `inspection_options` say."""
    return AuditOptions(
        tolerance=given["tolerance"],
        pixel_pitch_um=given["pixel_pitch"],
        magnification=given["magnification"],
        pupil_ratio=given["pupil_ratio"],
        f_number=given["f_number"],
        anyway=given["anyway"],
        quick=given.get("quick", False),
    )


def exit_code(found: Iterable[Severity], limit: Severity | None) -> int:
    """Return 3 if a severity found is the limit of --fail-on or worse, else 0."""
    order = get_args(Severity)
    bad = limit is not None and any(order.index(s) >= order.index(limit) for s in found)
    return EXIT_FINDINGS if bad else 0


class _NoteLines(logging.Handler):
    """Prints each note of the package as one line."""

    def emit(self, record: logging.LogRecord) -> None:
        print_line(f"note: {record.getMessage()}")


@contextmanager
def _notes(*, shown: bool) -> Iterator[None]:
    """Print what the package logs for whoever wants to know, where that is asked for."""
    log, lines = logging.getLogger("merge"), _NoteLines()
    if shown:
        log.addHandler(lines)
        log.setLevel(logging.INFO)
    try:
        yield
    finally:
        log.removeHandler(lines)


@contextmanager
def _exit_on_termination() -> Iterator[None]:
    """Turn the signal to end into an ordinary exit, so that partial files are removed."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {
        number: signal.signal(number, lambda got, _: sys.exit(128 + got))
        for number in (signal.SIGTERM, getattr(signal, "SIGHUP", None))  # a terminal closed
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
