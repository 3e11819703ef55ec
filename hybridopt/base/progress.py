"""Progress of long work, reported to a function as the share done."""

from collections.abc import Callable

Progress = Callable[[float], None]


def silent(share: float) -> None:
    """Report nothing."""


def part_of(progress: Progress, begin: float, end: float) -> Progress:
    """Return the report of work that is the part from `begin` to `end`, 0 to 1, of other work."""
    return lambda share: progress(begin + (end - begin) * share)
