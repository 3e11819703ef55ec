"""`hybridopt launch`: slip, heat and capacity of the launch clutch on a grade."""

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.units import KM_PER_H, KW, PERCENT, RPM
from .options import (
    check_file,
    driveline_option,
    json_option,
    overwrite_option,
    path_option,
    refuse_idle,
)
from .warning_lines import told_warnings

if TYPE_CHECKING:
    from ..physics.launch_series import LaunchSeries
    from ..physics.launches import Launch

EXAMPLES = """\b
Examples:
  hybridopt launch --grade-percent 12
  hybridopt launch --grade-percent 20 --acceleration 0.8 --repeat 20 --pause-s 4
  hybridopt launch --driveline mild --acceleration 1 --plot launch.png
"""


@click.command(
    short_help="Launch on a grade: slip, heat, and whether the clutch suffices.", epilog=EXAMPLES
)
@driveline_option
@click.option(
    "--grade-percent",
    type=click.FloatRange(0.0, 100.0),
    default=0.0,
    metavar="%",
    help="Grade, rise over run (default 0).",
)
@click.option(
    "--acceleration",
    type=float,
    metavar="M/S2",
    help="Acceleration wanted; unless given, full load of engine and motor as the tyres hold it.",
)
@click.option("--repeat", type=int, metavar="N", help="Launch N times, heating the clutch up.")
@click.option(
    "--pause-s",
    type=float,
    metavar="S",
    default=10.0,
    help="Time from locking to the next launch, driving and standing (default 10).",
)
@path_option("--plot", "PNG", "Draw the launch into this file.", "picture")
@overwrite_option
@json_option
def launch(
    driveline: str,
    grade_percent: float,
    acceleration: float | None,
    repeat: int | None,
    pause_s: float,
    picture: Path | None,
    overwrite: bool,
    as_json: bool,
) -> None:
    """Launch from rest in first gear until the clutch locks, once or again and again.

    Engine and motor are held at launch speed. Reports whether the clutch carries the torque and
    stays below its temperature limit, and whether the tyres of the driven axles hold. A launch
    with all the torque there is takes no more than they hold.
    """
    if repeat is None:
        refuse_idle("without --repeat", "pause_s")
    from ..inputs.driveline_file import read_driveline
    from ..physics.launch_series import repeat_launch
    from ..physics.launches import launch as run_launch

    if picture is not None:
        check_file("--plot", picture, (".png",), overwrite)
    done = run_launch(read_driveline(driveline), grade_percent * PERCENT, acceleration)
    series = None if repeat is None else repeat_launch(done, repeat, pause_s)
    if picture is not None:
        _draw(done, series, picture, overwrite)
    if as_json:
        record = _record(done, series) | {"warnings": told_warnings()}
        click.echo(json.dumps(record, allow_nan=False))
        return
    for name, text in _rows(done, series).items():
        click.echo(f"{name:<14}{text}")
    if picture is not None:
        click.echo(f"wrote {picture}")


def _draw(done: "Launch", series: "LaunchSeries | None", path: Path, overwrite: bool) -> None:
    from ..files.writing import write_atomically
    from ..plots.axes import figure_writer
    from ..plots.launch import launch_figure

    write_atomically(path, figure_writer(launch_figure(done, series)), overwrite)


def _rows(done: "Launch", series: "LaunchSeries | None") -> dict[str, str]:
    """Return what is shown, by the label of each row."""
    from ..physics.launch_series import verdict

    clutches, vehicle = done.driveline.clutches, done.driveline.vehicle
    wanted = "full load" if done.wanted is None else f"{done.wanted:g} m/s2"
    rows = {
        "Launch": f"{done.driveline.name} on {done.grade / PERCENT:g} %, {wanted}",
        "Torque": f"{done.torque.max():.1f} Nm at the clutch; capacity {done.capacity:.0f} Nm, "
        f"engine and motor give {done.available:.1f} Nm, the tyres hold {done.held:.1f} Nm",
        "Acceleration": f"{done.acceleration[0]:.2f} m/s2; takes a grip of {done.grip:.2f} of "
        f"{vehicle.driven_wheels}, which hold {vehicle.tyre_grip:g}",
        "Slip": f"{done.duration:.2f} s from {clutches.launch_speed / RPM:.0f} rpm, locked at "
        f"{done.speed[-1] / KM_PER_H:.1f} km/h",
        "Slip loss": f"{done.slip_energy / 1e3:.2f} kJ, up to {done.loss.max() / KW:.1f} kW",
    }
    if done.looks_at_heat:
        rows["Temperature"] = (
            f"{clutches.oil_temperature:.0f} C -> {done.temperature().max():.1f} C, "
            f"limit {clutches.max_temperature:.0f} C"
        )
    else:
        rows["Temperature"] = "not looked at; [clutches] heat_capacity_kJ_per_K is not given"
    if series is not None:
        rows["Repeated"] = (
            f"{series.count} times, {series.pause:g} s apart: {series.peaks[-1]:.1f} C"
        )
    rows["Verdict"] = verdict(done, series)
    return rows


def _record(done: "Launch", series: "LaunchSeries | None") -> dict[str, Any]:
    """Return the values as one flat JSON object, with units in the keys."""
    from ..physics.launch_series import verdict

    clutches = done.driveline.clutches
    record: dict[str, Any] = {
        "driveline": done.driveline.name,
        "grade_percent": done.grade / PERCENT,
        "wanted_m_per_s2": done.wanted,
        "suffices": not done.faults and not (series is not None and series.passes),
        "verdict": verdict(done, series),
        "needed_Nm": float(done.needed.max()),
        "torque_Nm": float(done.torque.max()),
        "capacity_Nm": done.capacity,
        "available_Nm": done.available,
        "acceleration_m_per_s2": float(done.acceleration[0]),
        "held_Nm": done.held if math.isfinite(done.held) else None,
        "grip": done.grip,
        "tyre_grip": done.driveline.vehicle.tyre_grip,
        "slip_s": done.duration,
        "locked_km_per_h": float(done.speed[-1]) / KM_PER_H,
        "slip_kJ": done.slip_energy / 1e3,
        "slip_peak_kW": float(done.loss.max()) / KW,
        "temperature_C": float(done.temperature().max()) if done.looks_at_heat else None,
        "max_temperature_C": clutches.max_temperature if done.looks_at_heat else None,
    }
    if series is not None:
        forever = series.final_peak
        record |= {
            "repeat": series.count,
            "pause_s": series.pause,
            "peaks_C": series.peaks.tolist(),
            "peak_for_ever_C": forever if forever < float("inf") else None,
            "first_launch_over": series.first_over,
        }
    return record
