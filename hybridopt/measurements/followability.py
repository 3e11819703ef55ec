"""Can a driveline follow a trace; which seconds it cannot; and the speed it can reach instead."""

import dataclasses
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base.errors import InfeasibleError
from ..base.intervals import intervals
from ..base.units import KM_PER_H
from ..base.warning import InputWarning
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..physics.demand import drive_demand, step_demand
from ..physics.operating_points import drivable_classes, seconds_text
from ..physics.reach import highest_end
from ..problem.events import driveline_events
from ..problem.settings import Settings
from .log import Samples
from .refreshes import coarse_step, refresh_interval

BAND_SPEED = 2.0 * KM_PER_H  # m/s
BAND_TIME = 1.0  # s
RASTER = 0.1  # s, on which the band is judged
RAW_STEP = 0.5  # s, median step up to which a cycle may be a raw log
STUCK = 30.0  # s at rest while the trace moves


@dataclass(frozen=True, eq=False)
class Following:
    """How a driveline follows a trace.

    Attributes
    ----------
    trace : the cycle wanted
    cycle : the speed that can be reached, the trace itself where that can be driven throughout
    limited : bool, shape (steps,), where the speed reached lies below the trace
    outside : list of (first, last), s, where it lies outside the tolerance band
    """

    trace: Cycle
    cycle: Cycle
    limited: np.ndarray
    outside: list[tuple[float, float]]

    @property
    def exact(self) -> bool:
        """Whether every step of the trace can be driven."""
        return not self.limited.any()

    @property
    def deficit(self) -> float:
        """Largest speed missing, m/s."""
        return float((self.trace.speed - self.cycle.speed).max())

    @property
    def text(self) -> str:
        """The answer in words."""
        if self.exact:
            return "can be followed exactly"
        lacking = (
            f"up to {self.deficit / KM_PER_H:.1f} km/h and "
            f"{self.trace.distance - self.cycle.distance:.0f} m are missing"
        )
        if not self.outside:
            return f"can be followed within 2 km/h and 1 s, but not exactly: {lacking}"
        first, last = np.array(self.outside).T
        return (
            f"cannot be followed within 2 km/h and 1 s in {(last - first).sum():.1f} s: "
            f"{seconds_text(first, last - first)} s; {lacking}"
        )


def follow(driveline: Driveline, cycle: Cycle, settings: Settings | None = None) -> Following:
    """Find out whether a driveline can follow a cycle, and what it reaches where it cannot.

    Parameters
    ----------
    driveline
        The vehicle.
    cycle
        The trace wanted.
    settings
        As for :func:`hybridopt.solve_cycle`: whether the engine runs at the start, minimum times,
        where it must not be stopped.

    Returns
    -------
    Following

    Raises
    ------
    InputError
        A setting does not fit the driveline.
    InfeasibleError
        The vehicle cannot pull away, or cannot drive the step even when it slows down.

    Warns
    -----
    InputWarning
        The cycle is a raw log: its speed is held for some rows, or written in coarse steps.

    Notes
    -----
    Forward in time, each step ends at the speed of the trace or, where no operating point can
    drive that, at the highest speed below it that one can: the largest admissible torque at the
    wheels. Steps are judged by the operating points of the solve, from every engine state that the
    steps before can lead to, so what comes out can be driven; only the battery's state of charge is
    not looked at, its widest power limits are.
    The band is that of GTR 15, Annex 6 (from memory): 2.0 km/h above the highest and below the
    lowest speed of the trace within 1.0 s.
    """
    _advise_import(cycle)
    settings = (settings or Settings()).resolved(driveline).for_cycle(cycle)
    demand, speed = drive_demand(driveline, cycle), cycle.speed.copy()
    classes = drivable_classes(driveline, demand)
    events = driveline_events(driveline, demand, settings)
    states = events.start(settings.begins_on(float(speed[0])))
    stuck_since = None
    for k in range(demand.steps):
        after = events.states_after(k, states, classes[k])
        if speed[k] == cycle.speed[k] and after.any():
            states = after
            continue

        def states_at(ends: np.ndarray, k: int = k, states: np.ndarray = states) -> np.ndarray:
            able = _classes_at(driveline, cycle, k, float(speed[k]), ends)
            return np.array([events.states_after(k, states, one) for one in able])

        speed[k + 1] = _reachable(driveline, cycle, k, float(speed[k]), states_at)
        states = states_at(speed[k + 1 : k + 2])[0]
        if speed[k + 1] > 0.0 or cycle.speed[k + 1] == 0.0:
            stuck_since = None
        elif stuck_since is None:
            stuck_since = cycle.time[k]
        elif cycle.time[k + 1] - stuck_since > STUCK:
            raise InfeasibleError(
                f"cycle {cycle.name}: at {stuck_since:.6g} s driveline {driveline.name} cannot "
                "pull away; check grade, mass, launch clutch and first gear"
            )
    reached = cycle
    if (speed != cycle.speed).any():
        reached = dataclasses.replace(cycle, name=f"{cycle.name}_achievable", speed=speed)
    limited = (speed[1:] < cycle.speed[1:]) | (speed[:-1] < cycle.speed[:-1])
    return Following(cycle, reached, limited, outside_band(cycle, reached))


