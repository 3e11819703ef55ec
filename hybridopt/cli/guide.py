"""`hybridopt guide`: the guides that come with the package."""

import json
import sys
from pathlib import Path

import click

from ..base.errors import InputError
from ..text.table import table, terminal_width
from .options import json_option

FOLDER = Path(__file__).parents[1] / "guide"


@click.command(
    short_help="Read a guide: a topic from first steps to reference.",
    epilog="\b\nExamples:\n  hybridopt guide\n  hybridopt guide commands",
)
@click.argument("topic", required=False)
@json_option
def guide(topic: str | None, as_json: bool) -> None:
    """Show the guide on TOPIC; without it, list the topics.

    On a terminal the text is shown page by page.
    """
    files = {path.stem: path for path in sorted(FOLDER.glob("*.md"))}
    if topic is None:
        rows = [(name, _title(path)) for name, path in files.items()]
        if as_json:
            click.echo(json.dumps({"topics": dict(rows)}))
        else:
            click.echo(table(("topic", "about"), rows, terminal_width()))
        return
    if topic not in files:
        import difflib

        near = difflib.get_close_matches(topic, files, n=3)
        hint = f"did you mean {' or '.join(near)}?" if near else f"topics: {', '.join(files)}"
        raise InputError(f"there is no guide {topic!r}; {hint}")
    text = files[topic].read_text(encoding="utf-8")
    if as_json:
        click.echo(json.dumps({"topic": topic, "text": text}))
    elif sys.stdout.isatty():
        click.echo_via_pager(text)
    else:
        click.echo(text, nl=False)


def _title(path: Path) -> str:
    """Return the first line of a guide, without the marks of a heading."""
    with path.open(encoding="utf-8") as lines:
        return lines.readline().strip("# \n")
