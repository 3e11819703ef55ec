"""`hybridopt check`: whether driveline and cycle files are fit for use."""

import json
import math
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.errors import InputError
from ..base.units import AH, G_PER_KWH, KM_PER_H, PERCENT, RPM
from ..base.warning import InputWarning
from .options import json_list_option, refuse_idle

if TYPE_CHECKING:
    from ..physics.capability import Capability


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

    Prints all that is wrong with each file, a sentence a line, or what it holds; of a driveline
    also what it can do. Shifts take no time, and the battery is neither full nor empty. The exit
    code is 2 when a file is wrong, or when a cycle cannot be followed within 2 km/h and 1 s by
    the driveline given.
    """
    if all(Path(name).suffix.lower() == ".toml" for name in files):
        refuse_idle("without a cycle (.csv)", "driveline")
    records = [_check(name, driveline) for name in files]
    if as_json:
        click.echo(json.dumps(records, allow_nan=False))
    else:
        _show(records)
    if not all(record["ok"] for record in records):
        raise click.exceptions.Exit(InputError.exit_code)


def _check(name: str, driveline: str | None) -> dict[str, Any]:
    """Return the verdict on a file, with what it holds or all that is wrong with it."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", InputWarning)
        try:
            found, errors = _describe(Path(name), driveline), []
        except InputError as error:
            found, errors = {"message": str(error)}, list(error.sentences)
    texts = dict.fromkeys(str(one.message) for one in caught)
    return {"file": name, "ok": not errors, **found, "errors": errors, "warnings": list(texts)}


def _describe(path: Path, driveline: str | None) -> dict[str, Any]:
    match path.suffix.lower():
        case ".toml":
            return _describe_driveline(path)
        case ".csv":
            return _describe_cycle(path, driveline)
    raise InputError(f"{path}: is neither .toml (driveline) nor .csv (cycle); rename it")


def _describe_driveline(path: Path) -> dict[str, Any]:
    from ..inputs.driveline_file import read_driveline
    from ..physics.capability import capability

    driveline = read_driveline(path)
    battery = driveline.battery
    text = (
        f"driveline {driveline.name}, {driveline.vehicle.mass:g} kg, "
        f"{driveline.gearbox.gears} gears, "
        f"engine {float(driveline.engine.full_load.max()):.0f} Nm, "
        f"motor {float(driveline.motor.peak_torque.max()):.0f} Nm, "
        f"battery {battery.capacity / AH:g} Ah"
    )
    return {"message": text, "can": _can(capability(driveline))}


def _can(found: "Capability") -> dict[str, Any]:
    """Return what a vehicle can do, with units in the keys."""
    seconds = found.seconds_to_hundred
    return {
        "top_speed_km_per_h": found.top_speed / KM_PER_H,
        "lasting_speed_km_per_h": found.lasting_speed / KM_PER_H,
        "to_100_km_per_h_s": seconds if math.isfinite(seconds) else None,
        "grade_percent": found.grade / PERCENT,
        "best_consumption_g_per_kWh": found.best.consumption / G_PER_KWH,
        "best_efficiency_percent": found.best.efficiency / PERCENT,
        "best_speed_rpm": found.best.speed / RPM,
        "best_torque_Nm": found.best.torque,
    }


def _describe_cycle(path: Path, driveline: str | None) -> dict[str, Any]:
    from ..inputs.cycle import read_cycle_csv

    cycle = read_cycle_csv(path)
    text = (
        f"cycle, {cycle.duration:g} s in {cycle.dt.size} steps, {cycle.distance / 1e3:.3f} km, "
        f"up to {cycle.max_speed / KM_PER_H:.1f} km/h"
    )
    if driveline is None:
        return {"message": text}
    from ..inputs.driveline_file import read_driveline
    from ..measurements.followability import follow

    vehicle = read_driveline(driveline)
    following = follow(vehicle, cycle)
    if following.outside:
        raise InputError(
            f"{path}: with driveline {vehicle.name} it {following.text}; take another driveline, "
            "or solve with --achievable"
        )
    return {"message": f"{text}; with driveline {vehicle.name} it {following.text}"}


def _show(records: list[dict[str, Any]]) -> None:
    for text in dict.fromkeys(text for record in records for text in record["warnings"]):
        click.echo(f"warning: {text}", err=True)
    for record in records:
        for sentence in record["errors"]:
            click.echo(f"error: {sentence}")
        if record["ok"]:
            click.echo(f"ok: {record['file']}: {record['message']}")
        if "can" in record:
            click.echo(_can_text(record["can"]))


def _can_text(can: dict[str, Any]) -> str:
    """Return what a vehicle can do, on two lines below that of its file."""
    hundred = can["to_100_km_per_h_s"]
    pulls = "not to 100 km/h" if hundred is None else f"0 to 100 km/h in {hundred:.1f} s"
    best = f"{can['best_speed_rpm']:.0f} rpm and {can['best_torque_Nm']:.0f} Nm"
    return (
        f"  can do {can['top_speed_km_per_h']:.0f} km/h, {can['lasting_speed_km_per_h']:.0f} km/h "
        f"without the battery; {pulls}; moves off on {can['grade_percent']:.0f} %\n"
        f"  at its best the engine takes {can['best_consumption_g_per_kWh']:.0f} g/kWh "
        f"({can['best_efficiency_percent']:.1f} %), at {best}"
    )
