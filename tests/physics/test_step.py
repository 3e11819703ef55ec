"""Torque, speed, fuel and loss of one step, against calculations by hand and scipy.

Unless it says otherwise a test uses `makers.plain_driveline`: wheels of 0.3 m, total ratios 12, 6
and 3, efficiencies 0.95, 0.96 and 0.98, gearbox drags 1, 2 and 3 N m at the input, motor 0.05 and
engine 0.15 kg m2, motor drag 2 N m, engine overrun -20 N m and full load 200 N m. At 15 m/s second
gear turns its input at 15 / 0.3 x 6 = 300 rad/s.
"""

import numpy as np
import pytest
from makers import (
    HEATING_VALUE,
    OFF,
    RUNNING,
    STARTING,
    constant_battery,
    plain_driveline,
    replayed,
    varied,
    wanted,
)
from scipy.interpolate import RegularGridInterpolator, interp1d

from hybridopt import read_driveline
from hybridopt.base.errors import InfeasibleError
from hybridopt.base.units import RPM
from hybridopt.physics.codes import Reason
from hybridopt.physics.operating_points import list_operating_points

PLAIN = plain_driveline()
PUMPED_BY_INPUT = {
    "electric_oil_pump": False,
    "pump_speed": 700 * RPM,
    "fade_speed_low": 10.0,
    "fade_speed_high": 20.0,
}


def splits(driveline, demand, gear, engine_class):
    """Return motor torque, power, cost and reason of the splits in use at the first step."""
    points = list_operating_points(driveline, demand, 21)
    at = (0, gear - 1, engine_class)
    used = slice(points.count[at])
    fields = (points.motor_torque, points.power, points.cost, points.reason)
    return tuple(field[at][used] for field in fields)


def limits(driveline, demand, gear, engine_class):
    """Return the lowest and highest powered motor torque."""
    torque = splits(driveline, demand, gear, engine_class)[0]
    return torque[1], torque[-1]


# --- torques ---


def test_electric_drive():
    """480 N m, 0.6 m/s2: 480 / (6 x 0.96) + 2, and the rotor 0.05 x 0.6 / 0.3 x 6."""
    torque = 480 / (6 * 0.96) + 2 + 0.05 * 0.6 / 0.3 * 6
    low, high = limits(PLAIN, wanted(15, 480, 0.6), 2, OFF)
    assert (low, high) == pytest.approx((torque, torque), rel=1e-12)


def test_electric_braking():
    """-480 N m, -0.6 m/s2: the gearbox takes its loss before the motor sees the torque."""
    torque = -480 * 0.96 / 6 + 2 - 0.05 * 0.6 / 0.3 * 6
    low, high = limits(PLAIN, wanted(15, -480, -0.6), 2, OFF)
    assert low == pytest.approx(torque, rel=1e-12)
    assert high == 0.0  # less is braked by friction


def test_engine_alone():
    """Rotor and engine turn together, 0.2 kg m2; the unpowered motor drags 2 N m."""
    run = replayed(PLAIN, wanted(15, 480, 0.6), 2, RUNNING)
    torque = 480 / (6 * 0.96) + 2 + 0.2 * 0.6 / 0.3 * 6 + 2
    assert run.engine_torque.item() == pytest.approx(torque, rel=1e-12)
    assert run.motor_torque.item() == -2
    assert run.engine_speed.item() == run.motor_speed.item() == pytest.approx(300)
    assert run.battery_power.item() == 300  # the auxiliary load alone
    assert run.motor_loss.item() == pytest.approx(2 * 300)


def test_engine_and_motor_share_the_torque():
    total = 480 / (6 * 0.96) + 2
    for torque in (-60.0, 25.0):
        run = replayed(PLAIN, wanted(15, 480), 2, RUNNING, torque)
        assert run.engine_torque.item() == pytest.approx(total - torque, rel=1e-12)


def test_transfer_case_takes_its_share_of_every_gear():
    """All-wheel drive at 0.97: 480 / (6 x 0.96 x 0.97) + 2 driving, -480 x 0.96 x 0.97 / 6 + 2."""
    car = varied(PLAIN, gearbox={"transfer_efficiency": 0.97})
    assert limits(car, wanted(15, 480), 2, OFF)[0] == pytest.approx(480 / 5.5872 + 2)
    assert limits(car, wanted(15, -480), 2, OFF)[0] == pytest.approx(-480 * 0.96 * 0.97 / 6 + 2)


