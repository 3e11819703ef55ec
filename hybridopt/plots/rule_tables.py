"""Rule tables as pictures: values and colours, with what the training did not reach marked."""

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from ..base.words import fixed
from ..controllers.maps import Map
from ..tables.rule_table import FACTORS, LAYOUT
from .axes import TEXT, colour_bar, dress, head, legend, new_figure, plain, title
from .colours import ALARM_COLOUR, DASHES, INK, PAPER, SCALE, SERIES

if TYPE_CHECKING:
    from ..tables.rule_set import Coverage, RuleSet

AXIS_WORDS = {
    "speed_km_per_h": "vehicle speed (km/h)",
    "soc_percent": "state of charge (%)",
    "power_kW": "power at the wheels (kW)",
    "input_speed_rpm": "gearbox input speed (rpm)",
    "input_torque_Nm": "torque at gearbox input (N m)",
    "torque_Nm": "torque (N m)",
    "wheel_torque_Nm": "torque at the wheels (N m)",
    "gear": "gear (-)",
    "engine_on": "engine",
}
TABLE_WORDS = {
    "engine_start": "Engine starts at or above",
    "engine_stop": "Engine stops below",
    "electric_limit": "Engine runs in any case above",
    "motor_torque": "Motor torque, engine on",
    "shift_up": "Shift up at or above",
    "shift_down": "Shift down below",
}
WRITTEN = 200  # cells, up to which their values are written in them
UNREACHED = "struck through, or marked: not reached by the training, filled by rule"
FADE = 0.5  # how pale a cell is that no training reached


def plot_table(
    ax: Axes, name: str, table: Map, coverage: "Coverage | None" = None, third: int = 0
) -> None:
    """Draw one rule table; cells that no training reached are pale and struck through.

    Parameters
    ----------
    ax
        Where.
    name
        One of :data:`hybridopt.tables.rule_table.LAYOUT`.
    table
        Axes and values, SI.
    coverage
        What the training visited.
    third
        Entry of the third axis that is drawn (SoC of the motor torque); shift lines show both
        engine states.
    """
    if name.startswith("shift"):
        _draw_lines(ax, name, table, coverage)
    elif len(table.axes) == 1:
        _draw_curve(ax, name, table, coverage)
    else:
        _draw_cells(ax, name, table, coverage, third)


def rule_tables_figure(rule_set: "RuleSet") -> Figure:
    """Return one page with all tables; the motor torque at its middle SoC.

    Parameters
    ----------
    rule_set
        From :func:`hybridopt.distil` or :func:`hybridopt.read_rule_set`.

    Returns
    -------
    Figure
        What no training reached is marked.
    """
    figure = new_figure((13.0, 11.0))
    axes = figure.subplots(3, 2)
    for ax, name in zip(axes.flat, LAYOUT, strict=True):
        _plot_middle(ax, rule_set, name)
    origin = rule_set.origin
    head(figure, f"Rule tables: {plain(origin.title)}, driveline {plain(origin.driveline, 30)}")
    _explain_marks(figure, rule_set)
    return figure


def rule_table_figure(rule_set: "RuleSet", name: str) -> Figure:
    """Return one table alone; the motor torque at its middle SoC.

    Parameters
    ----------
    rule_set
        From :func:`hybridopt.distil` or :func:`hybridopt.read_rule_set`.
    name
        One of :data:`hybridopt.tables.rule_table.LAYOUT`, such as "engine_start".

    Returns
    -------
    Figure
        What no training reached is marked.
    """
    figure = new_figure((10.0, 5.4))
    _plot_middle(figure.subplots(), rule_set, name)
    _explain_marks(figure, rule_set)
    return figure


def _plot_middle(ax: Axes, rule_set: "RuleSet", name: str) -> None:
    """Draw one table, at the middle of a third axis that is none of shift lines."""
    table = rule_set.map(name)
    third = table.axes[2].size // 2 if name == "motor_torque" else 0
    plot_table(ax, name, table, rule_set.coverage.get(name), third)


def _explain_marks(figure: Figure, rule_set: "RuleSet") -> None:
    if rule_set.coverage:
        marker: Any = {"marker": "X", "markersize": 7, "color": ALARM_COLOUR, "linewidth": 1.2}
        mark = Line2D([], [], label=UNREACHED, **marker)
        style: Any = {"frameon": False, "fontsize": TEXT, "labelcolor": INK}
        figure.legend(handles=[mark], loc="outside lower right", **style)


def _axes(name: str, table: Map) -> list[np.ndarray]:
    """Return the axes in the units of files."""
    return [axis / FACTORS[key] for axis, key in zip(table.axes, LAYOUT[name], strict=False)]


