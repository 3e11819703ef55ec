"""The line on stderr that tells how far a run of a study is."""

import contextlib
import sys
import time
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from ..study.run import RunProgress, ShowProgress

EVERY = 10.0  # s between lines where stderr is no terminal


@contextlib.contextmanager
def pace_line(hidden: bool) -> Iterator["ShowProgress"]:
    """Give a function that shows the pace: one line, rewritten on a terminal."""
    if hidden:
        yield _nothing
        return
    line = _Line(sys.stderr.isatty())
    try:
        yield line.show
    finally:
        line.end()


def _nothing(progress: "RunProgress") -> None:
    """Show nothing."""


class _Line:
    def __init__(self, terminal: bool) -> None:
        self.terminal, self.shown, self.width = terminal, -EVERY, 0

    def show(self, progress: "RunProgress") -> None:
        """Show the pace, at most every :data:`EVERY` seconds where it is kept in a log."""
        now, last = time.monotonic(), progress.done == progress.total
        if not self.terminal and not last and now - self.shown < EVERY:
            return
        self.shown = now
        text = pace_text(progress)
        if self.terminal:
            click.echo("\r" + text.ljust(self.width), err=True, nl=False)
            self.width = len(text)
        else:
            click.echo(text, err=True)

    def end(self) -> None:
        """Leave the line."""
        if self.width:
            click.echo(err=True)


def pace_text(progress: "RunProgress") -> str:
    """Return the pace in words."""
    failed = f" ({progress.failed} failed)" if progress.failed else ""
    left = f", {duration_text(progress.left)} left" if progress.left > 0.0 else ""
    return (
        f"{progress.done} of {progress.total} tasks done{failed}, {progress.rate:.2f} per s{left}"
    )


def duration_text(seconds: float) -> str:
    """Return a duration in words, in the unit that fits."""
    if seconds < 99.5:
        return f"{seconds:.0f} s" if seconds >= 9.95 else f"{seconds:.1f} s"
    if seconds < 5970.0:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h" if seconds < 48 * 3600 else f"{seconds / 86400:.1f} days"
