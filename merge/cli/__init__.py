"""Command line: options in, exit code out. Imports click, prints, exits; nothing else does."""

from __future__ import annotations

import importlib
import sys
from typing import Any

import click

from merge.cli.command import EXIT_INTERRUPTED, EXIT_USAGE
from merge.cli.streams import print_line, standard_streams

# Command → what it does in a line. Each is a module of the same name in this folder that defines
# `command`; it is loaded when it is used, so that `--help` stays fast.
_COMMANDS = {
    "merge": "Merge a focus bracket into one sharp picture.",
    "audit": "Tell what a bracket misses: gaps, ends, bad frames, diffraction.",
    "apertures": "Tell which f-number of a series is best, where, and why.",
    "plan": "Aperture, frames and focus positions for the next shoot.",
    "sort": "Sort a day's files into brackets, series and singles.",
    "review": "Find, check, merge and repair in the browser.",
    "demo": "Write a small sample bracket with known truth.",
}


class _LazyGroup(click.Group):
    """Load a command's module when it is asked for."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        """Run with streams that are safe to write to."""
        with standard_streams():
            return super().main(*args, **kwargs)

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        command = importlib.import_module(f"merge.cli.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(_COMMANDS.items()))

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except click.UsageError as exc:
            print_line(f"depthweld: {exc.format_message().rstrip('.')}; see 'depthweld --help'")
            sys.exit(EXIT_USAGE)
        except KeyboardInterrupt:  # while the command was loaded; see `Command.invoke`
            print_line("depthweld: interrupted before it began")
            sys.exit(EXIT_INTERRUPTED)


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="depthweld", prog_name="depthweld")
def main() -> None:
    """Sort, check and merge focus brackets into one picture that is sharp throughout."""