def _draw_cells(ax: Axes, name: str, table: Map, coverage: "Coverage | None", third: int) -> None:
    keys, axes = LAYOUT[name], _axes(name, table)
    values, filled = table.values / FACTORS[keys[-1]], _filled(table, coverage)
    words = TABLE_WORDS[name]
    if values.ndim == 3:
        words += f" at SoC {axes[2][third]:.3g} %"
        values, filled = values[:, :, third], filled[:, :, third]
    mesh = ax.imshow(values.T, origin="lower", aspect="auto", cmap=SCALE)
    colour_bar(ax, mesh, AXIS_WORDS[keys[-1]])
    dress(ax, AXIS_WORDS[keys[0]], AXIS_WORDS[keys[1]])
    ax.grid(False)
    _name_cells(ax, axes[0], axes[1])
    for i, j in np.argwhere(filled).tolist():
        corner = (i - 0.5, j - 0.5)
        ax.add_patch(Rectangle(corner, 1.0, 1.0, facecolor=PAPER, alpha=FADE, linewidth=0.0))
        ax.plot([i - 0.5, i + 0.5], [j - 0.5, j + 0.5], color=ALARM_COLOUR, linewidth=0.8)
    ax.set_xlim(-0.5, values.shape[0] - 0.5)
    ax.set_ylim(-0.5, values.shape[1] - 0.5)
    if values.size <= WRITTEN:
        _write_values(ax, values, filled)
    title(ax, words)


def _name_cells(ax: Axes, x: np.ndarray, y: np.ndarray) -> None:
    """Name every cell by its breakpoint, or every second or third where there are many."""
    for axis, values, room in ((ax.xaxis, x, 11), (ax.yaxis, y, 9)):
        places = np.arange(0, values.size, -(-values.size // room))
        axis.set_ticks(places, [_short(values[i]) for i in places.tolist()])


def _short(value: float) -> str:
    return f"{value:.3g}" if abs(value) < 1000.0 else f"{value:.0f}"


def _write_values(ax: Axes, values: np.ndarray, filled: np.ndarray) -> None:
    """Write each value in its cell, with as many digits as have room."""
    middle = 0.5 * (values.min() + values.max())
    crowded = values.shape[0] > 10
    digits = max(0, (1 if crowded else 2) - int(np.log10(max(np.abs(values).max(), 1.0))))
    size = TEXT - (3.0 if crowded else 1.5)
    for i, j in np.ndindex(values.shape):
        colour = PAPER if values[i, j] < middle and not filled[i, j] else INK
        text = fixed(float(values[i, j]), digits)
        ax.text(i, j, text, ha="center", va="center", color=colour, fontsize=size)


def _draw_curve(ax: Axes, name: str, table: Map, coverage: "Coverage | None") -> None:
    keys, (x,) = LAYOUT[name], _axes(name, table)
    y, filled = table.values / FACTORS[keys[-1]], _filled(table, coverage)
    ax.plot(x, y, "o-", color=INK, markersize=5, linewidth=1.5)
    if filled.any():
        ax.plot(x[filled], y[filled], "X", color=ALARM_COLOUR, markersize=10, zorder=3)
    ax.set_ylim(bottom=min(0.0, float(y.min())))
    dress(ax, AXIS_WORDS[keys[0]], AXIS_WORDS[keys[1]])
    title(ax, TABLE_WORDS[name])


def _draw_lines(ax: Axes, name: str, table: Map, coverage: "Coverage | None") -> None:
    """Draw the lines of all gears over vehicle speed and wheel torque, engine on and off."""
    gears, torques, states = _axes(name, table)
    speeds = table.values / FACTORS[LAYOUT[name][-1]]
    filled = _filled(table, coverage)
    for g, gear in enumerate(gears.tolist()):
        style: Any = {"color": SERIES[round(gear) % len(SERIES)], "linewidth": 1.6}
        for s, on in enumerate(states.tolist()):
            label = f"{gear:.0f}" if s == len(states) - 1 else None
            dash = "-" if on else DASHES[2]
            ax.plot(speeds[g, :, s], torques, linestyle=dash, label=label, **style)
            bad = filled[g, :, s]
            ax.plot(speeds[g, bad, s], torques[bad], "x", color=ALARM_COLOUR, markersize=5)
    dress(ax, AXIS_WORDS["speed_km_per_h"], AXIS_WORDS["wheel_torque_Nm"])
    beside: Any = {"loc": "center left", "bbox_to_anchor": (1.0, 0.5)}
    legend(ax, title="from gear", title_fontsize=TEXT - 1.0, **beside)
    title(ax, f"{TABLE_WORDS[name]} (broken: engine off)")


def _filled(table: Map, coverage: "Coverage | None") -> np.ndarray:
    if coverage is None:
        return np.zeros(table.values.shape, dtype=bool)
    found: np.ndarray = np.asarray(coverage.filled, dtype=bool)
    return found
