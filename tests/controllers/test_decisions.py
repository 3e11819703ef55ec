"""Kernels of the built-in controllers' decisions against values worked out by hand."""

import math

import numpy as np
import pytest
from cases import PLAIN, closed_loop, steady
from makers import OFF, RUNNING, STARTING, constant_battery

from hybridopt.controllers.builtin import Equivalence
from hybridopt.controllers.equivalence_kernels import (
    FACTOR,
    FACTOR_HIGH,
    FACTOR_LOW,
    INTEGRAL,
    PROPORTIONAL,
    START_COST,
    Weights,
    _cheapest_split,
    _equivalence,
    _equivalence_factor,
)
from hybridopt.controllers.shared_kernels import (
    BRAKE_POWER,
    LINE_BRAKE,
    LINE_GAP,
    LINE_HIGH,
    LINE_LOW,
    LINE_POWER,
    MIN_OFF,
    MIN_ON,
    OWN,
    SOC_REFERENCE,
    _dwell,
    _line_gear,
)
from hybridopt.controllers.situation import (
    ENGINE_TIME,
    SOC_ERROR,
    ListedPoints,
    Situation,
    _battery_step,
    _make_memory,
    _make_workspace,
)
from hybridopt.physics.battery import pack_battery

HEAT = PLAIN.fuel.heating_value


def situation(engine=0, gear=1, engine_time=1e9, soc=0.5, source=0):
    memory = _make_memory()
    memory[ENGINE_TIME] = engine_time
    return Situation(0, soc, source, engine, gear, memory)


# --- engine state and gear ---


@pytest.mark.parametrize(
    ("engine", "time", "start", "stop", "on"),
    [
        (0, 9.0, False, False, False),  # between the thresholds the state stays
        (1, 9.0, False, False, True),
        (0, 9.0, True, False, True),
        (1, 9.0, False, True, False),
        (0, 1.9, True, False, False),  # off for less than 2 s
        (0, 2.0, True, False, True),
        (1, 2.9, False, True, True),  # on for less than 3 s
        (1, 3.0, False, True, False),
    ],
)
def test_dwell_is_hysteresis_with_minimum_times(engine, time, start, stop, on):
    params = np.zeros(OWN)
    params[MIN_ON], params[MIN_OFF] = 3.0, 2.0
    assert _dwell(params, situation(engine, engine_time=time), start, stop) == on


@pytest.mark.parametrize(
    ("wheel_speed", "power", "gear", "engine", "found"),
    # ratios 12, 6, 3. The line is 100 + 200 P / 100 kW rad/s, up from 1.1 times that
    [
        (40.0, 50e3, 0, 0, 1),  # line 200: second gear turns 240, third 120
        (40.0, 50e3, 2, 0, 1),
        (36.0, 50e3, 0, 0, 0),  # 216 in second gear is below 220 ...
        (36.0, 50e3, 1, 0, 1),  # ... but above 200
        (40.0, 0.0, 0, 0, 2),  # line 100: third gear turns 120
        (40.0, 300e3, 2, 0, 0),  # the line stays at 300 beyond full power
        (40.0, -10e3, 2, 0, 1),  # braking at half the power: line 125
        (42.0, -10e3, 2, 0, 2),
        (25.0, 0.0, 2, 0, 1),
    ],
)
def test_gear_by_lines(wheel_speed, power, gear, engine, found):
    params = np.zeros(OWN)
    params[LINE_LOW], params[LINE_HIGH], params[LINE_BRAKE] = 100.0, 300.0, 150.0
    params[LINE_GAP], params[LINE_POWER], params[BRAKE_POWER] = 0.1, 100e3, 20e3
    plant = closed_loop(steady(1)).around.plant
    assert _line_gear(plant, params, wheel_speed, power, gear, engine) == found


def test_a_running_engine_keeps_its_idle_speed():
    """Idle is 83.8 rad/s: with the line at 50, third gear at 75 rad/s is for the motor alone."""
    params = np.zeros(OWN)
    params[LINE_LOW] = params[LINE_HIGH] = params[LINE_BRAKE] = 50.0
    params[LINE_POWER] = params[BRAKE_POWER] = 1e5
    plant = closed_loop(steady(1)).around.plant
    assert [_line_gear(plant, params, 25.0, 0.0, 2, engine) for engine in (0, 1)] == [2, 1]


# --- equivalence factor ---

ENERGY = 250.0 * (250.0 - math.sqrt(250.0**2 - 4 * 0.15 * 10e3)) / 0.3  # J in 1 s at 10 kW
BREAK_EVEN = 0.8 / ENERGY  # g/J


@pytest.mark.parametrize(
    ("factor", "low", "best", "pick", "total"),
    [
        (0.99 * BREAK_EVEN, 0.2, np.inf, 1, 0.2 + 0.99 * 0.8),
        (1.01 * BREAK_EVEN, 0.2, np.inf, 0, 1.0),
        (0.99 * BREAK_EVEN, 0.5, np.inf, 0, 1.0),  # the second would leave the window
        (0.99 * BREAK_EVEN, 0.2, 0.9, -1, 0.9),  # something better is known
    ],
)
def test_cheapest_of_two_splits(factor, low, best, pick, total):
    """1 g and no power, or 0.2 g and 10 kW from the terminals of 250 V behind 0.15 ohm."""
    battery = _battery_step(pack_battery(constant_battery()), 0.5, 1.0, low, 0.8)
    costs, powers = np.array([1.0, 0.2]), np.array([0.0, 10e3])
    found = _cheapest_split(costs, powers, 2, Weights(battery, factor, 1.0), best)
    assert found[0] == pick and found[1] == pytest.approx(total, rel=1e-9)


