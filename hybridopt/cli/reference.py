"""The reference of all commands; `python -m hybridopt.cli.reference` prints it."""

from collections.abc import Iterator

import click

from ..problem.declaring import guide_rows
from ..problem.settings import SETTINGS
from .main import main

WIDTH = 88
COLUMNS = ("option", "key in a study file", "unit", "range", "default", "what it is")
HEAD = """\
# All commands with all options

Made by `python -m hybridopt.cli.reference > hybridopt/guide/commands.md`; a test compares it.
"""
SETTINGS_INTRO = (
    "The commands that solve take all of these; without a default, the driveline, its cycle or no "
    "limit counts. Ranges and defaults are in the unit given."
)


def reference() -> str:
    """Return the help of all commands as one Markdown document."""
    rows = [(f"`{option}`", f"`{key}`", *more) for option, key, *more in guide_rows(SETTINGS)]
    lines = [COLUMNS, ("---",) * len(COLUMNS), *rows]
    table = "\n".join(f"| {' | '.join(line)} |" for line in lines)
    parts = [HEAD, f"## Settings\n\n{SETTINGS_INTRO}\n\n{table}\n"]
    for names, command in _commands(main, ("hybridopt",)):
        title = " ".join(names)
        parts.append(f"## {title}\n\n```text\n{_help(command, title)}\n```\n")
    return "\n".join(parts)


def _commands(
    command: click.Command, names: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Yield a command and all below it."""
    yield names, command
    if isinstance(command, click.Group):
        for name in sorted(command.commands):
            yield from _commands(command.commands[name], (*names, name))


def _help(command: click.Command, title: str) -> str:
    context = click.Context(
        command,
        info_name=title,
        terminal_width=WIDTH,
        max_content_width=WIDTH,
        **main.context_settings,
    )
    lines = command.get_help(context).splitlines()
    return "\n".join(line.rstrip() for line in lines)


if __name__ == "__main__":
    click.echo(reference(), nl=False)
