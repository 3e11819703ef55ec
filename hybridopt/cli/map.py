"""`hybridopt map`: maps of engines and motors from test-bench points."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.errors import InputError
from ..base.units import MJ_PER_KG, RPM
from ..files.writing import Write, check_target, write_together
from .options import (
    Decorator,
    count_option,
    finish,
    json_option,
    overwrite_option,
    path_option,
    refuse_idle,
)

if TYPE_CHECKING:
    from xarray import DataArray

    from ..measurements.map_gridding import BenchMap
    from ..measurements.map_quality import MapQuality

FACTORS = {
    "heating_value": MJ_PER_KG,
    "displacement": 1e-3,  # m3 per litre
    "speed_low": RPM,
    "speed_high": RPM,
}
"""Multiply an option of `import` by its factor to get SI."""
IMPORT_EXAMPLES = """\b
Examples:
  hybridopt map import bench.csv --kind engine --out fuel_map.csv --plot fuel.png
  hybridopt map import motor.csv --kind motor --limit peak.csv --out loss_map.csv
"""


@click.group(
    "map",
    short_help="Make maps from test-bench points.",
    epilog="\b\nExample:\n  hybridopt map import bench.csv --kind engine --out fuel_map.csv",
)
def map_group() -> None:
    """Make the maps of engines and motors from test-bench points."""


def _within(flag: str, name: str, low: float, high: float, text: str) -> Decorator:
    kind = click.FloatRange(low, high)
    return click.option(flag, name, type=kind, metavar="X", help=text)


@map_group.command(
    "import", short_help="Make a full-grid map from scattered points.", epilog=IMPORT_EXAMPLES
)
@click.argument("bench", type=click.Path(path_type=Path))
@click.option(
    "--kind", type=click.Choice(["engine", "motor"]), required=True, help="What was measured."
)
@path_option("--out", "FILE", "Write the map there (.csv), as drivelines read it.")
@path_option("--plot", "FILE", "Draw map, points, residuals and extrapolated area (.png).")
@path_option(
    "--limit",
    "FILE",
    "Full load or peak torque (speed_rpm,torque_Nm): the area used; the grid reaches it.",
)
@_within(
    "--heating-value-MJ-per-kg",
    "heating_value",
    5.0,
    150.0,
    "Lower heating value of the fuel, for efficiencies.",
)
@_within(
    "--displacement-l",
    "displacement",
    0.01,
    1000.0,
    "Displacement of the four-stroke engine, for bmep_bar.",
)
@count_option("--speeds", 2, 500, 20, "Speeds of the grid")
@click.option(
    "--torques",
    type=click.IntRange(2, 500),
    metavar="N",
    help="Torques of the grid (default 20; of a motor 25, made odd).",
)
@_within(
    "--min-speed-rpm",
    "speed_low",
    1.0,
    1e5,
    "Lowest speed of an engine's grid (default: of the points).",
)
@_within(
    "--max-speed-rpm", "speed_high", 1.0, 1e5, "Highest speed of the grid (default: of the points)."
)
@_within(
    "--max-torque-Nm",
    "torque_high",
    0.1,
    1e5,
    "Highest torque of the grid (default: of the points).",
)
@click.option("--drop-outliers", is_flag=True, help="Leave out points that look wrong.")
@overwrite_option
@json_option
def import_bench(
    bench: Path,
    kind: str,
    out: Path | None,
    plot: Path | None,
    limit: Path | None,
    overwrite: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """Make a full-grid map from the scattered points of BENCH, a CSV file, and judge it.

    Columns by name: speed_rpm or speed_rad_per_s; torque_Nm, power_kW or bmep_bar. Of an engine
    fuel_g_per_s, fuel_kg_per_h, bsfc_g_per_kWh or efficiency_percent; of a motor with inverter
    loss_W, loss_kW, electric_power_kW or efficiency_percent. The report gives residuals,
    outliers, the extrapolated area and failed checks.
    """
    from ..inputs.maps import read_curve
    from ..measurements.map_gridding import GridRequest
    from ..measurements.map_import import import_map
    from ..text.bench_map_report import report_lines, report_record

    files = [path for path in (out, plot) if path is not None]
    if out is not None and plot is not None and out.resolve() == plot.resolve():
        raise InputError("--out and --plot name the same file; give each its own")
    for path in files:
        check_target(path, overwrite)
    if kind == "motor" and given["speed_low"] is not None:
        raise InputError("--min-speed-rpm: a motor's grid begins at 0 rpm; leave it out")
    if kind == "motor":
        refuse_idle("of a motor", "heating_value", "displacement")
    for name, factor in FACTORS.items():
        given[name] = None if given[name] is None else given[name] * factor
    heat, displacement = given.pop("heating_value"), given.pop("displacement")
    curve = None if limit is None else read_curve(limit)
    request = GridRequest(limit=curve, **given)
    made, quality = import_map(bench, kind, request, heat, displacement)
    write_together(_writers(made, quality, curve, out, plot), overwrite)
    finish(
        as_json,
        files,
        lambda: report_record(made, quality),
        lambda: "\n".join(report_lines(made, quality)),
    )


def _writers(
    made: "BenchMap",
    quality: "MapQuality",
    limit: "DataArray | None",
    out: Path | None,
    plot: Path | None,
) -> list[tuple[Path, Write]]:
    """Return what writes each file asked for."""
    targets: list[tuple[Path, Write]] = []
    if out is not None:
        from ..text.bench_map_report import map_writer, report_lines

        targets.append((out, map_writer(made, report_lines(made, quality))))
    if plot is not None:
        from ..plots.axes import figure_writer
        from ..plots.bench_map import plot_bench_map

        targets.append((plot, figure_writer(plot_bench_map(made, quality, limit))))
    return targets
