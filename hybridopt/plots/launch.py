"""A launch over time: speeds, torque, slip loss and temperature of the launch clutch."""

from typing import TYPE_CHECKING

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..base.units import KM_PER_H, KW, PERCENT, RPM
from .axes import TEXT, dress, head, legend, new_figure, plain, title
from .colours import ALARM_COLOUR, BRAKE_COLOUR, ENGINE_COLOUR, FAINT, INK, MOTOR_COLOUR

if TYPE_CHECKING:
    from ..physics.launch_series import LaunchSeries
    from ..physics.launches import Launch

PAGE = (11.4, 7.4)


def launch_figure(launch: "Launch", series: "LaunchSeries | None" = None) -> Figure:
    """Return a page: one launch in four panels, or its heat over all repetitions in the last.

    Parameters
    ----------
    launch
        From :func:`hybridopt.launch`.
    series
        From :func:`hybridopt.repeat_launch`.

    Returns
    -------
    Figure
        Speeds, torque, slip loss, and temperature.
    """
    figure = new_figure(PAGE)
    speeds, torques, losses, heat = figure.subplots(2, 2).ravel()
    plot_slip(speeds, launch)
    plot_clutch_torque(torques, launch)
    plot_slip_loss(losses, launch)
    if series is not None:
        plot_heating(heat, series)
    elif launch.looks_at_heat:
        plot_temperature(heat, launch)
    else:
        heat.set_axis_off()
        text = "the driveline does not say\nhow the clutch heats"
        heat.text(0.5, 0.5, text, ha="center", va="center", color=INK, fontsize=TEXT)
    asked = "full load" if launch.wanted is None else f"{launch.wanted:g} m/s²"
    name, grade = plain(launch.driveline.name, 40), launch.grade / PERCENT
    return head(figure, f"Launch of {name} on {grade:g} %, {asked}")


def plot_slip(ax: Axes, launch: "Launch") -> None:
    """Draw the speeds on both sides of the clutch, rpm; the area between them is the slip."""
    engine = launch.driveline.clutches.launch_speed / RPM
    shaft = launch.input_speed / RPM
    ax.fill_between(launch.time, shaft, engine, color=FAINT, label="slip")
    ax.axhline(engine, color=ENGINE_COLOUR, linewidth=1.6, label="engine and motor")
    ax.plot(launch.time, shaft, color=MOTOR_COLOUR, linewidth=1.6, label="gearbox input")
    ax.set_ylim(0.0, 1.3 * engine)
    _finish(ax, launch, "speed (rpm)", f"Locked at {launch.speed[-1] / KM_PER_H:.1f} km/h")


def plot_clutch_torque(ax: Axes, launch: "Launch") -> None:
    """Draw the torque through the clutch, and what it, the machines and the tyres hold, N m."""
    ax.axhline(launch.capacity, color=ALARM_COLOUR, linestyle="--", label="clutch capacity")
    ax.axhline(launch.available, color=ENGINE_COLOUR, linestyle=":", label="engine and motor")
    if launch.held < 1.35 * max(launch.capacity, launch.available):
        ax.axhline(launch.held, color=BRAKE_COLOUR, linestyle="-.", label="tyres", zorder=3)
    ax.stairs(launch.torque, launch.time, baseline=None, color=INK, linewidth=2.4, label="torque")
    ax.set_ylim(0.0, 1.35 * max(launch.capacity, launch.available))
    _finish(ax, launch, "torque (N m)", "Torque through the clutch")


def plot_slip_loss(ax: Axes, launch: "Launch") -> None:
    """Draw the slip loss, kW."""
    middle = 0.5 * (launch.time[1:] + launch.time[:-1])
    loss = launch.loss / KW
    ax.fill_between(middle, loss, color=FAINT)
    ax.plot(middle, loss, color=INK, linewidth=1.6)
    ax.set_ylim(0.0, 1.2 * float(loss.max()))
    _finish(ax, launch, "slip loss (kW)", f"Slip loss {launch.slip_energy / 1e3:.1f} kJ")


def plot_temperature(ax: Axes, launch: "Launch") -> None:
    """Draw the temperature of the clutch during one launch, deg C."""
    ax.plot(launch.time, launch.temperature(), color=INK, linewidth=1.6, label="clutch")
    _limits(ax, launch)
    _finish(ax, launch, "temperature (°C)", "Temperature, from that of the oil")


def plot_heating(ax: Axes, series: "LaunchSeries") -> None:
    """Draw the temperature of the clutch over all launches, deg C, with their peaks."""
    time, temperature = series.history()
    ax.plot(time, temperature, color=INK, linewidth=1.0, label="clutch")
    _limits(ax, series.launch)
    dress(ax, "time (s)", "temperature (°C)")
    ax.set_xlim(0.0, time[-1])
    times = "1 launch" if series.count == 1 else f"{series.count} launches"
    title(ax, f"{times}, {series.pause:g} s apart")
    _legend(ax)


def _limits(ax: Axes, launch: "Launch") -> None:
    clutches = launch.driveline.clutches
    ax.axhline(clutches.max_temperature, color=ALARM_COLOUR, linestyle="--", label="limit")
    ax.axhline(clutches.oil_temperature, color=MOTOR_COLOUR, linestyle=":", label="oil")
    low, high = ax.get_ylim()
    ax.set_ylim(low - 0.03 * (high - low), high + 0.2 * (high - low))


def _finish(ax: Axes, launch: "Launch", vertical: str, text: str) -> None:
    dress(ax, "time (s)", vertical)
    ax.set_xlim(0.0, launch.duration)
    title(ax, text)
    if ax.get_legend_handles_labels()[0]:
        _legend(ax)


def _legend(ax: Axes) -> None:
    legend(ax, loc="upper right", ncols=3, handlelength=1.6, columnspacing=1.2)
