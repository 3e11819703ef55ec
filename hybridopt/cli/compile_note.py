"""A note on stderr while kernels are compiled: without it a first run is silent for a minute."""

import contextlib
import sys
import threading
import time
from collections.abc import Iterator

import click

from ..base.compiling import watchers

SILENT = 2.0  # s of compiling before anything is said
EVERY = 1.0  # s, between the seconds that are shown on a terminal
NOTE = "compiling kernels, once after an installation; this may take a minute"
CLEAR = "\r\033[K"


class CompileNote:
    """Says that kernels are compiled, once that takes long; on a terminal with the seconds."""

    def __init__(self) -> None:
        self.terminal = sys.stderr.isatty()
        self.depth, self.begun, self.spent = 0, 0.0, 0.0
        self.said, self.shown = False, False
        self.lock, self.ended = threading.RLock(), threading.Event()
        self.clock: threading.Thread | None = None

    def tell(self, begins: bool) -> None:
        """Note that compiling begins or ends; see :data:`hybridopt.base.compiling.Watcher`."""
        with self.lock:
            self.depth += 1 if begins else -1
            now = time.monotonic()
            if begins and self.depth == 1:
                self.begun = now
                if self.clock is None:
                    self.clock = threading.Thread(target=self._watch, daemon=True)
                    self.clock.start()
            elif not begins and not self.depth:
                self.spent += now - self.begun
                self._clear()

    def _watch(self) -> None:
        while not self.ended.wait(EVERY):
            with self.lock:
                if self.depth and not self.ended.is_set():
                    self._say(self.spent + time.monotonic() - self.begun)

    def _say(self, seconds: float) -> None:
        if seconds < SILENT:
            return
        if self.terminal:
            click.echo(f"{CLEAR}{NOTE}: {seconds:.0f} s", err=True, nl=False)
            self.shown = True
        elif not self.said:
            click.echo(f"note: {NOTE}", err=True)
        self.said = True

    def _clear(self) -> None:
        if self.shown:
            click.echo(CLEAR, err=True, nl=False)
            self.shown = False

    def end(self) -> None:
        """Say nothing more."""
        self.ended.set()
        if self.clock:
            self.clock.join()
        self._clear()


@contextlib.contextmanager
def compile_notes(hidden: bool) -> Iterator[None]:
    """Tell on stderr of compiling that takes longer than :data:`SILENT`, unless it is hidden."""
    if hidden:
        yield
        return
    note = CompileNote()
    watchers.append(note.tell)
    try:
        yield
    finally:
        watchers.remove(note.tell)
        note.end()
