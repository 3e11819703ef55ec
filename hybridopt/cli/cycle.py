"""`hybridopt cycle`: cycles from recorded logs, and the trips in them."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.errors import InputError
from ..base.units import KM_PER_H
from ..files.writing import Write, bytes_writer, check_target, file_stem, write_together
from ..text.record import json_ready
from ..text.table import table, terminal_width
from .options import finish, json_option, overwrite_option, path_option
from .output_folder import make_folder
from .route import route

if TYPE_CHECKING:
    from ..inputs.cycle import Cycle
    from ..measurements.channels import ColumnRequest
    from ..measurements.drive import ImportedDrive
    from ..measurements.trips import Trip

FACTORS = {"standstill": KM_PER_H}
"""Multiply an option of `import` by its factor to get the value of `Cleaning`."""
IMPORT_EXAMPLES = """\b
Examples:
  hybridopt cycle import drive.csv --out cycle.csv --plot drive.png
  hybridopt cycle import drive.mf4 --channel speed=v_ref:km/h --out cycle.csv
  hybridopt cycle import drive.csv --map car.toml --part longest --out cycle.csv
"""

TRIPS_EXAMPLE = "\b\nExample:\n  hybridopt cycle trips cycle.csv --choose 5 --out trips"


@click.group(
    short_help="Make cycles from logs, and look at their trips.",
    epilog="\b\nExample:\n  hybridopt cycle import drive.csv --out cycle.csv",
)
def cycle() -> None:
    """Make cycles from recorded logs, and look at the trips in them."""


def _number(flag: str, name: str, metavar: str, text: str) -> Callable[..., Any]:
    return click.option(flag, name, type=float, metavar=metavar, help=text)


cycle.add_command(route)


@cycle.command("import", short_help="Make a cycle from a log.", epilog=IMPORT_EXAMPLES)
@click.argument("log", type=click.Path(path_type=Path))
@path_option("--out", "FILE", "Write the cycle there (.csv).")
@path_option("--plot", "FILE", "Draw the drive before and after (.png).")
@click.option(
    "--channel",
    "channels",
    multiple=True,
    metavar="SIGNAL=NAME[:UNIT]",
    help="Column of a signal: time, speed, altitude or grade (none: leave it out).",
)
@path_option("--map", "FILE", "Mapping file (.toml) with columns and units.", "map_file")
@path_option("--save-map", "FILE", "Write the mapping used, for the next log.")
@click.option("--part", default="", metavar="N|longest", help="Which part of a log with long gaps.")
@_number("--step", "step", "S", "Time step of the cycle (default 1).")
@_number("--bandwidth", "bandwidth", "HZ", "Low-pass of speed; 0 for none (default 0.5).")
@_number("--bridge", "bridge", "S", "Longest gap or spike to close (default 3).")
@_number("--jitter", "jitter", "S", "Backward steps of time up to this are sorted (default 2).")
@_number("--max-acceleration", "gain_max", "M/S2", "Largest real gain of speed (default 6).")
@_number("--max-braking", "loss_max", "M/S2", "Largest real loss of speed (default 11).")
@_number("--standstill", "standstill", "KM/H", "Smaller speeds count as rest (default 0.5).")
@_number(
    "--grade-length", "grade_length", "M", "Road over which altitude is smoothed (default 200)."
)
@overwrite_option
@json_option
def import_log(
    log: Path,
    channels: tuple[str, ...],
    map_file: Path | None,
    overwrite: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Make a cycle from LOG: CSV or other text, GPX, or ASAM MDF 3 and 4 (needs hybridopt[mdf]).

    Prints the columns taken, the units converted, and every change of the data with its number.
    Columns not named are found by the words in their names; nothing is guessed about the unit of
    speed but that a scanner's whole numbers are km/h, as ISO 15031-5 has it.
    """
    from ..measurements.drive import Cleaning, import_drive
    from ..text.import_report import report_lines, report_record

    targets = {name: given.pop(name) for name in ("out", "plot", "save_map")}
    files = [path for path in targets.values() if path is not None]
    if len({path.resolve() for path in files}) < len(files):
        raise InputError("--out, --plot and --save-map name the same file; give each its own")
    for path in files:
        check_target(path, overwrite)
    part = given.pop("part")
    values = {k: v * FACTORS.get(k, 1.0) for k, v in given.items() if v is not None}
    drive = import_drive(log, named_channels(channels, map_file), Cleaning(**values, part=part))
    write_together(_writers(drive, **targets), overwrite)
    finish(as_json, files, lambda: report_record(drive), lambda: "\n".join(report_lines(drive)))


