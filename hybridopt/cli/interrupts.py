"""Interrupts (Ctrl-C) end a command wherever they come, also where Python can raise nothing."""

import contextlib
import signal
import sys
import threading
from collections.abc import Iterator
from typing import Any

SOON = 0.05  # s, after which an interrupt that was lost is made again
LATE = 8.0  # s, after which a command that goes on is interrupted again


@contextlib.contextmanager
def no_interrupt_lost() -> Iterator[None]:
    """Make an interrupt again that came where Python can only report it and go on.

    That is so while a library calls back into Python, as the compiler does with each kernel that
    it makes, and while objects are deleted (Python's documentation of `sys.unraisablehook`). Where
    a library swallows it, the command goes on and is interrupted again.
    """
    before, handler = sys.unraisablehook, signal.getsignal(signal.SIGINT)
    again: list[threading.Timer] = []

    def interrupted(number: int, frame: Any) -> None:
        again.append(threading.Timer(LATE, _interrupt))
        again[-1].daemon = True
        again[-1].start()
        signal.default_int_handler(number, frame)

    def hook(lost: Any) -> None:
        if issubclass(lost.exc_type, KeyboardInterrupt):
            threading.Timer(SOON, _interrupt).start()
        else:
            before(lost)

    sys.unraisablehook = hook
    ours = handler is signal.default_int_handler and _in_main_thread()
    if ours:
        signal.signal(signal.SIGINT, interrupted)
    try:
        yield
    finally:
        sys.unraisablehook = before
        for timer in again:
            timer.cancel()
        if ours:
            signal.signal(signal.SIGINT, handler)


def comes_of_interrupt(error: BaseException) -> bool:
    """Return whether an interrupt caused an error: a compiled module that is loading makes one."""
    cause: BaseException | None = error
    while cause is not None and not isinstance(cause, KeyboardInterrupt):
        cause = cause.__cause__ or cause.__context__
    return cause is not None


def _in_main_thread() -> bool:
    return threading.current_thread() is threading.main_thread()


def _interrupt() -> None:
    """Interrupt the main thread, also where it waits."""
    if sys.platform == "win32":
        signal.raise_signal(signal.SIGINT)
    else:
        signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
