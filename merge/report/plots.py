"""Plots as .png or .svg files: what those of a plan and of an aperture series have in common."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from merge.atomic import replace_atomically
from merge.errors import WriteError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# From the palette of M. Okabe and K. Ito (from memory), told apart by every kind of sight.
BLUE, RED, GREEN, GREY = "#0072B2", "#D55E00", "#009E73", "#666666"


def check_plot(path: Path) -> None:
    """Raise WriteError if a name ends in neither .png nor .svg."""
    if path.suffix.lower() not in {".png", ".svg"}:
        raise WriteError(f"{path}: a plot is written as .png or .svg; change the name")


@contextmanager
def written_plot(
    path: Path,
    size: tuple[float, float],
    widths: tuple[float, float],
    *,
    overwrite: bool,
    inputs: Iterable[Path],
) -> Iterator[tuple[Axes, Axes]]:
    """Yield two axes side by side to draw on; their plot is written when the block ends well.

    Parameters
    ----------
    path : Path
        Ends in .png or .svg.
    size : (float, float)
        Width and height in inches of 110 dots.
    widths : (float, float)
        Of the two axes, in proportion.
    overwrite : bool
        Replace an existing file.
    inputs : iterable of Path
        Files that must never be replaced.

    Raises
    ------
    WriteError
        If the name ends otherwise, the file is an input, exists or cannot be written.
    """
    check_plot(path)
    # Loaded here: it takes most of a second, and only a plot needs it.
    from matplotlib.figure import Figure

    figure = Figure(figsize=size, dpi=110, layout="constrained")
    yield tuple(figure.subplots(1, 2, width_ratios=widths))
    with replace_atomically(path, overwrite=overwrite, inputs=inputs) as file:
        figure.savefig(file, format=path.suffix.lower().removeprefix("."))


def draw_f_number_axis(axes: Axes, numbers: Sequence[float], labels: Sequence[str]) -> None:
    """Give an f-number to even steps of the x axis: by their logarithm, these marked."""
    axes.set_xscale("log", base=2)
    axes.set_xticks(numbers, labels)
    axes.set_xticks([], minor=True)
    axes.set_xlabel("f-number")
    axes.grid(alpha=0.3)
