"""Gathering of errors, so that one reading tells all that is wrong."""

import contextlib
from collections.abc import Iterable, Iterator

from .errors import InputError


class Faults:
    """What is wrong with an input so far, each fault once, in the order found."""

    def __init__(self) -> None:
        self._found: dict[str, None] = {}

    @contextlib.contextmanager
    def caught(self) -> Iterator[None]:
        """Keep an InputError of the block instead of raising it."""
        try:
            yield
        except InputError as error:
            self.add(error.sentences)

    def add(self, sentences: Iterable[str]) -> None:
        """Add sentences that say what is wrong."""
        self._found.update(dict.fromkeys(sentences))

    def raise_found(self) -> None:
        """Raise one InputError with all that was found, if anything was."""
        if self._found:
            raise InputError(*self._found)
