"""One job for every bracket of a day: told as it goes on, and on a page."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from merge.atomic import check_writable
from merge.cli.command import EXIT_FAILED, exit_code
from merge.cli.progress import show_progress
from merge.cli.streams import print_json, print_line, print_text
from merge.model import Severity
from merge.pipeline.each import BracketJob, EachSummary, Outcome, Watch, for_each_bracket
from merge.report.numbers import counted
from merge.report.sort import each_line


@dataclass(frozen=True)
class Telling:
    """How a run over all brackets is told.

    Attributes
    ----------
    command : str
        Name of the command, for what goes wrong.
    line : callable
        What is printed of a bracket that was worked on.
    as_json, quiet : bool
    page : Path or None
        The page of the day.
    overwrite : bool
        Replace that page.
    """

    command: str
    line: Callable[[Outcome], str]
    as_json: bool = False
    quiet: bool = False
    page: Path | None = None
    overwrite: bool = False


def pages_folder(page: Path) -> Path:
    """Return where the pages of single brackets lie: beside the page of the day."""
    return page.with_name(f"{page.stem}-brackets")


def run_brackets(path: Path, job: BracketJob, folder: Path | None, telling: Telling) -> EachSummary:
    """Do a job for every bracket, print what becomes of each at once, write the page at the end."""
    outcomes: list[Outcome] = []

    def start(where: Path, count: int) -> None:
        if folder is None and not telling.quiet:
            way = "-o names another folder" if job.ending else "finished ones are noted there"
            print_line(f"{counted(count, 'focus bracket')}; results go into {where}/ ({way})")

    def report(outcome: Outcome) -> None:
        outcomes.append(outcome)
        if outcome.status == "failed":
            print_line(f"depthweld {telling.command}: {outcome.name}: {outcome.message}")
        elif not telling.as_json:
            print_text(telling.line(outcome))

    if telling.page is not None:
        if folder is not None and telling.page.parent.resolve() == folder.resolve():
            folder.mkdir(parents=True, exist_ok=True)  # as the first result would
        check_writable(telling.page, overwrite=telling.overwrite)
        pages_folder(telling.page).mkdir(exist_ok=True)
    try:
        with show_progress() as bar:
            for_each_bracket(path, job, folder=folder, watch=Watch(start, bar, report))
    except KeyboardInterrupt:
        _finish(outcomes, telling)
        print_line("the rest was not reached; run it again to go on")
        raise
    _finish(outcomes, telling)
    return EachSummary(tuple(outcomes))


def _finish(outcomes: list[Outcome], telling: Telling) -> None:
    summary = EachSummary(tuple(outcomes))
    if telling.page is not None:
        from merge.report.page.day_page import day_page
        from merge.report.page.shell import write_page

        pages = pages_folder(telling.page)
        links = {
            o.name: f"{pages.name}/{o.name}.html"
            for o in outcomes
            if (pages / f"{o.name}.html").is_file()
        }
        write_page(telling.page, day_page(summary, links), overwrite=telling.overwrite)
    if telling.as_json:
        print_json(summary.record())
    elif not telling.quiet:
        print_text(each_line(summary))
        if telling.page is not None:
            print_text(f"Written: {telling.page}, with a page for each bracket beside it")


def write_bracket_page(telling: Telling, name: str, page: Callable[[], str]) -> None:
    """Write the page of one bracket where a page of the day is asked for."""
    if telling.page is None:
        return
    from merge.report.page.shell import write_page

    # A bracket is worked on again only when frames or settings changed: its page is old.
    write_page(pages_folder(telling.page) / f"{name}.html", page(), overwrite=True)


def each_code(summary: EachSummary, fail_on: Severity | None) -> int:
    """Return the exit code of a day: brackets failed, or a finding is as bad as ``fail_on``."""
    results = (outcome.result for outcome in summary.outcomes if outcome.result)
    found = (finding["severity"] for result in results for finding in result["record"]["findings"])
    return EXIT_FAILED if summary.failed else exit_code(found, fail_on)
