"""`hybridopt map`: maps of engines and motors from test-bench points."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ..base.errors import InputError
from ..base.units import MJ_PER_KG, RPM
from ..files.writing import Write, check_target, write_together

if TYPE_CHECKING:
    from xarray import DataArray

    from ..bench_maps.gridding import BenchMap
    from ..bench_maps.quality import Quality

LITRE = 1e-3  # m3
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


@map_group.command(
    "import", short_help="Make a full-grid map from scattered points.", epilog=IMPORT_EXAMPLES
)
@click.argument("bench", type=click.Path(path_type=Path))
@click.option(
    "--kind", type=click.Choice(["engine", "motor"]), required=True, help="What was measured."
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Write the map there (.csv), as drivelines read it.",
)
@click.option(
    "--plot",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Draw map, points, residuals and extrapolated area (.png).",
)
@click.option(
    "--limit",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Full load or peak torque (speed_rpm,torque_Nm): the area used; the grid reaches it.",
)
@click.option(
    "--heating-value-MJ-per-kg",
    "heating_value",
    metavar="X",
    type=click.FloatRange(5.0, 150.0),
    help="Lower heating value of the fuel, for efficiencies.",
)
@click.option(
    "--displacement-l",
    "displacement",
    type=click.FloatRange(0.01, 1000.0),
    metavar="X",
    help="Displacement of the four-stroke engine, for bmep_bar.",
)
@click.option(
    "--speeds",
    type=click.IntRange(2, 500),
    default=20,
    metavar="N",
    help="Speeds of the grid (default 20).",
)
@click.option(
    "--torques",
    type=click.IntRange(2, 500),
    metavar="N",
    help="Torques of the grid (default 20; of a motor 25, made odd).",
)
@click.option(
    "--min-speed-rpm",
    "speed_low",
    type=click.FloatRange(1.0, 1e5),
    metavar="X",
    help="Lowest speed of an engine's grid (default: of the points).",
)
@click.option(
    "--max-speed-rpm",
    "speed_high",
    type=click.FloatRange(1.0, 1e5),
    metavar="X",
    help="Highest speed of the grid (default: of the points).",
)
@click.option(
    "--max-torque-Nm",
    "torque_high",
    type=click.FloatRange(0.1, 1e5),
    metavar="X",
    help="Highest torque of the grid (default: of the points).",
)
@click.option("--drop-outliers", is_flag=True, help="Leave out points that look wrong.")
@click.option("--overwrite", is_flag=True, help="Replace files that are there already.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object, nothing else.")
def import_bench(
    bench: Path,
    kind: str,
    out: Path | None,
    plot: Path | None,
    limit: Path | None,
    heating_value: float | None,
    displacement: float | None,
    speed_low: float | None,
    speed_high: float | None,
    overwrite: bool,
    as_json: bool,
    **grid: Any,
) -> None:
    """Make a full-grid map from the scattered points of BENCH, a CSV file, and judge it.

    Columns by name: speed_rpm or speed_rad_per_s; torque_Nm, power_kW or bmep_bar. Of an engine
    fuel_g_per_s, fuel_kg_per_h, bsfc_g_per_kWh or efficiency_percent; of a motor with inverter
    loss_W, loss_kW, electric_power_kW or efficiency_percent. The report tells residuals,
    outliers, the extrapolated area and failed checks.
    """
    from ..bench_maps.gridding import GridPlan
    from ..bench_maps.importing import import_map
    from ..inputs.maps import read_curve
    from ..text.bench_map_report import report_lines, report_record

    targets = [path for path in (out, plot) if path is not None]
    if out is not None and plot is not None and out.resolve() == plot.resolve():
        raise InputError("--out and --plot name the same file; give each its own")
    for path in targets:
        check_target(path, overwrite)
    if kind == "motor" and speed_low is not None:
        raise InputError("--min-speed-rpm: a motor's grid begins at 0 rpm; leave it out")
    heat = None if heating_value is None else heating_value * MJ_PER_KG
    volume = None if displacement is None else displacement * LITRE
    curve = None if limit is None else read_curve(limit)
    plan = GridPlan(speed_low=_rpm(speed_low), speed_high=_rpm(speed_high), limit=curve, **grid)
    made, quality = import_map(bench, kind, plan, heat, volume)
    _write(made, quality, curve, out, plot, overwrite)
    if as_json:
        record = report_record(made, quality) | {"files": [str(path) for path in targets]}
        click.echo(json.dumps(record, allow_nan=False))
        return
    click.echo("\n".join(report_lines(made, quality)))
    for path in targets:
        click.echo(f"wrote {path}")


def _rpm(speed: float | None) -> float | None:
    return None if speed is None else speed * RPM


def _write(
    made: "BenchMap",
    quality: "Quality",
    limit: "DataArray | None",
    out: Path | None,
    plot: Path | None,
    overwrite: bool,
) -> None:
    """Write what is asked for; no file gets its name before all are whole."""
    targets: list[tuple[Path, Write]] = []
    if out is not None:
        from ..text.bench_map_report import map_writer, report_lines

        targets.append((out, map_writer(made, report_lines(made, quality))))
    if plot is not None:
        from ..plots.axes import figure_writer
        from ..plots.bench_map import plot_bench_map

        targets.append((plot, figure_writer(plot_bench_map(made, quality, limit))))
    write_together(targets, overwrite)
