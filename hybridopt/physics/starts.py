"""How an engine start is spread over steps, and how its energy divides.

What speeds the rotors up is lost again where the engine runs down to rest; it is paid in the
starts and no entry of the energy balance of its own.
"""

import numpy as np
import xarray as xr

from ..inputs.driveline import Driveline


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
    lengths = np.asarray(dt, dtype=np.float64)
    return np.maximum(1, np.ceil(duration / lengths - 1e-9)).astype(np.int64)


def start_division(
    driveline: Driveline, speed: np.ndarray, dt: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Divide the mechanical energy of steps in which the engine is started.

    Parameters
    ----------
    driveline
        The vehicle.
    speed
        Speed the engine is started to, rad/s, (steps,).
    dt
        s, (steps,).

    Returns
    -------
    tuple of ndarray
        Rotor energy, slip loss of the clutch and friction work, J, (steps,) each: a whole start
        over :func:`start_steps`. Their sum over the start's efficiency is what it draws.

    Notes
    -----
    A clutch that brings a rotor at rest up to a constant speed w loses 1/2 J w^2, whatever its
    torque over time: it slips by w - w_e while T = J dw_e/dt, and the integral of
    (w - w_e) J dw_e from 0 to w is 1/2 J w^2. Neither a starter nor a motor on the
    crankshaft has such a clutch.
    """
    start, steps = driveline.start, start_steps(driveline.start.duration, dt)
    rotor = 0.5 * _rotating(driveline) * speed**2 / steps
    overrun = driveline.engine.overrun
    braking = -np.interp(speed, overrun["speed"], overrun)
    friction = 0.5 * speed * braking * start.duration / steps
    slips = driveline.clutches.separating_clutch and not start.starter
    return rotor, rotor if slips else np.zeros_like(rotor), friction


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
    lost = 0.5 * _rotating(driveline) * speed[rests] ** 2
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


def _rotating(driveline: Driveline) -> float:
    """Inertia that a start speeds up: the engine, and the motor where they cannot be parted."""
    parted = driveline.clutches.separating_clutch
    return driveline.engine.inertia + (0.0 if parted else driveline.motor.inertia)


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
    parted = driveline.clutches.separating_clutch
    inertia = driveline.motor.inertia if parted else _rotating(driveline)
    return float((0.5 * inertia * speed**2)[moving].sum())
