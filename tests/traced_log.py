"""A drive in steps of 1 s as a log of itself: what the model says of each step, at any rate.

Unlike `car_log.drive_car` the car is the model to the last digit, so that the true gap of its
strategy is known. Speed is linear within a step and shafts follow it; all else is constant there.
A motor that pulls the engine up gives the torque of that too, as its sensor would show.
"""

import dataclasses

import numpy as np
from car_log import FINE, SimulatedDrive

from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.evaluation.case import Case, score
from hybridopt.physics.demand import drive_demand
from hybridopt.physics.plant import pack
from hybridopt.pipeline import find_optimum

SAME = ("engine_torque", "fuel_rate", "gear", "battery_voltage", "battery_current")
"""Channels that are variables of a trace."""


def traced(driveline, cycle, trace):
    """Return a replayed drive as a simulated one, for `car_log.record` and `write_log`."""
    begin = trace["time"].values
    ends = np.append(begin, begin[-1] + trace["dt"].values[-1])
    time = FINE * (np.arange(round(float(ends[-1]) / FINE)) + 0.5)
    step = np.searchsorted(begin, time, side="right") - 1
    of = {name: trace[name].values[step].astype(float) for name in trace.data_vars}
    speed = np.interp(time, cycle.time, cycle.speed)
    follows = (of["launch_clutch"] == 0) & (of["speed"] > 0.0)
    within = np.where(follows, speed / np.maximum(of["speed"], 1e-9), 1.0)
    by_starter = np.where(driveline.start.starter, of["start_power"], 0.0)
    crank = (of["start_power"] - by_starter) * driveline.start.efficiency
    turning = np.maximum(of["motor_speed"], pack(driveline).idle_speed)
    climbed = np.cumsum(cycle.mean_grade * cycle.mean_speed * cycle.dt)
    channels = {
        "speed": speed,
        "engine_speed": of["engine_speed"] * within,
        "motor_speed": of["motor_speed"] * within,
        "motor_torque": of["motor_torque"] + crank / turning,
        "motor_power": of["battery_power"] - of["auxiliary_power"] - by_starter,
        "soc": np.interp(time, ends, np.append(trace["soc"].values, trace.attrs["soc_end"])),
        "altitude": 200.0 + np.interp(time, cycle.time, np.concatenate(([0.0], climbed))),
        "auxiliary_power": of["auxiliary_power"],
        **{name: of[name] for name in SAME},
    }
    return SimulatedDrive(driveline, cycle, trace, time, channels, float(trace.attrs["soc_end"]))


def driven_truth(driveline, cycle, controller, settings):
    """Drive a cycle; return the drive as a log's source, and its true score.

    The optimum that it is measured against ends at the SoC at which the drive ends.
    """
    settings = settings.resolved(driveline)
    loop = ClosedLoop(driveline, drive_demand(driveline, cycle), settings)
    drive = loop.run(controller)
    target = dataclasses.replace(settings, terminal="target", soc_target=drive.soc_end)
    truth = score(Case(find_optimum(cycle, driveline, target)), "truth", controller, None)
    return traced(driveline, cycle, loop.replay(drive)), truth
