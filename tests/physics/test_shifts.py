"""What shifts that take time lose, against calculations in plain NumPy and closed forms."""

import dataclasses

import numpy as np
import pytest
from cases import bumpy
from makers import HEATING_VALUE, OFF, RUNNING, STARTING, plain_driveline, varied, wanted

from hybridopt.base.errors import InputError
from hybridopt.inputs.coverage import check_driveline
from hybridopt.inputs.shifts import Shifts
from hybridopt.physics.operating_points import all_points
from hybridopt.physics.rotors import rotor_fuel
from hybridopt.physics.shifts import interruptions, shift_fuel
from hybridopt.problem.events import shift_costs
from hybridopt.problem.settings import Settings

PLAIN = plain_driveline()  # total ratios 12, 6, 3
PRICE = 1.0 / (0.35 * HEATING_VALUE)  # g/J


def shifting(driveline=PLAIN, **times):
    return dataclasses.replace(driveline, shifts=Shifts(**times))


def loss(speed, torque):
    """Loss of the plain motor by its map, linear between the map's points, W."""
    m = PLAIN.motor.loss_map.transpose("speed", "torque")
    row = [np.interp(speed, m["speed"], column) for column in m.values.T]
    return np.interp(torque, m["torque"], row)


def test_shifts_that_take_no_time_lose_nothing():
    want = bumpy()
    assert interruptions(shifting(power_up_share=0.5, make_up_time=3.0), want) is None
    assert np.array_equal(shift_fuel(PLAIN, want), rotor_fuel(PLAIN, want))


def test_an_instant_is_as_good_as_none():
    """The charge goes to 0 with the time: at 1 ns the costs of no time, to 1e-9."""
    want, settings = bumpy(), Settings().resolved(PLAIN)
    kinds = "power_up_time", "power_down_time", "regeneration_time", "coast_down_time"
    quick = shifting(**dict.fromkeys(kinds, 1e-9))
    costs = shift_costs(PLAIN, want, settings)
    np.testing.assert_allclose(shift_costs(quick, want, settings), costs, atol=1e-9)


def test_what_is_late_costs_a_straight_line_nothing():
    """A Willans engine has a straight line of fuel over torque: later is as good (closed form)."""
    lost = interruptions(shifting(power_up_time=0.4), wanted(15, 480))
    assert lost.fuel[0, RUNNING, 0, 1] == pytest.approx(0.0, abs=1e-12)
    assert not lost.too_long[0, RUNNING].any()


@pytest.mark.parametrize(("share", "gap"), [(0.0, 0.5), (0.25, 0.375)])
def test_what_is_late_costs_a_motor_its_bend(share, gap):
    """In second gear 240 Nm at 50 rad/s are 41.67 Nm at 300 rad/s, and 2 Nm of drag."""
    lost = interruptions(shifting(power_up_time=0.5, power_up_share=share), wanted(15, 240))
    taken = 240.0 / (6 * 0.96)
    raised = taken / (1.0 - gap)

    def power(torque):
        return (torque + 2.0) * 300.0 + loss(300.0, torque + 2.0)

    more = (1.0 - gap) * power(raised) + gap * power(0.0) - power(taken)
    friction = 0.5 * share * (taken + 2.0) * (600.0 - 300.0) * 0.5
    assert more > 10.0
    assert lost.fuel[0, OFF, 0, 1] == pytest.approx(PRICE * (more + friction), rel=1e-12)
    assert lost.fuel[0, OFF, 2, 1] == lost.fuel[0, OFF, 1, 1] == 0.0  # down takes no time here


def test_heat_of_the_elements_is_the_integral_of_torque_and_slip():
    """Torque times slip, slip falling steadily from 300 rad/s to 0 within 0.6 s."""
    lost = interruptions(shifting(power_down_time=0.6, power_down_share=1.0), wanted(15, 480))
    time = np.linspace(0.0, 0.6, 6001)
    slip = 300.0 * (1.0 - time / 0.6)
    heat = np.trapezoid((480.0 / (12 * 0.95) + 1.0) * slip, time)
    assert lost.fuel[0, RUNNING, 1, 0] == pytest.approx(PRICE * heat, rel=1e-9)


