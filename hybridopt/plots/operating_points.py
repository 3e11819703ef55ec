"""Operating points of engine and motor over their maps, weighted by time."""

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from ..base.units import PERCENT, RPM
from ..inputs.maps import curve_values, map_values
from ..physics.modes import Mode
from .axes import TEXT, dress, legend, title
from .colours import ENGINE_COLOUR, INK, MODE_COLOURS, PAPER, QUIET

if TYPE_CHECKING:
    from xarray import Dataset

    from ..inputs.driveline import Driveline, Engine, Motor

FINE = 241  # points of the grid that efficiency is drawn on
CELLS = 40, 30  # speed by torque, that points are gathered in
LARGEST = 430.0  # points squared, area of the mark of the busiest cell
ENGINE_LEVELS = (10, 20, 25, 28, 30, 32, 33, 34, 35, 36, 37, 38, 39, 40, 42, 44, 46)
MOTOR_LEVELS = (70, 80, 88, 92, 94, 95, 96, 97)
NAMED = 88  # %, lines of lower efficiency are too close to each other to be named


def plot_engine_points(ax: Axes, dataset: "Dataset", driveline: "Driveline | None" = None) -> None:
    """Draw where the engine worked: marks with the area of the time, in the mode's colour.

    Parameters
    ----------
    ax
        Where.
    dataset
        Of a result.
    driveline
        Adds the map's points, lines of equal efficiency (%), full load, overrun and the line of
        best efficiency at each power; left out when not given.

    Notes
    -----
    Fuel is linear between the map's points, so that the least of it lies at them or on lines that
    join them: optima gather at the rows and columns of the map, and the line of least fuel has
    steps. With a map of finer steps they spread; the fuel hardly changes.
    """
    on = (dataset["engine_on"].values > 0) & (dataset["mode"].values != Mode.STANDSTILL)
    if driveline is not None:
        _draw_engine(ax, driveline)
    _draw_points(ax, dataset, "engine", on)
    dress(ax, "engine speed (rpm)", "engine torque (N m)")
    title(ax, f"Engine: {_time_text(dataset, on)} running")


def plot_motor_points(ax: Axes, dataset: "Dataset", driveline: "Driveline | None" = None) -> None:
    """Draw where the powered motor worked: marks with the area of the time, in the mode's colour.

    Parameters
    ----------
    ax
        Where.
    dataset
        Of a result, `result.dataset`.
    driveline
        Adds lines of equal efficiency (%) and peak torque; left out when not given.
    """
    on = dataset["motor_powered"].values > 0
    if driveline is not None:
        _draw_motor(ax, driveline.motor)
    _draw_points(ax, dataset, "motor", on)
    ax.axhline(0.0, color=QUIET, linewidth=0.8)
    dress(ax, "motor speed (rpm)", "motor torque (N m)")
    title(ax, f"Motor: {_time_text(dataset, on)} powered")


