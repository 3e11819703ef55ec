"""What commands share: options, the files they write, and how they end."""

import functools
import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import click
from click.core import ParameterSource

from ..base.errors import InputError
from ..files.writing import Write, check_target, write_together
from .output_folder import make_folder, plan_files
from .progress_bar import progress_bar
from .warning_lines import told_warnings

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from ..base.progress import Progress

Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def flag_option(flag: str, text: str, *name: str) -> Decorator:
    """Return an option without a value."""
    return click.option(flag, *name, is_flag=True, help=text)


driveline_option: Decorator = click.option(
    "--driveline",
    default="full",
    metavar="NAME|FILE",
    help="Demo driveline or TOML file (default full).",
)
overwrite_option = flag_option("--overwrite", "Replace files that are there already.")
json_option = flag_option("--json", "Print one JSON object, nothing else.", "as_json")
json_list_option = flag_option("--json", "Print a JSON list.", "as_json")
quiet_option = flag_option("--quiet", "Print no notes and no progress on stderr.")


def path_option(
    flag: str, metavar: str, text: str, *name: str, required: bool = False
) -> Decorator:
    """Return an option for a file or folder."""
    kind = click.Path(path_type=Path)
    return click.option(flag, *name, type=kind, metavar=metavar, help=text, required=required)


def count_option(flag: str, low: int, high: int | None, default: int, text: str) -> Decorator:
    """Return an option for a whole number with a default, which is added to the help."""
    kind, shown = click.IntRange(low, high), f"{text} (default {default})."
    return click.option(flag, type=kind, default=default, metavar="N", help=shown)


class Output(NamedTuple):
    """What a command is asked to write and to print."""

    out: Path | None
    overwrite: bool
    as_json: bool
    quiet: bool

    @property
    def silent(self) -> bool:
        """Whether notes and progress are left out."""
        return self.quiet or self.as_json

    def plan(self, stem: str, suffixes: Sequence[str]) -> list[Path]:
        """Return the files to write, see :func:`.output_folder.plan_files`."""
        return plan_files(self.out, stem, suffixes, self.overwrite)

    def progress(self, label: str) -> "AbstractContextManager[Progress]":
        """Compile what a solve needs, if that was never done; return a progress bar, if wanted."""
        from ..optimum.compile_ahead import compile_ahead

        compile_ahead()
        return progress_bar(label, hidden=self.silent)

    def write(self, files: Sequence[Path], writers: Callable[[], Iterable[Write]]) -> None:
        """Write the planned files together; without any, `writers` is not called."""
        if files:
            make_folder(files[0].parent)
            write_together(list(zip(files, writers(), strict=True)), self.overwrite)


def output_options(folder: str | None = None) -> Decorator:
    """Return a decorator with --overwrite, --json, --quiet and, with a help text, --out FOLDER.

    The command gets them as one argument, `output`.
    """
    options = [overwrite_option, json_option, quiet_option]
    if folder is not None:
        options.insert(0, path_option("--out", "FOLDER", folder, "folder"))

    def decorate(command: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(command)
        def gathered(
            *, overwrite: bool, as_json: bool, quiet: bool, folder: Path | None = None, **rest: Any
        ) -> Any:
            return command(output=Output(folder, overwrite, as_json, quiet), **rest)

        done: Callable[..., Any] = gathered
        for option in reversed(options):
            done = option(done)
        return done

    return decorate


def refuse_idle(because: str, *names: str) -> None:
    """Refuse options of the running command that have no effect, where they are given.

    Parameters
    ----------
    because
        What makes them idle, such as "without --repeat".
    names
        Of the parameters.

    Raises
    ------
    InputError
        One of them is on the command line.
    """
    context = click.get_current_context()
    for option in context.command.params:
        given = context.get_parameter_source(option.name or "") is ParameterSource.COMMANDLINE
        if option.name in names and given:
            raise InputError(f"{option.opts[0]} says nothing {because}; leave it out")


def check_file(flag: str, path: Path, suffixes: Iterable[str], overwrite: bool) -> str:
    """Return the suffix of a file to write, in small letters.

    Raises
    ------
    InputError
        It is none of `suffixes`, or the file cannot be written there.
    """
    *first, last = suffixes
    suffix = path.suffix.lower()
    if suffix not in (*first, last):
        allowed = f"{', '.join(first)} or {last}" if first else last
        raise InputError(f"{flag} {path}: give a name that ends in {allowed}")
    check_target(path, overwrite)
    return suffix


def wrote(as_json: bool, files: Sequence[Path], note: str = "") -> None:
    """Print the files written, a line each or as one JSON object."""
    if as_json:
        click.echo(json.dumps({"files": [str(path) for path in files]}))
        return
    for path in files:
        click.echo(f"wrote {path}{note}")


def finish(
    as_json: bool,
    files: Sequence[Path],
    record: Callable[[], Mapping[str, Any]],
    text: Callable[[], str],
) -> None:
    """Print one JSON object with files written and warnings, or a text and a line a file."""
    if as_json:
        more = {"files": [str(path) for path in files], "warnings": told_warnings()}
        click.echo(json.dumps({**record(), **more}, allow_nan=False))
        return
    click.echo(text())
    wrote(False, files)
