"""Speeds made fit for a drive: impossible values, signs, spikes, and noise at rest."""

import numpy as np

from ..base.errors import InputError
from ..base.units import KM_PER_H
from ..inputs.cycle_checks import SPEED_MAX
from .log import Journal, Samples
from .parts import AFTER_JUMP, SHOWN, LogPart

SLACK = 1.0 * KM_PER_H  # m/s, jitter of a reading that no acceleration limit should judge
BACKWARD = -2.0 * KM_PER_H  # m/s, below this the vehicle rolls backward
BACKWARD_SHARE = 0.1  # of the moving samples; more is a wrong sign or channel


def drop_impossible(speed: Samples, journal: Journal) -> Samples:
    """Drop blanks and speeds beyond what any road vehicle has (faults of the sensor)."""
    beyond = np.abs(speed.values) > SPEED_MAX
    text = f"speeds above {SPEED_MAX / KM_PER_H:.0f} km/h dropped: {{}}"
    journal.note_marked("impossible", beyond, text)
    return speed.pick(np.isfinite(speed.values) & ~beyond)


def turn_forward(speed: Samples, journal: Journal) -> Samples:
    """Set small negative speeds to zero, and take driving backward as forward.

    Raises
    ------
    InputError
        Much of the drive is backward: the sign or the channel is wrong.
    """
    values = speed.values
    noise = (values < 0.0) & (values >= BACKWARD)
    back = values < BACKWARD
    if back.sum() > BACKWARD_SHARE * (np.abs(values) > -BACKWARD).sum():
        raise InputError(
            f"{back.sum()} of {values.size} speeds are below {BACKWARD / KM_PER_H:g} km/h; the "
            "sign or the channel is wrong, so name another column or turn the sign"
        )
    journal.note_marked("negative", noise, "small negative speeds set to 0: {}")
    journal.note_marked("backward", back, "samples driven backward, taken as forward: {}")
    return Samples(speed.time, np.abs(np.where(noise, 0.0, values)))


def remove_spikes(
    part: LogPart, gain_max: float, loss_max: float, bridge: float, slack: float, journal: Journal
) -> list[LogPart]:
    """Remove spikes and dropouts; cut where a jump has no return.

    Parameters
    ----------
    part
        A part of the log without long gaps.
    gain_max, loss_max
        Largest physical gain and loss of speed, m/s2.
    bridge
        Longest spike that is bridged by a straight line, s.
    slack
        Jitter of a reading, m/s, that no limit should judge: `SLACK` or the step of a coarse speed.
    journal
        Takes what is done.

    Returns
    -------
    list of LogPart
        One, or more where speed jumps to a level and stays there.

    Notes
    -----
    A jump is a step between neighbours beyond the limits plus the slack. It is the edge of a spike
    when, within `bridge`, a step back of at least half its size leads to a speed that could
    have been reached without it.
    """
    time, values = part.speed.time, part.speed.values

    def possible(dt: np.ndarray, change: np.ndarray) -> np.ndarray:
        return (change <= gain_max * dt + slack) & (change >= -(loss_max * dt + slack))

    def spike_end(i: int) -> int:
        """Return the index of the first good sample after a spike that begins behind i, or 0."""
        stop = int(np.searchsorted(time, time[i] + bridge, side="right"))
        jump = values[i + 1] - values[i]
        back = np.diff(values[i + 1 : stop])
        good = possible(time[i + 2 : stop] - time[i], values[i + 2 : stop] - values[i])
        good &= (back * jump < 0.0) & (np.abs(back) >= 0.5 * np.abs(jump))
        return i + 2 + int(np.argmax(good)) if good.any() else 0

    keep = np.ones(values.size, dtype=bool)
    cuts: list[int] = []
    spikes, done_to = 0, 0
    for i in np.flatnonzero(~possible(np.diff(time), np.diff(values))).tolist():
        if i < done_to:
            continue
        end = spike_end(i)
        if end:
            keep[i + 1 : end] = False
            spikes, done_to = spikes + 1, end
        else:
            cuts.append(i + 1)
    text = f"spikes removed and bridged: {spikes} ({{}} samples); limits {gain_max:g} and "
    journal.note_marked("spikes", ~keep, f"{text}-{loss_max:g} m/s2")
    if cuts:
        text = f"jumps of speed without return, log cut there: {len(cuts)} ({_places(part, cuts)})"
        journal.note("jumps", len(cuts), text)
    return part.split(keep, cuts, [f"{AFTER_JUMP} {_jump(part, i)}" for i in cuts])


def _places(part: LogPart, cuts: list[int]) -> str:
    """Return where speed jumps and how far, the first few."""
    shown = ", ".join(f"{_jump(part, i)} at {part.speed.time[i]:.10g} s" for i in cuts[:SHOWN])
    return shown + (f" and {len(cuts) - SHOWN} more" if len(cuts) > SHOWN else "")


def _jump(part: LogPart, i: int) -> str:
    before, behind = part.speed.values[i - 1 : i + 1] / KM_PER_H
    dt = part.speed.time[i] - part.speed.time[i - 1]
    return f"{before:.4g} -> {behind:.4g} km/h in {dt:.3g} s"


def still(speed: Samples, threshold: float, journal: Journal) -> Samples:
    """Set speeds below `threshold` (m/s) to zero: noise of a sensor at rest."""
    noise = (speed.values > 0.0) & (speed.values < threshold)
    lost = np.trapezoid(np.where(noise, speed.values, 0.0), speed.time)
    text = f"speeds below {threshold / KM_PER_H:g} km/h set to 0: {{}} ({lost:.1f} m of drive)"
    journal.note_marked("standstill", noise, text)
    return Samples(speed.time, np.where(noise, 0.0, speed.values))
