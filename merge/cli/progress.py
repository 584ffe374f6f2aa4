"""Progress of long work on stderr."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager

import click

from merge.cli.streams import print_line
from merge.model import Progress
from merge.printable import printable_name


@contextmanager
def show_progress() -> Iterator[Progress]:
    """Give a function to be called with (stage, done, total) as work goes on.

    On a terminal the stage at work is a bar, gone when the work is done. Without a terminal nothing
    is printed, or with --verbose one line for each finished stage; --quiet prints nothing.
    """
    context = click.get_current_context(silent=True)
    kept = {} if context is None else context.meta
    if kept.get("merge.quiet"):
        yield lambda stage, done, total: None
    elif not sys.stderr.isatty():
        yield _stage_lines() if kept.get("merge.verbose") else lambda stage, done, total: None
    else:
        # Loaded only here: most of its cost is of no use without a terminal.
        from rich.console import Console
        from rich.progress import (
            BarColumn,
            MofNCompleteColumn,
            TaskID,
            TextColumn,
            TimeElapsedColumn,
        )
        from rich.progress import Progress as Bars

        columns = (
            TextColumn("{task.description:<20}", markup=False),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
        )
        console = Console(stderr=True)
        # Lines printed meanwhile go above the bar, where both are on the terminal.
        shared = sys.stdout.isatty()
        with Bars(*columns, console=console, transient=True, redirect_stdout=shared) as bars:
            shown: dict[str, TaskID] = {}

            def update(stage: str, done: int, total: int) -> None:
                if stage not in shown:
                    for earlier in shown.values():
                        bars.remove_task(earlier)
                    shown.clear()
                    shown[stage] = bars.add_task(printable_name(stage), total=total)
                bars.update(shown[stage], completed=done)

            yield update


def _stage_lines() -> Progress:
    begun = time.monotonic()

    def update(stage: str, done: int, total: int) -> None:
        nonlocal begun
        if done == total:
            now = time.monotonic()
            print_line(f"{stage}: {done} of {total}, {now - begun:.1f} s")
            begun = now

    return update
