"""``depthweld audit``: what a bracket misses, before leaving the place."""

from __future__ import annotations

import signal
import sys
import threading
from dataclasses import asdict
from pathlib import Path
from typing import Any, Literal

import click

from merge.atomic import check_writable, written_together
from merge.cli.command import (
    Command,
    audit_options,
    each_option,
    exit_code,
    fail_on_option,
    inspection_options,
    json_option,
    page_option,
    prefer_option,
)
from merge.cli.each import Telling, each_code, run_brackets, write_bracket_page
from merge.cli.paths import PastedPath, pasted_paths
from merge.cli.progress import Progress, show_progress
from merge.cli.streams import print_json, print_line, print_text
from merge.model import AuditOptions, Severity, Stack
from merge.pipeline.auditing import AuditResult, audit_stack
from merge.pipeline.building import build_beside
from merge.pipeline.each import BracketJob
from merge.pipeline.record import peak_memory_bytes
from merge.read import find_frames, read_frame
from merge.report.audit import audit_record, audit_text, write_weak_parts

_EXAMPLES = """\b
Examples:
  depthweld audit stack/ --picture weak.png
  depthweld audit IMG_0101.JPG IMG_0102.JPG IMG_0103.JPG --tolerance 0.03mm --pixel-pitch 4.4
  depthweld audit stack/ --json > audit.json && depthweld plan --from audit.json
"""


@click.command(
    "audit",
    cls=Command,
    epilog=_EXAMPLES,
    short_help="Tell what a bracket misses: gaps, ends, bad frames, diffraction.",
)
@click.argument("frames", nargs=-1)
@each_option("Audit")
@inspection_options
@prefer_option
@click.option(
    "--quick",
    is_flag=True,
    help="Look at reduced pictures (previews in raw files): seconds for hundreds of frames, with "
    "wider intervals; soft or shaken frames are hardly told.",
)
@json_option
@click.option(
    "--picture",
    type=PastedPath("a picture of the weak parts", (".png",)),
    help="Write a PNG of the weak parts.",
)
@page_option(
    "Write a page to look at: the sharpest parts, weak parts, findings, focus steps. One file, "
    "needs no network; reads all frames once more."
)
@click.option("--overwrite", is_flag=True, help="Replace that PNG or page if it exists.")
@fail_on_option
def command(
    frames: tuple[str, ...],
    each: Path | None,
    prefer: Literal["raw", "jpeg"],
    as_json: bool,
    picture: Path | None,
    report: Path | None,
    overwrite: bool,
    fail_on: Severity | None,
    **given: Any,
) -> None:
    """Measure the focus steps of the bracket in FRAMES (files or folders) and what it misses.

    The steps are measured in pixels of blur from the pictures alone. Ctrl-C ends the pass and
    judges the frames seen so far; a second one stops at once.
    """
    options = audit_options(given)
    build_beside()
    if each is not None:
        if frames:
            raise click.UsageError("--each takes the frames of SORTED; leave FRAMES out")
        if picture is not None:
            raise click.UsageError("--picture is for one bracket; leave it out with --each")
        telling = Telling(
            command="audit",
            line=lambda outcome: f"{outcome.name}\n{outcome.result['text']}\n",
            as_json=as_json,
            page=report,
            overwrite=overwrite,
        )
        sys.exit(_audit_each(each, options, prefer, telling, fail_on))
    if not frames:
        raise click.UsageError("no frames; name the files or the folder of a focus bracket")
    stack = find_frames(pasted_paths(frames), prefer=prefer)
    for line in stack.skipped:
        print_line(f"left out: {line}")
    for name in stack.turned:
        print_line(f"turned as most frames, not as it tells: {name}")
    for target in (report, picture):
        if target is not None:
            check_writable(target, overwrite=overwrite, inputs=stack.inputs)
    result = _audit_with_bar(stack, options)
    record = audit_record(result) | {"peak_memory_bytes": peak_memory_bytes()}
    with written_together():
        if report is not None:
            _write_report(report, result, record, overwrite=overwrite)
        if picture is not None:
            write_weak_parts(result, picture, overwrite=overwrite)
    if as_json:
        print_json(record)
    else:
        print_text(audit_text(result))
        if report is not None:
            print_text(f"Written: {report} ({report.stat().st_size / 1e6:.1f} MB)")
    sys.exit(exit_code((f.severity for f in result.findings), fail_on))


def _write_report(
    report: Path, result: AuditResult, record: dict[str, Any], *, overwrite: bool
) -> None:
    # Templates and charts take long to load; an audit without a page needs none.
    from merge.report.page.audit_page import audit_page
    from merge.report.page.shell import write_page

    with show_progress() as show:
        page = audit_page(result, record, progress=show)
    inputs = result.stack.inputs
    write_page(report, page, overwrite=overwrite, inputs=inputs)


def _audit_each(
    each: Path,
    options: AuditOptions,
    prefer: Literal["raw", "jpeg"],
    telling: Telling,
    fail_on: Severity | None,
) -> int:
    """Audit every bracket of a sorted day and return the exit code."""
    from merge.report.page.day_page import day_picture

    def work(name: str, stack: Stack, output: Path | None, progress: Progress) -> dict[str, Any]:
        result = audit_stack(stack, options, progress=progress)
        record = audit_record(result) | {"peak_memory_bytes": peak_memory_bytes()}
        if telling.page is not None:
            from merge.report.page.audit_page import audit_page

            write_bracket_page(telling, name, lambda: audit_page(result, record, progress=progress))
        middle = result.stack.sources[len(result.stack) // 2]
        frame = read_frame(middle, white_balance=result.stack.white_balance)
        picture = day_picture(frame.pixels, middle)
        return {"text": audit_text(result), "record": record, "picture": picture}

    job = BracketJob("audited", work, asdict(options), prefer)
    summary = run_brackets(each, job, None, telling)
    return each_code(summary, fail_on)


def _audit_with_bar(stack: Stack, options: AuditOptions) -> AuditResult:
    """Run with a bar on stderr; the first Ctrl-C asks for an early end."""
    asked = False

    def on_interrupt(number: int, frame: object) -> None:
        nonlocal asked
        if asked:
            raise KeyboardInterrupt
        asked = True

    main = threading.current_thread() is threading.main_thread()
    before = signal.signal(signal.SIGINT, on_interrupt) if main else None
    try:
        with show_progress() as show:
            return audit_stack(stack, options, progress=show, stop=lambda: asked)
    finally:
        if main:
            signal.signal(signal.SIGINT, before)
