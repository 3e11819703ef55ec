"""The plot of an import: speed as logged and as made, what the cleaning changed, and grade."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from ..base.units import KM_PER_H, PERCENT
from ..measurements.drive import ImportedDrive
from .axes import SIZE
from .colours import FAINT, INK, LOG_COLOUR, MOTOR_COLOUR, QUIET

LOGGED, MADE = LOG_COLOUR, MOTOR_COLOUR
ZOOM = 60.0  # s


def plot_drive(drive: ImportedDrive) -> Figure:
    """Draw the whole drive, its most changed minute, the difference, and the grade.

    Parameters
    ----------
    drive
        From :func:`hybridopt.import_drive`.

    Returns
    -------
    Figure
        Four panels over time.
    """
    figure = Figure(figsize=SIZE)
    FigureCanvasAgg(figure)
    whole, zoom, change, grade = figure.subplots(
        4,
        1,
        gridspec_kw={
            "height_ratios": (1.5, 1.7, 0.9, 0.9),
            "left": 0.085,
            "right": 0.97,
            "top": 0.925,
            "bottom": 0.065,
            "hspace": 0.42,
        },
    )
    start = _busiest(drive)
    for ax in (whole, zoom):
        _draw_speeds(ax, drive)
    whole.axvspan(start, start + ZOOM, color=FAINT, zorder=0)
    whole.set_xlim(0.0, drive.cycle.duration)
    _zoom(zoom, drive, start)
    _draw_change(change, drive)
    _draw_grade(grade, drive)
    handles, labels = whole.get_legend_handles_labels()
    figure.legend(
        handles,
        labels,
        loc="upper right",
        ncols=2,
        frameon=False,
        labelcolor=INK,
        bbox_to_anchor=(0.97, 0.975),
    )
    name = drive.cycle.name[:60].replace("$", r"\$")
    whole.set_title(
        f"{name}: {drive.cycle.distance / 1e3:.2f} km in {drive.cycle.duration:.0f} s",
        loc="left",
        fontsize=12,
        color=INK,
    )
    zoom.set_title("the minute that changed most (grey above)", loc="left", fontsize=10, color=INK)
    grade.set_xlabel("time (s)")
    return figure


def _draw_speeds(ax: Axes, drive: ImportedDrive) -> None:
    raw, cycle = drive.raw, drive.cycle
    ax.plot(
        raw.time,
        raw.values / KM_PER_H,
        ".-",
        color=LOGGED,
        linewidth=0.8,
        markersize=2.5,
        label="as logged",
    )
    ax.plot(cycle.time, cycle.speed / KM_PER_H, color=MADE, linewidth=1.3, label="cycle made")
    top = cycle.max_speed / KM_PER_H
    ax.set_ylim(-0.06 * top - 1.0, 1.15 * top + 2.0)
    _dress(ax, "speed\n(km/h)")


def _zoom(ax: Axes, drive: ImportedDrive, start: float) -> None:
    stop = min(start + ZOOM, drive.cycle.duration)
    ax.set_xlim(start, stop)
    inside = (drive.cycle.time >= start) & (drive.cycle.time <= stop)
    speed = drive.cycle.speed[inside] / KM_PER_H
    margin = 0.15 * float(np.ptp(speed)) + 3.0
    ax.set_ylim(speed.min() - margin, speed.max() + margin)


def _draw_change(ax: Axes, drive: ImportedDrive) -> None:
    time, change = _change(drive)
    ax.plot(time, change / KM_PER_H, color=LOGGED, linewidth=0.8)
    limit = max(float(np.nanpercentile(np.abs(change), 99.0)) / KM_PER_H * 1.6, 1.0)
    ax.set_ylim(-limit, limit)
    ax.set_xlim(0.0, drive.cycle.duration)
    _dress(ax, "logged - made\n(km/h)")


def _draw_grade(ax: Axes, drive: ImportedDrive) -> None:
    ax.plot(drive.cycle.time, drive.cycle.grade / PERCENT, color=MADE, linewidth=1.0)
    low, high = drive.cycle.grade.min() / PERCENT, drive.cycle.grade.max() / PERCENT
    ax.set_ylim(min(low * 1.1, -1.0), max(high * 1.1, 1.0))
    ax.set_xlim(0.0, drive.cycle.duration)
    _dress(ax, "grade\n(%)")


def _change(drive: ImportedDrive) -> tuple[np.ndarray, np.ndarray]:
    """Return the logged speed less that of the cycle, at the logged times."""
    made = np.interp(drive.raw.time, drive.cycle.time, drive.cycle.speed)
    return drive.raw.time, drive.raw.values - made


def _busiest(drive: ImportedDrive) -> float:
    """Return the start of the minute with the largest change, spikes counted as small."""
    time, change = _change(drive)
    weight = np.minimum(np.nan_to_num(np.abs(change), nan=1.0), 2.0)
    bins = max(int(np.ceil(4.0 * drive.cycle.duration / ZOOM)), 4)
    total, edges = np.histogram(time, bins, (0.0, bins * ZOOM / 4.0), weights=weight)
    minute = np.convolve(total, np.ones(4), mode="valid")
    return float(edges[int(np.argmax(minute))])


def _dress(ax: Axes, label: str) -> None:
    ax.set_ylabel(label, fontsize=10, color=INK)
    ax.tick_params(labelsize=10, colors=INK, length=3)
    ax.grid(True, color=FAINT, linewidth=0.6)
    ax.set_axisbelow(True)
    for name, side in ax.spines.items():
        side.set_visible(name in ("left", "bottom"))
        side.set_color(QUIET)
