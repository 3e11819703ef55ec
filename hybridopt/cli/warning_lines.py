"""Warnings of input: each once as a line on stderr, and in the list that --json prints."""

import contextlib
import warnings
from collections.abc import Iterator
from contextvars import ContextVar
from typing import Any

import click

from ..base.warning import InputWarning

_TOLD: ContextVar[tuple[str, ...]] = ContextVar("_TOLD", default=())


def told_warnings() -> list[str]:
    """Return the warnings that the running command has shown so far."""
    return list(_TOLD.get())


@contextlib.contextmanager
def warnings_as_lines() -> Iterator[None]:
    """Show each InputWarning once, as a line on stderr; leave other warnings alone."""
    before = _TOLD.set(())
    with warnings.catch_warnings():
        warnings.simplefilter("always", InputWarning)
        usual = warnings.showwarning

        def show(message: Any, category: Any, *rest: Any, **more: Any) -> None:
            if not issubclass(category, InputWarning):
                usual(message, category, *rest, **more)
            elif str(message) not in _TOLD.get():
                _TOLD.set((*_TOLD.get(), str(message)))
                click.echo(f"warning: {message}", err=True)

        warnings.showwarning = show
        yield
    _TOLD.reset(before)
