"""What a car did, driven in closed loop in its model: clipped to what the model can do."""

import dataclasses
from typing import NamedTuple

import numpy as np

from ..controllers.builtin import Playback
from ..controllers.closed_loop import ClosedLoop, Drive
from ..inputs.cycle import Cycle
from ..measurements.recording import Recording
from ..physics.demand import drive_demand
from ..problem.settings import Settings
from .as_driven import AsDriven
from .decisions import CarDecisions, read_decisions

NAME = "measured car"
"""Name of the car's own strategy among controllers."""
END_ROOM = 1e-4  # of SoC, that a target keeps from the window's ends
HALVINGS = 14


class Replayed(NamedTuple):
    """What a car did, driven in its model.

    Attributes
    ----------
    loop : the closed loop
    decisions : what was asked of it
    drive : what it did
    settings : with gear and engine at the start as measured, the drive's end as target
    """

    loop: ClosedLoop
    decisions: CarDecisions
    drive: Drive
    settings: Settings

    def cycle(self, cycle: Cycle) -> Cycle:
        """Return the cycle at the speed that the model drove, where it lacked power."""
        if self.drive.shortfall is None:
            return cycle
        return dataclasses.replace(cycle, speed=self.drive.demand.speeds)


def replay_car(recording: Recording, driven: AsDriven) -> Replayed:
    """Drive the model as the car was driven; the settings' target is then where that ends."""
    driveline, settings = driven.driveline, driven.settings
    demand = drive_demand(driveline, driven.cycle)
    decisions = read_decisions(recording, driveline, demand)
    begins = dataclasses.replace(
        settings,
        gear_start=int(np.clip(decisions.schedule.gear[0] + 1, 1, driveline.gearbox.gears)),
        engine_on_start=bool(decisions.engine_on[0]),
    )
    loop = ClosedLoop(driveline, demand, begins)
    if decisions.sources["split"].assumed:
        decisions = _charging(loop, decisions, driven)
    drive = loop.run(Playback(schedule=decisions.schedule))
    low, high, _, _ = begins.socs
    target = float(np.clip(drive.soc_end, low + END_ROOM, high - END_ROOM))
    ends = dataclasses.replace(begins, terminal="target", soc_target=target)
    return Replayed(loop, decisions, drive, ends)


def _charging(loop: ClosedLoop, decisions: CarDecisions, driven: AsDriven) -> CarDecisions:
    """Return decisions with the constant charging power that ends at the measured SoC."""
    wanted = driven.soc[-1] if np.isfinite(driven.soc[-1]) else driven.settings.socs[2]
    schedule, demand = decisions.schedule, loop.demand
    ratio = loop.around.plant.ratio
    shaft = demand.wheel_speed * ratio[np.clip(schedule.gear, 0, ratio.size - 1)]
    shaft = np.maximum(shaft, driven.driveline.engine.idle_speed)
    pulls = decisions.engine_on & (demand.wheel_torque > 0.0)
    peak = float((loop.around.plant.peak * loop.around.plant.peak_speed).max())

    def with_power(power: float) -> CarDecisions:
        torque = np.where(pulls, -power / shaft, schedule.motor_torque)
        powered = np.where(pulls, power != 0.0, schedule.powered)
        changed = dataclasses.replace(schedule, motor_torque=torque, powered=powered)
        return dataclasses.replace(decisions, schedule=changed)

    low, high = -peak, peak
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        ended = loop.run(Playback(schedule=with_power(middle).schedule)).soc_end
        low, high = (middle, high) if ended < wanted else (low, middle)
    return with_power(0.5 * (low + high))
