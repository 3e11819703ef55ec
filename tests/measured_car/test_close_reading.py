"""How steps are read closely, on drives whose answer is known in closed form."""

import dataclasses
import math

import numpy as np
import pytest
from car_log import Logger, _correlated, record
from traced_log import traced

from hybridopt import Cycle, InputError, PowerThresholds, read_cycle, read_driveline, read_recording
from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.inputs.maps import map_values
from hybridopt.measured_car.alignment import aligned, takeover_delay
from hybridopt.measured_car.balanced_speed import LEAST_DOUBT, Errors, _corrections, balanced_cycle
from hybridopt.measured_car.channel_noise import noise_size
from hybridopt.measured_car.decisions import read_decisions
from hybridopt.measured_car.dragged_engine import dragged_engine
from hybridopt.measured_car.log_units import BASE, FITTED, check_gears, check_units
from hybridopt.measured_car.recuperation import drawn_together, recuperated
from hybridopt.measured_car.repeated import repeated
from hybridopt.measured_car.road import doubted_road, read_road
from hybridopt.measured_car.signals import make_signals
from hybridopt.measured_car.slow_part import slow_part
from hybridopt.measured_car.step_phase import STEPS, decision_phase, later
from hybridopt.measured_car.step_samples import StepSamples
from hybridopt.measured_car.told_torques import fill_shafts, told_torque
from hybridopt.physics.codes import RUNNING
from hybridopt.physics.demand import drive_demand
from hybridopt.physics.entries import S_MOTOR, S_TOTAL
from hybridopt.physics.plant import pack
from hybridopt.problem.settings import Settings

FULL = read_driveline("full")
LENGTH = 200.0  # s


def log(folder, rate=10.0, **columns):
    """Return a recording of functions of time; the car drives at 72 km/h."""
    time = np.arange(round(rate * LENGTH) + 1) / rate
    speed = 72.0 * np.clip(time / 10.0, 0.0, 1.0) * np.clip((LENGTH - time) / 10.0, 0.0, 1.0)
    table = np.column_stack([time, speed, *(function(time) for function in columns.values())])
    units = {"gear": "-", "engine_speed": "rpm", "fuel_rate": "g/s", "engine_torque": "Nm"}
    units["motor_torque"] = "Nm"
    names = [f"{name} [{units[name]}]" for name in columns]
    path = folder / "drive.csv"
    header = ",".join(["time [s]", "vehicle speed [km/h]", *names])
    np.savetxt(path, table, "%.6f", ",", header=header, comments="")
    return read_recording(path)


@pytest.mark.parametrize("late", [0.3, -0.2])
def test_phase_of_decisions_that_fall_together_is_found(tmp_path, late):
    """Gears change every 7 s at the same fraction of a second."""
    found = log(tmp_path, gear=lambda time: 1.0 + np.floor((time - late + 0.01) / 7.0) % 2)
    assert decision_phase(found, FULL) == pytest.approx(late, abs=0.051)
    moved = later(found, late)
    assert decision_phase(moved, FULL) == pytest.approx(0.0, abs=0.051)
    at = (found.time > 30.0) & (found.time < 170.0)
    before = np.searchsorted(found.time, found.time[at] + late + 1e-9, side="right") - 1
    np.testing.assert_array_equal(moved.channels["gear"][at], found.channels["gear"][before])


@pytest.mark.parametrize("late", [0.2, -0.3])
def test_motor_that_hands_over_to_the_engine_late_is_found(tmp_path, late):
    """Closed form: 100 N m in all, of which the engine takes 80 for 10 s of every 20."""

    def taken(time):
        return 80.0 * (np.mod(time, 20.0) >= 10.0)

    found = log(
        tmp_path,
        engine_speed=lambda time: 1500.0 * (np.mod(time, 20.0) >= 10.0),
        engine_torque=taken,
        motor_torque=lambda time: 100.0 - taken(time - late + 1e-6),
    )
    assert takeover_delay(make_signals(found)) == pytest.approx(late, abs=0.01)


