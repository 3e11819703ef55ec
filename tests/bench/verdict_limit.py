"""How near a reading of a log can come to the true gap of a car.

    python tests/bench/verdict_limit.py [cases] [draws]

What the car did and the sizes of all noise count as known: speed and torque of each step have the
noise of their sensors, and that which persists; the grade is known exactly ("flat"), or as that of
a road whose bend wanders by 1e-5 per m and root of m, as hills of 15 m over 1.5 km do ("hills").
The errors that are left in speed and grade are then normal, with the inverse of the matrix of the
least squares of `balanced_speed` as their covariance, and the gaps of drives that are off by draws
of them scatter about as much as any reading's do. Left out is what the engine's shaft, the coarse
speed and torques while braking tell beside, so that it is an estimate and no strict limit.
"""

import dataclasses
import sys
import warnings

import numpy as np
from car_log import sensors
from scipy.linalg import cholesky_banded, solve_banded
from verdicts import truth

from hybridopt import Settings
from hybridopt.controllers.builtin import Playback
from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.evaluation.case import Case, score
from hybridopt.measured_car.balanced_speed import SPEED, STEEPER, Errors, balance
from hybridopt.measured_car.fine_speed import MOVING
from hybridopt.measured_car.road import (
    LEAST_WAY,
    UNKNOWNS,
    Equations,
    _rows,
    doubted_road,
    equation,
)
from hybridopt.physics.codes import LOCKED, OFF
from hybridopt.physics.demand import drive_demand
from hybridopt.physics.plant import pack
from hybridopt.physics.schedule import Schedule
from hybridopt.pipeline import find_optimum

COARSE = Settings(soc_points=101, splits=9)
RATE = 10.0  # Hz
HILLS = 1e-5


def errors_of(driveline, trace):
    """Return the errors that the sensors of a log leave in each step."""
    noise = {name: one[0] for name, one in sensors(driveline).items()}
    gear, on = trace["gear"].values.astype(int) - 1, trace["engine_on"].values == 1
    share = RATE**-0.5
    speed = noise["motor_speed"] / pack(driveline).ratio[gear] * driveline.vehicle.wheel_radius
    electric = noise["motor_power"] / np.maximum(trace["motor_speed"].values, 1.0)
    motor = (noise["motor_torque"] ** -2 + electric**-2) ** -0.5
    torque = np.hypot(np.where(on, noise["engine_torque"], 0.0), motor)
    return Errors(share * speed, share * torque, 0.5 * torque)


def wandering_road(cycle, noise):
    """Return the rows of a road whose altitudes have a known noise, m, and whose bend wanders."""
    way = np.maximum(cycle.mean_speed * cycle.dt, LEAST_WAY)
    walk, none = noise / (HILLS * np.sqrt(way)), np.zeros(way.size)
    rows = _rows(way, cycle.dt, none, none + RATE**0.5)
    parts = (*rows.parts, equation(UNKNOWNS, a3=-walk, b3=walk))
    return Equations(tuple(part / noise for part in parts), (none,) * len(parts))


def schedule_of(trace):
    """Return what the car truly did."""
    classes = trace["engine_on"].values.astype(int) + trace["engine_start"].values.astype(int)
    return Schedule(
        trace["gear"].values.astype(np.int64) - 1,
        classes.astype(np.int64),
        trace["motor_torque"].values.astype(float),
        trace["motor_powered"].values == 1,
    )


def gap(driveline, cycle, plan, settings):
    """Return the gap of a plan on a cycle."""
    loop = ClosedLoop(driveline, drive_demand(driveline, cycle), settings)
    drive = loop.run(Playback(schedule=plan))
    if drive.shortfall is not None:
        cycle = dataclasses.replace(cycle, speed=drive.demand.speeds)
    ends = dataclasses.replace(settings, terminal="target", soc_target=drive.soc_end)
    known = find_optimum(cycle, driveline, ends, keep_value=False)
    return score(Case(known), "car", Playback(schedule=plan), moments=None).gap_percent


def limit(case, road, draws):
    """Return gaps of drives that are off as far as a log leaves in doubt, less the true one."""
    driveline, car, _ = truth(case)
    demand, plan = drive_demand(driveline, car.cycle), schedule_of(car.trace)
    rows = doubted_road(car.cycle, 1e-7).rows
    if road == "hills":
        noise = sensors(driveline)["altitude"][0]
        rows = wandering_road(car.cycle, noise)
    told = (car.trace["launch_clutch"].values == LOCKED) & (demand.speed > MOVING)
    told &= (plan.engine_class == OFF) | (car.trace["engine_start"].values == 0)
    told &= demand.wheel_torque > 0.0
    given = errors_of(driveline, car.trace)
    found, size = balance(driveline, demand, plan.gear, plan.engine_class, told, given, rows)
    upper = cholesky_banded(found.normal()[0])
    settings = COARSE.resolved(driveline)
    true, random, off = gap(driveline, car.cycle, plan, settings), np.random.default_rng(1), []
    for _ in range(draws):
        white = random.standard_normal(upper.shape[1])
        error = solve_banded((0, upper.shape[0] - 1), upper, white)
        speed = np.where(car.cycle.speed > 0.0, car.cycle.speed + error[SPEED::size], 0.0)
        grade = car.cycle.grade + error[STEEPER::size]
        cycle = dataclasses.replace(car.cycle, speed=np.maximum(speed, 0.0), grade=grade)
        off.append(gap(driveline, cycle, plan, settings) - true)
    return np.array(off)


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    chosen = sys.argv[1] if len(sys.argv) > 1 else "mild_low,micro_low,full_udds"
    draws = int(sys.argv[2]) if len(sys.argv) > 2 else 25
    for case in chosen.split(","):
        for road in ("flat", "hills"):
            off = limit(case, road, draws)
            print(f"{case}, {road}: mean {off.mean():+.2f}, sd {off.std(ddof=1):.2f}", flush=True)
