"""Speeds next to rest and while coasting, on drives whose answer is known in closed form."""

import dataclasses
import math

import numpy as np
import pytest

from hybridopt import Cycle, read_driveline, read_recording
from hybridopt.base.units import GRAVITY
from hybridopt.measured_car.balanced_speed import GRADE, balanced_cycle
from hybridopt.measured_car.coasting import NOISE, coasting_cycle
from hybridopt.measured_car.decisions import read_decisions
from hybridopt.measured_car.electric_fit import losses_at
from hybridopt.measured_car.launches import with_launches
from hybridopt.measured_car.road import doubted_road
from hybridopt.measured_car.told_torques import fill_shafts, told_torque
from hybridopt.measurements.drive import Cleaning
from hybridopt.measurements.log import Samples
from hybridopt.physics.codes import OFF, RUNNING
from hybridopt.physics.demand import drive_demand
from hybridopt.physics.entries import S_MOTOR, S_TOTAL
from hybridopt.physics.plant import pack

FULL, MILD = read_driveline("full"), read_driveline("mild")
STILL = Cleaning().standstill


def logged(folder, speed, **channels):
    """Return a recording at 10 Hz of a speed (m/s) by whole seconds and of constant channels."""
    time = 0.1 * np.arange(10 * speed.size - 9)
    shown = np.interp(time, np.arange(speed.size), speed) * 3.6
    units = {"engine_torque": "Nm", "motor_torque": "Nm", "engine_speed": "rpm"}
    units |= {"fuel_rate": "g/s", "gear": "-", "altitude": "m"}
    named = {f"{name} [{units[name]}]": x + 0.0 * time for name, x in channels.items()}
    path = folder / "drive.csv"
    table = np.column_stack([time, shown, *named.values()])
    header = ",".join(["time [s]", "vehicle speed [km/h]", *named])
    np.savetxt(path, table, "%.6f", ",", header=header, comments="")
    return read_recording(path)


def ramp():
    """Return speeds of a car that stands for 10 s, then gains 0.1 m/s in a second."""
    return np.maximum(0.0, 0.1 * (np.arange(60.0) - 10.0))


@pytest.mark.parametrize(("torque", "creeps"), [(40.0, True), (0.0, False)])
def test_a_car_that_gives_torque_before_it_shows_a_speed_creeps(tmp_path, torque, creeps):
    """In whole km/h 0.1 m/s shows 0 at 11 s, and 0.2 m/s shows 1 km/h at 12 s."""
    coarse = np.round(ramp() * 3.6) / 3.6
    time = 0.1 * np.arange(591)
    path = tmp_path / "drive.csv"
    shown = np.round(np.interp(time, np.arange(60.0), ramp()) * 3.6)
    table = np.column_stack([time, shown, 0.0 * time + torque, 0.0 * time])
    header = "time [s],vehicle speed [km/h],engine torque [Nm],motor torque [Nm]"
    np.savetxt(path, table, "%.3f", ",", header=header, comments="")
    recording = read_recording(path)
    cycle = dataclasses.replace(recording.cycle, speed=coarse[: recording.cycle.speed.size])
    found = with_launches(recording, FULL, cycle)
    assert cycle.speed[11] == 0.0 and cycle.speed[12] > 0.0
    assert found.speed[11] == pytest.approx(0.5 * STILL if creeps else 0.0)
    assert np.delete(found.speed, 11) == pytest.approx(np.delete(cycle.speed, 11))


@pytest.mark.parametrize(
    ("torque", "starts", "creeps"), [(40.0, 0.0, True), (0.0, 48.0, True), (0.0, 49.0, False)]
)
def test_a_car_that_drives_or_starts_while_it_comes_to_rest_creeps(
    tmp_path, torque, starts, creeps
):
    """The ramp backwards: in whole km/h 0.1 m/s shows 0 at 48 s, and 0.2 m/s shows 1 km/h at 47.

    From the speed that half the rolling resistance stops within 1 s the wheels still take torque.
    """
    turns = np.where(0.1 * np.arange(591) >= starts - 0.01, 900.0, 0.0)
    recording = logged(
        tmp_path, ramp()[::-1], engine_torque=torque, motor_torque=0.0, engine_speed=turns
    )
    raw = recording.drive.raw
    shown = Samples(raw.time, np.round(3.6 * raw.values) / 3.6)
    drive = dataclasses.replace(recording.drive, raw=shown)
    speed = np.where(recording.cycle.time < 48.0, recording.cycle.speed, 0.0)
    cycle = dataclasses.replace(recording.cycle, speed=speed)
    found = with_launches(dataclasses.replace(recording, drive=drive), FULL, cycle)
    rolls = min(0.5 * STILL, 0.5 * FULL.vehicle.rolling_resistance * GRAVITY)
    assert found.speed[48] == pytest.approx(rolls if creeps else 0.0)
    assert np.delete(found.speed, 48) == pytest.approx(np.delete(speed, 48))


def test_a_fine_speed_is_kept_below_the_standstill_of_the_import(tmp_path):
    """0.1 m/s at 11 s is less than the import's standstill, and more than rest."""
    recording = logged(tmp_path, ramp() + 1e-3 * np.sin(np.arange(60.0)) * (ramp() > 0.0))
    rests = np.where(recording.cycle.speed < STILL, 0.0, recording.cycle.speed)
    cycle = dataclasses.replace(recording.cycle, speed=rests)
    found = with_launches(recording, FULL, cycle)
    assert cycle.speed[11] == 0.0
    assert found.speed[11] == pytest.approx(0.1, abs=0.01)
    assert not found.speed[:10].any()