def test_steps_of_a_slow_log_have_their_sample_in_the_middle(tmp_path):
    found = log(tmp_path, 1.0, fuel_rate=lambda time: 1.0 + 0.0 * time)
    moved, delays = aligned(found, FULL)
    assert delays == {STEPS: 0.5}
    np.testing.assert_allclose(np.mod(moved.time, 1.0), 0.5)
    assert moved.channels["fuel_rate"] is found.channels["fuel_rate"]
    ramp = moved.cycle.time[1:6]  # away from its ends, which the import rounds
    np.testing.assert_allclose(moved.cycle.speed[1:6], 2.0 * (ramp + 0.5), atol=0.01)


def test_decisions_at_any_time_have_no_phase(tmp_path):
    """Every 5.3 s: ten fractions of a second, each as often."""
    found = log(tmp_path, gear=lambda time: 1.0 + np.floor((time + 0.01) / 5.3) % 2)
    assert decision_phase(found, FULL) is None


def driven(driveline, name, logger, last=400.0):
    """Return what a car truly did by steps of 1 s, and the recording of it."""
    cycle = read_cycle(name).cut(0.0, last)
    settings = Settings().resolved(driveline)
    loop = ClosedLoop(driveline, drive_demand(driveline, cycle), settings)
    car = traced(driveline, cycle, loop.replay(loop.run(PowerThresholds())))
    return car, record(car, logger)


def test_steps_begin_where_speed_bends_and_torques_jump():
    """Every channel late by its own draw, as the logger makes it; whole km/h and noise."""
    late = Logger(seed=4)
    car, recording = driven(FULL, "udds", late, 1369.0)
    random, true = np.random.default_rng(late.seed), {}
    size = recording.time.size
    for name in car.channels:
        true[name] = random.uniform(0.0, late.delay)
        random.normal(size=size)
        _correlated(random, size, 1.0, 50.0)
    _, delays = aligned(recording, FULL)
    assert delays[STEPS] == pytest.approx(true["speed"], abs=0.03)
    for name in ("engine_torque", "motor_torque", "motor_power"):
        found = delays.get(name, 0.0)
        assert found == pytest.approx(true[name] - true["speed"], abs=0.05), name


def test_a_stop_and_start_engine_that_is_dragged_is_read_with_its_starts():
    """All starts of a car without separating clutch, noise and whole km/h."""
    micro = read_driveline("micro")
    car, recording = driven(micro, "wltc_class3b_low", Logger(delay=0.0, seed=4), 589.0)
    demand, samples = drive_demand(micro, car.cycle), StepSamples(recording)
    gear = car.trace["gear"].values.astype(int) - 1
    on = dragged_engine(recording, micro, samples, demand, gear).on[: gear.size]
    begins = np.flatnonzero(on[1:] & ~on[:-1]) + 1
    starts = np.flatnonzero(car.trace["engine_start"].values)
    assert starts.size > 15
    np.testing.assert_array_equal(begins, starts)

    def bare(name):
        kept = {one: x for one, x in recording.channels.items() if one != name}
        return dataclasses.replace(recording, channels=kept)

    begun = dragged_engine(recording, micro, samples, demand, gear).cranks
    np.testing.assert_array_equal(np.flatnonzero(begun), starts)
    told = read_decisions(bare("fuel_rate"), micro, demand)
    begins = np.flatnonzero(told.engine_on[1:] & ~told.engine_on[:-1]) + 1
    assert told.sources["engine"].cuts == 0 and np.isin(starts, begins).all()
    recording = bare("motor_power")  # without it the starter's share is not told
    left = dragged_engine(bare("engine_torque"), micro, samples, demand, gear).on
    begins = np.flatnonzero(left[1:] & ~left[:-1]) + 1
    assert np.isin(starts, begins).mean() > 0.9 and begins.size <= starts.size + 1
    plan = read_decisions(bare("fuel_rate"), micro, demand)
    on = plan.engine_on
    missed = starts.size - np.count_nonzero(on[1:] & ~on[:-1])
    assert 0 < missed <= plan.sources["engine"].cuts <= 2 * missed


