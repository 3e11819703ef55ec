"""What clipping makes of a command, against values worked out by hand from tests/makers.py.

At 15 m/s second gear turns the gearbox input at 300 rad/s, and 300 N m at the wheels are 54.08 N m
there. The engine gives -20 to 200 N m, the motor 160 N m either way; the battery has 250 V, 0.15
ohm.
"""

import math

import numpy as np
import pytest
from cases import PLAIN, closed_loop, steady
from makers import OFF, RUNNING, STARTING, constant_battery, varied
from scipy.optimize import brentq

from hybridopt.controllers.clipping import (
    CLIPPED_ENGINE,
    CLIPPED_GEAR,
    LEFT_WINDOW,
    PASSED_INHIBITOR,
    _apply,
    _nearest_torque,
    _power_limits,
    _settle,
)
from hybridopt.controllers.situation import (
    Situation,
    TorqueSpan,
    Wish,
    _battery_step,
    _fill_shaft,
    _make_memory,
    _make_workspace,
)
from hybridopt.physics.battery import pack_battery

SPEED = 300.0  # rad/s at the gearbox input
TOTAL = 300.0 / (6 * 0.96) + 2.0  # N m there
SECOND = 1  # gear, counted from 0
ANY_TORQUE = TorqueSpan(0.0, math.inf)


def settled(wanted, engine=RUNNING, driveline=PLAIN, window=(0.2, 0.8), span=ANY_TORQUE):
    """Settle a torque in second gear: torque, whether powered, SoC 1 s after 50 %."""
    around = closed_loop(steady(1), driveline).around
    battery = _battery_step(around.cell, 0.5, 1.0, *window)
    work = _make_workspace(around.plant)
    given = around.plant, around.rows[0], SECOND, int(engine), wanted, battery, span
    return _settle(*given, work)


@pytest.mark.parametrize(
    ("wanted", "span", "found"),
    [
        (-200.0, (0.0, 90.0), TOTAL - 90.0),  # the engine gives 90 N m at most now
        (30.0, (40.0, 90.0), TOTAL - 40.0),  # and 40 N m at least
        (0.0, (40.0, 90.0), 0.0),
        (math.nan, (60.0, 90.0), TOTAL - 60.0),  # unpowered, it would give 56.1 N m
    ],
)
def test_a_torque_keeps_the_span_of_the_engine(wanted, span, found):
    torque, powered, _ = settled(wanted, span=TorqueSpan(*span))
    assert powered and torque == pytest.approx(found, abs=1e-6)


def loss(torque):
    """Loss of the motor, W: 100 + w + 0.05 T^2, linear between the torques of its map."""
    nodes = PLAIN.motor.loss_map["torque"].values
    return np.interp(torque, nodes, 100.0 + SPEED + 0.05 * nodes**2)


def soc_after(power, soc=0.5):
    """State of charge after 1 s at a terminal power, from I = (U - sqrt(U^2 - 4 R P)) / 2 R."""
    current = (250.0 - math.sqrt(250.0**2 - 4 * 0.15 * power)) / 0.3
    return soc - current / 36_000.0


# --- motor torque ---


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        (30.0, 30.0),
        (0.0, 0.0),
        (100.0, TOTAL + 20.0),  # the engine brakes with 20 N m at most
        (-200.0, TOTAL - 200.0),  # it gives 200 N m at most
        (math.inf, TOTAL + 20.0),
        (-math.inf, TOTAL - 200.0),
    ],
)
def test_a_torque_is_brought_into_the_range_of_engine_and_motor(wanted, found):
    torque, powered, after = settled(wanted)
    assert powered and torque == pytest.approx(found, abs=1e-6)
    assert after == pytest.approx(soc_after(torque * SPEED + loss(torque) + 300.0), abs=1e-9)


