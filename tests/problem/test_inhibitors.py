"""Inhibitors on a real drive: optimum, replay, rules and tables obey them, and the bound holds.

What is obeyed is read off traces and cycle alone, in plain Python; `tests/oracle.py` and
`tests/dp/test_brute_force.py` check the same on random problems.
"""

import dataclasses
import functools

import numpy as np
import pytest
from makers import OFF, RUNNING, STARTING, plain_driveline, replayed, varied, wanted
from rule_tables import hand_made

from hybridopt import Cycle, Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.base.units import KM_PER_H
from hybridopt.controllers.builtin import (
    AdaptiveEquivalence,
    ElectricPower,
    Equivalence,
    Playback,
    PowerThresholds,
)
from hybridopt.controllers.closed_loop import CLIPPINGS, ClosedLoop
from hybridopt.controllers.controller import Command
from hybridopt.evaluation.case import Case, score
from hybridopt.physics.demand import drive_demand
from hybridopt.physics.modes import Mode
from hybridopt.pipeline import find_optimum

GRID = {"soc_points": 301, "splits": 15}
INHIBITORS = {
    "min_on_time": 4.0,
    "min_off_time": 5.0,
    "min_gear_time": 2.0,
    "stop_speed_max": 35 * KM_PER_H,
    "stop_soc_min": 0.595,
    "stop_oil_temperature": 45.0,
    "brake_shift_speed": 15 * KM_PER_H,
    "skip_shifts": "none",
}
FULL = read_driveline("full")


@functools.cache
def town():
    """Return 200 s of town traffic, the oil warming up from 20 to 95 degC, heat wanted twice."""
    cycle = read_cycle("wltc_class3b_low").cut(0, 200)
    heat = (cycle.time >= 60) & (cycle.time < 75) | (cycle.time >= 140) & (cycle.time < 146)
    oil = np.linspace(20.0, 95.0, cycle.time.size)
    return dataclasses.replace(cycle, oil_temperature=oil, heat_request=heat.astype(float))


@functools.cache
def known(cycle=None, **inhibitors):
    return find_optimum(cycle or town(), FULL, Settings(**GRID, **inhibitors))


# --- what is obeyed, from traces alone ---


def spans(values, dt):
    """Return first step and duration of each stretch of equal values that begins and ends inside.

    The first stretch has lasted for ever, the last is not over.
    """
    found, first = [], None
    for t in range(1, len(values)):
        if values[t] != values[t - 1]:
            if first is not None:
                found.append((t, values[t - 1], sum(dt[first:t])))
            first = t
    return found


def offences(trace, cycle, settings):
    """Return (step, setting) of everything that a trace does against the inhibitors."""
    dt, on, gear = (trace[name].values.tolist() for name in ("dt", "engine_on", "gear"))
    soc, torque = trace.soc.values.tolist(), trace.wheel_torque.values.tolist()
    found = []
    for t, was_on, seconds in spans(on, dt):
        least = settings.min_on_time if was_on else settings.min_off_time
        if seconds < least - 1e-9:
            found.append((t, "min_on_time" if was_on else "min_off_time"))
    for t, _, seconds in spans(gear, dt):
        if seconds < settings.min_gear_time - 1e-9:
            found.append((t, "min_gear_time"))
    for t in range(len(dt)):
        begin, end = cycle.speed[t], cycle.speed[t + 1]
        speed = 0.5 * (begin + end)
        was_on = on[t - 1] if t else int(settings.begins_on(0.0))
        if was_on and not on[t]:
            oil = 0.5 * (cycle.oil_temperature[t] + cycle.oil_temperature[t + 1])
            if settings.stop_speed_max is not None and speed > settings.stop_speed_max:
                found.append((t, "stop_speed_max"))
            if soc[t] < settings.stop_soc_min - 1e-9:
                found.append((t, "stop_soc_min"))
            if settings.stop_oil_temperature is not None and oil < settings.stop_oil_temperature:
                found.append((t, "stop_oil_temperature"))
        step = gear[t] - (gear[t - 1] if t else settings.gear_start)
        if begin > 0.0 and torque[t] < 0.0 and speed < settings.brake_shift_speed and step:
            found.append((t, "brake_shift_speed"))
        refused = {
            "both": step == step + 1,
            "up": step < -1,
            "down": step > 1,
            "none": abs(step) > 1,
        }
        if begin > 0.0 and refused[settings.skip_shifts]:
            found.append((t, "skip_shifts"))
        if cycle.heat_request[t] and not on[t]:
            found.append((t, "heat_request"))
    return found