def test_noise_and_quantum_of_a_channel_come_back():
    """White noise on a slow swing, then in steps; a channel in coarse steps hides its noise."""
    random, time = np.random.default_rng(2), 0.1 * np.arange(20_000)
    swing = 50.0 * np.sin(time / 5.0)
    rough = swing + random.normal(0.0, 2.0, time.size)
    assert noise_size(rough)[0] == pytest.approx(2.0, rel=0.05)
    noise, quantum = noise_size(2.0 * np.round(rough / 2.0))
    assert quantum == pytest.approx(2.0) and noise == pytest.approx(2.0, rel=0.35)
    assert noise_size(10.0 * np.round(swing / 10.0)) == (pytest.approx(1.0), pytest.approx(10.0))
    assert noise_size(np.zeros(100)) == (0.0, 0.0)


def test_a_recording_is_repeated_with_noise_of_its_size():
    _, recording = driven(FULL, "udds", Logger(delay=0.0, seed=1))
    again = repeated(recording, np.random.default_rng(1))
    more = again.channels["motor_speed"] - recording.channels["motor_speed"]
    moving = recording.channels["motor_speed"] > 0.0
    assert np.std(more[moving]) == pytest.approx(3.0 * math.pi / 30.0, rel=0.4)  # 3 rpm, as made
    assert not more[~moving].any()
    assert again.cycle.distance == pytest.approx(recording.cycle.distance, rel=0.01)


def test_speeds_that_no_gear_makes_are_refused():
    _, recording = driven(FULL, "udds", Logger(noise=0.0, quanta=False, delay=0.0))
    check_units(recording, FULL, FITTED)
    fast = {**recording.channels, "speed": 3.6 * recording.channels["speed"]}
    with pytest.raises(InputError, match=r"vehicle speed is 3\.6 times what motor_speed"):
        check_units(dataclasses.replace(recording, channels=fast), FULL, BASE)
    still = {**recording.channels, "speed": 0.0 * recording.channels["speed"]}
    with pytest.raises(InputError, match="never goes faster than 7 km/h"):
        check_units(dataclasses.replace(recording, channels=still), FULL, BASE)


def test_shares_of_charge_called_percent_and_gears_of_another_box_are_refused():
    """A state of charge of 0 to 1 read as % is that of a battery of a hundred times its size."""
    _, recording = driven(FULL, "udds", Logger(noise=0.0, quanta=False, delay=0.0))

    def changed(name, factor):
        channels = {**recording.channels, name: factor * recording.channels[name]}
        return dataclasses.replace(recording, channels=channels)

    with pytest.raises(InputError, match=r"unit is probably 1 rather than %.*soc=NAME:1"):
        check_units(changed("soc", 0.01), FULL, BASE)
    with pytest.raises(InputError, match=r"unit is probably % rather than 1.*soc=NAME:%"):
        check_units(changed("soc", 100.0), FULL, BASE)
    with pytest.raises(InputError, match=r"its sign is wrong.*soc=NAME:-%"):
        check_units(changed("soc", -1.0), FULL, BASE)
    check_gears(recording, FULL)
    with pytest.raises(InputError, match="up to 16, and driveline full has 8 gears"):
        check_gears(changed("gear", 2.0), FULL)


def test_values_are_drawn_together_as_far_as_their_errors_explain():
    """Of equal errors s: spread as small as s by chance leaves the mean, one of 10 s the values."""
    near = drawn_together(np.array([0.9, 1.0, 1.1]), np.full(3, 0.2))
    assert near == pytest.approx(1.0)
    values = np.array([0.2, 0.9, 1.0])
    variance = float(np.var(values, ddof=1))  # of the values: spread^2 + error^2 (by moments)
    kept = 1.0 - 0.1**2 / variance
    found = drawn_together(values, np.full(3, 0.1))
    assert found == pytest.approx(0.7 + kept * (values - 0.7))