@pytest.mark.parametrize("limit", [1e6, 5e3])
def test_what_is_not_recuperated_is_braked_away(limit):
    """The motor of 160 Nm in third gear at 150 rad/s; the battery may take less."""
    car = varied(PLAIN, battery={"table": PLAIN.battery.table.copy()})
    car.battery.table.loc[{"quantity": "power_charge_max"}] = limit
    lost = interruptions(shifting(car, regeneration_time=0.45), wanted(15, -600))
    torque = np.linspace(-160.0, 0.0, 3201)
    power = min(max(-(torque * 150.0 + loss(150.0, torque))), limit)
    assert lost.fuel[0, OFF, 1, 2] == pytest.approx(PRICE * 0.45 * power, rel=1e-5)
    assert not lost.too_long.any() and lost.fuel[0, OFF, 2, 2] == 0.0


def test_engines_that_coast_down_are_fed_meanwhile():
    """Of 48 Nm at the wheels 7.68 reach the input; the engine's 20 Nm of overrun take them all.

    Willans: each of them is 300 rad/s / (0.4 42 kJ/g) of fuel, for half of 0.8 s.
    """
    car = shifting(coast_down_time=0.8, coast_down_share=0.5, regeneration_time=0.3)
    lost = interruptions(car, wanted(15, -48.0))
    fed = 0.5 * 0.8 * 7.68 * 300.0 / (0.4 * HEATING_VALUE)
    friction = 0.5 * (7.68 - 2.0) * (300.0 - 150.0) * 0.8 * 0.5
    assert lost.fuel[0, RUNNING, 2, 1] == pytest.approx(fed + PRICE * friction, rel=1e-9)
    plain = interruptions(shifting(regeneration_time=0.3), wanted(15, -48.0))
    others = np.ones(plain.fuel.shape[1:], dtype=bool)
    others[RUNNING, 1:, 0] = others[STARTING, 1:, 0] = False
    others[RUNNING, 2, 1] = others[STARTING, 2, 1] = False
    assert np.array_equal(lost.fuel[0, others], plain.fuel[0, others])  # up, or recuperating
    assert not lost.too_long.any()


def test_demand_that_cannot_wait():
    """Third gear gives 160 + 200 Nm, less 3: 357 3 0.98 = 1049.6 Nm at the wheels (closed form)."""
    most = 357.0 * 3 * 0.98
    for gap in (0.25, 0.5):
        car = shifting(power_up_time=gap)
        for torque, late in ((0.999, False), (1.001, True)):
            lost = interruptions(car, wanted(15, torque * most * (1.0 - gap)))
            assert lost.too_long[0, RUNNING, :, 2].tolist() == [late, late, False]
            costs = shift_costs(car, wanted(15, torque * most * (1.0 - gap)), Settings())
            assert np.isinf(costs[0, RUNNING, 1, 2]) == late


def test_shifts_at_rest_and_in_steps_none_can_drive_lose_nothing():
    car = shifting(power_up_time=0.5, power_down_time=0.5, regeneration_time=0.5)
    lost = interruptions(car, wanted([0.0, 0.5], [0.0, 480.0], [0.0, 1.0]))
    assert (lost.fuel == 0.0).all() and not lost.too_long.any()


def test_losses_rise_with_the_time_and_are_never_gains():
    want = bumpy()
    less = np.zeros((want.steps, 3, 3, 3))
    for time in (0.1, 0.3, 0.6):
        car = shifting(power_up_time=time, power_down_time=time, regeneration_time=time)
        more = interruptions(car, want)
        assert (more.fuel >= 0.0).all()
        both = ~more.too_long & (want.wheel_torque < 0.0)[:, None, None, None]
        assert (more.fuel >= less - 1e-12)[both].all()
        less = more.fuel
    assert less[:, STARTING].max() > 0.0


def test_shifts_longer_than_their_make_up_are_refused():
    car = shifting(power_up_time=1.2, power_up_share=0.1)
    with pytest.raises(InputError, match=r"missing for up to 1.08 s, so give a longer time"):
        check_driveline(car)


def test_gears_recuperate_no_more_than_their_torque():
    """In first gear nothing, in second 40 Nm of the 100 Nm that the wheels' braking gives."""
    car = varied(PLAIN, gearbox={"recuperation_torques": (0.0, 40.0, 1000.0)})
    want = wanted(10.0, -600.0)
    points = all_points(car, want, 5)
    given = np.where(np.isfinite(points.cost), points.motor_torque, np.inf)
    lowest = given[0, :, OFF, 1:].min(axis=1)
    assert lowest[0] == 0.0 and lowest[1] == -40.0
    assert lowest[2] == pytest.approx(-160.0)
    table = dataclasses.replace(car.gearbox, recuperation_torques=(1.0,))
    with pytest.raises(InputError, match="recuperation_torques_Nm: has 1 entries but ratios has 3"):
        check_driveline(dataclasses.replace(car, gearbox=table))