def test_noise_while_coasting_is_taken_off_until_the_model_can(tmp_path):
    """A car that cannot drive electrically coasts; 0.02 m/s too much at one point ask for drive."""
    v, mass = [20.0], MILD.vehicle.mass
    for _ in range(60):
        drag = 0.5 * 1.2 * MILD.vehicle.drag_area * v[-1] ** 2 / mass
        v.append(v[-1] - MILD.vehicle.rolling_resistance * GRAVITY - drag - 0.02)
    speed = np.array(v)
    recording = logged(tmp_path, speed, motor_torque=0.0, engine_speed=0.0, fuel_rate=0.0, gear=5.0)
    true = dataclasses.replace(recording.cycle, speed=speed[: recording.cycle.speed.size])
    noisy = np.array(true.speed)
    noisy[30] += 0.02
    cycle = dataclasses.replace(true, speed=noisy)

    def impossible(one):
        demand = drive_demand(MILD, one)
        shape = np.full(demand.steps, 4), np.full(demand.steps, OFF)
        return np.flatnonzero(fill_shafts(pack(MILD), demand, *shape).reasons)

    assert impossible(true).size == 0
    assert impossible(cycle).tolist() == [29]
    found = coasting_cycle(recording, MILD, cycle)
    assert impossible(found).size == 0
    moved = np.abs(found.speed - cycle.speed)
    assert 0.0 < moved.max() <= NOISE and not moved[:28].any() and not moved[33:].any()
    assert math.isclose(found.speed[0], speed[0])


def test_gears_while_the_clutch_is_open(tmp_path):
    """Slowing to rest, then off in first gear (common practice, no source)."""
    plant, radius = pack(MILD), MILD.vehicle.wheel_radius
    speed = np.array([15.0, 15.0, 12.0, 9.0, 6.0, 3.0, 0.0, 0.0, 1.0, 2.0, 6.0, 9.0, 9.0])
    locked = {0: 4, 1: 4, 2: 4, 9: 1, 10: 1, 11: 2}  # step: gear from 0
    shaft = np.full(speed.size, 0.0)
    for step, gear in locked.items():
        shaft[step] = 0.5 * (speed[step] + speed[step + 1]) / radius * plant.ratio[gear]
    shaft[7:9] = plant.launch_speed
    turns = np.repeat(shaft, 10)[: 10 * speed.size - 9] * 30.0 / math.pi
    log = logged(tmp_path, speed, engine_speed=turns, engine_torque=20.0, motor_torque=0.0)
    gears = read_decisions(log, MILD, drive_demand(MILD, log.cycle)).schedule.gear
    assert gears[:6].tolist() == [4] * 6
    assert gears[6:12].tolist() == [0, 0, 0, 1, 1, 2]


def test_a_torque_that_is_wrong_while_braking_bends_no_road(tmp_path):
    """A flat road climbs 0 m; 2 N m too much, as long as the motor brakes, is a fault of torque."""
    speed = 10.0 + np.abs(np.arange(241.0) % 20.0 - 10.0)
    cycle = Cycle("saw", np.arange(241.0), speed)
    demand = drive_demand(FULL, cycle)
    gear, off = np.full(demand.steps, 4), np.full(demand.steps, OFF)
    torque = fill_shafts(pack(FULL), demand, gear, off).entries[:, S_TOTAL]
    noise = np.random.default_rng(1).normal(0.0, 1.0, demand.steps)
    torque = np.repeat(torque + noise + 2.0 * (demand.wheel_torque < 0.0), 10)
    still = {"engine_speed": 0.0, "engine_torque": 0.0}
    log = logged(tmp_path, speed, gear=5.0, motor_torque=np.append(torque, 0.0), **still)
    found = balanced_cycle(log, FULL, cycle, doubted_road(cycle, GRADE))
    assert abs(float(np.sum(found.mean_grade * found.mean_speed * found.dt))) < 0.2


def test_a_motor_that_gives_a_little_torque_does_not_rest():
    """Less electric power than its error, but more torque than its: 3 N m are not 0."""
    cycle = Cycle("slow", np.arange(11.0), np.full(11, 6.0))
    plant, demand = pack(FULL), drive_demand(FULL, cycle)
    shafts = fill_shafts(plant, demand, np.full(10, 2), np.full(10, RUNNING))
    errors = {"motor_torque": 0.5, "motor_power": 400.0}

    def rests(torque, power):
        known = {"motor_torque": np.full(10, torque), "motor_power": power * np.ones(10)}
        return told_torque(known, errors, plant, shafts, demand, FULL).rests

    speed = shafts.entries[:, S_MOTOR]
    power = 3.0 * speed + losses_at(FULL.motor, speed, np.full(10, 3.0))
    assert power.max() < 3.0 * errors["motor_power"]
    assert not rests(3.0, power).any()
    assert rests(0.0, 0.0).all()
    assert rests(-np.interp(speed[0], plant.drag_speed, plant.drag), 0.0).all()
