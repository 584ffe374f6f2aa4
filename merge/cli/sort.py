"""``depthweld sort``: a day's files into brackets, series and singles."""

from __future__ import annotations

from pathlib import Path
from typing import cast

import click

from merge.cli.command import Command
from merge.cli.paths import PastedPath, pasted_paths
from merge.cli.progress import show_progress
from merge.cli.streams import print_json, print_line, print_text
from merge.pipeline.sorting import place_sorted, sort_folder
from merge.report.numbers import counted
from merge.report.sort import sort_text
from merge.sort import Placement, to_record


@click.command("sort", cls=Command)
@click.argument("folder", nargs=-1, required=True)
@click.option("--json", "as_json", is_flag=True, help="Print the groups as JSON.")
@click.option(
    "--into",
    type=PastedPath(),
    help="Make a folder for each group in this folder. Nothing is moved or replaced.",
)
@click.option(
    "--with",
    "placement",
    type=click.Choice(["soft-link", "hard-link", "copy"]),
    help="What those folders hold.  [default: soft-link]",
)
@click.option("--all-singles", is_flag=True, help="A line for each single picture.")
def command(
    folder: tuple[str, ...],
    as_json: bool,
    into: Path | None,
    placement: str | None,
    all_singles: bool,
) -> None:
    """Sort the pictures in FOLDER into focus brackets, aperture series, exposure brackets, singles.

    Each group comes with the reason and how sure it is. The output of --json (or the folder
    that --into made) can be given to 'depthweld merge --each' and 'audit --each'.
    """
    if placement is not None and into is None:
        raise click.UsageError(
            "--with tells what the folders of --into hold; add --into and a folder"
        )
    first, *more = pasted_paths(folder)
    if more:
        raise click.UsageError(f"{len(folder)} folders given, expected one; sort them one by one")
    place = Path(first)
    with show_progress() as progress:
        result = sort_folder(place, progress=progress)
    if into is not None:
        made = place_sorted(
            result, into, cast(Placement, (placement or "soft-link").replace("-", " "))
        )
        print_line(f"{counted(len(made), 'file')} placed in {into}")
    if as_json:
        print_json(to_record(result, place))
    else:
        print_text(sort_text(result, all_singles=all_singles))
