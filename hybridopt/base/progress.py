"""Progress of long work, reported to a function as the share done."""

from collections.abc import Callable

Progress = Callable[[float], None]


def silent(share: float) -> None:
    """Report nothing."""
