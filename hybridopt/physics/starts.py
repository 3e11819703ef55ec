"""How an engine start is spread over steps, and how its energy divides.

What speeds the rotors up is lost again where the engine runs down to rest. It is paid in the
starts and has no entry of its own in the energy balance.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import math

import numpy as np
import xarray as xr

from ..base.compiled import kernel
from ..inputs.driveline import Driveline
from .codes import EngineClass
from .interpolation import _interp
from .plant import pack
from .rotors import rotor_inertia


@kernel(inline="always")
def _start_steps(duration, dt):
    """Count the steps of a start at a step length."""
    return max(1.0, math.ceil(duration / dt - 1e-9))


@kernel
def _count_steps(duration, dt, out):
    """Fill the steps of starts at many step lengths."""
    for t in range(dt.size):
        out[t] = _start_steps(duration, dt[t])


@kernel(inline="always")
def _start_fuel(fuel, duration, dt):
    """Fuel that a start adds to each of its steps, g."""
    return fuel / _start_steps(duration, dt)


@kernel(inline="always")
def _start_shares(duration, ramp, dt):
    """Share of a step in which a started engine works, and mean share of its full-load torque.

    With a ramp, means over all steps of the start.
    """
    if ramp <= 0.0:
        work = max(0.0, 1.0 - duration / dt)
        return work, work
    whole = dt * _start_steps(duration + 3.0 * ramp, dt)
    working = whole - duration
    given = working - ramp * (1.0 - math.exp(-working / ramp))
    return working / whole, given / whole


@kernel(inline="always")
def _start_energies(plant, speed, overrun, at_rest):
    """Rotor energy, slip loss of the clutch and friction work of a whole start up to a speed, J.

    A start speeds the engine up, and the motor where they are not parted. It is charged
    whether or not the engine turned before: the state does not say.
    """
    closed = plant.separating == 0.0 or (at_rest and plant.closed_at_rest > 0.0)
    inertia = plant.engine_inertia + (plant.motor_inertia if closed else 0.0)
    rotor = 0.5 * inertia * speed**2
    slip = rotor if plant.starter == 0.0 and not closed else 0.0
    return rotor, slip, 0.5 * speed * -overrun * plant.start_duration


@kernel
def _fill_energies(plant, speed, at_rest, out):
    """Fill the energies of whole starts up to some speeds, (3, speeds)."""
    for t in range(speed.size):
        overrun = _interp(plant.overrun_speed, plant.overrun, speed[t])
        out[0, t], out[1, t], out[2, t] = _start_energies(plant, speed[t], overrun, at_rest[t])


def start_steps(duration: float, dt: np.ndarray) -> np.ndarray:
    """Return how many steps in a row an engine start takes at the step lengths given.

    Parameters
    ----------
    duration
        Duration of a start, s, 0 or more.
    dt
        Step lengths, s, above 0, (steps,).

    Returns
    -------
    ndarray of int64, (steps,)
        At least 1; ``ceil(duration / dt)``.
    """
    lengths = np.ascontiguousarray(dt, dtype=np.float64)
    counts = np.empty(lengths.size)
    _count_steps(float(duration), lengths, counts)
    return counts.astype(np.int64)


def start_energies(
    driveline: Driveline, speed: np.ndarray, at_rest: np.ndarray | None = None
) -> np.ndarray:
    """Return the mechanical energies of whole engine starts.

    Parameters
    ----------
    driveline
        The vehicle.
    speed
        Speed the engine is started to, rad/s, (starts,).
    at_rest
        Whether the vehicle stands, bool, (starts,); None is nowhere.

    Returns
    -------
    ndarray, (3, starts)
        Rotor energy, slip loss of the clutch and friction work, J. Their sum over the start's
        efficiency is what a start draws.

    Notes
    -----
    A clutch that brings a rotor at rest up to a constant speed w loses 1/2 J w^2, whatever its
    torque over time: it slips by w - w_e while T = J dw_e/dt, and the integral of
    (w - w_e) J dw_e from 0 to w is 1/2 J w^2. Neither a starter nor a motor on the
    crankshaft has such a clutch; with `closed_at_rest` it does not slip at standstill.
    """
    energies = np.empty((3, speed.size))
    still = np.zeros(speed.size) if at_rest is None else at_rest
    arrays = (np.ascontiguousarray(speed, dtype=np.float64), np.array(still, dtype=np.bool_))
    _fill_energies(pack(driveline), *arrays, energies)
    return energies


def start_division(
    driveline: Driveline, speed: np.ndarray, dt: np.ndarray, at_rest: np.ndarray | None = None
) -> np.ndarray:
    """Return the energies of :func:`start_energies` per step of a start, J, (3, steps).

    Parameters
    ----------
    driveline
        The vehicle.
    speed
        Speed the engine is started to, rad/s, (steps,).
    dt
        s, (steps,).
    at_rest
        Whether the vehicle stands, bool, (steps,); None is nowhere.
    """
    steps = start_steps(driveline.start.span, dt)
    return np.asarray(start_energies(driveline, speed, at_rest) / steps)


def start_totals(driveline: Driveline, trace: xr.Dataset) -> dict[str, float | int]:
    """Return starts, stops and where the energy of the starts went.

    Parameters
    ----------
    driveline
        The vehicle.
    trace
        From :func:`hybridopt.physics.replay.replay_schedule`.
    """
    started = trace.engine_start.values == 1
    on = trace.engine_on.values == 1
    begins = started & ~np.concatenate(([False], on[:-1]))
    speed, dt = trace.engine_speed.values, trace.dt.values
    rotor, slip, friction = (
        float(part[started].sum())
        for part in start_division(driveline, speed, dt, trace.speed.values == 0.0)
    )
    drawn = float((trace.start_power.values * dt)[started].sum())
    rests = np.flatnonzero((speed[:-1] > 0.0) & (speed[1:] == 0.0))
    lost = start_energies(driveline, speed[rests])[0]
    return {
        "starts": int(begins.sum()),
        "stops": rests.size,
        "run_down_kJ": float(lost.mean()) / 1e3 if rests.size else 0.0,
        "start_rotor_kJ": rotor / 1e3,
        "start_slip_kJ": slip / 1e3,
        "start_friction_kJ": friction / 1e3,
        "start_conversion_kJ": (drawn - rotor - slip - friction) / 1e3,
        "reengaged_kJ": _reengaged(driveline, trace) / 1e3,
    }


def _reengaged(driveline: Driveline, trace: xr.Dataset) -> float:
    """Rotor energy at steps that close the launch clutch after coasting, the engine off, J.

    The vehicle gives it. A step does not know the one before, so it is counted here and not
    charged; where the engine is started, the start pays for its rotor.
    """
    off = trace.engine_on.values == 0
    still = off & (trace.motor_speed.values == 0.0)
    after = np.flatnonzero(still[:-1] & off[1:] & ~still[1:]) + 1
    moving = trace.speed.values[after - 1] > 0.0
    speed = trace.motor_speed.values[after]
    inertia = rotor_inertia(driveline)[EngineClass.OFF]
    return float((0.5 * inertia * speed**2)[moving].sum())
