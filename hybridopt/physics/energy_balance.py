"""The energy balance of a drive: within its steps, and with the rotors from step to step.

Steps book in `shaft_inertia_power` what they do to the rotors of motor and engine. Between two
steps the rotors' speeds jump: where a gear is shifted, where the engine starts or stops, and where
the launch clutch opens, begins to slip or closes.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import xarray as xr

from ..base.nomenclature import SINKS, SOURCES
from ..inputs.driveline import Driveline
from .codes import LOCKED
from .demand import Demand
from .rotors import rotor_fuel
from .shifts import launched
from .starts import _start_shares, start_totals

CAUSES = ("shift", "start", "stop", "clutch")
SHIFT, START, STOP, CLUTCH = range(len(CAUSES))


@dataclass(frozen=True)
class RotorChanges:
    """Changes of the rotors' kinetic energy, J.

    Attributes
    ----------
    begin, end : all of it before the first step and after the last
    booked : what steps do to it, as their `shaft_inertia_power` says
    rise, fall : what happens to it between steps, by cause of :data:`CAUSES`, each 0 or more
    """

    begin: float
    end: float
    booked: float
    rise: dict[str, float]
    fall: dict[str, float]

    @property
    def misfit(self) -> float:
        """What the changes leave between begin and end, J; 0 but for rounding."""
        between = sum(self.rise.values()) - sum(self.fall.values())
        return self.end - self.begin - self.booked - between


def energy_residual(trace: xr.Dataset) -> float:
    """Misfit of sources and sinks in the steps of a run, as a share of the energy put through."""
    misfit = sum(energies(trace, SOURCES).values()) - sum(energies(trace, SINKS).values())
    return misfit / throughput(trace)


def energies(trace: xr.Dataset, names: Iterable[str], size: bool = False) -> dict[str, float]:
    """Return the energy of each named power of a run, J; with `size` of what it gives or takes."""
    seconds, part = trace.dt.values, np.abs if size else np.asarray
    return {name: float(np.nansum(part(trace[name].values) * seconds)) for name in names}


def throughput(trace: xr.Dataset) -> float:
    """Return the energy that the sources of a run give or take, J."""
    return max(sum(energies(trace, SOURCES, size=True).values()), 1e-300)


def rotor_totals(
    driveline: Driveline, demand: Demand, trace: xr.Dataset, gear_start: int
) -> dict[str, float]:
    """Return :data:`hybridopt.base.nomenclature.ROTOR_TOTALS` of a drive.

    Parameters
    ----------
    driveline
        The vehicle.
    demand
        What the wheels wanted.
    trace
        From :func:`hybridopt.physics.replay.replay_schedule`.
    gear_start
        Gear before the first step, 1 is first gear.
    """
    changes = rotor_changes(driveline, trace, gear_start)
    before = np.concatenate(([gear_start], trace.gear.values[:-1])) - 1
    classes = trace.engine_on.values + trace.engine_start.values  # off, running, starting
    taken = np.arange(demand.steps), classes, before, trace.gear.values - 1
    worth = driveline.gearbox.shift_efficiency * driveline.fuel.heating_value
    by_shifts = float(rotor_fuel(driveline, demand, taken).sum()) * worth
    by_launches = 0.0
    if driveline.shifts.launch_rotors:
        by_launches = float(launched(driveline, demand)[taken].sum()) * worth
    by_starts = 1e3 * start_totals(driveline, trace)["start_rotor_kJ"]
    rise, fall = changes.rise, changes.fall
    totals = {
        "shift_loss": fall["shift"],
        "stop_loss": fall["stop"],
        "clutch_loss": fall["clutch"] + fall["start"],
        "shift_paid": by_shifts + by_launches,
        "overpaid": by_shifts + by_starts - rise["shift"] - rise["start"],
        "unpaid": rise["clutch"] + rise["stop"] - by_launches,
        "kept": changes.end - changes.begin,
    }
    misfit = energy_residual(trace) - changes.misfit / throughput(trace)
    return {
        **{f"rotor_{name}_kJ": energy / 1e3 for name, energy in totals.items()},
        "cycle_residual": misfit,
    }


def rotor_changes(driveline: Driveline, trace: xr.Dataset, gear_start: int = 1) -> RotorChanges:
    """Follow the kinetic energy of motor and engine through a drive.

    Parameters
    ----------
    driveline, trace, gear_start
        As of :func:`rotor_totals`.

    Notes
    -----
    In a step with a locked clutch rotors turn with the wheels, else at one speed. An engine that
    is being started comes from rest to the speed at the beginning of its first step; of its later
    rise within such a step the share in which it works is booked there, the rest belongs to the
    start. Where the engine starts or stops, its rotor's jump belongs to that, and so does the
    motor's where the clutch is not locked; else a jump belongs to the shift where the clutch is
    locked before and after, and to the clutch where it is not.
    """
    dt = trace.dt.values
    locked = trace.launch_clutch.values == LOCKED
    on, starting = trace.engine_on.values == 1, trace.engine_start.values == 1
    was_on = np.append(on[0] and not starting[0], on[:-1])
    held = locked & np.append(locked[0], locked[:-1])
    ends = _at_ends(trace, locked)
    engine = 0.5 * driveline.engine.inertia * trace.engine_speed.values**2 * ends
    motor = 0.5 * driveline.motor.inertia * trace.motor_speed.values**2 * ends
    geared = _energy_in(driveline, trace.gear.values, gear_start) if locked[0] else 1.0
    first = np.array([0.0 if starting[0] else engine[0, 0], motor[0, 0]]) * geared
    jumps = np.zeros((len(CAUSES), dt.size))
    for rotor, begin, own in ((engine, first[0], True), (motor, first[1], ~locked)):
        jump = rotor[0] - np.append(begin, rotor[1, :-1])
        cause = np.where(held, SHIFT, CLUTCH)
        cause = np.where(own & (on != was_on), np.where(on, START, STOP), cause)
        jumps[cause, np.arange(dt.size)] += jump
    jumps[START] += _left_to_starts(driveline, dt, starting & locked, engine)
    return RotorChanges(
        begin=float(first.sum()),
        end=float(motor[1, -1] + engine[1, -1]),
        booked=float((trace.shaft_inertia_power.values * dt).sum()),
        rise=dict(zip(CAUSES, np.maximum(jumps, 0.0).sum(axis=1).tolist(), strict=True)),
        fall=dict(zip(CAUSES, np.maximum(-jumps, 0.0).sum(axis=1).tolist(), strict=True)),
    )


def _at_ends(trace: xr.Dataset, locked: np.ndarray) -> np.ndarray:
    """Return (speed / mean speed)^2 of rotors at the beginning and the end of steps, (2, steps)."""
    mean, half = trace.speed.values, 0.5 * (trace.acceleration * trace.dt).values
    ends = np.stack((mean - half, mean + half)) / np.where(mean > 0.0, mean, 1.0)
    return np.where(locked, ends**2, 1.0)


def _energy_in(driveline: Driveline, gears: np.ndarray, gear_start: int) -> float:
    """Return the energy of rotors in the gear before the first step over that in the first one."""
    ratios = driveline.gearbox.ratios
    return float((ratios[gear_start - 1] / ratios[int(gears[0]) - 1]) ** 2)


def _left_to_starts(
    driveline: Driveline, dt: np.ndarray, starting: np.ndarray, engine: np.ndarray
) -> np.ndarray:
    """Return the rise of a starting engine's energy within steps that these do not book, J."""
    rise = np.zeros(dt.size)
    if driveline.clutches.separating_clutch:
        start = driveline.start
        for t in np.flatnonzero(starting):
            work = _start_shares(float(start.duration), float(start.ramp_time), float(dt[t]))[0]
            rise[t] = (1.0 - work) * (engine[1, t] - engine[0, t])
    return rise