def test_what_the_battery_cannot_take_is_not_in_what_could_be_recuperated():
    """A clean log of a car that recuperates all it can, in the brakings that its battery limits.

    Without the battery's limit the shares of those brakings were too small: up to 3.1 N m off.
    """
    micro = read_driveline("micro")
    car, recording = driven(micro, "wltc_class3b_low", Logger(noise=0.0, quanta=False, delay=0.0))
    demand, trace = drive_demand(micro, car.cycle), car.trace
    plan = read_decisions(recording, micro, demand).schedule
    done = trace["motor_torque"].values
    braking = (trace["engine_on"].values == 0) & (demand.wheel_torque < 0.0) & (done < -2.0)
    off = np.abs(plan.motor_torque[: done.size] - done)[braking]
    assert braking.sum() > 15 and off.max() < 0.2


def test_slow_part_keeps_a_constant_and_drops_what_alternates():
    where, dt = np.ones(400, dtype=bool), np.ones(400)
    quick = (-1.0) ** np.arange(400)
    np.testing.assert_allclose(slow_part(3.0 + quick, where, dt)[50:-50], 3.0, atol=1e-3)


def test_corrections_are_those_of_a_dense_least_squares():
    """The rows of the module's formula in numpy's own solver, with c and h by differences."""
    cycle = Cycle("ramp", np.arange(6.0), 10.0 + np.arange(6.0), np.zeros(6))
    demand, gear, doubt = drive_demand(FULL, cycle), np.full(5, 3), 0.002
    beyond = np.array([2.0, np.nan, 4.0, 5.0, -1.0])
    a, b, q = np.array([0.01, 0.02, 0.01, 0.01, 0.03]), np.full(5, 0.8), np.full(5, 1.2)
    road = doubted_road(cycle, doubt)
    found = _corrections(
        FULL, demand, gear, np.full(5, RUNNING), beyond, Errors(a, b, q), road.rows
    )
    c, small = torque_of_a_change(cycle, FULL), 1e-5
    h = [shaft_torque(FULL, cycle, grade=np.full(6, x)) for x in (small, -small)]
    h = (h[0] - h[1]) / (2.0 * small)
    rows, right, fades = np.zeros((26, 18)), np.zeros(26), np.exp(-0.2)  # x, z and u / q
    for t in range(5):
        middle = np.linalg.cholesky(np.array([[2.0, 1.0], [1.0, 2.0]]) / 6.0).T  # of x^2 over 1 s
        rows[[2 * t, 2 * t + 1], t : t + 2] = middle / a[t]
        keep = np.exp(-cycle.mean_speed[t] / 50.0)
        rows[10 + t, [6 + t, 7 + t]] = np.array([-keep, 1.0]) / (doubt * np.sqrt(1.0 - keep**2))
        rows[15 + t, [12 + t, 13 + t]] = np.array([-fades, 1.0]) / np.sqrt(1.0 - fades**2)
    rows[20, 6], rows[21, 12] = 1.0 / doubt, 1.0
    for i, t in enumerate((0, 2, 3, 4)):
        own = np.array([-c, c, 0.5 * h, 0.5 * h, 0.5 * q[t], 0.5 * q[t]])
        rows[22 + i, [t, t + 1, 6 + t, 7 + t, 12 + t, 13 + t]] = own / b[t]
        right[22 + i] = beyond[t] / b[t]
    best = np.linalg.lstsq(rows, right, rcond=None)[0]
    np.testing.assert_allclose(np.concatenate(found), best[:12], rtol=2e-3, atol=1e-7)


