"""``depthweld review``: find, check, merge and repair in the browser."""

from __future__ import annotations

from pathlib import Path

import click

from merge.cli.command import Command
from merge.cli.paths import PastedPath
from merge.cli.streams import print_text


@click.command("review", cls=Command)
@click.argument("folder", type=PastedPath())
@click.option(
    "--into",
    type=PastedPath(),
    default=Path("merged"),
    show_default=True,
    help="Folder for merged pictures; made when the first one is written.",
)
@click.option(
    "--browser/--no-browser",
    default=True,
    help="Open the page in the browser, or only print its address.",
)
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Default: a free one.")
def command(folder: Path, into: Path, browser: bool, port: int) -> None:
    """Review FOLDER in the browser: find brackets, check them, merge them, repair the pictures.

    FOLDER holds a day's pictures, or is the JSON of 'depthweld sort --json', or the record of a
    finished merge. The page is served to
    this machine alone; whoever has the printed address can use it until the command ends (Ctrl-C).
    """
    if not folder.exists():
        raise click.UsageError(f"{folder}: no such file or folder")
    # Decoders and compilers take long to load; --help and wrong usage need none.
    from merge.pipeline.building import build_beside
    from merge.review.server import serve_review

    build_beside()
    try:
        serve_review(folder, into, open_browser=browser, port=port, tell=print_text)
    except OSError as exc:
        raise click.UsageError(f"--port {port}: {exc.strerror or exc}") from exc
