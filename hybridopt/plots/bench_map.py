"""The picture of a gridded map: its points with their residuals, their hull, what lies outside."""

from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from xarray import DataArray

from ..base.units import G_PER_KWH, PERCENT, RPM
from ..inputs.maps import map_values
from ..measurements.bench_points import ENGINE
from ..measurements.map_gridding import BenchMap
from ..measurements.map_hull import is_inside
from ..measurements.map_quality import MapQuality, residuals
from .axes import TEXT, dress, new_figure, plain, title
from .colours import ALARM_COLOUR, BRAKE_COLOUR, INK, MOTOR_COLOUR, PAPER, QUIET

SIZE = (9.6, 6.4)  # inch
FINE = 241  # points per axis that lines are drawn on
ROOM = 0.03  # of the extent, around the grid
CONSUMPTIONS = np.array([*range(190, 270, 10), 280, 300, 350, 400, 500, 700])  # g/kWh
EFFICIENCIES = np.array([60, 70, 80, 85, 88, 90, 92, 93, 94, 95, 96, 97])  # %
LARGEST = 200.0  # points squared, area of the mark of the largest residual
SMALLEST = 5.0
NAMED = 12  # outliers that are named
UNNAMED_ABOVE = 400  # g/kWh, lines of more are too close to each other to be named


def plot_bench_map(made: BenchMap, quality: MapQuality, limit: DataArray | None = None) -> Figure:
    """Draw a map with its points, their residuals by area, the hull, and hatching outside it.

    Parameters
    ----------
    made, quality
        From :func:`hybridopt.import_map`.
    limit
        Full load or peak torque over speed, from :func:`hybridopt.read_curve`, drawn as a line.

    Returns
    -------
    Figure
        One panel over speed and torque.
    """
    figure = new_figure(SIZE)
    ax = figure.subplots()
    speed, torque, outside = _fine(made)
    _lines(ax, made, speed, torque)
    levels, hatches = [0.5, 1.5], ["///"]
    marked = outside.T.astype(float)
    area = ax.contourf(speed / RPM, torque, marked, levels=levels, colors="none", hatches=hatches)
    area.set_edgecolor(BRAKE_COLOUR)
    area.set_linewidth(0.0)
    patch = Patch(facecolor="none", edgecolor=BRAKE_COLOUR, hatch=hatches[0], label="extrapolated")
    handles: list[Artist] = [patch]
    x, y = np.vstack((made.hull, made.hull[:1])).T
    handles += ax.plot(x / RPM, y, "--", color=INK, linewidth=1.2, label="hull of the points")
    if limit is not None:
        x, y = limit["speed"].values / RPM, limit.values
        handles += ax.plot(x, y, color=INK, linewidth=1.8, label="torque limit")
        if made.points.kind != ENGINE:
            ax.plot(x, -y, color=INK, linewidth=1.8)
    handles += _points(ax, made)
    handles += _outliers(ax, quality)
    dress(ax, f"{made.points.kind} speed (rpm)", f"{made.points.kind} torque (N m)")
    _limits(ax, made)
    text = f"{plain(made.points.path.name, 40)}: {quality.points} points, RMS residual "
    title(ax, f"{text}{quality.rms:.3g} {made.points.unit} ({quality.rms_percent:.2f} %)")
    figure.legend(
        handles=handles,
        loc="outside right upper",
        frameon=False,
        fontsize=TEXT - 0.5,
        labelcolor=INK,
        labelspacing=0.8,
    )
    return figure


