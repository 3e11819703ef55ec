"""Whole pages by kind: what `hybridopt plot` draws and reports are made of."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from ..base.units import KM_PER_H, KW, PERCENT
from ..evaluation.mode_map import best_modes, rule_modes, visited_modes
from .axes import edges, head, new_figure, plain, title
from .controllers import plot_regret, plot_soc_paths
from .cost_to_go import plot_cost_to_go, plot_costate, plot_costate_surface
from .energy_flow import plot_energy_flow
from .gears import plot_gear_speeds, plot_gear_use
from .mode_map import mode_legend, plot_mode_map
from .operating_points import plot_engine_points, plot_motor_points
from .trade_off import plot_trade_off

if TYPE_CHECKING:
    from xarray import Dataset

    from ..evaluation.case import Score
    from ..evaluation.trade_off import TradeOff
    from ..inputs.driveline import Driveline
    from ..optimum.optimum import Optimum
    from ..optimum.result import Result
    from ..tables.rule_set import RuleSet

CELLS = 44, 36  # speed by power, of maps of what was driven
FINE = 81, 63  # the same, of maps that are worked out
MARGIN = 0.04  # of a SoC window, off its limits
WIDE = (13.2, 5.4)


def points_figure(part: str, result: "Result", driveline: "Driveline | None" = None) -> Figure:
    """Return the operating points of "engine" or "motor" over its map."""
    figure = new_figure()
    draw = {"engine": plot_engine_points, "motor": plot_motor_points}[part]
    draw(figure.subplots(), result.dataset, driveline)
    return _named(figure, result)


def energy_figure(result: "Result") -> Figure:
    """Return the energy flow."""
    figure = new_figure((12.4, 7.0))
    plot_energy_flow(figure.subplots(), result.dataset)
    return _named(figure, result)


def gears_figure(result: "Result") -> Figure:
    """Return time by gear and mode, and the speeds of each gear."""
    figure = new_figure(WIDE)
    left, right = figure.subplots(1, 2)
    plot_gear_use(left, result.dataset)
    plot_gear_speeds(right, result.dataset)
    return _named(figure, result)


def costate_figure(result: "Result") -> Figure:
    """Return the worth of charge along the path."""
    figure = new_figure((9.6, 4.4))
    plot_costate(figure.subplots(), result.dataset)
    return _named(figure, result)


def value_figure(optimum: "Optimum") -> Figure:
    """Return cost-to-go and costate over time and SoC, with the path."""
    figure, result = new_figure((11.0, 8.0)), optimum.result()
    ends = edges(result.dataset)
    upper, lower = figure.subplots(2, 1, sharex=True)
    plot_cost_to_go(upper, optimum.solution, ends)
    plot_costate_surface(lower, optimum.solution, ends)
    upper.set_xlabel("")
    oil = "oil_temperature" in result.dataset
    return _named(figure, result, ", at the oil temperatures of the path" if oil else "")


def visited_figure(results: "Sequence[Result]") -> Figure:
    """Return the map of modes driven: in each cell the one with the most time."""
    datasets = [result.dataset for result in results]
    speeds, powers = _cell_edges(datasets)
    modes = visited_modes(datasets, speeds, powers)
    figure = new_figure()
    ax = figure.subplots()
    plot_mode_map(ax, speeds, powers, modes)
    title(ax, "Mode with the most time in each cell; blank: not visited")
    mode_legend(figure, [modes[modes >= 0]])
    return _named(figure, results[0]) if len(results) == 1 else figure


def best_modes_figure(optimum: "Optimum") -> Figure:
    """Return the best mode over speed and power at three states of charge.

    Charge counts there what the cost-to-go says: the median of its slope over the cycle.
    """
    low, high, _, _ = optimum.settings.socs
    socs = np.linspace(low + MARGIN * (high - low), high - MARGIN * (high - low), 3)
    speeds, powers = _points(optimum.demand.speed, _wheel_power(optimum))
    worths = [_worth(optimum, soc) for soc in socs.tolist()]
    maps = best_modes(optimum.driveline, speeds, powers, worths, socs.tolist())
    titles = [
        f"SoC {soc / PERCENT:.0f} %, worth {worth * PERCENT:.2f} g per %"
        for soc, worth in zip(socs.tolist(), worths, strict=True)
    ]
    figure = _panels(speeds, powers, maps, None, titles)
    return _named(figure, optimum.result(), ": best mode if starts and shifts were free")


def rule_modes_figure(rule_set: "RuleSet", driveline: "Driveline") -> Figure:
    """Return the mode that rule tables ask for over speed and power at three states of charge."""
    starts = rule_set.map("engine_start")
    axis = starts.axes[1]
    socs = np.unique([axis[0], axis[axis.size // 2], axis[-1]])
    most = 0.9 * float((driveline.engine.full_load * driveline.engine.full_load["speed"]).max())
    speeds = np.linspace(1.0, max(float(starts.axes[0][-1]), 2.0), FINE[0])
    powers = np.linspace(-0.5 * most, most, FINE[1])
    radius = driveline.vehicle.wheel_radius
    off, on = (
        [rule_modes(rule_set, radius, speeds, powers, soc, state) for soc in socs.tolist()]
        for state in (False, True)
    )
    undecided = [a != b for a, b in zip(off, on, strict=True)]
    titles = [f"SoC {soc / PERCENT:.0f} %" for soc in socs.tolist()]
    figure = _panels(speeds, powers, on, undecided, titles)
    return head(figure, f"Rule tables {plain(rule_set.origin.title, 40)}: mode asked for")


def controllers_figure(scores: "Sequence[Score]", kind: str) -> Figure:
    """Return the "soc" paths or the "regret" of several controllers on one cycle."""
    figure = new_figure((11.4, 5.4))
    ax = figure.subplots()
    if kind == "soc":
        plot_soc_paths(ax, scores)
    else:
        plot_regret(ax, scores)
    return head(figure, plain(scores[0].cycle))


def trade_off_figure(result: "Result", trade: "TradeOff") -> Figure:
    """Return fuel against starts or shifts."""
    figure = new_figure()
    plot_trade_off(figure.subplots(), trade)
    return _named(figure, result)


def _panels(
    speeds: np.ndarray,
    powers: np.ndarray,
    maps: Sequence[np.ndarray],
    undecided: Sequence[np.ndarray] | None,
    titles: Sequence[str],
) -> Figure:
    figure = new_figure((13.6, 5.8))
    axes = figure.subplots(1, len(maps), sharey=True, squeeze=False)[0]
    for i, ax in enumerate(axes):
        plot_mode_map(ax, speeds, powers, maps[i], undecided[i] if undecided else None)
        title(ax, titles[i])
        if i:
            ax.set_ylabel("")
    mode_legend(figure, maps, undecided is not None)
    return figure


def _cell_edges(datasets: "Sequence[Dataset]") -> tuple[np.ndarray, np.ndarray]:
    speed = np.concatenate([d["speed"].values for d in datasets])
    power = np.concatenate([(d["wheel_torque"] * d["wheel_speed"]).values for d in datasets])
    top = 1.02 * max(float(speed.max()), KM_PER_H)
    low, high = float(power.min()) - 0.01 * KW, float(power.max()) + 0.01 * KW
    return np.linspace(0.0, top, CELLS[0] + 1), np.linspace(low, high, CELLS[1] + 1)


def _points(speed: np.ndarray, power: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    speeds = np.linspace(0.6, max(float(speed.max()), 2.0), FINE[0])
    return speeds, np.linspace(float(power.min()), 1.2 * float(power.max()), FINE[1])


def _wheel_power(optimum: "Optimum") -> np.ndarray:
    return np.asarray(optimum.demand.wheel_torque * optimum.demand.wheel_speed)


def _worth(optimum: "Optimum", soc: float) -> float:
    """Return the median slope of the cost-to-go at a SoC, g per unit of SoC."""
    solution = optimum.solution
    grid = solution.soc_grid
    j = int(np.clip(np.searchsorted(grid, soc), 3, grid.size - 4))
    slopes = []
    for t in range(0, len(solution.value) - 1, max(1, len(solution.value) // 120)):
        value = solution.value[t].min(axis=(0, 1))
        slopes.append((value[j - 3] - value[j + 3]) / (grid[j + 3] - grid[j - 3]))
    known = np.array(slopes)
    known = known[np.isfinite(known)]
    return float(np.median(known)) if known.size else float(np.median(solution.costate))


def _named(figure: Figure, result: "Result", more: str = "") -> Figure:
    return head(figure, plain(result.heading, 110) + more)
