"""The plot of a schedule: speed, gear, mode, torques and state of charge over one time axis.

Each panel is a function on an Axes; nothing here touches matplotlib's global state.
"""

import json
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import PolyCollection
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator, MultipleLocator

from ..base.intervals import intervals
from ..base.units import KM_PER_H, PERCENT
from ..base.words import in_air
from ..physics.modes import Mode
from ..problem.settings import ANYWHERE
from .axes import (
    SIZE,
    TEXT,
    draw_steps,
    dress_time,
    edges,
    figure_of,
    legend_beside,
    new_figure,
    plain,
)
from .colours import BRAKE_COLOUR, ENGINE_COLOUR, ENGINE_FILL, INK, MODE_COLOURS, MOTOR_COLOUR

if TYPE_CHECKING:
    from xarray import Dataset

    from ..optimum.result import Result


def plot_schedule(result: "Result", axes: Sequence[Axes] | None = None) -> Figure:
    """Draw the whole schedule, one panel under the other.

    Parameters
    ----------
    result
        What to draw.
    axes
        Five axes for speed, gear, mode, torques and state of charge, from top to bottom, and a
        sixth for the oil temperature, if it counts; a new A4 landscape figure when not given.

    Returns
    -------
    Figure
        The figure of the axes.

    Raises
    ------
    ValueError
        There are not as many axes as panels.
    """
    panels = PANELS
    if "oil_temperature" in result.dataset and (axes is None or len(axes) > len(PANELS)):
        panels = (*PANELS, _plot_oil)
    if axes is None:
        axes = _new_axes(len(panels))
    for draw, ax in zip(panels, axes, strict=True):
        draw(ax, result.dataset)
    for ax in axes[:-1]:
        ax.tick_params(labelbottom=False)
    axes[-1].set_xlabel("time (s)")
    figure = figure_of(axes[0])
    figure.align_ylabels(list(axes))
    axes[0].set_title(_title(result.dataset.attrs), loc="left", fontsize=11, color=INK)
    return figure


def plot_speed(ax: Axes, dataset: "Dataset") -> None:
    """Draw the mean vehicle speed of each step, km/h.

    Parameters
    ----------
    ax
        Where.
    dataset
        Of a result, `result.dataset`.
    """
    draw_steps(ax, dataset, dataset["speed"].values / KM_PER_H, color=INK, label="vehicle")
    ax.set_ylim(bottom=0.0)
    dress_time(ax, dataset, "speed\n(km/h)")


def plot_gear(ax: Axes, dataset: "Dataset") -> None:
    """Draw the gear: a pale line throughout, a dark one while the engine runs.

    Parameters
    ----------
    ax
        Where.
    dataset
        Of a result, `result.dataset`.
    """
    gear = dataset["gear"].values.astype(float)
    running = np.where(dataset["engine_on"].values > 0, gear, np.nan)
    draw_steps(ax, dataset, gear, color=MOTOR_COLOUR, alpha=0.45, label="engine off")
    draw_steps(ax, dataset, running, color=ENGINE_COLOUR, linewidth=1.8, label="engine on")
    ax.set_ylim(0.4, max(gear.max(), 2.0) + 0.6)
    ax.yaxis.set_major_locator(MultipleLocator(2 if gear.max() > 4 else 1))
    dress_time(ax, dataset, "gear\n(-)")
    legend_beside(ax)


def plot_modes(ax: Axes, dataset: "Dataset") -> None:
    """Draw the mode of each step as a bar in its mode's own lane and colour.

    Parameters
    ----------
    ax
        Where.
    dataset
        Of a result, `result.dataset`.
    """
    ends, codes = edges(dataset), dataset["mode"].values
    for lane, mode in enumerate(Mode):
        low, high = lane - 0.42, lane + 0.42
        bars = [
            [(ends[i], low), (ends[i], high), (ends[j], high), (ends[j], low)]
            for i, j in intervals(codes == mode)
        ]
        colours: Any = {"facecolors": MODE_COLOURS[mode], "edgecolors": MODE_COLOURS[mode]}
        ax.add_collection(PolyCollection(bars, linewidths=0.3, **colours))
    ax.set_ylim(len(Mode) - 0.5, -0.5)
    dress_time(ax, dataset, "mode")
    ax.set_yticks(range(len(Mode)), labels=[""] * len(Mode))
    ax.tick_params(axis="y", length=0)
    for lane, mode in enumerate(Mode):
        _key(ax, lane, mode, float(dataset.attrs.get(f"share_{mode.name.lower()}", np.nan)))


