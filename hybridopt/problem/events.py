"""What starts, stops and shifts cost, and which of them the settings forbid in some steps."""

import numpy as np

from ..base.errors import InputError
from ..inputs.driveline import Driveline
from ..physics.comfort import in_ranges
from ..physics.demand import Demand
from ..physics.rotors import rotor_fuel
from ..physics.shifts import interruptions
from ..physics.starts import start_steps
from .graph import MAX_STATES, Events, make_events
from .settings import Settings


def driveline_events(driveline: Driveline, demand: Demand, settings: Settings) -> Events:
    """Return the states of engine and gear, the moves between them, and what closes them.

    Parameters
    ----------
    driveline
        The vehicle; the duration of its engine start counts.
    demand
        What the wheels want.
    settings
        Minimum times, inhibitors and the cost of a start.

    Raises
    ------
    InputError
        The minimum times, or steps far shorter than an engine start, make too many states.
    """
    duration = driveline.start.span
    starts = start_steps(duration, demand.dt)
    if starts.max(initial=1) > MAX_STATES:
        raise InputError(
            f"the cycle has steps of {demand.dt.min():g} s, so that an engine start of {duration:g}"
            f" s takes {starts.max()} of them, at most {MAX_STATES} are of use; resample the cycle "
            f"to steps of {duration / 4:.1g} s or more"
        )
    closed = stop_costs(driveline, demand, settings), starts, start_costs(driveline, demand)
    return make_events(settings, demand.dt, *closed)


def start_costs(driveline: Driveline, demand: Demand) -> np.ndarray:
    """Return what beginning an engine start costs beyond the start cost of the settings.

    Returns
    -------
    ndarray, (steps,)
        0 g, or infinite where the mean speed of the step is in a range that forbids it.
    """
    return np.where(in_ranges(demand.speed, driveline.comfort.no_start), np.inf, 0.0)


def stop_costs(driveline: Driveline, demand: Demand, settings: Settings) -> np.ndarray:
    """Return what stopping the engine in each step costs: 0 g, or infinity where it is forbidden.

    Returns
    -------
    ndarray, (steps,)
        Infinite above the settings' highest speed for a stop, in the driveline's speed ranges
        without one, and while the oil is too cold for it (unknown oil temperatures, NaN, count as
        warm).
    """
    forbidden = in_ranges(demand.speed, driveline.comfort.no_stop)
    if settings.stop_speed_max is not None:
        forbidden |= demand.speed > settings.stop_speed_max
    if settings.stop_oil_temperature is not None:
        forbidden |= demand.oil_temperature < settings.stop_oil_temperature
    return np.where(forbidden, np.inf, 0.0)


def closed_shifts(demand: Demand, settings: Settings, gears: int) -> np.ndarray:
    """Return which shifts are forbidden in each step, (steps, gears from, gears to), bool.

    While the vehicle moves, shifts that skip gears are allowed as the setting says; at rest they
    always are. While braking below the setting's speed no shift is allowed.
    """
    step = np.arange(gears)[None, :] - np.arange(gears)[:, None]
    skips = skipping_shifts(gears, settings.skip_shifts)
    moving = demand.speed_start > 0.0
    braking = moving & (demand.wheel_torque < 0.0) & (demand.speed < settings.brake_shift_speed)
    return np.asarray((moving[:, None, None] & skips) | (braking[:, None, None] & (step != 0)))


def skipping_shifts(gears: int, skip_shifts: str) -> np.ndarray:
    """Return which shifts leave gears out against the setting, (gears from, gears to), bool."""
    step = np.arange(gears)[None, :] - np.arange(gears)[:, None]
    skips = {
        "both": np.zeros_like(step, dtype=bool),
        "up": step < -1,
        "down": step > 1,
        "none": np.abs(step) > 1,
    }
    return np.asarray(skips[skip_shifts])


def shift_costs(driveline: Driveline, demand: Demand, settings: Settings) -> np.ndarray:
    """Return the cost of every shift: its fuel and the setting's event cost.

    Returns
    -------
    ndarray, (steps, 3 engine classes, gears, gears)
        g of fuel, zero for staying in gear, infinite for a shift that a setting forbids or that
        the demand cannot wait for.
    """
    gears = driveline.gearbox.gears
    costs = rotor_fuel(driveline, demand) + settings.shift_cost * (1.0 - np.eye(gears))
    closed = closed_shifts(demand, settings, gears)[:, None]
    lost = interruptions(driveline, demand)
    if lost is not None:
        costs, closed = costs + lost.fuel, closed | lost.too_long
    return np.where(closed, np.inf, costs)
