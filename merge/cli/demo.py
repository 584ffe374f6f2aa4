"""``depthweld demo``: a small sample bracket with known truth."""

from __future__ import annotations

import shlex
from pathlib import Path

import click

from merge.cli.command import Command
from merge.cli.paths import PastedPath
from merge.cli.progress import show_progress
from merge.cli.streams import print_text


class _Numbers(click.ParamType):
    """Whole numbers from 1, with commas between them."""

    name = "N,N"

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[int, ...]:
        parts = [part.strip() for part in str(value).split(",")]
        if not all(part.isascii() and part.isdigit() for part in parts):
            self.fail(f"{value!r}: expected frame numbers such as 4 or 3,7", param, ctx)
        return tuple(int(part) for part in parts)


@click.command("demo", cls=Command)
@click.argument("folder", type=PastedPath())
@click.option(
    "--frames", type=click.IntRange(2, 30), default=10, show_default=True, help="Frames to take."
)
@click.option("--drop", type=_Numbers(), help="Frames to leave out, from 1, to try the audit.")
@click.option(
    "--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Another scene."
)
@click.option("--overwrite", is_flag=True, help="Replace the files of an earlier demo.")
def command(
    folder: Path, frames: int, drop: tuple[int, ...] | None, seed: int, overwrite: bool
) -> None:
    """Write a sample focus bracket into FOLDER, to try the other commands on.

    The scene is invented: pebbles, lichen and moss stems, close up, in steps of 3.3 pixels of blur.
    The folder 'truth' in it holds the all-sharp picture and, as JSON, the frames' true positions,
    transforms and light.
    """
    from merge.pipeline.demo import write_demo  # loads a compiler: not for --help

    with show_progress() as progress:
        written = write_demo(
            folder,
            frames=frames,
            drop=drop or (),
            seed=seed,
            overwrite=overwrite,
            progress=progress,
        )
    first, last = written.frames[0].name, written.frames[-1].name
    print_text(f"{len(written.frames)} frames, {first} to {last}, in {folder}")
    if drop:
        print_text(f"left out: {', '.join(str(number) for number in sorted(set(drop)))}")
    print_text(f"truth: {written.truth_picture} (all sharp), {written.truth_record}")
    name = shlex.quote(str(folder))
    print_text(f"Next, try:\n  depthweld audit {name}\n  depthweld merge {name}")
