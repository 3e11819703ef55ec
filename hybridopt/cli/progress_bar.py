"""A progress bar on stderr for long work."""

import contextlib
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from ..base.progress import Progress


@contextlib.contextmanager
def progress_bar(label: str, hidden: bool) -> Iterator["Progress"]:
    """Give a function that moves a bar on stderr, if that is a terminal and it is not hidden."""
    from ..base.progress import silent

    if hidden or not sys.stderr.isatty():
        yield silent
        return
    with click.progressbar(length=1000, file=sys.stderr, label=label) as bar:
        yield lambda share: bar.update(round(1000 * share) - bar.pos)