@pytest.mark.parametrize(("wanted", "limit"), [(60.0, 5e3), (-60.0, -5e3)])
def test_a_torque_beyond_the_batterys_power_goes_to_the_one_at_its_limit(wanted, limit):
    car = varied(PLAIN, battery={"table": constant_battery(limit=5e3).table})
    torque, powered, _ = settled(wanted, driveline=car)
    at_limit = brentq(lambda x: x * SPEED + loss(x) + 300.0 - limit, -100.0, 100.0)
    assert powered and torque == pytest.approx(at_limit, abs=1e-5)


@pytest.mark.parametrize(("wanted", "window"), [(60.0, (0.49995, 0.8)), (-60.0, (0.2, 0.50005))])
def test_a_torque_that_leaves_the_window_goes_to_the_one_that_ends_at_its_edge(wanted, window):
    """5e-5 of 36,000 C in 1 s are 1.8 A either way: P = (250 - 0.15 I) I."""
    current = math.copysign(1.8, wanted)
    power = (250.0 - 0.15 * current) * current
    torque, powered, after = settled(wanted, window=window)
    at_edge = brentq(lambda x: x * SPEED + loss(x) + 300.0 - power, -100.0, 100.0)
    assert powered and torque == pytest.approx(at_edge, abs=1e-5)
    assert after == pytest.approx(window[0] if wanted > 0 else window[1], abs=1e-9)


def test_an_unpowered_motor_is_dragged_along():
    """2 N m of drag; the battery feeds the auxiliaries with 300 W."""
    torque, powered, after = settled(math.nan)
    assert (torque, powered) == (-2.0, False)
    assert after == pytest.approx(soc_after(300.0), abs=1e-12)


def test_an_unpowered_motor_that_cannot_be_is_powered():
    """With the engine off the motor has to give all of the demand."""
    torque, powered, _ = settled(math.nan, OFF)
    assert powered and torque == pytest.approx(TOTAL)


def test_what_a_gear_cannot_do_has_no_soc():
    around = closed_loop(steady(1, 30.0)).around  # first gear would turn at 1200 rad/s
    battery, work = _battery_step(around.cell, 0.5, 1.0, 0.2, 0.8), _make_workspace(around.plant)
    given = around.plant, around.rows[0], 0, int(RUNNING), 0.0, battery, ANY_TORQUE
    assert np.isnan(_settle(*given, work)[2])


def test_power_limits_of_a_window_in_closed_form():
    """0.36 A take 1e-5 of 36,000 C in 1 s; at 90 % coulombic efficiency 0.4 A bring it back."""
    cell = pack_battery(constant_battery(coulombic_efficiency=0.9, limit=1e4))
    low, high = _power_limits(_battery_step(cell, 0.5, 1.0, 0.49999, 0.50001))
    assert high == pytest.approx((250.0 - 0.15 * 0.36) * 0.36, rel=1e-9)
    assert low == pytest.approx(-(250.0 + 0.15 * 0.4) * 0.4, rel=1e-9)
    assert _power_limits(_battery_step(cell, 0.5, 1.0, 0.2, 0.8)) == pytest.approx((-1e4, 1e4))
    outside = _power_limits(_battery_step(cell, 0.5, 1.0, 0.6, 0.8))  # below it: nothing drawn
    assert outside == pytest.approx((-1e4, 0.0))


@pytest.mark.parametrize("wanted", [-90.0, -20.0, 0.0, 15.0, 70.0])
@pytest.mark.parametrize("limits", [(-4e3, 4e3), (2e3, 9e3), (-1e9, -9e3)])
def test_nearest_torque_is_the_nearest_of_a_fine_grid(wanted, limits):
    """Against a search of all torques whose power is within the limits."""
    around = closed_loop(steady(1)).around
    work = _make_workspace(around.plant)
    assert _fill_shaft(around.plant, around.rows[0], SECOND, int(RUNNING), work)
    tried = np.linspace(TOTAL - 200.0, TOTAL + 20.0, 400_001)
    power = tried * SPEED + loss(tried) + 300.0
    inside = tried[(power >= limits[0]) & (power <= limits[1])]
    nearest = inside[np.abs(inside - wanted).argmin()]
    assert _nearest_torque(around.plant, work, wanted, *limits) == pytest.approx(nearest, abs=1e-3)
    assert np.isnan(_nearest_torque(around.plant, work, wanted, 1e8, 1e9))


