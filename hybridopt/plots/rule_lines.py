"""Lines of rule tables with what was driven behind them: shifts by pair of gears, engine by SoC."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from ..base.units import KM_PER_H, KW, PERCENT
from .axes import TEXT, dress, head, new_figure, plain, title
from .colours import CHARGE_COLOUR, ENGINE_FILL, INK, MOTOR_COLOUR, QUIET

if TYPE_CHECKING:
    from xarray import Dataset

    from ..optimum.result import Result
    from ..tables.rule_set import RuleSet

UP_COLOUR, DOWN_COLOUR = INK, CHARGE_COLOUR
LOWER_COLOUR, UPPER_COLOUR = MOTOR_COLOUR, ENGINE_FILL
OFF_COLOUR, ON_COLOUR = MOTOR_COLOUR, ENGINE_FILL
ROOM = 1.05  # of the fastest point or line that a panel shows
ACROSS = 4  # panels beside each other
PANEL = (3.5, 3.0)  # inch
SHOWN = 6  # states of charge at most


def shift_lines_figure(rule_set: "RuleSet", results: "Sequence[Result]" = ()) -> Figure:
    """Return one panel per pair of gears: the lines up and down, and the points driven in both.

    Parameters
    ----------
    rule_set
        The tables.
    results
        What was driven, best with the tables; its points lie behind the lines.

    Returns
    -------
    Figure
        Vehicle speed over torque at the wheels; points of gears that are not of the pair are left
        out.
    """
    up, down = rule_set.map("shift_up"), rule_set.map("shift_down")
    pairs = max(rule_set.gears - 1, 1)
    figure, axes = _panels(pairs)
    for k, ax in enumerate(axes):
        _draw_gears(ax, results, k + 1)
        fastest = 0.0
        for table, gear, colour in ((up, k + 1, UP_COLOUR), (down, k + 2, DOWN_COLOUR)):
            rows = np.flatnonzero(table.axes[0] == gear)
            for row in rows.tolist():
                for s, on in enumerate(table.axes[2].tolist()):
                    speeds = table.values[row, :, s] / KM_PER_H
                    dash = "-" if on else (0, (4, 2))
                    ax.plot(speeds, table.axes[1], linestyle=dash, color=colour, linewidth=1.6)
                    fastest = max(fastest, float(speeds.max()))
        ax.set_xlim(0.0, ROOM * max(fastest, 1.0))
        ax.set_ylim(ROOM * up.axes[1][0], ROOM * up.axes[1][-1])
        ax.axhline(0.0, color=QUIET, linewidth=0.6)
        dress(ax, "vehicle speed (km/h)", "torque at the wheels (N m)")
        title(ax, f"gears {k + 1} and {k + 2}")
    _legend(
        figure,
        [
            _line(UP_COLOUR, "-", "up, engine on"),
            _line(UP_COLOUR, (0, (4, 2)), "up, engine off"),
            _line(DOWN_COLOUR, "-", "down, engine on"),
            _line(DOWN_COLOUR, (0, (4, 2)), "down, engine off"),
        ],
        [
            _dot(LOWER_COLOUR, "driven in the lower gear"),
            _dot(UPPER_COLOUR, "in the upper gear (rings: engine off)"),
        ]
        if results
        else [],
    )
    return head(figure, _heading(rule_set, "shift lines", results))


def engine_lines_figure(rule_set: "RuleSet", results: "Sequence[Result]" = ()) -> Figure:
    """Return one panel per state of charge: powers of engine start and stop over vehicle speed.

    Parameters
    ----------
    rule_set
        The tables.
    results
        What was driven, best with the tables; behind the lines of each state of charge lie the
        points nearest to it, by the charge that the tables look at.

    Returns
    -------
    Figure
        Power at the wheels over vehicle speed.
    """
    start, stop = rule_set.map("engine_start"), rule_set.map("engine_stop")
    socs = start.axes[1]
    shown = np.unique(np.round(np.linspace(0, socs.size - 1, min(SHOWN, socs.size))).astype(int))
    figure, axes = _panels(shown.size, 3)
    for i, ax in zip(shown.tolist(), axes, strict=True):
        _draw_states(ax, results, socs[shown], float(socs[i]), rule_set.table.motion_charge)
        for table, colour in ((start, UP_COLOUR), (stop, DOWN_COLOUR)):
            powers = table.values[:, min(i, table.values.shape[1] - 1)] / KW
            ax.plot(table.axes[0] / KM_PER_H, powers, color=colour, linewidth=1.6)
        ax.axhline(0.0, color=QUIET, linewidth=0.6)
        ax.set_xlim(0.0, ROOM * start.axes[0][-1] / KM_PER_H)
        dress(ax, "vehicle speed (km/h)", "power at the wheels (kW)")
        title(ax, f"SoC {socs[i] / PERCENT:.3g} %")
    _legend(
        figure,
        [
            _line(UP_COLOUR, "-", "engine starts at or above"),
            _line(DOWN_COLOUR, "-", "stops below"),
        ],
        [_dot(ON_COLOUR, "driven with the engine on"), _dot(OFF_COLOUR, "off", hollow=True)]
        if results
        else [],
    )
    return head(figure, _heading(rule_set, "engine start and stop", results))


def _heading(rule_set: "RuleSet", words: str, results: "Sequence[Result]") -> str:
    text = f"Rule tables: {plain(rule_set.origin.title)}, {words}"
    names = ", ".join(plain(result.dataset.attrs.get("cycle", ""), 24) for result in results)
    return f"{text}; driven: {names}" if names else text


def _panels(count: int, across: int = ACROSS) -> tuple[Figure, list[Axes]]:
    """Return a figure with so many panels, the last row filled from the left."""
    across = min(across, count)
    rows = -(-count // across)
    figure = new_figure((max(PANEL[0] * across, 7.0), PANEL[1] * rows + 1.0))
    grid = figure.subplots(rows, across, squeeze=False)
    axes = grid.ravel().tolist()
    for ax in axes[count:]:
        ax.remove()
    return figure, axes[:count]


def _draw_gears(ax: Axes, results: "Sequence[Result]", lower: int) -> None:
    """Draw the points driven in a gear and in the one above."""
    for dataset in (result.dataset for result in results):
        for gear, colour in ((lower, LOWER_COLOUR), (lower + 1, UPPER_COLOUR)):
            here = (dataset["gear"].values == gear) & (dataset["speed"].values > 0.0)
            on = dataset["engine_on"].values == 1
            for chosen, hollow in ((here & on, False), (here & ~on, True)):
                _points(ax, dataset, chosen, dataset["wheel_torque"].values, colour, hollow)


def _draw_states(
    ax: Axes, results: "Sequence[Result]", socs: np.ndarray, soc: float, motion: float
) -> None:
    """Draw the points nearest to a state of charge, engine on and off."""
    from ..controllers.rule_kernels import MOTION_SPEED

    for dataset in (result.dataset for result in results):
        speed = dataset["speed"].values
        charge = dataset["soc"].values + motion * (speed / MOTION_SPEED) ** 2
        nearest = socs[np.argmin(np.abs(charge[:, None] - socs), axis=1)]
        power = dataset["wheel_torque"].values * dataset["wheel_speed"].values / KW
        on = dataset["engine_on"].values == 1
        here = (nearest == soc) & (speed > 0.0)
        _points(ax, dataset, here & ~on, power, OFF_COLOUR, True)
        _points(ax, dataset, here & on, power, ON_COLOUR, False)


def _points(
    ax: Axes, dataset: "Dataset", chosen: np.ndarray, height: np.ndarray, colour: str, hollow: bool
) -> None:
    style: Any = {"markersize": 3.0, "markeredgewidth": 0.6, "alpha": 0.55, "linestyle": "none"}
    fill = "none" if hollow else colour
    x = dataset["speed"].values[chosen] / KM_PER_H
    ax.plot(x, height[chosen], "o", color=colour, markerfacecolor=fill, rasterized=True, **style)


def _line(colour: str, dash: Any, label: str) -> Line2D:
    return Line2D([], [], color=colour, linestyle=dash, linewidth=1.6, label=label)


def _dot(colour: str, label: str, hollow: bool = False) -> Line2D:
    style: Any = {"marker": "o", "linestyle": "none", "markersize": 5.0}
    fill = "none" if hollow else colour
    return Line2D([], [], color=colour, markerfacecolor=fill, label=label, **style)


def _legend(figure: Figure, lines: list[Line2D], dots: list[Line2D]) -> None:
    style: Any = {"frameon": False, "fontsize": TEXT - 1.0, "labelcolor": INK}
    figure.legend(handles=[*lines, *dots], loc="outside lower center", ncols=6, **style)