def _advise_import(cycle: Cycle) -> None:
    """Warn of a raw log, whose steps of speed a driveline would follow one by one."""
    raster = float(np.median(cycle.dt))
    if raster > RAW_STEP:
        return
    held = refresh_interval(Samples(cycle.time, cycle.speed))
    coarse = coarse_step(cycle.speed)
    if not (held or coarse):
        return
    how = f"is held for {held:.2g} s" if held else f"has steps of {coarse / KM_PER_H:.3g} km/h"
    warnings.warn(
        f"cycle {cycle.name}: is a raw log at {1 / raster:.3g} Hz whose speed {how}; following it "
        "takes long and gives the sensor's steps, so make a cycle of it first with: hybridopt "
        "cycle import LOG --out CYCLE",
        InputWarning,
        stacklevel=3,
    )


def _reachable(
    driveline: Driveline, cycle: Cycle, k: int, speed: float, states_at: Callable[[np.ndarray], Any]
) -> float:
    """Return the highest speed up to the trace's at which step k can end.

    `states_at` gives the engine states after the step by its final speed, bool, (n, states).
    """
    target, dt = float(cycle.speed[k + 1]), float(cycle.dt[k])
    end = highest_end(lambda ends: states_at(ends).any(axis=1), speed, target, dt)
    if end is None:
        raise InfeasibleError(
            f"cycle {cycle.name}: at {cycle.time[k]:.6g} s and {speed / KM_PER_H:.1f} km/h "
            f"driveline {driveline.name} can drive no step, not even a slower one; it may be "
            "too fast for its top gear, or for a start of its engine (--engine-on-start)"
        )
    return end


def _classes_at(
    driveline: Driveline, cycle: Cycle, k: int, speed: float, ends: np.ndarray
) -> np.ndarray:
    """Return which engine classes can drive step k to each final speed, bool, (n, 3)."""

    def same(value: float) -> np.ndarray:
        return np.full(ends.size, value)

    demand = step_demand(
        driveline.vehicle,
        same(cycle.time[k]),
        same(cycle.dt[k]),
        same(speed),
        ends,
        same(cycle.mean_grade[k]),
    )
    needed = same(cycle.heat_request[k]) > 0.0
    return drivable_classes(driveline, dataclasses.replace(demand, engine_needed=needed))


def outside_band(trace: Cycle, driven: Cycle) -> list[tuple[float, float]]:
    """Return the stretches (first, last), s, in which a drive leaves the band round a trace."""
    if driven is trace:
        return []
    count = max(round(trace.duration / RASTER), 1)
    time = np.linspace(trace.time[0], trace.time[-1], count + 1)
    reach = max(round(BAND_TIME / (time[1] - time[0])), 1)
    wanted = np.pad(np.interp(time, trace.time, trace.speed), reach, mode="edge")
    window = np.lib.stride_tricks.sliding_window_view(wanted, 2 * reach + 1)
    speed = np.interp(time, driven.time, driven.speed)
    out = (speed > window.max(axis=1) + BAND_SPEED) | (speed < window.min(axis=1) - BAND_SPEED)
    return [(float(time[a]), float(time[min(b, count)])) for a, b in intervals(out)]
