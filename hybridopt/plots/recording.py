"""The plot of a recording: its channels stacked over time, findings marked where they are."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from ..measurements.recording import CHANNELS, Finding, Recording
from ..measurements.recording_writing import in_file_unit, shown_unit
from .axes import SIZE, TEXT, dress, new_figure, plain, title
from .colours import ALARM_COLOUR, ENGINE_COLOUR, INK, LOG_COLOUR, MOTOR_COLOUR, PAPER

PANEL = 0.85  # inch
ENGINE = ("engine_speed", "engine_torque", "fuel_rate", "air_flow", "air_ratio")
MOTOR = ("motor_speed", "motor_torque", "motor_power", "battery_voltage", "battery_current", "soc")
NOT_FAULTS = ("capacity", "derived", "left_out")
MAX_POINTS = 20_000


def plot_recording(recording: Recording) -> Figure:
    """Draw every channel over time, one panel each.

    Parameters
    ----------
    recording
        From :func:`hybridopt.read_recording`.

    Returns
    -------
    Figure
        A page as tall as its channels need. A stretch that a finding names is shaded; a finding on
        the whole drive stands as a word in the panels of its channels.
    """
    names = [name for name in CHANNELS if name in recording.channels]
    figure = new_figure((SIZE[0], PANEL * len(names) + 1.3), layout=None)
    height = PANEL * len(names) + 1.3
    figure.subplots_adjust(
        left=0.165, right=0.98, top=1.0 - 0.6 / height, bottom=0.6 / height, hspace=0.22
    )
    axes = np.atleast_1d(figure.subplots(len(names), 1, sharex=True))
    every = max(recording.time.size // MAX_POINTS, 1)
    for ax, name in zip(axes, names, strict=True):
        _draw(ax, recording, name, every)
    axes[0].set_xlim(0.0, float(recording.time[-1]))
    cycle, count = recording.cycle, _faults(recording)
    text = f"{plain(recording.name)}: {cycle.distance / 1e3:.2f} km in {cycle.duration:.0f} s, "
    title(axes[0], f"{text}{len(names)} channels, {count} finding{'s' * (count != 1)} (red)")
    axes[-1].set_xlabel("time (s)", fontsize=TEXT, color=INK)
    return figure


def _faults(recording: Recording) -> int:
    return sum(one.kind not in NOT_FAULTS for one in recording.findings)


def _draw(ax: Axes, recording: Recording, name: str, every: int) -> None:
    """Draw one channel and mark its findings."""
    values = in_file_unit(name, recording.channels[name])
    colour = ENGINE_COLOUR if name in ENGINE else MOTOR_COLOUR if name in MOTOR else LOG_COLOUR
    ax.plot(recording.time[::every], values[::every], color=colour, linewidth=0.8)
    known = values[np.isfinite(values)]
    margin = 0.08 * float(np.ptp(known)) + 1e-3 * max(abs(float(known.max())), 1e-3)
    ax.set_ylim(float(known.min()) - margin, float(known.max()) + margin)
    dress(ax, vertical="")
    if name == "gear":
        ax.yaxis.set_major_locator(MaxNLocator(nbins=4, integer=True))
    ax.set_ylabel(
        f"{name.replace('_', ' ')}\n({shown_unit(name)})",
        rotation=0,
        ha="right",
        va="center",
        fontsize=0.85 * TEXT,
        color=INK,
    )
    own = [one for one in recording.findings if name in one.channels and _is_fault(one)]
    words = []
    for one in own:
        if one.start <= 0.0 and one.stop >= recording.time[-1]:
            words.append(one.kind)
        else:
            ax.axvspan(one.start, max(one.stop, one.start + 0.2), color=ALARM_COLOUR, alpha=0.25)
    if words:
        ax.text(
            0.995,
            0.92,
            ", ".join(dict.fromkeys(words)),
            transform=ax.transAxes,
            ha="right",
            va="top",
            fontsize=0.85 * TEXT,
            color=ALARM_COLOUR,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.0},
        )


def _is_fault(one: Finding) -> bool:
    return one.kind not in NOT_FAULTS
