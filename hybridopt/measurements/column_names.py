"""What the name of a column says: of which signal it may be, and how well it fits.

Names are compared word by word, so that every logger's own spelling need not be listed.
"""

from .log import LogColumn
from .units import UNITS, find_unit, last_unit
from .vocabulary import LONE, NEUTRAL, SCANNED, SHORT_FORMS, VOCABULARIES, words


def suitability(signal: str, column: LogColumn) -> tuple[int, int] | None:
    """Return how well a column's name fits a signal (less is better), or None if it does not.

    The first figure is the rank of where the value comes from, the second the number of words that
    say nothing.
    """
    own, named = VOCABULARIES[signal], word_set(column)
    heads = named & own.heads
    if heads and heads <= LONE:
        alone = not named - heads - {"vehicle"}
        heads = heads if alone or find_unit(signal, column.unit) else frozenset()
    if not heads:
        return (9, 0) if signal == "speed" and column.words in UNITS["speed"] else None
    if named & own.others or (own.needs and not named & own.needs):
        return None
    ranks = [rank for rank, source in enumerate(own.ranks) if source & named]
    rank = max(ranks, default=own.ranks.index(words("")))
    known = own.heads | own.needs | NEUTRAL | frozenset().union(*own.ranks)
    return rank, len(named - known - words(last_unit(signal, column.words)))


def word_set(column: LogColumn) -> frozenset[str]:
    """Return the words of a column's name, short forms written out."""
    single = column.words.replace("-", " ").split()
    return words(" ".join(SHORT_FORMS.get(word, word) for word in single))


def from_scanner(columns: tuple[LogColumn, ...]) -> bool:
    """Return whether the other columns are those that an on-board diagnosis scanner asks for."""
    names = [word_set(column) for column in columns]
    return sum(any(known <= named for named in names) for known in SCANNED) >= 2
