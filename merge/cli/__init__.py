"""Command line: options in, exit code out. Imports click, prints, exits; nothing else does."""

from __future__ import annotations

import importlib

import click

# Command → module of the same name in this folder that defines `command`; loaded when used, so
# that `--help` stays fast.
_COMMANDS: tuple[str, ...] = ("merge", "audit", "apertures", "plan", "sort", "demo")


class _LazyGroup(click.Group):
    """Load a command's module when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        command = importlib.import_module(f"merge.cli.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="depthweld", prog_name="depthweld")
def main() -> None:
    """Sort, check and merge focus brackets into one picture that is sharp throughout."""