# --- gear, engine state, window, inhibitors ---


def applied(around, wish, gear=SECOND, engine=0):
    """Apply a wish to the first step: gear, engine class, torque, powered, SoC after, clipped."""
    at = Situation(0, around.soc, around.source, engine, gear, _make_memory())
    return _apply(around, at, Wish(*wish), _make_workspace(around.plant))


def closed(around, engines=(), gears=()):
    """Close the moves of engine classes, and all shifts into some gears."""
    moves = around.moves
    cost, shift = moves.cost.copy(), moves.shift.copy()
    for engine in engines:
        numbers = moves.number[:, engine]
        cost[:, numbers[numbers >= 0]] = np.inf
    for gear in gears:
        shift[:, :, :, gear] = np.inf
    return around._replace(moves=moves._replace(cost=cost, shift=shift))


def test_of_two_gears_as_near_the_lower_one_comes_first():
    """Third gear is possible as well; first, at 600 rad/s, is below the 628 of the engine."""
    around = closed_loop(steady(1), engine_on_start=True, gear_start=2).around
    ways = [(), (1,), (1, 0)]
    found = [applied(closed(around, gears=way), (True, 1, 0.0), engine=1) for way in ways]
    assert [(gear, engine) for gear, engine, *_ in found] == [(1, 1), (0, 1), (2, 1)]
    assert [bits for *_, bits in found] == [0, CLIPPED_GEAR, CLIPPED_GEAR]


def test_all_gears_of_the_wanted_engine_state_come_before_the_other_state():
    around = closed_loop(steady(1), engine_on_start=True, gear_start=2).around
    gear, engine, *_, bits = applied(closed(around, gears=(1,)), (False, 1, -math.inf), engine=1)
    assert (gear, engine, bits) == (0, OFF, CLIPPED_GEAR)
    shut = closed(around, engines=(OFF,))
    gear, engine, *_, bits = applied(shut, (False, 1, -math.inf), engine=1)
    assert (gear, engine, bits) == (1, RUNNING, CLIPPED_ENGINE)


def test_the_window_is_given_up_before_an_inhibitor():
    """At rest the auxiliaries draw 300 W; only a start would hold the charge, and may be closed."""
    loop = closed_loop(steady(1, 0.0, 0.0), soc_min=0.5)
    _, engine, *_, after, bits = applied(loop.around, (False, 0, math.nan), gear=0)
    assert (engine, bits) == (STARTING, CLIPPED_ENGINE) and after >= 0.5
    _, engine, *_, after, bits = applied(
        closed(loop.around, engines=(STARTING,)), (False, 0, math.nan), gear=0
    )
    assert (engine, bits) == (OFF, LEFT_WINDOW)
    assert after == pytest.approx(soc_after(300.0), abs=1e-12)


def test_inhibitors_are_passed_where_they_leave_nothing():
    loop = closed_loop(steady(1), gear_start=2)
    gear, engine, torque, *_, bits = applied(
        closed(loop.around, engines=(OFF, RUNNING, STARTING)), (False, 1, -math.inf)
    )
    assert (gear, engine, bits) == (1, OFF, PASSED_INHIBITOR)
    assert torque == pytest.approx(TOTAL)


def test_window_and_inhibitors_are_given_up_together_in_the_end():
    """The weak engine cannot charge, so that the auxiliaries draw charge whatever is done."""
    weak = varied(
        PLAIN, engine={"full_load": PLAIN.engine.overrun * 0.0 + 1e-6}, start={"fuel": 0.0}
    )
    around = closed_loop(steady(1, 0.0, 0.0), weak, soc_min=0.5).around
    *_, after, bits = applied(
        closed(around, engines=(OFF, RUNNING, STARTING)), (False, 0, math.nan), gear=0
    )
    assert bits & (LEFT_WINDOW | PASSED_INHIBITOR) == LEFT_WINDOW | PASSED_INHIBITOR
    assert after < 0.5