def test_losses_of_gearbox():
    """Driving: drag 2 x 300, and 4 % of what goes in; braking: 4 % of what the wheels give."""
    drive = replayed(PLAIN, wanted(15, 480), 2, OFF, 480 / 5.76 + 2)
    assert drive.gearbox_loss.item() == pytest.approx(600 + 480 * 50 / 0.96 * 0.04)
    brake = replayed(PLAIN, wanted(15, -480), 2, OFF, -480 * 0.16 + 2)
    assert brake.gearbox_loss.item() == pytest.approx(600 + 480 * 50 * 0.04)
    assert brake.brake_torque.item() == 0


def test_engine_is_dragged_where_it_cannot_be_separated():
    """The motor carries the overrun torque of 20 N m and the inertia of both."""
    fixed = varied(PLAIN, clutches={"separating_clutch": False})
    demand = wanted(15, 480, 0.6)
    torque = 480 / 5.76 + 2 + 0.2 * 12 + 20
    assert limits(fixed, demand, 2, OFF) == pytest.approx((torque, torque))
    run = replayed(fixed, demand, 2, OFF, torque)
    assert (run.engine_torque.item(), run.fuel_rate.item(), run.engine_on.item()) == (-20, 0, 0)
    assert run.engine_speed.item() == pytest.approx(300)


# --- maps ---


@pytest.mark.parametrize("speed_km_per_h", [45.0, 71.0, 98.3])
@pytest.mark.parametrize("wheel_torque", [150.0, 333.0, 600.0])
def test_fuel_and_loss_are_those_of_scipy(speed_km_per_h, wheel_torque):
    """RegularGridInterpolator and interp1d on the maps of the shipped full hybrid."""
    full = varied(read_driveline("full"), vehicle={"wheel_radius": 0.3}, auxiliary={"power": 0.0})
    demand = wanted(speed_km_per_h / 3.6, wheel_torque)
    fuel = table(full.engine.fuel_map)
    run = replayed(full, demand, 5, RUNNING)
    assert run.engine_torque.item() > 0
    at = (run.engine_speed.item(), run.engine_torque.item())
    assert run.fuel_rate.item() == pytest.approx(fuel(at).item(), rel=1e-12)
    drag = interp1d(full.motor.drag_torque.speed, full.motor.drag_torque)
    assert -run.motor_torque.item() == pytest.approx(drag(at[0]).item(), rel=1e-12)
    loss = table(full.motor.loss_map)
    for torque in (-37.1, 23.9):
        run = replayed(full, demand, 5, RUNNING, torque)
        watts = loss((run.motor_speed.item(), torque)).item()
        assert run.motor_loss.item() == pytest.approx(watts, rel=1e-12)
        shaft = torque * run.motor_speed.item()
        assert run.battery_power.item() == pytest.approx(shaft + watts, rel=1e-12)


def table(data):
    return RegularGridInterpolator((data.speed.values, data.torque.values), data.values)


def test_fuel_is_cut_in_overrun_and_rises_linearly_to_0_Nm():
    """Willans engine: (T + 20) w / (0.4 x 42 kJ/g) from -20 N m on; total is 5 N m here."""
    demand = wanted(15, 3 * 5.76)
    for engine_torque in (-20.0, -10.0, 0.0, 10.0):
        run = replayed(PLAIN, demand, 2, RUNNING, 5 - engine_torque)
        assert run.engine_torque.item() == pytest.approx(engine_torque, abs=1e-9)
        rate = (engine_torque + 20) * 300 / (0.4 * HEATING_VALUE)
        assert run.fuel_rate.item() == pytest.approx(rate, rel=1e-9, abs=1e-9)


def test_idle_fuel_of_a_map_counts_at_0_Nm():
    """Half way to overrun, half the fuel of the map at 0 N m (a map that is no Willans line)."""
    fuel_map = PLAIN.engine.fuel_map + 0.1
    engine = varied(PLAIN, engine={"fuel_map": fuel_map})
    run = replayed(engine, wanted(15, 3 * 5.76), 2, RUNNING, 15.0)  # the engine at -10 N m
    at_zero = 20 * 300 / (0.4 * HEATING_VALUE) + 0.1
    assert run.fuel_rate.item() == pytest.approx(0.5 * at_zero, rel=1e-12)


# --- launch and standstill ---


