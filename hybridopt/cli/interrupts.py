"""Interrupts (Ctrl-C) end a command wherever they come, also where Python can raise nothing."""

import contextlib
import signal
import sys
import threading
from collections.abc import Iterator
from typing import Any

SOON = 0.05  # s, after which an interrupt that was lost is made again


@contextlib.contextmanager
def no_interrupt_lost() -> Iterator[None]:
    """Make an interrupt again that came where Python can only report it and go on.

    That is so while a library calls back into Python, as the compiler does with each kernel that
    it makes, and while objects are deleted (Python's documentation of `sys.unraisablehook`).
    """
    before = sys.unraisablehook

    def hook(lost: Any) -> None:
        if issubclass(lost.exc_type, KeyboardInterrupt):
            threading.Timer(SOON, _interrupt).start()
        else:
            before(lost)

    sys.unraisablehook = hook
    try:
        yield
    finally:
        sys.unraisablehook = before


def _interrupt() -> None:
    """Interrupt the main thread, also where it waits."""
    if sys.platform == "win32":
        signal.raise_signal(signal.SIGINT)
    else:
        signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
