"""The plot of an import: speed as logged and as made, what the cleaning changed, and grade."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from ..base.units import KM_PER_H, PERCENT
from ..measurements.drive import ImportedDrive
from .axes import SIZE, TEXT, dress, plain, title
from .colours import FAINT, INK, LOG_COLOUR, MOTOR_COLOUR

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
    figure.subplots_adjust(left=0.085, right=0.97, top=0.925, bottom=0.065, hspace=0.42)
    ratios = (1.5, 1.7, 0.9, 0.9)
    whole, zoom, change, grade = figure.subplots(4, 1, height_ratios=ratios)
    start = _busiest(drive)
    for ax in (whole, zoom):
        _draw_speeds(ax, drive)
    whole.axvspan(start, start + ZOOM, color=FAINT, zorder=0)
    _zoom(zoom, drive, start)
    _draw_change(change, drive)
    _draw_grade(grade, drive)
    for ax in (whole, change, grade):
        ax.set_xlim(0.0, drive.cycle.duration)
    whole.legend(
        loc="lower right",
        bbox_to_anchor=(1.0, 1.0),
        ncols=2,
        frameon=False,
        labelcolor=INK,
        borderaxespad=0.0,
    )
    length = f"{drive.cycle.distance / 1e3:.2f} km in {drive.cycle.duration:.0f} s"
    title(whole, f"{plain(drive.cycle.name)}: {length}")
    title(zoom, "the minute that changed most (grey above)")
    grade.set_xlabel("time (s)", fontsize=TEXT, color=INK)
    return figure


def _draw_speeds(ax: Axes, drive: ImportedDrive) -> None:
    raw, cycle = drive.raw, drive.cycle
    style: dict[str, Any] = {"color": LOGGED, "linewidth": 0.8, "markersize": 2.5}
    ax.plot(raw.time, raw.values / KM_PER_H, ".-", label="as logged", **style)
    ax.plot(cycle.time, cycle.speed / KM_PER_H, color=MADE, linewidth=1.3, label="cycle made")
    top = cycle.max_speed / KM_PER_H
    ax.set_ylim(-0.06 * top - 1.0, 1.15 * top + 2.0)
    dress(ax, vertical="speed\n(km/h)")


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
    dress(ax, vertical="logged - made\n(km/h)")


def _draw_grade(ax: Axes, drive: ImportedDrive) -> None:
    ax.plot(drive.cycle.time, drive.cycle.grade / PERCENT, color=MADE, linewidth=1.0)
    low, high = drive.cycle.grade.min() / PERCENT, drive.cycle.grade.max() / PERCENT
    ax.set_ylim(min(low * 1.1, -1.0), max(high * 1.1, 1.0))
    dress(ax, vertical="grade\n(%)")


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
