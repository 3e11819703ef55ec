"""A measured drive and its optimum side by side: engine, gear, SoC, fuel, and where it loses."""

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..base.units import PERCENT
from .axes import SIZE, draw_steps, dress_time, edges, legend_beside, new_figure, plain
from .colours import DASHES, FAINT, INK, LOG_COLOUR, SERIES
from .schedule import plot_speed

if TYPE_CHECKING:
    from ..measured_car.assess import Assessment

MARKED = 5  # costliest moments that are shaded
NAME_WIDTH = 0.11  # of the drive, that the name of one takes
BEST, CAR, LOGGED = SERIES[0], SERIES[1], LOG_COLOUR


def plot_assessment(assessment: "Assessment") -> Figure:
    """Draw a measured drive beside its optimum; grey bars are where the car loses most.

    Parameters
    ----------
    assessment
        From :func:`hybridopt.assess`.

    Returns
    -------
    Figure
        Five panels over time: speed, engine, gear, state of charge, fuel so far.
    """
    figure = new_figure(SIZE, layout=None)
    spaces = {"left": 0.085, "right": 0.84, "top": 0.91, "bottom": 0.07, "hspace": 0.12}
    grid: Any = {"height_ratios": (1.1, 0.6, 1.1, 1.4, 1.4), **spaces}
    axes = list(figure.subplots(5, 1, sharex=True, gridspec_kw=grid))
    plot_speed(axes[0], assessment.score.trace)
    _draw_engine(axes[1], assessment)
    _draw_gear(axes[2], assessment)
    _draw_soc(axes[3], assessment)
    _draw_fuel(axes[4], assessment)
    _mark_moments(axes, assessment)
    for ax in axes[:-1]:
        ax.tick_params(labelbottom=False)
    axes[-1].set_xlabel("time (s)")
    figure.align_ylabels(axes)
    score = assessment.score
    band = assessment.band
    known = f", 90 % band {band.low:.1f} to {band.high:.1f} %" if band else ""
    heading = (
        f"{plain(assessment.driven.cycle.name, 40)}: the car's strategy {score.gap_percent:.1f} % "
        f"above the proved bound{known}\nat equal SoC {score.fuel_equal_g:.1f} g, optimum "
        f"{assessment.optimum.fuel_g:.1f} g"
    )
    axes[0].set_title(heading, loc="left", fontsize=11, color=INK, pad=16)
    return figure


def _draw_engine(ax: Axes, assessment: "Assessment") -> None:
    for lane, (trace, colour) in enumerate(
        ((assessment.score.trace, CAR), (assessment.optimum.dataset, BEST))
    ):
        on, ends = trace["engine_on"].values > 0, edges(trace)
        ax.fill_between(
            np.repeat(ends, 2)[1:-1],
            lane - 0.38,
            lane - 0.38 + 0.76 * np.repeat(on, 2),
            color=colour,
            linewidth=0.0,
        )
    ax.set_ylim(1.6, -0.6)
    dress_time(ax, assessment.score.trace, "engine on")
    ax.set_yticks([0, 1], labels=["car", "best"])


def _draw_gear(ax: Axes, assessment: "Assessment") -> None:
    for trace, style in _drives(assessment):
        draw_steps(ax, trace, trace["gear"].values.astype(float), **style)
    dress_time(ax, assessment.score.trace, "gear\n(-)")
    legend_beside(ax)


def _draw_soc(ax: Axes, assessment: "Assessment") -> None:
    measured, cycle = assessment.driven.soc, assessment.driven.cycle
    if np.isfinite(measured).any():
        ax.plot(cycle.time, measured / PERCENT, label="measured", **_logged())
    for trace, style in _drives(assessment):
        soc = np.append(trace["soc"].values, trace.attrs["soc_end"])
        ax.plot(edges(trace), soc / PERCENT, **style)
    dress_time(ax, assessment.score.trace, "state of\ncharge (%)")
    legend_beside(ax)


def _draw_fuel(ax: Axes, assessment: "Assessment") -> None:
    prediction, cycle = assessment.prediction, assessment.driven.cycle
    if np.isfinite(prediction.fuel_measured).any():
        ax.plot(cycle.time, prediction.fuel_measured, label="measured", **_logged())
    for trace, style in _drives(assessment):
        used = np.cumsum(trace["fuel_rate"].values * trace["dt"].values)
        ax.plot(edges(trace), np.concatenate(([0.0], used)), **style)
    dress_time(ax, assessment.score.trace, "fuel so far\n(g)")
    legend_beside(ax)


def _drives(assessment: "Assessment") -> list[tuple[Any, dict[str, Any]]]:
    return [
        (assessment.score.trace, {"color": CAR, "linewidth": 1.4, "label": "car, in the model"}),
        (
            assessment.optimum.dataset,
            {"color": BEST, "linewidth": 1.4, "linestyle": DASHES[2], "label": "optimum"},
        ),
    ]


def _logged() -> dict[str, Any]:
    return {"color": LOGGED, "linewidth": 3.0, "alpha": 0.55}


def _mark_moments(axes: list[Axes], assessment: "Assessment") -> None:
    """Shade the costliest moments through all panels, and name them above the first.

    Of moments too near to each other to be named apart, the costliest has its name.
    """
    apart = NAME_WIDTH * assessment.driven.cycle.duration
    named: list[float] = []
    for place in sorted(assessment.places[:MARKED], key=lambda one: -one.moment.loss):
        moment = place.moment
        for ax in axes:
            ax.axvspan(moment.start, moment.stop, color=FAINT, zorder=0)
        middle = 0.5 * (moment.start + moment.stop)
        if any(abs(middle - other) <= apart for other in named):
            continue
        axes[0].text(
            middle,
            1.02,
            f"{place.cause} {moment.loss:.1f} g",
            transform=axes[0].get_xaxis_transform(),
            ha="center",
            va="bottom",
            fontsize=8.5,
            color=INK,
        )
        named.append(middle)
