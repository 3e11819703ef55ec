"""Columns of time in a table in which each channel, or each group of them, has its own."""

from collections.abc import Sequence

from .column_names import suitability, word_set
from .log import LogColumn
from .vocabulary import VOCABULARIES


def own_clocks(columns: Sequence[LogColumn]) -> tuple[int, ...]:
    """Return by column the place of the column of time that it goes by.

    Parameters
    ----------
    columns
        All columns of a log, in order.

    Returns
    -------
    tuple of int
        A column of time goes by itself. Empty where one column of time serves all.

    Notes
    -----
    Either a name of time is repeated, a figure in it apart (`time, speed, rpm, time, soc`, or
    `time_10ms, ..., time_100ms, ...`), with columns behind each; or every other column is the time
    of the next and named so (`t_speed, speed, t_soc, soc`).
    """
    names = [_plain(column) for column in columns]
    places = [place for place, name in enumerate(names) if name == names[0]]
    if suitability("time", columns[0]) is None:
        places = []
    if len(places) < 2 and len(columns) % 2 == 0:
        pairs = zip(columns[::2], columns[1::2], strict=True)
        places = list(range(0, len(columns), 2)) if all(_times(*pair) for pair in pairs) else []
    behind = [*places[1:], len(columns)]
    if len(places) < 2 or any(b - a < 2 for a, b in zip(places, behind, strict=True)):
        return ()
    return tuple(a for a, b in zip(places, behind, strict=True) for _ in range(a, b))


def _plain(column: LogColumn) -> frozenset[str]:
    """Return the words of a name without figures."""
    bare = ("".join(c for c in word if not c.isdigit()) for word in word_set(column))
    return frozenset(word for word in bare if word not in ("", "ms", "hz"))


def _times(clock: LogColumn, column: LogColumn) -> bool:
    """Return whether a name is that of the next column with a word of time."""
    more = word_set(clock) - word_set(column)
    return word_set(column) <= word_set(clock) and bool(more & VOCABULARIES["time"].heads)
