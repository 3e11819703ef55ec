"""How good a gridded map is: residuals, points left out, outliers, extrapolation, checks."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from xarray import DataArray

from ..base.units import G_PER_KWH, PERCENT, RPM
from ..inputs.maps import map_values
from ..inputs.plausibility import MOTOR_BEST, consumption_span
from .bench_points import ENGINE, named_lines
from .map_gridding import BenchMap
from .map_hull import is_inside

FINE = 200  # cells per axis that areas are measured by
TINY = 1e-300  # a value below counts as 0
COUNTS = 0.05  # of the largest value: smaller ones do not count in values in percent


class Outlier(NamedTuple):
    """A point that looks wrong: its line, place (SI), value, and what the others expect."""

    line: int
    speed: float
    torque: float
    value: float
    expected: float


class MapCheck(NamedTuple):
    """Something a map of a real machine does, and whether this one does."""

    name: str
    passed: bool
    text: str


@dataclass(frozen=True)
class MapQuality:
    """The content of a quality report; values in the map's unit, percent of the point's value.

    Attributes
    ----------
    points, used : number of points that could be used, and that the map is made from
    rms, rms_percent, worst, worst_percent, worst_line : of the residuals, point less map
    foretold_rms, foretold_rms_percent : of points less the surface made without them
    alone : points that the others cannot predict
    off_grid : points beyond the grid, which have no residual
    outliers : points that look wrong
    extrapolated_share : part of `area` outside the convex hull of the points
    area : what the share is of, in words
    grid_error : largest difference of surface and grid at a point, part of the largest value
    checks : consistency
    """

    points: int
    used: int
    rms: float
    rms_percent: float
    worst: float
    worst_percent: float
    worst_line: int
    foretold_rms: float
    foretold_rms_percent: float
    alone: int
    off_grid: int
    outliers: tuple[Outlier, ...]
    extrapolated_share: float
    area: str
    grid_error: float
    checks: tuple[MapCheck, ...]


def residuals(made: BenchMap) -> np.ndarray:
    """Return value less map at every point, in the map's unit, NaN off the grid, (n,)."""
    points = made.points
    found: np.ndarray = points.value - map_values(made.map, points.speed, points.torque)
    return found


@np.errstate(over="ignore", divide="ignore", invalid="ignore")  # values and powers may be 0
def assess(
    made: BenchMap, heating_value: float | None = None, limit: DataArray | None = None
) -> MapQuality:
    """Judge a gridded map.

    Parameters
    ----------
    made
        From :func:`.gridding.grid_points`.
    heating_value
        Lower heating value, J/g; adds the check of the efficiency of an engine.
    limit
        Full load or peak torque over speed (rad/s, N m): the area that is used.

    Returns
    -------
    MapQuality
        Residuals are those of the map as it is read, bilinear between the nodes of its grid.
    """
    points, used = made.points, made.used
    residual = residuals(made)[used]
    value = points.value[used]
    on_grid = np.isfinite(residual)
    left_out = made.fit.left_out_residual
    counts = np.abs(value) >= max(COUNTS * float(np.abs(value).max()), TINY)
    worst = int(np.argmax(np.abs(np.where(on_grid, residual, 0.0))))
    smooth = made.surface(points.speed[used], points.torque[used])
    off = np.abs(smooth - (value - residual))[on_grid]
    share, area = _extrapolated(made, limit)
    return MapQuality(
        points=points.speed.size,
        used=used.size,
        rms=_rms(residual),
        rms_percent=_rms(residual[counts] / value[counts]) / PERCENT,
        worst=float(residual[worst]),
        worst_percent=float(residual[worst] / value[worst]) / PERCENT if value[worst] else np.nan,
        worst_line=int(points.lines[used[worst]]),
        foretold_rms=_rms(left_out),
        foretold_rms_percent=_rms(left_out[counts] / value[counts]) / PERCENT,
        alone=int(np.isnan(left_out).sum()),
        off_grid=int(np.isnan(residual).sum()),
        outliers=_outliers(made),
        extrapolated_share=share,
        area=area,
        grid_error=float(off.max(initial=0.0) / np.abs(value).max()),
        checks=tuple(
            _engine_checks(made, heating_value) if points.kind == ENGINE else _motor_checks(made)
        )
        + tuple(_limit_checks(made, limit)),
    )


def _rms(values: np.ndarray) -> float:
    known = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(known**2))) if known.size else float("nan")