ALONE = INHIBITORS | {"min_on_time": 10.0, "min_off_time": 40.0}
"""Each as a setting of its own, long enough for the piece's few starts."""


@pytest.mark.long
@pytest.mark.parametrize("name", [*ALONE])
def test_each_alone_is_obeyed_and_would_not_be_otherwise(name):
    """The optimum without it offends, but for the charge, which needs a start of its own below."""
    alone = known(**{name: ALONE[name]})
    assert name not in {other for _, other in offences(alone.trace, town(), alone.settings)}
    would = {other for _, other in offences(known().trace, town(), alone.settings)}
    assert (name in would) == (name != "stop_soc_min")


def test_optimum_and_its_replay_obey_all():
    found = known(**INHIBITORS)
    assert offences(found.trace, town(), found.settings) == []
    case = Case(found)
    drive = case.loop.run(Playback(schedule=found.solution.schedule))
    assert not drive.clipped.any()
    assert offences(case.loop.replay(drive), town(), found.settings) == []
    assert drive.cost == pytest.approx(found.solution.cost, rel=1e-3)


def test_stops_wait_for_charge():
    """Charge below the limit: the engine goes on from the start, and stops only above it."""
    settings = {"soc_start": 0.55, "stop_soc_min": 0.552, "engine_on_start": True}
    held = known(**settings)
    stops = [
        t
        for t in range(200)
        if held.trace.engine_on.values[t] == 0 and (t == 0 or held.trace.engine_on.values[t - 1])
    ]
    assert stops and min(held.trace.soc.values[stops]) >= 0.552 - 1e-9
    free = known(soc_start=0.55, engine_on_start=True)
    first = int(np.argmin(free.trace.engine_on.values))
    assert free.trace.soc.values[first] < 0.552, "otherwise nothing is shown"
    assert held.solution.cost >= free.bound.bound


# --- rules ---

RULES = {
    "load": PowerThresholds(),
    "power": ElectricPower(electric_power=8e3),
    "equivalence": Equivalence(min_on=0.0, min_off=0.0, min_gear=0.0),
    "best gears": Equivalence(gears="best", min_on=0.0, min_off=0.0, min_gear=0.0),
    "adaptive": AdaptiveEquivalence(),
    "follow": PowerThresholds(gears="follow", min_on=0.0, min_off=0.0),
    "table": hand_made(driveline=FULL).table,
}


@functools.cache
def warm():
    return dataclasses.replace(town(), heat_request=0)


@functools.cache
def driven(name, heated):
    """Return a cycle, a case on it under all inhibitors, and what a rule did there."""
    cycle = town() if heated else warm()
    case = Case(known(cycle, **INHIBITORS))
    return cycle, case, case.drive(RULES[name] if name in RULES else restless())


@pytest.mark.long
@pytest.mark.parametrize("heated", [True, False], ids=["heated", "warm"])
@pytest.mark.parametrize("name", [*RULES, "restless"])
def test_rules_obey(name, heated):
    """Where nothing else drives a step an inhibitor is passed; such steps are marked."""
    cycle, case, drive = driven(name, heated)
    marked = set(np.flatnonzero(drive.clipped & CLIPPINGS["inhibitor"]).tolist())
    found = offences(case.loop.replay(drive), cycle, case.optimum.settings)
    assert {t for t, _ in found} <= marked
    assert len(marked) <= (10 if name == "restless" else 1)


@pytest.mark.parametrize("heated", [True, False], ids=["heated", "warm"])
def test_where_an_inhibitor_is_passed_nothing_that_is_open_drives(heated):
    """All gears and engine classes open after the history of the drive have no point at all."""
    cycle, case, drive = driven("restless", heated)
    settings, trace = case.optimum.settings, case.loop.replay(drive)
    marked = np.flatnonzero(drive.clipped & CLIPPINGS["inhibitor"])
    assert marked.size > 3
    cost = case.optimum.points.part(0, 200).cost
    for t in marked.tolist():
        for gear, engine in open_choices(trace, cycle, settings, t):
            assert np.isinf(cost[t, gear - 1, engine]).all(), (t, gear, engine)


