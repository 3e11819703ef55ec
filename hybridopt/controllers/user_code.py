"""Running code of a user so that nothing it does ends, stops or mixes into the program."""

import contextlib
import ctypes
import queue
import sys
import threading
import traceback
from collections.abc import Callable
from typing import Any

from ..base.errors import InputError

PATIENCE = 60.0  # s, that one call of a user's code may take
_LEAVE = 1.0  # s, for code that is told to stop
_SHOWN = 80  # characters of a value in a message
_THREADS = threading.local()  # each thread asks its own


class _Stopped(BaseException):
    """Raised in a user's code that took too long."""


class _Asked:
    """A thread of its own, which the caller can leave behind."""

    def __init__(self) -> None:
        self._calls: queue.SimpleQueue[Callable[[], Any]] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[tuple[Any, BaseException | None]] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._serve, name="user code", daemon=True)
        self._thread.start()

    def ask(self, call: Callable[[], Any]) -> tuple[Any, BaseException | None]:
        """Return what a call gave or raised; raises queue.Empty after :data:`PATIENCE`."""
        self._calls.put(call)
        return self._answers.get(timeout=PATIENCE)

    def leave(self) -> None:
        """Tell the code to stop; what does not listen ends with the program."""
        thread = ctypes.c_ulong(self._thread.ident or 0)
        ctypes.pythonapi.PyThreadState_SetAsyncExc(thread, ctypes.py_object(_Stopped))
        self._thread.join(_LEAVE)

    def _serve(self) -> None:
        with contextlib.suppress(_Stopped):
            while True:
                call = self._calls.get()
                try:
                    self._answers.put((call(), None))
                except _Stopped:
                    raise
                except BaseException as error:  # SystemExit among them: it is the user's
                    self._answers.put((None, error))


def call_user(what: str, function: Callable[..., Any], *given: Any) -> Any:
    """Call code of a user; what it prints goes to standard error.

    Parameters
    ----------
    what
        What is done, for messages: "controller mine.py:rule, step at 3 s".
    function, given
        What is called, with which arguments.

    Raises
    ------
    InputError
        It raised anything, SystemExit and the like among it, or took more than `PATIENCE`. An
        InputError of its own whose text begins with `what` stays as it is.
    """
    asked = getattr(_THREADS, "asked", None)
    if asked is None:
        asked = _THREADS.asked = _Asked()
    with contextlib.redirect_stdout(sys.stderr):
        try:
            value, error = asked.ask(lambda: function(*given))
        except BaseException as left:  # out of patience, or interrupted
            del _THREADS.asked
            asked.leave()
            if not isinstance(left, queue.Empty):
                raise
            raise InputError(
                f"{what}: took more than {PATIENCE:g} s; look for a loop without end or a wait"
            ) from None
    if error is None:
        return value
    if isinstance(error, InputError) and _text(str, error).startswith(what):
        raise error
    raise InputError(
        f"{what}: raised {type(error).__name__} ({_where(error)}): {brief(error, str)}; mend the "
        "code of the controller"
    ) from error


def brief(value: Any, text: Callable[[Any], str] = repr) -> str:
    """Return a value as a message shows it: printable, on one line, and not long."""
    words = " ".join(_text(text, value).split())
    shown = "".join(c if c.isprintable() else "?" for c in words[:_SHOWN])
    return shown + "..." if len(words) > _SHOWN else shown


def _text(text: Callable[[Any], str], value: Any) -> str:
    """Return the text of a value, whatever its own methods do."""
    try:
        return text(value)
    except Exception:  # an integer of thousands of digits, or a method of the user
        return f"a {type(value).__name__} that cannot be shown"


def _where(error: BaseException) -> str:
    """Return file and line of the innermost place of an exception."""
    if isinstance(error, SyntaxError) and error.lineno is not None:
        return f"{error.filename}, line {error.lineno}"
    frames = traceback.extract_tb(error.__traceback__)
    return f"{frames[-1].filename}, line {frames[-1].lineno}" if frames else "no line known"
