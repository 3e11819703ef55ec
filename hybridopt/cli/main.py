"""The command `hybridopt`: its commands, and how errors and warnings reach the user."""

import contextlib
import io
import math
import os
import sys
import traceback
from typing import Any, NoReturn

import click

from ..base.errors import FailedError, HybridoptError, InputError
from ..base.platform import memory_room
from .assess import assess, strategy
from .audit import audit
from .check import check
from .compare import compare
from .compile_note import compile_notes
from .cycle import cycle
from .cycles import cycles, drivelines
from .deplete import deplete
from .distil import distil
from .edit import edit
from .explore import explore
from .export import export
from .foresight import foresight
from .guide import guide
from .identify import identify
from .interrupts import comes_of_interrupt, no_interrupt_lost
from .launch import launch
from .limit import limit
from .log import log
from .map import map_group
from .plot import plot
from .report import report
from .solve import solve
from .study import study
from .variants import variants
from .verify import verify
from .warning_lines import warnings_as_lines
from .worth import worth

INTERRUPTED = 130
LEAST_MEMORY = 1e9  # bytes a process must be able to address; with less, libraries hang or abort
_NO_ROOM = ("failed to map segment", "can't start new thread", "libllvmlite", "Cannot allocate")
"""What errors say that a limit of memory causes."""


class Program(click.Group):
    """A group of commands that ends every failure with one line and a fitting exit code."""

    def main(self, *args: Any, **extra: Any) -> NoReturn:
        """Run a command and leave with 0 (done), 1 (failed), 2 (wrong usage or input) or 130."""
        extra["standalone_mode"] = False
        _show_what_it_can()
        given = args[0] if args else extra.get("args")
        words = [str(word) for word in (sys.argv[1:] if given is None else given)]
        if given is None:
            _leave_out_dask(words)
        try:
            _see_memory(words)
            with no_interrupt_lost(), warnings_as_lines(), compile_notes(hidden=_is_quiet(words)):
                outcome = super().main(*args, **extra)
        except Exception as error:  # the border of the program: no traceback goes beyond it
            if os.environ.get("HYBRIDOPT_DEBUG"):
                traceback.print_exc()
            sentence, code = _explain(error)
            click.echo(f"error: {sentence}".replace("\n", " "), err=True)
            sys.exit(code)
        sys.exit(outcome if isinstance(outcome, int) else 0)


def _explain(error: Exception) -> tuple[str, int]:
    """Return the sentence and the exit code for an exception."""
    match error:
        case InputError() if len(error.sentences) > 1:
            return f"{error}; hybridopt check lists all", error.exit_code
        case HybridoptError():
            return str(error), error.exit_code
        case click.Abort():
            exec("")  # or Python, interrupted in an exec of some import, would end by the signal
            return "interrupted", INTERRUPTED
        case click.UsageError():
            command = error.ctx.command_path if error.ctx else "hybridopt"
            return f"{error.format_message().rstrip('.')}; see {command} --help", error.exit_code
        case click.ClickException():
            return error.format_message(), error.exit_code
        case MemoryError():
            return "the memory of this machine ran out; use fewer SoC points or splits", 1
        case Exception() if _is_for_want_of_room(error):
            return _too_little(memory_room()), 1
        case OSError():
            _give_up_stdout()
            return f"reading or writing failed ({error.strerror or error})", 1
        case _ if comes_of_interrupt(error):
            return "interrupted", INTERRUPTED
    return (
        f"unexpected {type(error).__name__}: {' '.join(str(error).split())}; "
        "this is a fault of the program, set HYBRIDOPT_DEBUG=1 to see where",
        1,
    )


def _see_memory(words: list[str]) -> None:
    """See that what a command needs fits where memory is limited, as `ulimit -v` does it.

    Raises
    ------
    FailedError
        It does not.
    """
    room = memory_room()
    if math.isinf(room):
        return
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # each thread reserves memory
    light = not words or words[0] == "guide" or {"-h", "--help", "--version"} & set(words)
    if room < LEAST_MEMORY and not light:
        raise FailedError(_too_little(room))


def _is_for_want_of_room(error: Exception) -> bool:
    said = str(error)
    return not math.isinf(memory_room()) and any(words in said for words in _NO_ROOM)


def _too_little(room: float) -> str:
    return (
        f"a process may use {room / 1e6:.0f} MB of memory here, which is too little; raise the "
        f"limit (ulimit -v) to {LEAST_MEMORY / 1e6:.0f} MB at least, better to three times that"
    )


def _is_quiet(words: list[str]) -> bool:
    """Return whether stderr is to have no notes: it is asked for, or a program reads the JSON."""
    return "--quiet" in words or ("--json" in words and not sys.stderr.isatty())


def _leave_out_dask(words: list[str]) -> None:
    """Have a solve not import dask.

    Where it is installed, xarray imports its arrays with the first array of any kind, which takes
    as long as a fifth of a short solve. Commands that may run a user's code are left alone.
    """
    if words[:1] == ["solve"]:
        sys.modules.setdefault("dask", None)  # type: ignore[arg-type]


def _show_what_it_can() -> None:
    """Have letters that the terminal's encoding lacks shown as question marks, not as errors."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def _give_up_stdout() -> None:
    """Close standard output, so that what it could not take is not tried again at exit."""
    with contextlib.suppress(OSError, ValueError):
        sys.stdout.close()


@click.group(
    name="hybridopt",
    cls=Program,
    epilog="\b\nExample:\n  hybridopt solve wltc_class3b --driveline full --out results",
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(package_name="hybridopt", message="%(package)s %(version)s")
@click.pass_context
def main(context: click.Context) -> None:
    """Find the least-fuel schedule of a parallel hybrid over a driving cycle."""
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


_SOLVING = (solve, compare, foresight, limit, study, variants, deplete)
_TABLES = (distil, verify, worth, edit, export)
_MEASURED = (assess, strategy)
_SHOWING = (plot, report, explore, launch, audit, guide)
_INPUTS = (cycle, log, cycles, drivelines, check, map_group, identify)
for _command in (*_SOLVING, *_TABLES, *_MEASURED, *_SHOWING, *_INPUTS):
    main.add_command(_command)