def engine_efficiency(driveline: "Driveline") -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return speeds (rad/s), torques (N m) and efficiency over both, NaN above full load."""
    engine = driveline.engine
    speed, torque = _fine_axes(engine)
    fuel = map_values(engine.fuel_map, speed[:, None], torque[None, :])
    power = speed[:, None] * torque[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = power / (fuel * driveline.fuel.heating_value)
    full = curve_values(engine.full_load, speed)
    share[torque[None, :] > full[:, None]] = np.nan
    return speed, torque, share


def best_line(driveline: "Driveline") -> tuple[np.ndarray, np.ndarray]:
    """Return speed (rad/s) and torque (N m) of least fuel at each engine power."""
    speed, _ = _fine_axes(driveline.engine)
    full = curve_values(driveline.engine.full_load, speed)
    most = float((speed * full).max())
    powers = np.linspace(0.03, 0.995, 60) * most
    torques = powers[:, None] / speed
    fuel = map_values(driveline.engine.fuel_map, speed, torques)
    best = np.where((torques > full) | np.isnan(fuel), np.inf, fuel).argmin(axis=1)
    return speed[best], torques[np.arange(powers.size), best]


def motor_efficiency(motor: "Motor") -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return speeds (rad/s), torques (N m) and efficiency over both, NaN beyond peak torque."""
    loss_map = motor.loss_map
    speed = np.linspace(float(loss_map["speed"][0]), motor.max_speed, FINE)
    torque = np.linspace(float(loss_map["torque"][0]), float(loss_map["torque"][-1]), FINE)
    loss = map_values(loss_map, speed[:, None], torque[None, :])
    power = speed[:, None] * torque[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(power > 0.0, power / (power + loss), (power + loss) / power)
    peak = curve_values(motor.peak_torque, speed)
    outside = np.abs(torque)[None, :] > peak[:, None]
    share[outside | (share <= 0.0) | ~np.isfinite(share)] = np.nan
    return speed, torque, share


def _fine_axes(engine: "Engine") -> tuple[np.ndarray, np.ndarray]:
    low = max(engine.idle_speed, float(engine.fuel_map["speed"][0]))
    high = min(engine.max_speed, float(engine.fuel_map["speed"][-1]))
    top = float(engine.fuel_map["torque"][-1])
    return np.linspace(low, high, FINE), np.linspace(0.0, top, FINE)


def _draw_engine(ax: Axes, driveline: "Driveline") -> None:
    engine = driveline.engine
    speed, torque, share = engine_efficiency(driveline)
    _contours(ax, speed, torque, share, ENGINE_LEVELS)
    rpm = speed / RPM
    for curve, dash, width, label in (
        (engine.full_load, "-", 1.8, "full load"),
        (engine.overrun, ":", 1.2, "overrun, fuel cut"),
    ):
        values = curve_values(curve, speed)
        ax.plot(rpm, values, dash, color=INK, linewidth=width, label=label)
    ax.set_xlim(0.0, 1.01 * float(rpm[-1]))
    _draw_map_points(ax, engine)
    line_speed, line_torque = best_line(driveline)
    line: Any = {"color": ENGINE_COLOUR, "linewidth": 1.8, "label": "least fuel at each power"}
    ax.plot(line_speed / RPM, line_torque, color=PAPER, linewidth=3.4, zorder=4)
    ax.plot(line_speed / RPM, line_torque, "--", zorder=4, **line)


def _draw_map_points(ax: Axes, engine: "Engine") -> None:
    """Mark the points of the fuel map up to full load: the optimum keeps to them."""
    fuel_map = engine.fuel_map
    speed, torque = np.meshgrid(fuel_map["speed"].values, fuel_map["torque"].values)
    inside = (torque >= 0.0) & (torque <= curve_values(engine.full_load, speed))
    style: Any = {"color": QUIET, "markersize": 3.5, "markeredgewidth": 0.7, "linestyle": "none"}
    label = "point of the map, fuel is\nlinear between them"
    ax.plot(speed[inside] / RPM, torque[inside], "+", label=label, **style)


def _draw_motor(ax: Axes, motor: "Motor") -> None:
    speed, torque, share = motor_efficiency(motor)
    _contours(ax, speed, torque, share, MOTOR_LEVELS, NAMED)
    peak = curve_values(motor.peak_torque, speed)
    ax.plot(speed / RPM, peak, color=INK, linewidth=1.8, label="peak torque")
    ax.plot(speed / RPM, -peak, color=INK, linewidth=1.8)
    ax.set_ylim(-1.08 * float(peak.max()), 1.08 * float(peak.max()))


def _contours(
    ax: Axes,
    speed: np.ndarray,
    torque: np.ndarray,
    share: np.ndarray,
    levels: tuple[int, ...],
    least: int = 0,
) -> None:
    """Draw lines of equal efficiency, %, with their values on them."""
    style: Any = {"levels": levels, "colors": QUIET, "linewidths": 0.7}
    lines = ax.contour(speed / RPM, torque, share.T / PERCENT, **style)
    named = [level for level in lines.levels if level >= least]
    ax.clabel(lines, named, fmt=lambda level: f"{level:g} %", fontsize=TEXT - 2.0, colors=INK)
    ax.plot([], [], color=QUIET, linewidth=0.7, label="efficiency, %")


def _draw_points(ax: Axes, dataset: "Dataset", part: str, on: np.ndarray) -> None:
    """Gather the steps that are on in cells and draw each cell in its busiest mode's colour."""
    speed = dataset[f"{part}_speed"].values[on] / RPM
    torque, seconds = dataset[f"{part}_torque"].values[on], dataset["dt"].values[on]
    modes = dataset["mode"].values[on]
    handles, labels = ax.get_legend_handles_labels()
    if speed.size:
        x, y, total, busiest = _gathered(speed, torque, seconds, modes)
        area = LARGEST * total / total.max()
        for mode in Mode:
            chosen = busiest == mode
            if chosen.any():
                style: Any = {"color": MODE_COLOURS[mode], "edgecolor": INK, "linewidth": 0.5}
                ax.scatter(x[chosen], y[chosen], np.maximum(area[chosen], 5.0), zorder=3, **style)
                handles.append(_dot(MODE_COLOURS[mode], 8.0))
                labels.append(mode.text)
        some = _round(float(total.max()) / 2.0)
        handles.append(_dot(PAPER, np.sqrt(LARGEST * some / total.max())))
        labels.append(f"{some:g} s, by area")
    place: Any = {"loc": "center left", "bbox_to_anchor": (1.01, 0.5), "borderaxespad": 0.0}
    legend(ax, handles, labels, size=TEXT - 0.5, labelspacing=0.75, **place)


def _gathered(
    speed: np.ndarray, torque: np.ndarray, seconds: np.ndarray, modes: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return centre of time, seconds and busiest mode of every cell that is visited."""
    i = _cells(speed, CELLS[0])
    cell, place = np.unique(i * CELLS[1] + _cells(torque, CELLS[1]), return_inverse=True)
    total = np.bincount(place, seconds)
    x, y = np.bincount(place, seconds * speed) / total, np.bincount(place, seconds * torque) / total
    by_mode = np.zeros((cell.size, len(Mode)))
    np.add.at(by_mode, (place, modes), seconds)
    return x, y, total, by_mode.argmax(axis=1)


def _cells(values: np.ndarray, count: int) -> np.ndarray:
    low, span = values.min(), max(float(np.ptp(values)), 1e-9)
    found: np.ndarray = np.minimum((values - low) / span * count, count - 1).astype(np.int64)
    return found


def _dot(colour: str, size: float) -> Line2D:
    edge: Any = {"linestyle": "none", "markeredgecolor": INK, "markeredgewidth": 0.5}
    return Line2D([], [], marker="o", color=colour, markersize=size, **edge)


def _round(value: float) -> float:
    """Return the largest 1, 2 or 5 times a power of ten that is not above a value."""
    scale = 10.0 ** np.floor(np.log10(value))
    return float(scale * max(digit for digit in (1.0, 2.0, 5.0) if digit * scale <= value * 1.0001))


def _time_text(dataset: "Dataset", on: np.ndarray) -> str:
    seconds = dataset["dt"].values
    share = 100.0 * float(seconds[on].sum() / seconds.sum())
    return f"{seconds[on].sum():.0f} s ({share:.0f} % of the time)"
