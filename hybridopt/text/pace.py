"""The line on stderr that shows how far a run of a study is."""

import contextlib
import math
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
    """Give a function that shows the pace: one line on a terminal, a line now and then in a log."""
    terminal, shown, width = sys.stderr.isatty(), -math.inf, 0

    def show(progress: "RunProgress") -> None:
        nonlocal shown, width
        now, last = time.monotonic(), progress.done == progress.total
        if hidden or not (terminal or last or now - shown >= EVERY):
            return
        shown, text = now, pace_text(progress)
        click.echo(f"\r{text.ljust(width)}" if terminal else text, err=True, nl=not terminal)
        width = len(text)

    try:
        yield show
    finally:
        if terminal and width:
            click.echo(err=True)


def pace_text(progress: "RunProgress") -> str:
    """Return the pace in words."""
    failed = f" ({progress.failed} failed)" if progress.failed else ""
    done = f"{progress.done} of {progress.total} tasks done{failed}, {progress.rate:.2f} per s"
    return f"{done}, {duration_text(progress.left)} left" if progress.left > 0.0 else done


def duration_text(seconds: float) -> str:
    """Return a duration in words, in the unit that fits."""
    if seconds < 99.5:
        return f"{seconds:.0f} s" if seconds >= 9.95 else f"{seconds:.1f} s"
    if seconds < 5970.0:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h" if seconds < 48 * 3600 else f"{seconds / 86400:.1f} days"
