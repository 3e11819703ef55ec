"""The reference of all commands; `python -m hybridopt.cli.reference` prints it."""

from collections.abc import Iterator

import click

from .main import main

WIDTH = 88
HEAD = """\
# Commands

Made by `python -m hybridopt.cli.reference > notebooks/commands.md`; a test compares it.
"""


def reference() -> str:
    """Return the help of all commands as one Markdown document."""
    parts = [HEAD]
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