def _outliers(made: BenchMap) -> tuple[Outlier, ...]:
    """Return the outliers with what a surface without any of them expects."""
    points, away = made.points, made.outliers
    if away.size == 0:
        return ()
    expected = made.without_outliers(points.speed[away], points.torque[away])
    columns = (points.lines[away], points.speed[away], points.torque[away], points.value[away])
    rows = zip(*(column.tolist() for column in (*columns, expected)), strict=True)
    return tuple(Outlier(*row) for row in rows)


def _extrapolated(made: BenchMap, limit: DataArray | None) -> tuple[float, str]:
    """Return the share outside the hull, and of what it is one."""
    speed, torque = (made.map[name].values for name in ("speed", "torque"))
    middle = (np.arange(FINE) + 0.5) / FINE
    x = speed[0] + middle * (speed[-1] - speed[0])
    y = torque[0] + middle * (torque[-1] - torque[0])
    cells = np.column_stack([axis.ravel() for axis in np.meshgrid(x, y, indexing="ij")])
    area = "the whole grid"
    if limit is not None:
        top = np.interp(cells[:, 0], limit["speed"].values, limit.values, left=-1.0, right=-1.0)
        reached = np.abs(cells[:, 1]) <= top
        cells, area = cells[reached], "the area within the limit"
    if cells.size == 0:
        return 0.0, area
    return float(1.0 - is_inside(made.hull, cells).mean()), area


def _engine_checks(made: BenchMap, heating_value: float | None) -> list[MapCheck]:
    speed, torque = made.map["speed"].values, made.map["torque"].values
    falls = made.falls_at
    text = "fuel rises with torque at every speed"
    if falls is not None:
        text = f"fuel falls with torque near {falls[0] / RPM:.0f} rpm, {falls[1]:.0f} Nm"
    checks = [MapCheck("rising", falls is None, text)]
    idle = made.map.values[:, 0]
    text = f"fuel at 0 Nm is {idle.min():.3g} to {idle.max():.3g} g/s"
    checks.append(MapCheck("fuel_at_zero_torque", bool((idle > 0.0).all()), text))
    points = made.points
    power = points.speed * points.torque
    best = float((points.value / np.where(power > 0.0, power, 0.0)).min())
    node_power = speed[:, None] * torque[None, :]
    inside = ~made.extrapolated & (node_power > 0.0)
    if inside.any():
        best = float((made.map.values[inside] / node_power[inside]).min())
    span = consumption_span(heating_value)
    text = f"lowest specific consumption {best / G_PER_KWH:.0f} g/kWh; plausible is "
    text += span.text(G_PER_KWH)
    checks.append(MapCheck("lowest_consumption", span.holds(best), text))
    if heating_value is not None:
        share = power / np.maximum(points.value, TINY) / heating_value
        checks.append(_efficiency_check(made, share, 1.0))
    return checks


def _motor_checks(made: BenchMap) -> list[MapCheck]:
    points = made.points
    negative = points.lines[points.value < 0.0]
    text = "every loss is 0 or more"
    if negative.size:
        text = f"the loss is negative at {named_lines(negative)}"
    power = points.speed * points.torque
    electric = power + points.value
    share = np.where(power > 0.0, power / electric, electric / power)
    share[(power == 0.0) | ((power > 0.0) & (electric <= 0.0))] = 0.0
    return [
        MapCheck("loss", negative.size == 0, text),
        _efficiency_check(made, share, MOTOR_BEST.high),
    ]


def _efficiency_check(made: BenchMap, share: np.ndarray, limit: float) -> MapCheck:
    over = made.points.lines[share > limit]
    text = f"highest efficiency of a point {share.max() / PERCENT:.1f} %"
    if over.size:
        text += f"; above {limit / PERCENT:g} % at {named_lines(over)}"
    return MapCheck("efficiency", over.size == 0, text)


def _limit_checks(made: BenchMap, limit: DataArray | None) -> list[MapCheck]:
    """Return whether the grid reaches the torque limit, as a driveline needs it."""
    if limit is None:
        return []
    speed, top = made.map["speed"].values / RPM, float(made.map["torque"][-1])
    ends = limit["speed"].values[[0, -1]] / RPM
    reaches = speed[-1] >= ends[1] * (1.0 - 1e-9) and top >= float(limit.max()) * (1.0 - 1e-9)
    text = (
        f"the grid reaches {speed[-1]:.0f} rpm and {top:.0f} Nm, the limit {ends[1]:.0f} rpm "
        f"and {float(limit.max()):.0f} Nm"
    )
    return [MapCheck("limit", bool(reaches), text)]
