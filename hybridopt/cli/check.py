"""`hybridopt check`: whether driveline and cycle files are fit for use."""

import json
import warnings
from pathlib import Path
from typing import Any

import click

from ..base.errors import InputError
from ..base.units import AH, KM_PER_H
from ..base.warning import InputWarning
from .options import json_list_option


@click.command(epilog="\b\nExample:\n  hybridopt check my_car.toml commute.csv")
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@click.option(
    "--driveline",
    metavar="NAME|FILE",
    help="Also report whether this driveline can follow the cycles.",
)
@json_list_option
def check(files: tuple[str, ...], driveline: str | None, as_json: bool) -> None:
    """Check driveline files (.toml) and cycle files (.csv).

    Prints one line per file; the exit code is 2 when any of them is wrong, or when a cycle
    cannot be followed within 2 km/h and 1 s by the driveline given.
    """
    records = [_check(name, driveline) for name in files]
    if as_json:
        click.echo(json.dumps(records))
    else:
        for record in records:
            _show(record)
    if not all(record["ok"] for record in records):
        raise click.exceptions.Exit(InputError.exit_code)


def _check(name: str, driveline: str | None) -> dict[str, Any]:
    """Return the verdict on a file, with the values or the sentence that goes with it."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", InputWarning)
        try:
            ok, text = True, _describe(Path(name), driveline)
        except InputError as error:
            ok, text = False, str(error)
    texts = dict.fromkeys(str(one.message) for one in caught)
    return {"file": name, "ok": ok, "message": text, "warnings": list(texts)}


def _describe(path: Path, driveline: str | None) -> str:
    match path.suffix.lower():
        case ".toml":
            return _describe_driveline(path)
        case ".csv":
            return _describe_cycle(path, driveline)
    raise InputError(f"{path}: is neither .toml (driveline) nor .csv (cycle); rename it")


def _describe_driveline(path: Path) -> str:
    from ..inputs.driveline_file import read_driveline

    driveline = read_driveline(path)
    battery = driveline.battery
    return (
        f"driveline {driveline.name}, {driveline.vehicle.mass:g} kg, "
        f"{driveline.gearbox.gears} gears, "
        f"engine {float(driveline.engine.full_load.max()):.0f} Nm, "
        f"motor {float(driveline.motor.peak_torque.max()):.0f} Nm, "
        f"battery {battery.capacity / AH:g} Ah"
    )


def _describe_cycle(path: Path, driveline: str | None) -> str:
    from ..inputs.cycle import read_cycle_csv

    cycle = read_cycle_csv(path)
    text = (
        f"cycle, {cycle.duration:g} s in {cycle.dt.size} steps, {cycle.distance / 1e3:.3f} km, "
        f"up to {cycle.max_speed / KM_PER_H:.1f} km/h"
    )
    if driveline is None:
        return text
    from ..inputs.driveline_file import read_driveline
    from ..measurements.followability import follow

    vehicle = read_driveline(driveline)
    following = follow(vehicle, cycle)
    if following.outside:
        raise InputError(
            f"{path}: with driveline {vehicle.name} it {following.text}; take another driveline, "
            "or solve with --achievable"
        )
    return f"{text}; with driveline {vehicle.name} it {following.text}"


def _show(record: dict[str, Any]) -> None:
    for text in record["warnings"]:
        click.echo(f"warning: {text}", err=True)
    if record["ok"]:
        click.echo(f"ok: {record['file']}: {record['message']}")
    else:
        click.echo(f"error: {record['message']}")