def open_choices(trace, cycle, settings, t):
    """Return (gear, engine class) of all that no inhibitor closes in a step."""
    on, gears = trace.engine_on.values.tolist(), trace.gear.values.tolist()
    found, change = (
        [],
        dataclasses.replace(settings, min_on_time=0, min_off_time=0, min_gear_time=0),
    )
    for gear in range(1, 9):
        for engine in (OFF, RUNNING, STARTING):
            if engine != OFF and (engine == RUNNING) != bool(on[t - 1]):
                continue
            turned = bool(on[t - 1]) != (engine != OFF)
            if turned and since(on, t) < (
                settings.min_on_time if on[t - 1] else settings.min_off_time
            ):
                continue
            if gear != gears[t - 1] and since(gears, t) < settings.min_gear_time:
                continue
            would = trace.isel(time=slice(0, t + 1)).copy(deep=True)
            would["gear"][t], would["engine_on"][t] = gear, int(engine != OFF)
            if t not in {at for at, name in offences(would, cycle, change)}:
                found.append((gear, engine))
    return found


def since(values, t):
    """Return the seconds that a value lasted before step t of 1 s each; for ever from the start."""
    k = t - 1
    while k > 0 and values[k - 1] == values[t - 1]:
        k -= 1
    return float(t - k) if k > 0 else np.inf


@pytest.mark.long
def test_no_rule_beats_the_bound():
    """But for drives that pass an inhibitor or leave the window: no schedules of the problem."""
    judged = 0
    for name in [*RULES, "restless"]:
        for heated in (True, False):
            _, case, drive = driven(name, heated)
            if (drive.clipped & (CLIPPINGS["window"] | CLIPPINGS["inhibitor"])).any():
                continue
            limit = case.bound.at(drive.soc_end)
            assert drive.cost >= limit - 1e-9 * (1.0 + abs(limit)), name
            judged += 1
    assert judged >= 8


def restless():
    """Return a controller that changes engine state and gear at every step."""
    random = np.random.default_rng(5)

    def rule(seen):
        return Command(bool(random.integers(2)), int(random.integers(1, 9)), None)

    return rule


def test_restless_commands_are_clipped_and_few_inhibitors_are_passed():
    """Nearly all is obeyed by clipping; without inhibitors the same commands offend at once."""
    held = Case(known(**INHIBITORS))
    clipped = held.loop.run(restless()).clippings()
    assert clipped["gear"] > 50 and clipped["engine"] > 20
    free = Case(known())
    trace = free.loop.replay(free.loop.run(restless()))
    assert len(offences(trace, town(), held.optimum.settings)) > 50


def test_scores_hold_the_optimum_and_its_bound():
    case = Case(known(**INHIBITORS))
    optimum = score(case, "optimum", Playback(schedule=case.optimum.solution.schedule))
    assert optimum.gap_percent >= -1e-9 and optimum.clipped_steps == 0
    rule = score(case, "load", RULES["load"])
    assert rule.gap_percent > optimum.gap_percent


def test_an_inhibitor_is_passed_only_where_nothing_else_drives_and_that_is_counted():
    """The motor may give 160 - 40 N m; 1600 N m at the wheels need 141 in gear 1 (see makers).

    The engine stops at 0 s and must stay off for 10 s, yet from 2 s on only it can drive.
    """
    demand = wanted(np.full(5, 15.0), [300.0, 300.0, 1600.0, 1600.0, 300.0])
    settings = Settings(min_off_time=10.0, engine_on_start=True).resolved(plain_driveline())
    loop = ClosedLoop(plain_driveline(), demand, settings)
    drive = loop.run(lambda seen: Command(False, 2))
    assert drive.schedule.engine_class.tolist() == [OFF, OFF, STARTING, RUNNING, OFF]
    marks = drive.clipped & CLIPPINGS["inhibitor"]
    assert np.flatnonzero(marks).tolist() == [2]
    assert drive.clippings()["inhibitor"] == 1
    free = ClosedLoop(plain_driveline(), demand, dataclasses.replace(settings, min_off_time=0.0))
    assert free.run(lambda seen: Command(False, 2)).clippings()["inhibitor"] == 0


# --- the bound ---


def test_inhibitors_never_lower_the_cost():
    """Each takes choices away: cost with it >= the bound without it; and it has its own bound."""
    free = known()
    assert free.bound.bound <= free.solution.cost
    for names in ([], *([name] for name in INHIBITORS), [*INHIBITORS]):
        held = known(**{name: INHIBITORS[name] for name in names})
        assert held.bound.bound <= held.solution.cost
        assert held.solution.cost >= free.bound.bound
    assert known(**INHIBITORS).bound.bound > free.solution.cost, "all together cost something"


# --- heat request ---


