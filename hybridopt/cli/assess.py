"""`hybridopt assess` and `hybridopt strategy`: what a measured car lost, and its rules."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.errors import InputError
from ..files.writing import Write, file_stem
from .options import (
    Output,
    check_file,
    count_option,
    driveline_option,
    finish,
    output_options,
    path_option,
    refuse_idle,
)
from .recording_options import LogReading, recording_options
from .settings_options import make_settings, settings_options

if TYPE_CHECKING:
    from ..measured_car.assess import Assessment

ASSESS_EXAMPLES = """\b
Examples:
  hybridopt assess drive.csv --driveline car.toml
  hybridopt assess drive.mf4 --driveline car.toml --out results
  hybridopt assess drive.csv --driveline car.toml --uncertainty identified.json --json
"""
STRATEGY_EXAMPLES = """\b
Examples:
  hybridopt strategy drive.csv --driveline car.toml --out rules.json
  hybridopt strategy monday.csv tuesday.csv --driveline car.toml --out rules.nc
"""
SUFFIXES = (".nc", "_optimum.nc", "_cycle.csv", "_moments.csv", ".png")


@click.command(short_help="Judge a measured car's own strategy.", epilog=ASSESS_EXAMPLES)
@click.argument("log", type=click.Path(path_type=Path))
@driveline_option
@recording_options
@path_option(
    "--uncertainty",
    "FILE",
    "Intervals of the driveline's parameters, as `identify --json` prints them, for a band.",
)
@count_option("--draws", 2, 1000, 20, "Sets of parameters drawn for the band")
@output_options("Write traces (.nc), the cycle and the moments (.csv) and a plot (.png) there.")
@settings_options
def assess(
    log: Path,
    driveline: str,
    reading: LogReading,
    uncertainty: Path | None,
    draws: int,
    output: Output,
    **given: Any,
) -> None:
    """Replay what the car did in LOG through its model, between optimum and proved bound.

    Engine state, gear and split of every step are read from the channels there are; what the
    model cannot do is clipped and counted, what was not measured is assumed and said. SoC and gear
    at the start are those measured. Fit the driveline to the car first.
    """
    if uncertainty is None:
        refuse_idle("without --uncertainty", "draws")
    from ..inputs.driveline_file import read_driveline
    from ..measured_car.assess import assess as run
    from ..measured_car.intervals_file import read_intervals
    from ..text.assessment import assessment_record, assessment_text

    settings = make_settings(given)
    vehicle = read_driveline(driveline)
    intervals = None if uncertainty is None else read_intervals(uncertainty)
    recording = reading.read(log, vehicle.fuel.density)
    files = output.plan(f"{file_stem(recording.name)}_{file_stem(vehicle.name)}_car", SUFFIXES)
    with output.progress("assessing") as progress:
        found = run(recording, vehicle, settings, intervals, draws, progress)
    output.write(files, lambda: _writers(found))
    finish(output.as_json, files, lambda: assessment_record(found), lambda: assessment_text(found))


def _writers(found: "Assessment") -> list[Write]:
    """Return what writes the files of :data:`SUFFIXES`."""
    from ..inputs.cycle_writing import cycle_writer
    from ..plots.axes import figure_writer
    from ..plots.measured_car import plot_assessment
    from ..text.assessment import places_writer

    return [
        found.score.result.write_netcdf,
        found.optimum.write_netcdf,
        cycle_writer(found.driven.cycle, [f"as driven in {found.recording.name}"]),
        places_writer(found),
        figure_writer(plot_assessment(found)),
    ]


@click.command(short_help="Estimate a measured car's rules.", epilog=STRATEGY_EXAMPLES)
@click.argument("logs", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="LOG...")
@driveline_option
@recording_options
@path_option("--out", "FILE", "Rule tables to write, .json or .nc.", required=True)
@click.option("--title", default="", metavar="TEXT", help="Name of the tables.")
@output_options()
def strategy(
    logs: tuple[Path, ...],
    driveline: str,
    reading: LogReading,
    out: Path,
    title: str,
    output: Output,
) -> None:
    """Estimate the rules of the car in LOGs: thresholds, split and shift lines.

    They have the form of distilled tables: `verify`, `compare`, `export` and editing work on them.
    Entries that no data reached are marked as filled.
    """
    from ..inputs.driveline_file import read_driveline
    from ..measured_car.strategy import strategy as run
    from ..tables.files import write_json, write_netcdf
    from ..text.car_strategy import strategy_record, strategy_text

    suffix = check_file("--out", out, (".json", ".nc"), output.overwrite)
    if len({path.resolve() for path in logs}) < len(logs):
        raise InputError("strategy: a log is given twice; give each once")
    vehicle = read_driveline(driveline)
    recordings = [reading.read(log, vehicle.fuel.density) for log in logs]
    with output.progress("estimating") as progress:
        found = run(recordings, vehicle, title, progress)
    write = write_json if suffix == ".json" else write_netcdf
    write(found.rules, out, overwrite=output.overwrite)
    finish(output.as_json, [out], lambda: strategy_record(found), lambda: strategy_text(found))