def _fine(made: BenchMap) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return speeds, torques, and where of both lies outside the hull."""
    axes = [made.map[name].values for name in ("speed", "torque")]
    speed, torque = (np.linspace(axis[0], axis[-1], FINE) for axis in axes)
    grid = np.column_stack([x.ravel() for x in np.meshgrid(speed, torque, indexing="ij")])
    return speed, torque, ~is_inside(made.hull, grid).reshape(FINE, FINE)


def _lines(ax: Axes, made: BenchMap, speed: np.ndarray, torque: np.ndarray) -> None:
    """Draw lines of equal specific consumption or efficiency."""
    value = map_values(made.map, speed[:, None], torque[None, :])
    power = speed[:, None] * torque[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        if made.points.kind == ENGINE:
            shown, levels, unit = value / power / G_PER_KWH, CONSUMPTIONS, "g/kWh"
        else:
            shown = np.where(power > 0.0, power / (power + value), (power + value) / power)
            shown, levels, unit = shown / PERCENT, EFFICIENCIES, "%"
    shown[~np.isfinite(shown) | (shown <= 0.0)] = np.nan
    if np.isnan(shown).all() or not np.nanmin(shown) < levels[-1] or np.nanmax(shown) < levels[0]:
        return
    lines = ax.contour(speed / RPM, torque, shown.T, levels=levels, colors=QUIET, linewidths=0.8)
    named = [x for x in lines.levels if (x >= 80 if unit == "%" else x <= UNNAMED_ABOVE)]
    ax.clabel(lines, named, fmt=lambda level: f"{level:g} {unit}", fontsize=TEXT - 2.0, colors=INK)


def _points(ax: Axes, made: BenchMap) -> list[Line2D]:
    """Draw the points, area by residual, and return marks for the legend."""
    points, residual = made.points, np.nan_to_num(residuals(made))
    largest = max(float(np.abs(residual[made.used]).max()), 1e-300)
    area = np.clip(LARGEST * np.abs(residual) / largest, SMALLEST, LARGEST)
    marks = []
    for sign, colour, words in ((1.0, ALARM_COLOUR, "above"), (-1.0, MOTOR_COLOUR, "below")):
        chosen = (residual >= 0.0) == (sign > 0.0)
        x, y = points.speed[chosen] / RPM, points.torque[chosen]
        style: dict[str, Any] = {"edgecolor": PAPER, "linewidth": 0.5, "alpha": 0.85, "zorder": 3}
        ax.scatter(x, y, s=area[chosen], color=colour, **style)
        marks.append(_dot(colour, np.sqrt(LARGEST / 4.0), f"point {words} the map"))
    return [*marks, _dot("none", np.sqrt(LARGEST), f"{largest:.3g} {points.unit} off, by area")]


def _outliers(ax: Axes, quality: MapQuality) -> list[Line2D]:
    """Ring the points that look wrong, and name the lines of the first."""
    if not quality.outliers:
        return []
    x = [one.speed / RPM for one in quality.outliers]
    y = [one.torque for one in quality.outliers]
    ring: dict[str, Any] = {
        "markerfacecolor": "none",
        "markeredgecolor": INK,
        "markeredgewidth": 1.6,
    }
    label = "looks wrong, line of file"
    rings = ax.plot(x, y, "o", linestyle="none", markersize=17, zorder=4, label=label, **ring)
    box = {"facecolor": PAPER, "edgecolor": "none", "pad": 1.0}
    style: dict[str, Any] = {"fontsize": TEXT, "color": INK, "zorder": 5, "bbox": box}
    place: dict[str, Any] = {"xytext": (10, 8), "textcoords": "offset points"}
    for one in quality.outliers[:NAMED]:
        ax.annotate(str(one.line), (one.speed / RPM, one.torque), **place, **style)
    return list(rings)


def _dot(colour: str, size: float, label: str) -> Line2D:
    edge: dict[str, Any] = {"markeredgecolor": QUIET, "markeredgewidth": 0.6}
    return Line2D(
        [], [], linestyle="none", marker="o", color=colour, label=label, markersize=size, **edge
    )


def _limits(ax: Axes, made: BenchMap) -> None:
    speed, torque = made.map["speed"].values / RPM, made.map["torque"].values
    for values, place in ((speed, ax.set_xlim), (torque, ax.set_ylim)):
        room = ROOM * (values[-1] - values[0])
        place(values[0] - room, values[-1] + room)
