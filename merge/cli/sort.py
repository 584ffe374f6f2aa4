"""``depthweld sort``: a day's files into brackets, series and singles."""

from __future__ import annotations

from pathlib import Path
from typing import cast

import click

from merge.cli.command import Command
from merge.cli.progress import show_progress
from merge.cli.streams import print_json, print_line, print_text
from merge.pipeline.sorting import sort_folder, write_record
from merge.report.sort import sort_text
from merge.sort import Placement, place_groups, to_record


@click.command(
    "sort",
    cls=Command,
)
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--json", "as_json", is_flag=True, help="Print the groups as JSON.")
@click.option(
    "--into",
    type=click.Path(path_type=Path),
    help="Make a folder for each group in this folder. Nothing is moved or replaced.",
)
@click.option(
    "--with",
    "placement",
    type=click.Choice(["soft-link", "hard-link", "copy"]),
    default="soft-link",
    show_default=True,
    help="What those folders hold.",
)
@click.option("--all-singles", is_flag=True, help="A line for each single picture.")
def command(
    folder: Path, as_json: bool, into: Path | None, placement: str, all_singles: bool
) -> None:
    """Sort the pictures in FOLDER into focus brackets, aperture series, exposure brackets, singles.

    Each group comes with the reason and how sure it is. The output of --json (or the folder
    that --into made) can be given to 'depthweld merge --each' and 'audit --each'.
    """
    with show_progress() as progress:
        result = sort_folder(folder, progress=progress)
    if into is not None:
        made = place_groups(result, into, cast(Placement, placement.replace("-", " ")))
        write_record(result, folder, into)
        print_line(f"{len(made)} files placed in {into}")
    if as_json:
        print_json(to_record(result, folder))
    else:
        print_text(sort_text(result, all_singles=all_singles))