def test_heat_request_keeps_the_engine_running_also_at_rest():
    """5 s of driving between rests, heat wanted all the time."""
    time = np.arange(31.0)
    speed = np.interp(time, [0, 10, 13, 15, 18, 30], [0, 0, 6, 6, 0, 0])
    cold = Cycle("cold", time, speed, heat_request=np.ones(31))
    asked = solve_cycle(cold, FULL, Settings(**GRID)).dataset
    assert asked.engine_on.values.all()
    assert asked.engine_start.values.tolist() == [1] + [0] * 29
    rest = asked.speed.values == 0.0
    assert (asked.mode.values[rest][1:] == Mode.STANDSTILL).all()
    assert (asked.fuel_rate.values[rest] > 0.0).all()
    free = solve_cycle(dataclasses.replace(cold, heat_request=0), FULL, Settings(**GRID)).dataset
    assert not free.engine_on.values[free.speed.values == 0.0].any()
    assert asked.attrs["cost_g"] > free.attrs["cost_g"]
    assert asked.attrs["bound_g"] <= asked.attrs["cost_g"]


def test_idle_at_rest_is_the_maps_fuel_at_no_torque():
    """0 N m of the motor at 800 rpm: Willans, 20 N m w / (0.4 x 42,000 J/g)."""
    run = replayed(plain_driveline(), wanted([0.0] * 3, 0.0), 1, RUNNING, 0.0)
    idle = 20.0 * (800 * np.pi / 30) / (0.4 * 42_000)
    assert run.fuel_rate.values == pytest.approx(idle, rel=1e-9)


# --- cold engine ---


def test_cold_engine_takes_the_factor_more_in_closed_form():
    """1.5 at 20 degC and below, 1 at 80: 1.25 at 50; an engine-only schedule at 15 m/s."""
    cold = {"cold_fuel_factor": 1.5, "cold_temperature": 20.0, "warm_temperature": 80.0}
    car = varied(plain_driveline(), engine=cold)
    time, oil = np.arange(7.0), np.array([0, 20, 20, 80, 80, 100, 100])
    cycle = Cycle("steady", time, np.full(7, 15.0), oil_temperature=oil)
    factors = [1.5, 1.5, 1.25, 1.0, 1.0, 1.0]  # at 10, 20, 50, 80, 90, 100 degC
    demand = drive_demand(car, cycle)
    warm = replayed(car, dataclasses.replace(demand, fuel_factor=np.ones(6)), 2, RUNNING, 0.0)
    found = replayed(car, demand, 2, RUNNING, 0.0)
    assert found.fuel_rate.values[1:] == pytest.approx(
        (warm.fuel_rate.values * factors)[1:], rel=1e-12
    )
    torque = demand.wheel_torque[1] / 5.76 + 2.0
    rate = (torque + 20.0) * 300.0 / (0.4 * 42_000)
    assert found.fuel_rate.values[1:] == pytest.approx(rate * np.array(factors)[1:], rel=1e-6)


# --- starts over several steps ---


def fine(cycle, dt):
    time = np.arange(round(cycle.duration / dt) + 1) * dt
    return Cycle("fine", time, np.interp(time, cycle.time, cycle.speed))


@pytest.mark.parametrize("dt", [0.1, 0.15, 1.0])
def test_a_start_is_one_run_of_starting_steps_and_draws_its_energy(dt):
    """ceil(0.4 s / dt) steps; energy over them by hand: (J w^2 + w / 2 x T_overrun x 0.4 s) / 0.85.

    J = 0.14 kg m2; where the speed changes during the start its mean over the steps counts.
    """
    cycle = fine(read_cycle("ece15").cut(0, 60), dt)
    trace = solve_cycle(cycle, FULL, Settings(soc_points=801, splits=9), bound=False).dataset
    check_starts(trace, dt)
    loop_settings = Settings(soc_points=801, splits=9).resolved(FULL)
    loop = ClosedLoop(FULL, drive_demand(FULL, cycle), loop_settings)
    check_starts(loop.replay(loop.run(PowerThresholds())), dt)


def check_starts(trace, dt):
    steps = int(np.ceil(0.4 / dt - 1e-9))
    started = trace.engine_start.values
    edges = np.diff(np.concatenate(([0], started, [0])))
    firsts, lasts = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    assert firsts.size > 0 and (lasts - firsts == steps).all()
    speed = trace.engine_speed.values
    overrun = FULL.engine.overrun
    friction = -np.interp(speed, overrun["speed"], overrun)
    whole = (0.14 * speed**2 + 0.5 * speed * friction * 0.4) / 0.85
    for first, last in zip(firsts, lasts, strict=True):
        drawn = float((trace.start_power.values * dt)[first:last].sum())
        assert drawn == pytest.approx(whole[first:last].mean(), rel=1e-9)
    assert (trace.start_power.values[started == 0] == 0.0).all()
