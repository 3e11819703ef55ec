"""An interrupt ends a command also where Python can only report it (see `sys.unraisablehook`)."""

import contextlib
import ctypes
import signal
import sys
import time

import click
import pytest

from hybridopt.cli import interrupts
from hybridopt.cli.interrupts import no_interrupt_lost
from hybridopt.cli.main import INTERRUPTED, main


def call_back(error):
    """Raise an error in a function that a C library calls: Python reports it and goes on."""

    def raises():
        raise error

    ctypes.CFUNCTYPE(None)(raises)()


def test_an_interrupt_in_a_callback_of_a_library_is_made_again():
    with pytest.raises(KeyboardInterrupt), no_interrupt_lost():
        call_back(KeyboardInterrupt)
        time.sleep(20)


def test_an_interrupt_that_is_swallowed_comes_again(monkeypatch):
    monkeypatch.setattr(interrupts, "LATE", 0.2)
    with pytest.raises(KeyboardInterrupt), no_interrupt_lost():
        with contextlib.suppress(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
        time.sleep(20)


def test_an_interrupt_that_becomes_an_error_is_told_as_one(monkeypatch, capsys):
    """As a compiled module does it: ImportError: initialization failed."""

    def loads():
        try:
            signal.raise_signal(signal.SIGINT)
        except KeyboardInterrupt as interrupt:
            raise ImportError("initialization failed") from interrupt

    monkeypatch.setitem(main.commands, "loads", click.Command("loads", callback=loads))
    with pytest.raises(SystemExit) as left:
        main(["loads"])
    assert left.value.code == INTERRUPTED
    assert capsys.readouterr().err == "error: interrupted\n"


def test_other_errors_are_reported_as_before(monkeypatch):
    reported = []
    monkeypatch.setattr(sys, "unraisablehook", reported.append)
    with no_interrupt_lost():
        call_back(ValueError)
    assert [lost.exc_type for lost in reported] == [ValueError]
    call_back(KeyError)
    assert len(reported) == 2
