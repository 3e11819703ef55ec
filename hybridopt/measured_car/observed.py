"""What a car saw and did, step by step: what its rules are estimated from."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..physics.demand import drive_demand
from ..physics.gearbox import input_torque
from ..physics.plant import Plant
from .alignment import aligned
from .as_driven import as_driven
from .decisions import read_decisions
from .log_units import FITTED, check_units


@dataclass(frozen=True, eq=False)
class Observed:
    """What a car saw and did, step by step, of one or several logs; arrays have shape (steps,).

    Attributes
    ----------
    dt, speed, power, wheel_torque : s, m/s, W and N m, of the step
    soc : state of charge at its start
    on, on_before : engine
    gear, gear_before : from 0
    engine_time, gear_time : s, in the state before
    inputs, wanted : rad/s and N m, at the gearbox input
    motor_torque : N m, as commanded; NaN where it is not told
    starting : whether the engine is being started
    """

    dt: np.ndarray
    speed: np.ndarray
    power: np.ndarray
    wheel_torque: np.ndarray
    soc: np.ndarray
    on: np.ndarray
    on_before: np.ndarray
    gear: np.ndarray
    gear_before: np.ndarray
    engine_time: np.ndarray
    gear_time: np.ndarray
    inputs: np.ndarray
    wanted: np.ndarray
    motor_torque: np.ndarray
    starting: np.ndarray

    @classmethod
    def joined(cls, parts: "Sequence[Observed]") -> "Observed":
        """Return all of several logs."""
        return cls(*(np.concatenate([getattr(p, n) for p in parts]) for n in vars(parts[0])))


def observe(recording: Recording, driveline: Driveline, plant: Plant, notes: list[str]) -> Observed:
    """Return what the car saw and did in the steps of a log."""
    check_units(recording, driveline, FITTED)
    recording, _ = aligned(recording, driveline)
    driven = as_driven(recording, driveline)
    demand = drive_demand(driven.driveline, driven.cycle)
    decisions = read_decisions(recording, driven.driveline, demand)
    notes += [source.text for source in decisions.sources.values()]
    plan, on = decisions.schedule, decisions.engine_on
    gear = np.clip(plan.gear, 0, plant.ratio.size - 1)
    before = np.concatenate((on[:1], on[:-1]))
    gear_before = np.concatenate((gear[:1], gear[:-1]))
    soc = np.where(np.isnan(driven.soc[:-1]), driven.settings.socs[2], driven.soc[:-1])
    told = plan.powered & np.isfinite(plan.motor_torque) & on
    rests = ~plan.powered & on
    return Observed(
        dt=demand.dt,
        speed=demand.speed,
        power=demand.wheel_torque * demand.wheel_speed,
        wheel_torque=demand.wheel_torque,
        soc=soc,
        on=on,
        on_before=before,
        gear=gear,
        gear_before=gear_before,
        engine_time=_time_in(before, demand.dt),
        gear_time=_time_in(gear_before, demand.dt),
        inputs=np.maximum(demand.wheel_speed * plant.ratio[gear], plant.idle_speed),
        wanted=input_torque(plant, gear, demand.wheel_torque),
        motor_torque=np.where(told, plan.motor_torque, np.where(rests, 0.0, np.nan)),
        starting=on & ~before,
    )


def _time_in(state: np.ndarray, dt: np.ndarray) -> np.ndarray:
    """Return how long the state before each step has lasted, s; long from the beginning on."""
    time, found = 1e9, np.empty(state.size)
    for t in range(state.size):
        if t and state[t] != state[t - 1]:
            time = dt[t - 1]
        found[t] = time
        time += dt[t]
    return found
