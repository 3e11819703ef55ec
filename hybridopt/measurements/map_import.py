"""A map from scattered bench points: read, gridded and judged, all stages in order."""

from pathlib import Path

from .bench_points import read_points
from .map_gridding import BenchMap, GridRequest, grid_points
from .map_quality import MapQuality, assess


def import_map(
    path: str | Path,
    kind: str,
    plan: GridRequest | None = None,
    heating_value: float | None = None,
    displacement: float | None = None,
) -> tuple[BenchMap, MapQuality]:
    """Make the map of an engine or motor from scattered test-bench points, and judge it.

    Parameters
    ----------
    path
        CSV with a header. Columns by name: `speed_rpm` or `speed_rad_per_s`; `torque_Nm`,
        `power_kW` or, of an engine, `bmep_bar`; of an engine `fuel_g_per_s`, `fuel_kg_per_h`,
        `bsfc_g_per_kWh` or `efficiency_percent`; of a motor with inverter `loss_W`, `loss_kW`,
        `electric_power_kW` or `efficiency_percent`.
    kind
        "engine" or "motor".
    plan
        The grid wanted; by default its ends are those of the points.
    heating_value
        Lower heating value of the fuel, J/g, for efficiencies of an engine.
    displacement
        Of a four-stroke engine, m3, for `bmep_bar`.

    Returns
    -------
    made : BenchMap
        The map over (speed, torque), fuel rate in g/s or loss in W, with what it was made from.
    quality : MapQuality
        Residuals, outliers, extrapolated area and checks.

    Raises
    ------
    InputError
        The file cannot be read, a column is missing, a value is out of range, or the points are
        too few or lie on too few speeds or torques.
    """
    plan = plan or GridRequest()
    made = grid_points(read_points(Path(path), kind, heating_value, displacement), plan)
    return made, assess(made, heating_value, plan.limit)
