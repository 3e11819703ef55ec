"""Progress reports of long work: a function that is told the share done."""

from collections.abc import Callable

Progress = Callable[[float], None]


def silent(share: float) -> None:
    """Report nothing."""