@pytest.mark.parametrize(("bends", "near"), [(0.0, 2e-4), (0.03, 2e-3)])
def test_a_road_is_as_smooth_as_its_altitudes_say(bends, near):
    """Flat, and a hill of 3 % by 1.5 km: root mean square over the way; wild altitudes count not.

    The import's fixed length leaves 0.0014 of the same noise on a flat road, 0.0017 on the hill.
    """
    flat = read_cycle("udds").cut(0.0, 500.0)
    far = np.concatenate(([0.0], np.cumsum(flat.mean_speed * flat.dt)))
    cycle = dataclasses.replace(flat, grade=bends * np.sin(2.0 * np.pi * far / 1500.0))
    settings = Settings().resolved(FULL)
    loop = ClosedLoop(FULL, drive_demand(FULL, cycle), settings)
    car = traced(FULL, cycle, loop.replay(loop.run(PowerThresholds())))
    recording = record(car, Logger(delay=0.0, seed=3))
    height = np.array(recording.channels["altitude"])
    height[1000:1010] += 40.0
    found = dataclasses.replace(recording, channels={**recording.channels, "altitude": height})
    for one in (recording, found):
        off = read_road(one, one.cycle).grade - np.interp(one.cycle.time, cycle.time, cycle.grade)
        assert np.sqrt(np.average(off**2, weights=one.cycle.speed + 1e-9)) < near
    bare = {name: x for name, x in recording.channels.items() if name != "altitude"}
    assert read_road(dataclasses.replace(recording, channels=bare), recording.cycle) is None


def test_torque_and_power_of_a_motor_count_by_their_errors():
    """By hand: means of two readings; where they clash, and without one, the torque or the power.

    Its loss map makes of a power the torque that takes it, so that both say 20 N m but for 0.6.
    """
    cycle = Cycle("ramp", np.arange(5.0), 10.0 + np.arange(5.0), np.zeros(5))
    demand, plant = drive_demand(FULL, cycle), pack(FULL)
    shafts = fill_shafts(plant, demand, np.full(4, 3), np.full(4, RUNNING))
    speed = shafts.entries[:, S_MOTOR]
    power = 20.0 * speed + map_values(FULL.motor.loss_map, speed, np.full(4, 20.0))
    torque = np.array([20.6, 60.0, np.nan, 20.6])
    power[3] = np.nan
    floor = 0.001 * float(FULL.motor.peak_torque.max())
    errors = {"motor_torque": 3.0 * floor, "motor_power": 0.0}
    known = {"motor_torque": torque, "motor_power": power}
    told = told_torque(known, errors, plant, shafts, demand, FULL)
    row = np.interp([19.0, 21.0], plant.loss_torque, shafts.loss[0])
    other = 0.001 * FULL.motor.peak_power / (speed[0] + 0.5 * (row[1] - row[0]))
    weights = np.array([(10.0 * floor**2) ** -1, other**-2])
    mean = float(weights @ [20.6, 20.0] / weights.sum())
    assert told.torque == pytest.approx([mean, 60.0, 20.0, 20.6], abs=0.02)
    assert told.channels == ("motor_torque", "motor_power") and not told.rests.any()


def test_a_braking_whose_end_is_let_go_is_not_spread():
    """Nine steps that recuperate all they could, in the mean of 10 % noise, and one of a tenth."""
    cycle = Cycle("stop", np.arange(12.0), 24.0 - 2.0 * np.arange(12.0), np.zeros(12))
    demand, lowest, speed = drive_demand(FULL, cycle), np.full(11, -50.0), np.full(11, 200.0)
    torque = lowest * np.array([1.0, 0.9, 1.1, 1.0, 0.95, 1.05, 1.0, 1.0, 1.0, 0.1, 1.0])
    braking = np.arange(11) < 10
    found = recuperated(torque, lowest, speed, demand, FULL, braking)
    np.testing.assert_allclose(found, [*lowest[:9], -5.0, -50.0])


def shaft_torque(driveline, cycle, **changed):
    """Return what speed and grade ask at the shaft in the third step of a ramp, N m."""
    demand = drive_demand(driveline, dataclasses.replace(cycle, **changed))
    shafts = fill_shafts(pack(driveline), demand, np.full(5, 3), np.full(5, RUNNING))
    return shafts.entries[2, S_TOTAL]