def test_launch_clutch_slips_below_idle_speed():
    """1 m/s in first: input 40 rad/s, engine 1500 rpm; 570 / (12 x 0.95) + 1 = 51 N m."""
    run = replayed(PLAIN, wanted(1, 570), 1, RUNNING)
    engine_speed = 1500 * 2 * np.pi / 60
    assert run.launch_clutch.item() == 1
    assert run.engine_speed.item() == run.motor_speed.item() == pytest.approx(engine_speed)
    assert run.engine_torque.item() == pytest.approx(51 + 2)
    assert run.clutch_loss.item() == pytest.approx(51 * (engine_speed - 40))
    assert run.shaft_inertia_power.item() == 0


def test_launch_clutch_carries_what_the_motor_adds():
    run = replayed(PLAIN, wanted(1, 570), 1, RUNNING, 30.0)
    assert run.engine_torque.item() == pytest.approx(21)
    assert run.clutch_loss.item() == pytest.approx(51 * (50 * np.pi - 40))


def test_standstill_with_the_engine_charges_at_idle():
    """-30 N m at 800 rpm; fuel (30 + 20) w / (0.4 x 42 kJ/g)."""
    idle = 800 * 2 * np.pi / 60
    run = replayed(PLAIN, wanted(0, 0), 1, RUNNING, -30.0)
    assert run.launch_clutch.item() == 2 and run.engine_torque.item() == 30
    loss = table(PLAIN.motor.loss_map)((idle, -30.0)).item()
    assert run.battery_power.item() == pytest.approx(-30 * idle + loss + 300)
    assert run.fuel_rate.item() == pytest.approx(50 * idle / (0.4 * HEATING_VALUE))


def test_standstill_with_the_engine_off_takes_the_auxiliary_load_alone():
    run = replayed(PLAIN, wanted(0, 0), 1, OFF)
    assert (run.battery_power.item(), run.fuel_rate.item(), run.motor_torque.item()) == (300, 0, 0)


def test_rolling_out_below_idle_speed_opens_the_launch_clutch():
    """All braking is by friction then."""
    run = replayed(PLAIN, wanted(1, -570), 1, RUNNING)
    assert run.launch_clutch.item() == 2
    assert run.brake_torque.item() == -570
    assert run.engine_speed.item() == pytest.approx(800 * RPM)


# --- start ---


@pytest.mark.parametrize("dt", [0.5, 1.0, 2.0])
def test_start_energy(dt):
    """(J w^2 + w / 2 x 20 N m x 0.5 s) / 0.8 at 300 rad/s; rotor and equal slip make J w^2."""
    demand = wanted(15, 480, dt=dt)
    energy = (0.15 * 300**2 + 0.5 * 300 * 20 * 0.5) / 0.8
    torque = 480 / 5.76 + 2  # the motor alone
    run = replayed(PLAIN, demand, 2, STARTING, torque)
    assert run.start_power.item() * dt == pytest.approx(energy, rel=1e-12)
    still = replayed(PLAIN, demand, 2, RUNNING, torque)
    more = run.battery_power - still.battery_power
    assert more.item() * dt == pytest.approx(energy, rel=1e-9)


def test_start_at_rest_reaches_idle_speed():
    run = replayed(PLAIN, wanted(0, 0), 1, STARTING)
    idle = 800 * RPM
    energy = (0.15 * idle**2 + 0.5 * idle * 20 * 0.5) / 0.8
    assert run.start_power.item() == pytest.approx(energy, rel=1e-12)


def test_reserve_for_a_start_limits_electric_torque():
    """Peak 160 less 40 N m leaves 120 N m, so 118 x 5.76 N m at the wheels."""
    inside, outside = wanted(15, 118 * 5.76 - 1e-6), wanted(15, 118 * 5.76 + 1e-3)
    assert limits(PLAIN, inside, 2, OFF)[1] == pytest.approx(120)
    reason = list_operating_points(PLAIN, outside, 5).reason[0, 1]
    assert (reason[OFF] == Reason.START_TORQUE).all()
    assert limits(PLAIN, outside, 2, RUNNING)[1] == pytest.approx(140, abs=1e-3)  # + overrun
    assert limits(PLAIN, outside, 2, STARTING)[1] == pytest.approx(120)
    assert (
        list_operating_points(PLAIN, wanted(15, 1500), 5).reason[0, 1, OFF] == Reason.MOTOR_TORQUE
    ).all()  # beyond the peak itself


# --- brakes ---


@pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
def test_brakes_take_the_other_axle(share):
    """Regeneration gets its share of the wheel torque, friction exactly the rest."""
    part = varied(PLAIN, vehicle={"recuperation_share": share})
    demand = wanted(15, -480)
    lowest = limits(part, demand, 2, OFF)[0]
    assert lowest == pytest.approx(min(-480 * share * 0.96 / 6 + 2, 0.0))
    run = replayed(part, demand, 2, OFF, lowest)
    dragged = -2 * 6 / 0.96 if share == 0.0 else 0.0  # the gearbox alone brakes 12.5 N m
    assert run.brake_torque.item() == pytest.approx(-480 * (1 - share) - dragged, abs=1e-9)
    assert run.brake_power.item() == pytest.approx(-run.brake_torque.item() * 50)


@pytest.mark.parametrize(("axles", "share"), [("front", 0.7), ("rear", 0.3), ("all", 1.0)])
def test_recuperation_takes_what_the_driven_axles_brake(axles, share):
    """The front axle brakes 70 %, of which and of the rest half may be recuperated."""
    given = {"driven_axles": axles, "front_brake_share": 0.7, "recuperation_share": 0.5}
    lowest = limits(varied(PLAIN, vehicle=given), wanted(15, -480), 2, OFF)[0]
    assert lowest == pytest.approx(-480 * 0.5 * share * 0.96 / 6 + 2)


@pytest.mark.parametrize(("speed", "kept"), [(9.0, 0.0), (10.0, 0.0), (15.0, 0.5), (20.0, 1.0)])
def test_brakes_take_over_at_low_speed(speed, kept):
    """Without an electric oil pump regeneration fades between 10 and 20 m/s."""
    fading = varied(PLAIN, clutches=PUMPED_BY_INPUT)
    lowest = limits(fading, wanted(speed, -480), 2, OFF)[0]
    assert lowest == pytest.approx(min(-480 * kept * 0.96 / 6 + 2, 0.0))
    run = replayed(fading, wanted(speed, -480), 2, OFF, lowest)
    if kept:
        assert run.brake_torque.item() == pytest.approx(-480 * (1 - kept), abs=1e-9)


def test_electric_oil_pump_regenerates_to_standstill():
    pumped = varied(PLAIN, clutches=PUMPED_BY_INPUT | {"electric_oil_pump": True})
    lowest = limits(pumped, wanted(0.1, -480), 1, OFF)[0]
    assert lowest == pytest.approx(-480 * 0.95 / 12 + 1)


def test_brakes_take_what_the_motor_cannot():
    """The motor's 160 N m and 2 N m drag are (-162) x 6 / 0.96 at the wheels."""
    lowest = limits(PLAIN, wanted(15, -3000), 2, OFF)[0]
    assert lowest == -160
    run = replayed(PLAIN, wanted(15, -3000), 2, OFF, lowest)
    assert run.brake_torque.item() == pytest.approx(-3000 + 162 * 6 / 0.96)


def test_brakes_take_what_the_battery_cannot():
    """A limit of 5 kW: among the splits is the torque that gives exactly it."""
    small = varied(PLAIN, battery={"table": constant_battery(limit=5e3).table})
    torque, power, _, reason = splits(small, wanted(15, -480), 2, OFF)
    allowed = power[reason == Reason.FEASIBLE]
    assert allowed.min() == pytest.approx(-5e3, rel=1e-9)
    assert (reason[torque < torque[np.argmin(np.abs(power + 5e3))]] == Reason.BATTERY_POWER).all()


def test_coasting_leaves_braking_to_drag_and_friction():
    run = replayed(PLAIN, wanted(15, -480), 2, OFF)
    assert run.motor_torque.item() == -2
    assert run.brake_torque.item() == pytest.approx(-480 + (2 + 2) * 6 / 0.96)


# --- what replay must refuse ---


@pytest.mark.parametrize(
    ("parts", "demand", "engine_class", "torque"),
    [
        ({}, wanted(15, 100), RUNNING, -165.0),  # beyond the peak of 160 N m
        ({}, wanted(15, 800), STARTING, 130.0),  # beyond peak less reserve
        ({"functions": {"can_drive_electric": False}}, wanted(15, -48), OFF, 3.0),
        ({"vehicle": {"recuperation_share": 0.5}}, wanted(15, -480), OFF, -74.8),
    ],
)
def test_replay_refuses_torques_outside_the_range(parts, demand, engine_class, torque):
    driveline = varied(PLAIN, **parts)
    low, high = limits(driveline, demand, 2, engine_class)
    assert not low <= torque <= high
    with pytest.raises(InfeasibleError, match="motor torque limit"):
        replayed(driveline, demand, 2, engine_class, torque)
