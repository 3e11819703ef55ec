"""A speed within its noise where a car coasted or braked with its engine off and its motor at rest.

There the wheels want no torque. A hundredth of a m/s of noise makes of that a little drive torque,
which a motor may not be able to give by itself: the model would have to start its engine where the
car never did.
"""

import dataclasses

import numpy as np

from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..measurements.recording import Recording
from ..measurements.refreshes import coarse_step
from ..physics.codes import OFF
from ..physics.demand import drive_demand
from ..physics.plant import pack
from .channel_noise import COARSE
from .decisions import read_decisions
from .fine_speed import MOVING
from .step_samples import StepSamples
from .told_torques import AT_REST, fill_shafts

NUDGE, NOISE = 0.005, 0.03  # m/s: between the ends of a step, and at each end at most
SLOW_NOISE = 0.15  # m/s, the same at most where each step has a sample or two (by trial)


def coasting_cycle(recording: Recording, driveline: Driveline, cycle: Cycle) -> Cycle:
    """Return a cycle whose steps of coasting are possible with the engine off, if noise hides it.

    Parameters
    ----------
    recording, driveline
        The drive and its model.
    cycle
        Its cycle.

    Notes
    -----
    The ends of each such step that is impossible are nudged, the first up and the last down, until
    it is possible; by half a step of a coarse speed at most, else the step stays as it was.
    """
    if not recording.has("motor_torque"):
        return cycle
    plan = read_decisions(recording, driveline, drive_demand(driveline, cycle)).schedule
    gear = np.clip(plan.gear, 0, driveline.gearbox.gears - 1)
    motor = StepSamples(recording).mean(recording.channels["motor_torque"])
    rests = motor <= 2.0 * AT_REST * float(driveline.motor.peak_torque.max())
    coasts = (plan.engine_class == OFF) & rests & (cycle.speed[:-1] > MOVING)
    noise = SLOW_NOISE if recording.step > COARSE else NOISE
    found, most = cycle, max(noise, 0.5 * coarse_step(recording.drive.raw.values))
    for _ in range(round(2.0 * most / NUDGE)):
        impossible = coasts & (_reasons(driveline, found, gear, plan.engine_class) != 0)
        if not impossible.any():
            return found
        ends = np.zeros(cycle.speed.size)
        ends[:-1] += 0.5 * NUDGE * impossible
        ends[1:] -= 0.5 * NUDGE * impossible
        found = dataclasses.replace(found, speed=np.maximum(found.speed + ends, 0.0))
    lost = coasts & (_reasons(driveline, found, gear, plan.engine_class) != 0)
    kept = np.concatenate(([False], lost)) | np.concatenate((lost, [False]))
    return dataclasses.replace(found, speed=np.where(kept, cycle.speed, found.speed))


def _reasons(
    driveline: Driveline, cycle: Cycle, gear: np.ndarray, engine: np.ndarray
) -> np.ndarray:
    demand = drive_demand(driveline, cycle)
    return fill_shafts(pack(driveline), demand, gear, engine).reasons