def named_channels(
    options: Sequence[str], map_file: Path | None, signals: Sequence[str] = ()
) -> "dict[str, tuple[ColumnRequest, str]]":
    """Return what the user says of each signal; an option wins over the mapping file.

    Options name one of `signals`, by default those of a cycle.
    """
    from ..measurements.channels import SIGNALS, read_map, read_option

    given = {}
    if map_file is not None:
        given = {signal: (one, "map") for signal, one in read_map(map_file).items()}
    named = [read_option(text, signals or SIGNALS) for text in options]
    said = [signal for signal, _ in named]
    for signal in said:
        if said.count(signal) > 1:
            raise InputError(f"--channel {signal} is given {said.count(signal)} times; keep one")
    return given | {signal: (one, "option") for signal, one in named}


def _writers(
    drive: "ImportedDrive", out: Path | None, plot: Path | None, save_map: Path | None
) -> list[tuple[Path, Write]]:
    """Return what writes each file asked for."""
    targets: list[tuple[Path, Write]] = []
    if out is not None:
        from ..inputs.cycle_writing import cycle_writer
        from ..text.import_report import report_lines

        targets.append((out, cycle_writer(drive.cycle, report_lines(drive))))
    if plot is not None:
        from ..plots.axes import figure_writer
        from ..plots.before_after import plot_drive

        targets.append((plot, figure_writer(plot_drive(drive))))
    if save_map is not None:
        from ..measurements.channels import map_text

        text = map_text(drive.choices)
        targets.append((save_map, bytes_writer(text.encode())))
    return targets


@cycle.command("trips", short_help="Cut a cycle at its stops; choose trips.", epilog=TRIPS_EXAMPLE)
@click.argument("source", metavar="CYCLE")
@click.option(
    "--choose",
    type=click.IntRange(1, 100),
    metavar="N",
    help="Choose N trips that stand for all, for training.",
)
@path_option("--out", "FOLDER", "Write the trips (the chosen ones, or all) there, one CSV each.")
@overwrite_option
@json_option
def trips(
    source: str, choose: int | None, out: Path | None, overwrite: bool, as_json: bool
) -> None:
    """Cut CYCLE, a schedule's name or a CSV file, at its stops, and describe each trip.

    A trip is a rest and the drive up to the next rest. RPA is relative positive acceleration,
    v*a the 95th percentile of speed times acceleration where that is above 0.1 m/s2.
    """
    from ..inputs.cycle import read_cycle
    from ..measurements.trips import choose_trips, cut_trips, describe

    cycle = read_cycle(source)
    found, whole = cut_trips(cycle), describe(cycle)
    chosen, shares = choose_trips(found, choose) if choose else (range(len(found)), ())
    files = _write_trips(cycle, {i + 1: found[i] for i in chosen}, out, overwrite)
    share = dict(zip(chosen, shares, strict=False))
    records = [
        json_ready(x.record() | {"share_of_time": share.get(i)}) for i, x in enumerate(found)
    ]
    finish(
        as_json,
        files,
        lambda: {
            "cycle": cycle.name,
            "whole": json_ready(whole.record()),
            "trips": records,
            "chosen": list(chosen) if choose else None,
        },
        lambda: _trip_table(found, share, whole),
    )


def _write_trips(
    cycle: "Cycle", chosen: "Mapping[int, Trip]", out: Path | None, overwrite: bool
) -> list[Path]:
    """Write trips, by their number, to a folder; return the files."""
    if out is None:
        return []
    from ..inputs.cycle_writing import cycle_writer

    if not out.parent.is_dir() or (out.exists() and not out.is_dir()):
        raise InputError(f"--out {out}: give a folder, in a folder that exists")
    make_folder(out)
    targets = {
        out / f"{file_stem(cycle.name)}_trip_{number}.csv": cycle_writer(
            trip.cycle, [f"{cycle.name} from {trip.start:.10g} s on"]
        )
        for number, trip in chosen.items()
    }
    write_together(list(targets.items()), overwrite)
    return list(targets)


HEADER = (
    "trip, start s, s, km, mean km/h, max km/h, max m/s2, RPA m/s2, v*a m2/s3, stands for"
).split(", ")


def _trip_table(found: "Sequence[Trip]", share: Mapping[int, float], whole: "Trip") -> str:
    rows = []
    for i, trip in enumerate([*found, whole]):
        note = "" if trip.whole or trip is whole else "cut off"
        values = (
            f"{trip.start:.0f}",
            f"{trip.duration:.0f}",
            f"{trip.distance / 1e3:.3f}",
            f"{trip.mean_speed / KM_PER_H:.1f}",
            f"{trip.max_speed / KM_PER_H:.1f}",
            f"{trip.max_gain:.2f}",
            f"{trip.rpa:.3f}",
            f"{trip.v_a_95:.2f}",
            f"{100.0 * share[i]:.1f} % of time" if i in share else note,
        )
        rows.append(["all" if trip is whole else str(i + 1), *values])
    foot = (
        f"{whole.stops_per_km:.2f} stops per km, at rest {100.0 * whole.rest_share:.1f} % of time"
    )
    return f"{table(HEADER, rows, terminal_width())}\n{foot}"
