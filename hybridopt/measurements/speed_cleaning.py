"""Speeds made fit for a drive: impossible values, signs, spikes, and noise at rest."""

import numpy as np

from ..base.errors import InputError
from ..base.units import KM_PER_H
from ..inputs.cycle_checks import SPEED_MAX
from .log import Intervention, Samples
from .parts import Stretch

SLACK = 1.0 * KM_PER_H  # m/s, jitter of a reading that no acceleration limit should judge
BACKWARD = -2.0 * KM_PER_H  # m/s, below this the vehicle rolls backward
BACKWARD_SHARE = 0.1  # of the moving samples; more is a wrong sign or channel


def drop_impossible(speed: Samples) -> tuple[Samples, list[Intervention]]:
    """Drop blanks and speeds beyond what any road vehicle has (faults of the sensor)."""
    beyond = np.abs(speed.values) > SPEED_MAX
    done = []
    if beyond.any():
        text = f"speeds above {SPEED_MAX / KM_PER_H:.0f} km/h dropped: {beyond.sum()}"
        done.append(Intervention("impossible", int(beyond.sum()), text))
    return speed.pick(np.isfinite(speed.values) & ~beyond), done


def turn_forward(speed: Samples) -> tuple[Samples, list[Intervention]]:
    """Set small negative speeds to zero, and take driving backward as forward.

    Raises
    ------
    InputError
        Much of the drive is backward: the sign or the channel is wrong.
    """
    values, done = speed.values, []
    noise = (values < 0.0) & (values >= BACKWARD)
    back = values < BACKWARD
    if back.sum() > BACKWARD_SHARE * (np.abs(values) > -BACKWARD).sum():
        raise InputError(
            f"{back.sum()} of {values.size} speeds are below {BACKWARD / KM_PER_H:g} km/h; the "
            "sign or the channel is wrong, so name another column or turn the sign"
        )
    if noise.any():
        text = f"small negative speeds set to 0: {noise.sum()}"
        done.append(Intervention("negative", int(noise.sum()), text))
    if back.any():
        text = f"samples driven backward, taken as forward: {back.sum()}"
        done.append(Intervention("backward", int(back.sum()), text))
    return Samples(speed.time, np.abs(np.where(noise, 0.0, values))), done


def remove_spikes(
    part: Stretch, gain_max: float, loss_max: float, bridge: float
) -> tuple[list[Stretch], list[Intervention]]:
    """Remove spikes and dropouts; cut where a jump has no return.

    Parameters
    ----------
    part
        A stretch without long gaps.
    gain_max, loss_max
        Largest physical gain and loss of speed, m/s2.
    bridge
        Longest spike that is bridged by a straight line, s.

    Returns
    -------
    parts : list of Stretch
        One, or more where speed jumps to a level and stays there.
    done : list of Intervention

    Notes
    -----
    A jump is a step between neighbours beyond the limits plus `SLACK`. It is the edge of a spike
    when, within `bridge`, a step back of at least half its size leads to a speed that could
    have been reached without it.
    """
    time, values = part.speed.time, part.speed.values
    step, dt = np.diff(values), np.diff(time)
    jump = (step > gain_max * dt + SLACK) | (step < -(loss_max * dt + SLACK))
    keep = np.ones(values.size, dtype=bool)
    cuts: list[int] = []
    spikes, done_to = 0, 0
    for i in np.flatnonzero(jump).tolist():
        if i < done_to:
            continue
        end = _spike_end(time, values, i, gain_max, loss_max, bridge)
        if end:
            keep[i + 1 : end] = False
            spikes, done_to = spikes + 1, end
        else:
            cuts.append(i + 1)
    parts = _pieces(part, keep, cuts)
    removed = int((~keep).sum())
    done = []
    if removed:
        text = f"spikes removed and bridged: {spikes} ({removed} samples); limits {gain_max:g} and "
        done.append(Intervention("spikes", removed, f"{text}-{loss_max:g} m/s2"))
    if cuts:
        text = f"jumps of speed without return, log cut there: {len(cuts)}"
        done.append(Intervention("jumps", len(cuts), text))
    return parts, done


def _spike_end(
    time: np.ndarray, values: np.ndarray, i: int, gain_max: float, loss_max: float, bridge: float
) -> int:
    """Return the index of the first good sample after the spike that begins behind i, or 0."""
    last = int(np.searchsorted(time, time[i] + bridge, side="right"))
    for k in range(i + 2, last):
        dt, change = time[k] - time[i], values[k] - values[i]
        reached = -(loss_max * dt + SLACK) <= change <= gain_max * dt + SLACK
        jump, back = values[i + 1] - values[i], values[k] - values[k - 1]
        if reached and back * jump < 0.0 and abs(back) >= 0.5 * abs(jump):
            return k
    return 0


def _pieces(part: Stretch, keep: np.ndarray, cuts: list[int]) -> list[Stretch]:
    parts = []
    for first, stop in zip([0, *cuts], [*cuts, keep.size], strict=True):
        inside = np.flatnonzero(keep[first:stop]) + first
        cause = "after a jump of speed" if first else part.cause
        parts.append(Stretch(part.run, part.speed.pick(inside), cause))
    return parts


def still(speed: Samples, threshold: float) -> tuple[Samples, list[Intervention]]:
    """Set speeds below `threshold` (m/s) to zero: noise of a sensor at rest."""
    noise = (speed.values > 0.0) & (speed.values < threshold)
    if not noise.any():
        return speed, []
    lost = np.trapezoid(np.where(noise, speed.values, 0.0), speed.time)
    count = int(noise.sum())
    text = f"speeds below {threshold / KM_PER_H:g} km/h set to 0: {count} ({lost:.1f} m of drive)"
    done = [Intervention("standstill", count, text)]
    return Samples(speed.time, np.where(noise, 0.0, speed.values)), done
