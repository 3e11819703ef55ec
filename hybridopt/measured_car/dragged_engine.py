"""Whether an engine that cannot be parted from the motor works, is dragged along, or is off.

It turns whenever the shaft does. With its fuel cut it is dragged; when it burns again, that is no
start but in the model, which counts one where the engine was off before. So a cut that ends in
burning again is overrun of an engine that is on, unless the fuel of a start is seen there; one that
ends at rest is a stop.
"""

import numpy as np

from ..base.intervals import intervals
from ..inputs.driveline import Driveline
from ..inputs.maps import curve_values
from ..measurements.recording import Recording
from ..physics.codes import EngineClass
from ..physics.demand import Demand
from ..physics.shifts import shift_fuel
from ..physics.starts import start_steps
from .engine_fit import fuel_at
from .fine_speed import TURNING
from .step_samples import StepSamples, held

BURNING = 0.2  # of the idle fuel rate
DRAGGED = 0.5  # of the overrun torque


def dragged_engine(
    recording: Recording,
    driveline: Driveline,
    samples: StepSamples,
    demand: Demand,
    gear: np.ndarray,
) -> np.ndarray | None:
    """Return whether the engine is on in each step; None without its speed and fuel or torque.

    Parameters
    ----------
    recording, driveline, samples, demand
        The drive and its model.
    gear
        Of each step, from 0.
    """
    told = {name: samples.mean(recording.channels[name]) for name in recording.channels}
    if "engine_speed" not in told or not {"fuel_rate", "engine_torque"} & told.keys():
        return None
    engine = driveline.engine
    speed = held(told["engine_speed"])
    turns, burns = speed > TURNING * engine.idle_speed, np.ones(speed.size, dtype=bool)
    if "engine_torque" in told:
        burns &= held(told["engine_torque"]) > DRAGGED * curve_values(engine.overrun, speed)
    if "fuel_rate" in told:
        idle = fuel_at(engine, np.array([engine.idle_speed]), np.zeros(1))[0]
        burns &= held(told["fuel_rate"]) > BURNING * idle
    on = turns & burns
    for first, stop in intervals(turns & ~burns):
        fires = stop < on.size and on[stop]
        if fires and not _start_seen(told, driveline, demand, gear, stop):
            on[first:stop] = first == 0 or on[first - 1]
    return on


def _start_seen(
    told: dict[str, np.ndarray], driveline: Driveline, demand: Demand, gear: np.ndarray, at: int
) -> bool:
    """Return whether the fuel from a step on, beyond torque and shift, is nearer a start's."""
    if not {"fuel_rate", "engine_torque"} <= told.keys():
        return False
    last = at + int(start_steps(driveline.start.duration, demand.dt[at : at + 1])[0])
    span, dt = slice(at, last), demand.dt[at:last]
    torque, speed = told["engine_torque"][span], told["engine_speed"][span]
    works = fuel_at(driveline.engine, speed, torque) * demand.fuel_factor[span]
    beyond = float(np.nansum((told["fuel_rate"][span] - works) * dt))
    old, new = np.clip(gear[max(at - 1, 0) : at + 1], 0, driveline.gearbox.gears - 1)[[0, -1]]
    paid = shift_fuel(driveline, demand)[at, :, old, new]
    started = driveline.start.fuel + float(paid[EngineClass.STARTING])
    return abs(beyond - started) < abs(beyond - float(paid[EngineClass.RUNNING]))