def torque_of_a_change(cycle, driveline):
    """Return by differences what a m/s more at the end of a step asks at the shaft, N m."""
    small, totals = 1e-4, []
    for sign in (-1.0, 1.0):  # both ends, so that the mean speed stays
        speed = cycle.speed + sign * small * np.array([0, 0, -0.5, 0.5, 0, 0])
        totals.append(shaft_torque(driveline, cycle, speed=speed))
    return (totals[1] - totals[0]) / (2.0 * small)


def test_torques_bring_a_noisy_speed_nearer_to_the_true_one():
    cycle = read_cycle("nedc").cut(0.0, 400.0)
    loop = ClosedLoop(FULL, drive_demand(FULL, cycle), Settings().resolved(FULL))
    car = traced(FULL, cycle, loop.replay(loop.run(PowerThresholds())))
    recording = record(car, Logger(noise=0.0, quanta=False, delay=0.0))
    noise = np.random.default_rng(1).normal(0.0, 0.01, cycle.speed.size)
    noisy = dataclasses.replace(cycle, speed=np.where(cycle.speed > 0.0, cycle.speed + noise, 0.0))
    found = balanced_cycle(recording, FULL, noisy, doubted_road(noisy, LEAST_DOUBT))
    steps, moving = np.diff(cycle.speed), cycle.mean_speed > 3.0
    before, after = (
        float(np.sqrt(np.mean((np.diff(one.speed) - steps)[moving] ** 2))) for one in (noisy, found)
    )
    assert after < 0.5 * before
    wrong = {**recording.channels, "engine_torque": recording.channels["engine_torque"].copy()}
    wrong["engine_torque"][1000:] *= 100.0
    assert balanced_cycle(dataclasses.replace(recording, channels=wrong), FULL, noisy) is None
    bare = {name: x for name, x in recording.channels.items() if name != "engine_torque"}
    bare.pop("fuel_rate")
    assert balanced_cycle(dataclasses.replace(recording, channels=bare), FULL, noisy) is None


class TestDragged:
    """The fuel is cut from 60 to 80 s, in a car whose engine cannot be parted from the motor."""

    micro = read_driveline("micro")
    idle = micro.engine.idle_speed * 30.0 / math.pi

    def on(self, folder, after=0.0, rests=False):
        """Return by seconds whether the engine is on, `after` g of fuel spent at 80 s."""

        def speed(time):
            stands = (time >= 75.0) & (time < 80.0) if rests else np.zeros(time.size, dtype=bool)
            return np.where(stands, 0.0, 2.0 * self.idle)

        def fuel(time):
            more = np.where((time >= 80.0) & (time < 81.0), after, 0.0)
            return np.where((time >= 60.0) & (time < 80.0), 0.0, self.burnt + more)

        def torque(time):
            return np.where((time >= 60.0) & (time < 80.0), -40.0, 40.0)

        recording = log(folder, engine_speed=speed, fuel_rate=fuel, engine_torque=torque)
        demand = drive_demand(self.micro, recording.cycle)
        gear = np.full(demand.steps, 2)
        samples = StepSamples(recording)
        return dragged_engine(recording, self.micro, samples, demand, gear).on

    @property
    def burnt(self):
        speed = 2.0 * self.micro.engine.idle_speed
        return float(self.micro.engine.fuel_map.interp(speed=speed, torque=40.0))

    def test_it_fires_again_without_a_start(self, tmp_path):
        assert self.on(tmp_path).all()

    def test_the_fuel_of_a_start_tells_one(self, tmp_path):
        on = self.on(tmp_path, after=self.micro.start.fuel)
        assert not on[60:80].any() and on[:60].all() and on[80:].all()

    def test_a_cut_that_ends_at_rest_is_a_stop(self, tmp_path):
        on = self.on(tmp_path, rests=True)
        assert not on[60:80].any() and on[:60].all()
