"""What is said while kernels are compiled for the first time."""

import io
import os
import subprocess
import sys
import time
from types import SimpleNamespace

import numba
import numpy as np
import pytest

from hybridopt.base.compiled import kernel
from hybridopt.base.compiling import is_compiled, watchers
from hybridopt.cli import compile_note

ENVIRONMENT = dict(os.environ)


class Stream(io.StringIO):
    terminal = False

    def isatty(self):
        return self.terminal


@pytest.fixture(params=[False, True], ids=["file", "terminal"])
def stderr(request, monkeypatch):
    stream = Stream()
    stream.terminal = request.param
    monkeypatch.setattr(compile_note, "sys", SimpleNamespace(stderr=stream))

    def echo(text, err, nl=True):
        assert err, "nothing of this goes to standard output"
        stream.write(text + ("\n" if nl else ""))

    monkeypatch.setattr(compile_note.click, "echo", echo)
    monkeypatch.setattr(compile_note, "SILENT", 0.05)
    monkeypatch.setattr(compile_note, "EVERY", 0.02)
    return stream


def compiling(seconds):
    """Be a compiler that compiles something within something."""
    for tell in watchers:
        tell(True)
        tell(True)
    time.sleep(seconds)
    for tell in watchers:
        tell(False)
        tell(False)


def test_a_long_compiling_is_announced(stderr):
    with compile_note.compile_notes(hidden=False):
        compiling(0.4)
        compiling(0.1)
    text = stderr.getvalue()
    assert text.count("once after an installation") == (
        1 if not stderr.terminal else text.count(" s")
    )
    if stderr.terminal:
        assert text.count(" s") > 2 and text.endswith(compile_note.CLEAR)
    else:
        assert text == f"note: {compile_note.NOTE}\n"
    assert not watchers


def test_a_short_one_is_not(stderr):
    with compile_note.compile_notes(hidden=False):
        compiling(0.01)
    assert stderr.getvalue() == ""


def test_a_hidden_one_is_not(stderr):
    with compile_note.compile_notes(hidden=True):
        compiling(0.2)
    assert stderr.getvalue() == ""


def test_numba_tells_when_it_compiles(monkeypatch, tmp_path):
    told = []
    monkeypatch.setattr(numba.config, "CACHE_DIR", str(tmp_path))
    monkeypatch.setattr("hybridopt.base.compiled.watchers", [told.append])

    @kernel
    def twice(x):
        return 2.0 * x

    assert not is_compiled(twice) and told == []
    assert twice(np.float64(4.0)) == 8.0
    assert told[0] is True and told[-1] is False and sum(told) * 2 == len(told)


FRESH = """
import sys
sys.argv = ["hybridopt", "launch"CACHE]
from hybridopt.cli import compile_note
compile_note.SILENT = compile_note.EVERY = 0.01
from hybridopt.cli.main import main
main()
"""


@pytest.mark.long
def test_a_first_run_of_any_command_says_so(tmp_path):
    """`launch` with an empty cache; a second run says nothing, nor does one for a program."""
    outcomes = [
        subprocess.run(
            [sys.executable, "-c", FRESH.replace("CACHE", cache)],
            capture_output=True,
            text=True,
            check=True,
            env=ENVIRONMENT | {"NUMBA_CACHE_DIR": str(tmp_path / name)},
        )
        for name, cache in (("a", ""), ("a", ""), ("b", ', "--json"'))
    ]
    assert [outcome.stderr for outcome in outcomes] == [f"note: {compile_note.NOTE}\n", "", ""]
    assert outcomes[0].stdout == outcomes[1].stdout and outcomes[2].stdout.startswith("{")
