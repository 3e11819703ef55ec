"""`hybridopt guide`: the guides that come with the package."""

import sys
from pathlib import Path

import click

from ..base.errors import InputError
from ..text.table import table, terminal_width

FOLDER = Path(__file__).parents[1] / "guide"


@click.command(
    short_help="Read a guide: a topic from first steps to reference.",
    epilog="\b\nExamples:\n  hybridopt guide\n  hybridopt guide commands",
)
@click.argument("topic", required=False)
def guide(topic: str | None) -> None:
    """Show the guide on TOPIC; without it, list the topics.

    On a terminal the text is shown page by page.
    """
    files = {path.stem: path for path in sorted(FOLDER.glob("*.md"))}
    if topic is None:
        rows = [(name, _title(path)) for name, path in files.items()]
        click.echo(table(("topic", "about"), rows, terminal_width()))
        return
    if topic not in files:
        import difflib

        near = difflib.get_close_matches(topic, files, n=3)
        hint = f"did you mean {' or '.join(near)}?" if near else f"topics: {', '.join(files)}"
        raise InputError(f"there is no guide {topic!r}; {hint}")
    text = files[topic].read_text(encoding="utf-8")
    if sys.stdout.isatty():
        click.echo_via_pager(text)
    else:
        click.echo(text, nl=False)


def _title(path: Path) -> str:
    """Return the first line of a guide, without the marks of a heading."""
    with path.open(encoding="utf-8") as lines:
        return lines.readline().strip("# \n")
