"""`hybridopt compare`: controllers against the optimum and the proved bound."""

import functools
import itertools
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.errors import FailedError, InputError
from ..files.writing import Write, file_stem
from .options import (
    Output,
    count_option,
    driveline_option,
    finish,
    flag_option,
    output_options,
    refuse_idle,
)
from .preview_options import PREVIEW, Foresight, preview_options, refuse_idle_preview
from .settings_options import make_settings, settings_options
from .tracks import achievable_option, read_tracks

if TYPE_CHECKING:
    from ..evaluation.compare import Comparison
    from ..inputs.cycle import Cycle

EXAMPLES = """\b
Examples:
  hybridopt compare wltc_class3b
  hybridopt compare udds --controller equivalence --controller mine.py:rule
  hybridopt compare drive.csv --controller rules.json --moments --out results
"""
STANDARD = (*("power_thresholds", "electric_power", "equivalence", "adaptive_equivalence"), PREVIEW)
SUFFIXES = (".csv", "_moments.csv", ".png")
LISTED = 10
TUNING = ("tuning", "evaluations", "seed")
IDLE = ("gears", "evaluations", "seed")  # where nothing is tuned and gears are not by lines


@click.command(short_help="Measure controllers against the optimum.", epilog=EXAMPLES)
@click.argument("cycles", nargs=-1, required=True, metavar="CYCLE...")
@click.option(
    "--controller",
    "sources",
    multiple=True,
    metavar="WHAT",
    help="A name, rule tables (.json, .nc, .cdfx or a folder of CSV files), solved schedule "
    "(.nc) or FILE.py:FUNCTION, whose code is executed; repeat for more (default: all "
    "named ones).",
)
@click.option(
    "--gears",
    type=click.Choice(["lines", "best", "follow"]),
    help="How named controllers choose gears: by up and down lines, with the split "
    "(equivalence factors only), or as the optimum does.",
)
@click.option(
    "--tune",
    "tuning",
    type=click.Choice(["all", "each", "none"]),
    default="all",
    help="Tune named controllers on all cycles together, on each by itself, or not (default all).",
)
@click.option(
    "--train",
    multiple=True,
    metavar="CYCLE",
    help="Tune named controllers on this cycle instead, and compare them on the others unseen; "
    "repeat for more.",
)
@count_option("--evaluations", 1, 1_000_000, 400, "Sets of parameters that a tuning tries")
@count_option("--seed", 0, None, 1, "Seed of the tuning")
@preview_options
@flag_option("--moments", "List the ten costliest moments of each controller.")
@driveline_option
@achievable_option
@flag_option(
    "--traces",
    "With --out, also write the traces of every drive (.nc), for plot, report and explore.",
)
@output_options("Write the table, the moments (.csv) and a plot (.png) there.")
@settings_options
def compare(
    cycles: tuple[str, ...],
    sources: tuple[str, ...],
    gears: str | None,
    train: tuple[str, ...],
    moments: bool,
    driveline: str,
    achievable: bool,
    traces: bool,
    output: Output,
    **given: Any,
) -> None:
    """Drive each CYCLE with controllers and report how far they are from the optimum, and where.

    Fuel is given as used and at equal final SoC. Named controllers are tuned first. Steps in
    which a controller asks for what the driveline cannot do are clipped and counted; where power is
    lacking, the vehicle drives slower and is compared with the optimum of that. What cannot be
    driven is named, and the exit code is then 1, or 2 where input of yours alone is at fault, such
    as the code of a controller. The controller `preview` knows the seconds to come and draws its
    maps from the cycles that the others are tuned on, with --tune none from the shipped training
    cycles.
    """
    tuning = {name: given.pop(name) for name in TUNING}
    foresight: Foresight = given.pop("foresight")
    _refuse_idle(sources, tuning["tuning"])
    from ..evaluation.case import OPTIMUM
    from ..evaluation.compare import compare as run
    from ..inputs.driveline_file import read_driveline
    from ..text.comparison import comparison_record, comparison_text, failure_line

    settings = make_settings(given)
    vehicle = read_driveline(driveline)
    read = functools.partial(
        read_tracks, vehicle=vehicle, settings=settings, achievable=achievable, quiet=output.silent
    )
    tracks, training = read(cycles), read(train)
    files = output.plan(f"compare_{file_stem(vehicle.name)}", SUFFIXES)
    controllers = read_controllers(sources or STANDARD, gears, output.silent)
    if PREVIEW in controllers:
        controllers[PREVIEW] = foresight.given_to(controllers[PREVIEW])
    drives = _plan_traces(tracks, vehicle.name, (OPTIMUM, *controllers), output) if traces else {}
    with output.progress("comparing") as progress:
        comparison = run(
            tracks, vehicle, controllers, settings, **tuning, train=training, progress=progress
        )
    failed = InputError if all(f.of_input for f in comparison.failures) else FailedError
    if not comparison.scores:
        raise failed("; ".join(failure_line(failure) for failure in comparison.failures))
    driven = {(score.cycle, score.controller) for score in comparison.scores}
    files += [path for drive, path in drives.items() if drive in driven]
    output.write(files, lambda: _writers(comparison)[: len(files)])
    listed = LISTED if moments else 0
    record = functools.partial(comparison_record, comparison)
    finish(output.as_json, files, record, lambda: comparison_text(comparison, listed))
    if comparison.failures:
        raise click.exceptions.Exit(failed.exit_code)


def _refuse_idle(sources: Sequence[str], tuning: str) -> None:
    """Refuse options that no controller is tuned or shaped by."""
    if tuning == "none":
        refuse_idle("with --tune none", "evaluations", "seed")
    from ..controllers.standard import names

    named = names().keys() & set(sources)
    if sources and not named:
        refuse_idle("without a named --controller", "gears", "tuning", "train")
    if named == {PREVIEW}:
        refuse_idle("with preview alone, which weighs gears itself and is not tuned", *IDLE)
    if sources and PREVIEW not in named:
        refuse_idle_preview()


def read_controllers(sources: Iterable[str], gears: str | None, quiet: bool) -> dict[str, Any]:
    """Return controllers by a short name: of a path only its last part, if that is free."""
    from ..evaluation.sources import is_code, read_controller

    controllers: dict[str, Any] = {}
    for source in dict.fromkeys(sources):
        if is_code(source) and not quiet:
            place = source.rpartition(":")[0]
            click.echo(f"note: running the code of {place} with your rights", err=True)
        short = Path(source).name
        controllers[source if short in controllers else short] = read_controller(source, gears)
    return controllers


def _plan_traces(
    tracks: "Sequence[Cycle]", vehicle: str, controllers: Iterable[str], output: Output
) -> dict[tuple[str, str], Path]:
    """Return the file of each cycle and controller, in the order of a comparison's scores."""
    if output.out is None:
        raise InputError("--traces needs --out FOLDER to write them to")
    files = {}
    for drive in itertools.product([track.name for track in tracks], controllers):
        cycle, controller = map(file_stem, drive)
        stem = f"{cycle}_{file_stem(vehicle)}_{controller}"
        (files[drive],) = output.plan(stem, (".nc",))
    return files


def _writers(comparison: "Comparison") -> list[Write]:
    """Return what writes the files of :data:`SUFFIXES`, then the traces of each drive."""
    from ..plots.axes import figure_writer
    from ..plots.comparison import plot_comparison
    from ..text.comparison import moments_writer, scores_writer

    return [
        scores_writer(comparison),
        moments_writer(comparison),
        figure_writer(plot_comparison(comparison)),
        *(score.result.write_netcdf for score in comparison.scores),
    ]
