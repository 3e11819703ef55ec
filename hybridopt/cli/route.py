"""`hybridopt cycle route`: a cycle from a route that nobody has driven yet."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.units import KM_PER_H, PERCENT
from ..files.writing import Write, check_target, write_together
from .options import finish, json_option, overwrite_option, path_option

if TYPE_CHECKING:
    import numpy as np

    from ..inputs.cycle import Cycle

EXAMPLES = """\b
Examples:
  hybridopt cycle route way.gpx --speed-km-per-h 80 --out way.csv
  hybridopt cycle route way.gpx --limits limits.csv --acceleration 1.3 --out way.csv
"""


@click.command(short_help="Make a cycle of a route, GPX or a log.", epilog=EXAMPLES)
@click.argument("route", type=click.Path(path_type=Path))
@click.option(
    "--speed-km-per-h", "speed", type=float, default=50.0, metavar="KM/H", help="Speed limit."
)
@path_option("--limits", "FILE", "Speed limits: CSV with distance_km,limit_km_per_h.")
@click.option(
    "--acceleration", "gain", type=float, default=1.0, metavar="M/S2", help="Gain of speed."
)
@click.option("--braking", "loss", type=float, default=1.2, metavar="M/S2", help="Loss of speed.")
@click.option(
    "--sideways", type=float, default=2.5, metavar="M/S2", help="In bends; 0 leaves bends out."
)
@click.option("--step", type=float, default=1.0, metavar="S", help="Time step of the cycle.")
@path_option("--out", "FILE", "Write the cycle there (.csv).")
@overwrite_option
@json_option
def route(
    route: Path,
    limits: Path | None,
    out: Path | None,
    overwrite: bool,
    as_json: bool,
    **given: float,
) -> None:
    """Make a cycle of ROUTE, GPX or a log: from rest to rest, under limits, slower in bends.

    Times in a GPX file are not looked at; what was recorded becomes a cycle by `cycle import`. Of
    a log the way and its heights are taken, driven anew. Elevations give the grade. Defaults:
    50 km/h, 1.0 and 1.2 m/s2, 2.5 m/s2 sideways, 1 s.
    """
    from ..measurements.drive import import_drive
    from ..measurements.gpx import read_gpx
    from ..measurements.route import Driver, log_route, route_cycle

    if out is not None:
        check_target(out, overwrite)
    given["speed"] *= KM_PER_H
    is_gpx = route.suffix.lower() == ".gpx"
    track, driver = read_gpx(route) if is_gpx else log_route(import_drive(route)), Driver(**given)
    made = route_cycle(track, driver, *_limits(limits))
    notes = [f"{route.name}: a route, driven by rule, nobody drove it"]
    targets: list[tuple[Path, Write]] = []
    if out is not None:
        from ..inputs.cycle_writing import cycle_writer

        targets.append((out, cycle_writer(made, notes)))
    write_together(targets, overwrite)
    finish(as_json, [path for path, _ in targets], lambda: _record(made), lambda: _text(made))


def _limits(path: Path | None) -> "tuple[np.ndarray | None, np.ndarray | None]":
    """Return places, m, and limits, m/s, of a file."""
    if path is None:
        return None, None
    from ..files.csv_table import read_columns

    columns, _ = read_columns(path, ["distance_km", "limit_km_per_h"])
    return 1e3 * columns["distance_km"], KM_PER_H * columns["limit_km_per_h"]


def _record(made: "Cycle") -> dict[str, Any]:
    """Return what the cycle is like."""
    return {
        "cycle": made.name,
        "distance_km": made.distance / 1e3,
        "duration_s": made.duration,
        "max_speed_km_per_h": made.max_speed / KM_PER_H,
        "grade_min_percent": float(made.grade.min()) / PERCENT,
        "grade_max_percent": float(made.grade.max()) / PERCENT,
    }


def _text(made: "Cycle") -> str:
    low, high = (float(f) / PERCENT for f in (made.grade.min(), made.grade.max()))
    mean = made.distance / made.duration / KM_PER_H
    return (
        f"{made.name}: {made.distance / 1e3:.3f} km in {made.duration:.0f} s, mean {mean:.1f} and "
        f"up to {made.max_speed / KM_PER_H:.1f} km/h, grade {low:.1f} to {high:.1f} %"
    )
