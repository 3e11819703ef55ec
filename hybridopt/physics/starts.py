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
from .shifts import rotor_inertia


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
def _start_energies(plant, speed, overrun):
    """Rotor energy, slip loss of the clutch and friction work of a whole start up to a speed, J.

    A start speeds the engine up, and the motor where they cannot be parted. It is charged
    whether or not the engine turned before: the state does not say.
    """
    inertia = plant.engine_inertia + (plant.motor_inertia if plant.separating == 0.0 else 0.0)
    rotor = 0.5 * inertia * speed**2
    slip = rotor if plant.starter == 0.0 and plant.separating > 0.0 else 0.0
    return rotor, slip, 0.5 * speed * -overrun * plant.start_duration


@kernel
def _fill_energies(plant, speed, out):
    """Fill the energies of whole starts up to some speeds, (3, speeds)."""
    for t in range(speed.size):
        overrun = _interp(plant.overrun_speed, plant.overrun, speed[t])
        out[0, t], out[1, t], out[2, t] = _start_energies(plant, speed[t], overrun)


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


def start_energies(driveline: Driveline, speed: np.ndarray) -> np.ndarray:
    """Return the mechanical energies of whole engine starts.

    Parameters
    ----------
    driveline
        The vehicle.
    speed
        Speed the engine is started to, rad/s, (starts,).

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
    crankshaft has such a clutch.
    """
    energies = np.empty((3, speed.size))
    _fill_energies(pack(driveline), np.ascontiguousarray(speed, dtype=np.float64), energies)
    return energies


def start_division(driveline: Driveline, speed: np.ndarray, dt: np.ndarray) -> np.ndarray:
    """Return the energies of :func:`start_energies` per step of a start, J, (3, steps).

    Parameters
    ----------
    driveline
        The vehicle.
    speed
        Speed the engine is started to, rad/s, (steps,).
    dt
        s, (steps,).
    """
    steps = start_steps(driveline.start.duration, dt)
    return np.asarray(start_energies(driveline, speed) / steps)


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
        float(part[started].sum()) for part in start_division(driveline, speed, dt)
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
