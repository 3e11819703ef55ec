"""The picture of an identification: measured against model, and residuals over speed and load."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..base.units import KM_PER_H, KW, PERCENT
from ..measured_car.identify import Identified
from ..measured_car.prediction import Prediction
from ..measured_car.signals import make_signals
from .axes import SIZE, dress, head, legend, new_figure, plain, title
from .colours import ALARM_COLOUR, ENGINE_COLOUR, INK, MOTOR_COLOUR, QUIET

BINS = 14
LEAST = 10  # samples of a bin that is drawn
MOST = 4000  # points of a cloud


def plot_identified(found: Identified) -> Figure:
    """Draw measured against model: fuel, engine torque, battery power, SoC, and residuals.

    Parameters
    ----------
    found
        From :func:`hybridopt.identify`.

    Returns
    -------
    Figure
        Six panels. With several logs, fuel and SoC are of predictions without the log itself.
    """
    shown = [one.prediction for one in found.left_out] or list(found.predictions)
    figure = new_figure((SIZE[0], SIZE[1] * 1.1))
    ax = figure.subplots(2, 3)
    _fuel(ax[0, 0], shown)
    _cloud(ax[0, 1], shown, "engine_torque", 1.0, "engine torque (N m)", ENGINE_COLOUR)
    _cloud(ax[0, 2], shown, "battery_power", KW, "battery power (kW)", MOTOR_COLOUR)
    _soc(ax[1, 0], shown)
    steady = [
        signals.on & signals.quiet for signals in (make_signals(one.recording) for one in shown)
    ]
    _residual(ax[1, 1], shown, steady, "speed", KM_PER_H, "speed (km/h)")
    _residual(ax[1, 2], shown, steady, "engine_torque", 1.0, "engine torque (N m)")
    kind = "each log predicted from the others" if found.left_out else "the log that was fitted"
    names = ", ".join(plain(one.name, 24) for one in found.recordings)
    return head(figure, f"{plain(found.base.name, 30)} fitted to {names}: {kind}")


def _absent(ax: Axes, what: str) -> None:
    ax.text(0.5, 0.5, f"{what}\nis not measured", ha="center", va="center", color=QUIET)
    ax.set_xticks([])
    ax.set_yticks([])


def _fuel(ax: Axes, shown: list[Prediction]) -> None:
    title(ax, "fuel since the start")
    drawn = [one for one in shown if "fuel_rate" in one.measured and "fuel_rate" in one.model]
    if not drawn:
        return _absent(ax, "fuel or engine torque")
    begin = 0.0
    for number, one in enumerate(drawn):
        time = one.recording.time / 60.0
        step = 60.0 * float(np.median(np.diff(time)))
        lines = [("measured", one.measured["fuel_rate"], INK, "-")]
        lines.append(("model at measured torque", one.model["fuel_rate"], ENGINE_COLOUR, "--"))
        if "road_fuel_rate" in one.model:
            lines.append(("model from the road", one.model["road_fuel_rate"], MOTOR_COLOUR, ":"))
        for label, rate, colour, style in lines:
            total = np.cumsum(np.where(one.compared, rate, 0.0)) * step
            shown_label = label if number == 0 else None
            ax.plot(begin + time, total, style, color=colour, linewidth=1.5, label=shown_label)
        begin += float(time[-1])
    dress(ax, "time (min)", "fuel (g)")
    ax.set_ylim(top=1.3 * ax.get_ylim()[1])
    legend(ax, loc="upper left")
    return None


def _cloud(
    ax: Axes, shown: list[Prediction], name: str, unit: float, words: str, colour: str
) -> None:
    title(ax, words.partition(" (")[0])
    pairs = [
        (one.measured[name], one.model[name])
        for one in shown
        if name in one.measured and name in one.model
    ]
    if not pairs:
        return _absent(ax, words.partition(" (")[0])
    x, y = (np.concatenate(part) / unit for part in zip(*pairs, strict=True))
    known = np.isfinite(x) & np.isfinite(y)
    x, y = x[known], y[known]
    each = max(x.size // MOST, 1)
    ax.plot(x[::each], y[::each], ".", color=colour, markersize=2.5, alpha=0.35)
    ends = [float(np.min(x)), float(np.max(x))] if x.size else [0.0, 1.0]
    ax.plot(ends, ends, color=INK, linewidth=1.0)
    rms = float(np.sqrt(np.mean((y - x) ** 2))) if x.size else float("nan")
    bias = float(np.mean(y - x)) if x.size else float("nan")
    note = f"mean off {bias:+.2g}, RMS {rms:.2g} {words.partition('(')[2].rstrip(')')}"
    ax.text(0.03, 0.95, note, transform=ax.transAxes, va="top", color=INK)
    dress(ax, f"measured {words}", "model")
    return None


def _soc(ax: Axes, shown: list[Prediction]) -> None:
    title(ax, "state of charge")
    drawn = [one for one in shown if "soc" in one.measured and "soc" in one.model]
    if not drawn:
        return _absent(ax, "SoC or motor")
    begin = 0.0
    for number, one in enumerate(drawn):
        time = one.recording.time / 60.0
        label = [x if number == 0 else None for x in ("measured", "model")]
        ax.plot(begin + time, one.measured["soc"] / PERCENT, color=INK, label=label[0])
        model = one.model["soc"] / PERCENT
        ax.plot(begin + time, model, "--", color=MOTOR_COLOUR, label=label[1])
        begin += float(time[-1])
    dress(ax, "time (min)", "SoC (%)")
    legend(ax)
    return None


def _residual(
    ax: Axes, shown: list[Prediction], steady: list[np.ndarray], over: str, unit: float, words: str
) -> None:
    """Draw how far the fuel is off while the engine runs, no start, stop or shift near.

    Near those the model pays at once what the car burns over some samples.
    """
    title(ax, "fuel off in steady running")
    x, y = [], []
    for one, where in zip(shown, steady, strict=True):
        channels = one.recording.channels
        if over in channels and "fuel_rate" in one.measured and "fuel_rate" in one.model:
            x.append(channels[over][where] / unit)
            y.append((one.model["fuel_rate"] - one.measured["fuel_rate"])[where])
    if not x:
        return _absent(ax, "fuel or engine torque")
    place, off = np.concatenate(x), np.concatenate(y)
    known = np.isfinite(place) & np.isfinite(off)
    place, off = place[known], off[known]
    if not place.size:
        return _absent(ax, "steady driving")
    edges = np.linspace(place.min(), place.max() + 1e-9, BINS + 1)
    which = np.digitize(place, edges) - 1
    middles, means, spreads = [], [], []
    for b in range(BINS):
        mine = off[which == b]
        if mine.size >= LEAST:
            middles.append(0.5 * (edges[b] + edges[b + 1]))
            means.append(float(mine.mean()))
            spreads.append(float(mine.std()))
    style = {"color": ALARM_COLOUR, "ecolor": QUIET, "capsize": 2.0, "markersize": 5.0}
    ax.errorbar(middles, means, spreads, fmt="o", **style)  # type: ignore[arg-type]
    ax.axhline(0.0, color=INK, linewidth=1.0)
    dress(ax, words, "model less measured (g/s), mean and spread")
    return None
