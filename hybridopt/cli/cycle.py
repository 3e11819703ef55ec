"""`hybridopt cycle`: cycles from recorded logs, and the trips in them."""

import json
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.errors import FailedError, InputError
from ..base.units import KM_PER_H
from ..files.writing import Write, check_target, file_stem, write_together
from ..text.table import table, terminal_width

if TYPE_CHECKING:
    from ..measurements.channels import Channel
    from ..measurements.drive import ImportedDrive
    from ..measurements.trips import Trip

FACTORS = {"standstill": KM_PER_H}
"""Multiply an option of `import` by its factor to get the cleaning's figure."""
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


def _figure(flag: str, name: str, metavar: str, text: str) -> Callable[..., Any]:
    return click.option(flag, name, type=float, metavar=metavar, help=text)


@cycle.command("import", short_help="Make a cycle from a log.", epilog=IMPORT_EXAMPLES)
@click.argument("log", type=click.Path(path_type=Path))
@click.option(
    "--out", type=click.Path(path_type=Path), metavar="FILE", help="Write the cycle there (.csv)."
)
@click.option(
    "--plot",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Draw the drive before and after (.png).",
)
@click.option(
    "--channel",
    "channels",
    multiple=True,
    metavar="SIGNAL=NAME[:UNIT]",
    help="Column of a signal: time, speed, altitude or grade.",
)
@click.option(
    "--map",
    "map_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Mapping file (.toml) with columns and units.",
)
@click.option(
    "--save-map",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write the mapping used, for the next log.",
)
@click.option("--part", metavar="N|longest", help="Which part of a log that has long gaps.")
@_figure("--step", "step", "S", "Time step of the cycle (default 1).")
@_figure("--bandwidth", "bandwidth", "HZ", "Low-pass of speed; 0 for none (default 0.5).")
@_figure("--bridge", "bridge", "S", "Longest gap or spike to close (default 3).")
@_figure("--jitter", "jitter", "S", "Backward steps of time up to this are sorted (default 2).")
@_figure("--max-acceleration", "gain_max", "M/S2", "Largest real gain of speed (default 6).")
@_figure("--max-braking", "loss_max", "M/S2", "Largest real loss of speed (default 11).")
@_figure("--standstill", "standstill", "KM/H", "Smaller speeds count as rest (default 0.5).")
@_figure(
    "--grade-length", "grade_length", "M", "Road over which altitude is smoothed (default 200)."
)
@click.option("--overwrite", is_flag=True, help="Replace files that are there already.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, nothing else.")
def import_log(
    log: Path,
    out: Path | None,
    plot: Path | None,
    channels: tuple[str, ...],
    map_file: Path | None,
    save_map: Path | None,
    overwrite: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Make a cycle from LOG: CSV or other text, or ASAM MDF 3 and 4 (needs hybridopt[mdf]).

    Prints the columns taken, the units converted, and every change of the data with its number.
    Columns not named are found by usual names; nothing is guessed about the unit of speed.
    """
    from ..measurements.drive import Cleaning, import_drive
    from ..text.import_report import report_lines, report_record

    targets = [path for path in (out, plot, save_map) if path is not None]
    if len({path.resolve() for path in targets}) < len(targets):
        raise InputError("--out, --plot and --save-map name the same file; give each its own")
    for path in targets:
        check_target(path, overwrite)
    figures = {
        k: v * FACTORS.get(k, 1.0) for k, v in given.items() if k != "part" and v is not None
    }
    cleaning = Cleaning(**figures, part=given["part"] or "")
    drive = import_drive(log, _channels(channels, map_file), cleaning)
    _write(drive, out, plot, save_map, overwrite)
    if as_json:
        record = report_record(drive) | {"files": [str(path) for path in targets]}
        click.echo(json.dumps(record, allow_nan=False))
        return
    click.echo("\n".join(report_lines(drive)))
    for path in targets:
        click.echo(f"wrote {path}")


def _channels(options: Sequence[str], map_file: Path | None) -> "dict[str, tuple[Channel, str]]":
    """Return what the user says of each signal; an option wins over the mapping file."""
    from ..measurements.channels import read_map, read_option

    given = {}
    if map_file is not None:
        given = {signal: (one, "map") for signal, one in read_map(map_file).items()}
    named = [read_option(text) for text in options]
    signals = [signal for signal, _ in named]
    for signal in signals:
        if signals.count(signal) > 1:
            raise InputError(f"--channel {signal} is given {signals.count(signal)} times; keep one")
    return given | {signal: (one, "option") for signal, one in named}


def _write(
    drive: "ImportedDrive",
    out: Path | None,
    plot: Path | None,
    save_map: Path | None,
    overwrite: bool,
) -> None:
    """Write what is asked for; no file gets its name before all are whole."""
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
        targets.append((save_map, lambda path: path.write_text(text, encoding="utf-8")))
    write_together(targets, overwrite)


@cycle.command("trips", short_help="Cut a cycle at its stops; choose trips.", epilog=TRIPS_EXAMPLE)
@click.argument("source", metavar="CYCLE")
@click.option(
    "--choose",
    type=click.IntRange(1, 100),
    metavar="N",
    help="Choose N trips that stand for all, for training.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Write the trips (the chosen ones, or all) there, one CSV each.",
)
@click.option("--overwrite", is_flag=True, help="Replace files that are there already.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, nothing else.")
def trips(
    source: str, choose: int | None, out: Path | None, overwrite: bool, as_json: bool
) -> None:
    """Cut CYCLE, a schedule's name or a CSV file, at its stops, and describe each trip.

    A trip is a rest and the drive up to the next rest. RPA is relative positive acceleration,
    v*a the 95th percentile of speed times acceleration where that is above 0.1 m/s2.
    """
    from ..inputs.cycle import read_cycle
    from ..measurements.trips import choose_trips, cut_trips, describe

    whole = read_cycle(source)
    found = cut_trips(whole)
    chosen, weights = choose_trips(found, choose) if choose else (range(len(found)), None)
    files = _write_trips(whole.name, {i + 1: found[i] for i in chosen}, out, overwrite)
    share = dict(zip(chosen, weights, strict=True)) if weights is not None else {}
    if as_json:
        record = {
            "cycle": whole.name,
            "whole": describe(whole).record(),
            "trips": [x.record() | {"share_of_time": share.get(i)} for i, x in enumerate(found)],
            "chosen": list(chosen) if choose else None,
            "files": [str(path) for path in files],
        }
        click.echo(json.dumps(_without_nan(record), allow_nan=False))
        return
    click.echo(_trip_table(found, share, whole))
    for path in files:
        click.echo(f"wrote {path}")


def _without_nan(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_nan(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_without_nan(item) for item in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def _write_trips(
    name: str, chosen: "dict[int, Trip]", out: Path | None, overwrite: bool
) -> list[Path]:
    """Write trips, by their number, to a folder; return the files."""
    if out is None:
        return []
    from ..inputs.cycle_writing import cycle_writer

    if not out.parent.is_dir() or (out.exists() and not out.is_dir()):
        raise InputError(f"--out {out}: give a folder, in a folder that exists")
    try:
        out.mkdir(exist_ok=True)
    except OSError as error:
        raise FailedError(f"{out}: the folder could not be made ({error.strerror})") from None
    files = [out / f"{file_stem(name)}_trip_{number}.csv" for number in chosen]
    writers = [
        cycle_writer(trip.cycle, [f"{name} from {trip.start:.10g} s on"])
        for trip in chosen.values()
    ]
    write_together(list(zip(files, writers, strict=True)), overwrite)
    return files


def _trip_table(found: "Sequence[Trip]", share: dict[int, float], whole: Any) -> str:
    from ..measurements.trips import describe

    header = [
        "trip",
        "start s",
        "s",
        "km",
        "mean km/h",
        "max km/h",
        "max m/s2",
        "RPA m/s2",
        "v*a m2/s3",
        "stands for",
    ]
    rows = []
    for name, trip in [*((str(i + 1), t) for i, t in enumerate(found)), ("all", describe(whole))]:
        index = int(name) - 1 if name != "all" else -1
        note = f"{100.0 * share[index]:.1f} % of time" if index in share else ""
        note = note or ("" if trip.whole or name == "all" else "cut off")
        rows.append(
            [
                name,
                f"{trip.start:.0f}",
                f"{trip.duration:.0f}",
                f"{trip.distance / 1e3:.3f}",
                f"{trip.mean_speed / KM_PER_H:.1f}",
                f"{trip.max_speed / KM_PER_H:.1f}",
                f"{trip.max_gain:.2f}",
                f"{trip.rpa:.3f}",
                f"{trip.v_a_95:.2f}",
                note,
            ]
        )
    stops = describe(whole).stops_per_km
    foot = f"\n{stops:.2f} stops per km, at rest {100.0 * describe(whole).rest_share:.1f} % of time"
    return table(header, rows, terminal_width()) + foot