def test_charging_counts_what_the_store_takes():
    """40 A at 90 % coulombic efficiency store 36 A x 250 V; the factor is paid for that much."""
    cell = pack_battery(constant_battery(coulombic_efficiency=0.9))
    battery = _battery_step(cell, 0.5, 1.0, 0.2, 0.8)
    power = -(250.0 + 0.15 * 40.0) * 40.0
    found = _cheapest_split(
        np.array([2.0]), np.array([power]), 1, Weights(battery, 1e-4, 1.0), np.inf
    )
    assert found == (0, pytest.approx(2.0 - 1e-4 * 36.0 * 250.0, rel=1e-12))


def test_factor_follows_the_missing_charge():
    """2 + 3 x 0.1 + 0.5 x (0.1 x 4 s), then again after 4 s more; kept between 1 and 2.6."""
    params = np.zeros(START_COST + 1)
    params[FACTOR], params[PROPORTIONAL], params[INTEGRAL] = 2.0, 3.0, 0.5
    params[FACTOR_LOW], params[FACTOR_HIGH], params[SOC_REFERENCE] = 1.0, 2.6, 0.6
    at, around = situation(soc=0.5), closed_loop(steady(1)).around
    assert _equivalence_factor(around, at, params, 0.0, 4.0) == pytest.approx(2.5)
    assert _equivalence_factor(around, at, params, 0.0, 4.0) == 2.6
    assert at.memory[SOC_ERROR] == pytest.approx(0.8)
    assert _equivalence_factor(around, at._replace(soc=1.0), params, 0.0, 0.0) == pytest.approx(1.2)


def test_factor_is_the_highest_at_the_bottom_of_the_window():
    """From 2 % of SoC above the bottom, 20 %, it rises straight to its cap of 10."""
    params = np.zeros(START_COST + 1)
    params[FACTOR], params[FACTOR_HIGH] = 2.0, 10.0
    around = closed_loop(steady(1)).around
    for soc, factor in ((0.22, 2.0), (0.21, 6.0), (0.2, 10.0), (0.19, 10.0)):
        found = _equivalence_factor(around, situation(soc=soc), params, 0.0, 1.0)
        assert found == pytest.approx(factor)


def two_choices(off_power, running, starting):
    """Points of one step: 0 g and a power with the engine off, fuel and no power with it on.

    Only second gear has any; its first split, the unpowered motor, is inadmissible.
    """
    cost, power = np.full((1, 3, 3, 2), np.inf), np.zeros((1, 3, 3, 2))
    torque, count = np.zeros((1, 3, 3, 2)), np.zeros((1, 3, 3), dtype=np.int64)
    count[0, 1, :] = 2
    cost[0, 1, :, 1] = 0.0, running, starting
    power[0, 1, OFF, 1] = off_power
    torque[0, 1, :, 1] = 40.0, 10.0, 20.0
    assert (OFF, RUNNING, STARTING) == (0, 1, 2)
    return ListedPoints(0, cost, power, torque, count)


@pytest.mark.parametrize(
    ("engine", "worth", "command"),
    # a start gains what off costs beyond running: worth 0.2 = 0.5 x (0.3 beyond running + 0.1)
    [
        (0, 1.39, (False, 1, 40.0)),
        (0, 1.41, (True, 1, 20.0)),
        # a stop gains what running costs beyond off: worth 0.05
        (1, 1.16, (True, 1, 10.0)),
        (1, 1.14, (False, 1, 40.0)),
    ],
)
def test_engine_is_switched_where_that_is_worth_it(engine, worth, command):
    """Running takes 1.2 g, a start 1.5 g; off takes 10 kW, valued at `worth`."""
    loop = closed_loop(steady(1), start_cost=0.1, gear_start=2, engine_on_start=engine == 1)
    rule = Equivalence(
        factor=worth / ENERGY * HEAT,
        start_share=0.5,
        stop_charge=0.05,
        min_on=0.0,
        min_off=0.0,
        min_gear=0.0,
    )
    packed = rule.pack(PLAIN, loop.settings)
    at = situation(engine, source=loop.around.source)
    points = two_choices(10e3, 1.2, 1.5)
    work = _make_workspace(loop.around.plant)
    assert _equivalence(loop.around, at, packed, points, work) == command


def test_a_minimum_time_holds_the_engine_state():
    loop = closed_loop(steady(1), gear_start=2)
    packed = Equivalence(factor=4.0, min_off=5.0, start_share=0.0).pack(PLAIN, loop.settings)
    points, work = two_choices(10e3, 0.1, 0.1), _make_workspace(loop.around.plant)
    found = [
        _equivalence(loop.around, situation(engine_time=time), packed, points, work)[0]
        for time in (4.9, 5.0)
    ]
    assert found == [False, True]