def plot_torques(ax: Axes, dataset: "Dataset") -> None:
    """Draw engine and motor torque at their shafts, and the brakes at the wheels, N m.

    Parameters
    ----------
    ax
        Where.
    dataset
        Of a result, `result.dataset`.
    """
    engine, motor, brake = (
        dataset[f"{name}_torque"].values for name in ("engine", "motor", "brake")
    )
    wheels, ends = ax.twinx(), edges(dataset)
    wheels.stairs(brake, ends, fill=True, color=BRAKE_COLOUR, label="brakes,\nat wheels")
    ax.stairs(engine, ends, fill=True, color=ENGINE_FILL, label="engine")
    draw_steps(ax, dataset, motor, color=MOTOR_COLOUR, linewidth=0.9, label="motor")
    low = 1.08 * min(engine.min(), motor.min(), -1.0)
    high = 1.08 * max(engine.max(), motor.max(), 1.0)
    scale = max(1.0, 1.05 * float(brake.min()) / low)  # zero at the same height on both sides
    ax.set_ylim(low, high)
    wheels.set_ylim(low * scale, high * scale)
    dress_time(ax, dataset, "torque\n(N m)")
    _dress_brakes(wheels, ax)
    legend_beside(ax, wheels, offset=1.105)


def plot_soc(ax: Axes, dataset: "Dataset") -> None:
    """Draw the state of charge with its window, start and target, %.

    Parameters
    ----------
    ax
        Where.
    dataset
        Of a result, `result.dataset`.
    """
    settings: dict[str, Any] = json.loads(dataset.attrs["settings"])
    low, high, start, target = (
        settings[f"soc_{name}"] / PERCENT for name in ("min", "max", "start", "target")
    )
    soc = np.append(dataset["soc"].values, dataset.attrs["soc_end"]) / PERCENT
    for limit, label in ((low, "window"), (high, None)):
        ax.axhline(limit, color=INK, linewidth=1.6, label=label)
    if settings["terminal"] not in ANYWHERE:
        ax.axhline(target, color=ENGINE_COLOUR, linestyle="--", linewidth=1.2, label="target")
    ax.plot(edges(dataset)[0], start, "o", color=MOTOR_COLOUR, label="start", clip_on=False)
    ax.plot(edges(dataset), soc, color=MOTOR_COLOUR, linewidth=1.3, label="state of charge")
    margin = 0.06 * (high - low)
    ax.set_ylim(low - margin, high + margin)
    dress_time(ax, dataset, "state of\ncharge (%)")
    legend_beside(ax)


def _plot_oil(ax: Axes, dataset: "Dataset") -> None:
    """Draw the oil temperature of a result where it counts, degC."""
    oil = np.append(dataset["oil_temperature"].values, dataset.attrs["oil_end_C"])
    ax.plot(edges(dataset), oil, color=ENGINE_COLOUR, linewidth=1.3, label="oil temperature")
    ax.yaxis.set_major_locator(MaxNLocator(4))
    dress_time(ax, dataset, "oil\n(°C)")
    legend_beside(ax)


PANELS: tuple[Callable[[Axes, "Dataset"], None], ...] = (
    plot_speed,
    plot_gear,
    plot_modes,
    plot_torques,
    plot_soc,
)


def _new_axes(count: int) -> list[Axes]:
    figure = new_figure(SIZE, layout=None)
    heights = (1.25, 0.9, 1.75, 1.8, 1.3, 0.9)[:count]
    spaces = {"left": 0.085, "right": 0.805, "top": 0.925, "bottom": 0.07, "hspace": 0.1}
    grid: Any = {"height_ratios": heights, **spaces}
    return list(figure.subplots(count, 1, sharex=True, gridspec_kw=grid))


def _title(attrs: dict[str, Any]) -> str:
    """Return names, and below them fuel, cost and bound; a drive's cost is that at equal SoC."""
    driver = f", driven by {plain(attrs['controller'], 28)}" if "controller" in attrs else ""
    names = f"{plain(attrs['cycle'], 40)}, driveline {plain(attrs['driveline'], 28)}{driver}"
    names += in_air(attrs)
    fuel = f"{attrs['fuel_g']:.1f} g fuel, {attrs['fuel_l_per_100km']:.3f} l/100 km"
    if "bound_g" not in attrs:
        return f"{names}\n{fuel}"
    equal = "cost_equal_g" in attrs
    cost = attrs["cost_equal_g" if equal else "cost_g"]
    where = " at equal SoC" if equal else ""
    bound = f"proved lower bound {attrs['bound_g']:.1f} g"
    return f"{names}\n{fuel}; cost with events{where} {cost:.1f} g, {bound}"


def _dress_brakes(wheels: Axes, ax: Axes) -> None:
    """Give the brakes their axis on the right, and put it behind the lines of `ax`."""
    ax.set_zorder(wheels.get_zorder() + 1)
    ax.patch.set_visible(False)
    wheels.set_ylabel("brakes (N m)", fontsize=TEXT, color=INK)
    wheels.tick_params(labelsize=TEXT, colors=INK, length=3)
    wheels.yaxis.set_major_locator(MaxNLocator(4))
    for side in wheels.spines.values():
        side.set_visible(False)


def _key(ax: Axes, lane: int, mode: Mode, share: float) -> None:
    """Name a lane right of the data, with its colour and its share of time."""
    text = mode.text if np.isnan(share) else f"{mode.text}, {100.0 * share:.1f} %"
    place = ax.get_yaxis_transform()
    ax.plot(1.02, lane, "s", color=MODE_COLOURS[mode], markersize=8, transform=place, clip_on=False)
    ax.text(1.037, lane, text, fontsize=TEXT, color=INK, va="center", transform=place)
