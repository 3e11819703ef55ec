"""What limits a step besides speed and torque: continuous limits, oil pressure, coasting, cold.

`makers.plain_driveline`: at 15 m/s second gear turns its input at 300 rad/s, 5.76 N m at the
wheels for 1 N m at the input, drag 2 N m.
"""

import dataclasses

import numpy as np
import pytest
from makers import (
    OFF,
    RUNNING,
    STARTING,
    constant_battery,
    plain_driveline,
    replayed,
    schedule,
    varied,
    wanted,
)
from xarray import DataArray

from hybridopt.base.errors import InfeasibleError
from hybridopt.physics.codes import Reason
from hybridopt.physics.entries import R_SIZE
from hybridopt.physics.operating_points import all_points, demand_rows
from hybridopt.physics.replay import replay_schedule
from hybridopt.physics.starts import start_totals

PLAIN = plain_driveline()
TOTAL = 480 / 5.76 + 2
FIXED = varied(PLAIN, clutches={"separating_clutch": False})
CONTINUOUS = varied(PLAIN, motor={"continuous_limit": 60.0})


def asked(demand, **changes):
    """Return the demand with arrays of what else bears on its steps."""
    full = {name: np.full(demand.steps, value) for name, value in changes.items()}
    return dataclasses.replace(demand, **full)


def limits(car, demand, gear, engine_class):
    """Return the lowest and highest powered motor torque."""
    points = all_points(car, demand, 9)
    torque = points.motor_torque[0, gear - 1, engine_class]
    return torque[1], torque[points.count[0, gear - 1, engine_class] - 1]


def reasons(car, demand, gear, engine_class):
    return all_points(car, demand, 9).reason[0, gear - 1, engine_class]


# --- rows ---


def test_rows_hold_the_demand_and_no_restriction_unless_given():
    want = wanted([15.0, 3.0], [480.0, -20.0], 0.5, 2.0)
    rows = demand_rows(want)
    assert rows.flags["C_CONTIGUOUS"] and rows.dtype == np.float64
    assert rows.shape == (2, R_SIZE)
    shown = [3.0, 3.0 / 0.3, 0.5 / 0.3, -20.0, 2.0, 1.0, 1.0, 1.0, 1.0, 0.0, np.nan, np.nan, 0.0]
    warm = [1.0, 1.0, 0.0, np.nan]  # factors of drag and friction, heater, oil temperature
    np.testing.assert_array_equal(rows[1], [*shown, *warm, 0.0])  # and no heating of a catalyst
    some = dict(
        motor_share=0.2, battery_share=0.3, slip_allowed=False, fuel_factor=1.4, engine_needed=True
    )
    assert demand_rows(asked(want, **some))[0, 5:10].tolist() == [0.2, 0.3, 0.0, 1.4, 1.0]
    assert asked(want, **some).part(1, 2).fuel_factor.tolist() == [1.4]


# --- continuous torque and power ---


@pytest.mark.parametrize(("share", "limit"), [(0.0, 60.0), (0.5, 110.0), (1.0, 160.0)])
def test_motor_torque_between_continuous_and_peak(share, limit):
    demand = asked(wanted(15, 15 * 5.76), motor_share=share)
    assert limits(CONTINUOUS, demand, 2, RUNNING)[0] == pytest.approx(-limit)
    boost = asked(wanted(15, 250 * 5.76), motor_share=share)
    assert limits(CONTINUOUS, boost, 2, RUNNING)[1] == pytest.approx(limit)
    pull = asked(wanted(15, 480), motor_share=share)
    off = reasons(CONTINUOUS, pull, 2, OFF)  # 85 N m; 40 N m of the peak are in reserve
    assert (Reason.FEASIBLE in off) == (limit > TOTAL)
    assert share > 0 or (off == Reason.MOTOR_TORQUE).all()


def test_continuous_torque_over_speed_is_never_above_the_peak():
    curve = DataArray([400.0, 100.0], {"speed": [0.0, 600.0]}, ("speed",))
    car = varied(PLAIN, motor={"continuous_torque": curve})  # 250 N m at 300 rad/s
    demand = asked(wanted(15, 15 * 5.76), motor_share=0.0)
    assert limits(car, demand, 2, RUNNING)[0] == pytest.approx(-160)
    assert limits(PLAIN, demand, 2, RUNNING)[0] == pytest.approx(-160)  # nothing said: the peak


@pytest.mark.parametrize(("share", "watts"), [(0.0, 4e3), (0.5, 7e3), (1.0, 10e3)])
def test_battery_power_between_continuous_and_peak(share, watts):
    """10 kW for a moment, 40 % of it continuously."""
    table = constant_battery(limit=10e3).table
    car = varied(PLAIN, battery={"table": table, "continuous_share": 0.4})
    demand = asked(wanted(15, 480), battery_share=share)
    points = all_points(car, demand, 9)
    allowed = points.power[0, 1, RUNNING][points.reason[0, 1, RUNNING] == Reason.FEASIBLE]
    assert (allowed.min(), allowed.max()) == pytest.approx((-watts, watts))
    if share < 1.0:
        torque = (watts + 1e3) / 300
        with pytest.raises(InfeasibleError, match="battery power limit"):
            replay_schedule(car, demand, schedule(2, RUNNING, torque), 0.5)


def test_derating_cuts_both_powers():
    table = constant_battery(limit=10e3).table
    car = varied(PLAIN, battery={"table": table, "derating": 0.3})
    points = all_points(car, wanted(15, 480), 9)
    allowed = points.power[0, 1, RUNNING][points.reason[0, 1, RUNNING] == Reason.FEASIBLE]
    assert (allowed.min(), allowed.max()) == pytest.approx((-3e3, 3e3))
    with pytest.raises(InfeasibleError, match="the battery cannot take"):
        replayed(car, wanted(15, 480), 2, RUNNING, 12.0)  # 3.6 kW and more


# --- asked of the engine ---


def test_requested_engine_is_never_off():
    demand = asked(wanted(15, 480), engine_needed=True)
    assert (reasons(PLAIN, demand, 2, OFF) == Reason.ENGINE_NEEDED).all()
    with pytest.raises(InfeasibleError, match=r"engine requested \(heat, cold\)"):
        replayed(PLAIN, demand, 2, OFF, TOTAL)
    replayed(PLAIN, demand, 2, RUNNING)


@pytest.mark.parametrize("engine", [RUNNING, STARTING])
def test_cold_engine_takes_a_factor_on_its_fuel(engine):
    """1.3 times the rate of the map; the start fuel is its own."""
    warm = replayed(PLAIN, wanted(15, 480), 2, engine, 20.0)
    cold = replayed(PLAIN, asked(wanted(15, 480), fuel_factor=1.3), 2, engine, 20.0)
    start = 0.2 if engine == STARTING else 0.0
    assert (cold.fuel_rate - start).item() == pytest.approx(1.3 * (warm.fuel_rate - start).item())
    assert cold.battery_power.item() == warm.battery_power.item()


def test_slip_can_be_forbidden():
    demand = asked(wanted(1, 570), slip_allowed=False)
    for engine in (RUNNING, STARTING):
        assert (reasons(PLAIN, demand, 1, engine) == Reason.MUST_NOT_SLIP).all()
    assert Reason.FEASIBLE in reasons(PLAIN, demand, 1, OFF)  # locked, on the motor
    assert Reason.FEASIBLE in reasons(PLAIN, asked(wanted(15, 480), slip_allowed=False), 2, RUNNING)


# --- oil pressure ---


PUMPED_BY_INPUT = {"electric_oil_pump": False, "pump_speed": 100.0, "launch_capacity": 100.0}


def test_clutch_torque_rises_with_the_input_speed():
    """0 N m at 100 rad/s to 100 N m at 300 rad/s: 50 N m at 200 rad/s, in second gear 10 m/s."""
    car = varied(PLAIN, clutches=PUMPED_BY_INPUT | {"full_pressure_speed": 300.0})
    assert Reason.FEASIBLE in reasons(car, wanted(10, 48 * 5.76 - 1e-6), 2, OFF)
    given = reasons(car, wanted(10, 48 * 5.76 + 1e-2), 2, OFF)
    assert (given == Reason.CLUTCH_PRESSURE).all()
    assert Reason.FEASIBLE in reasons(car, wanted(10, 60 * 5.76), 2, RUNNING)  # the engine pumps
    lowest = limits(car, wanted(10, -2000), 2, OFF)[0]
    assert lowest == pytest.approx(-50)
    run = replayed(car, wanted(10, -2000), 2, OFF, lowest)
    assert run.brake_torque.item() == pytest.approx(-2000 + 52 * 6 / 0.96)


def test_clutch_torque_counts_without_the_rotor():
    """0.05 kg m2 at -3 m/s2 (-60 rad/s2) push with 3 N m; the clutch adds its 50 N m."""
    car = varied(PLAIN, clutches=PUMPED_BY_INPUT | {"full_pressure_speed": 300.0})
    assert limits(car, wanted(10, -2000, -3.0), 2, OFF)[0] == pytest.approx(-53)


def test_without_a_speed_of_full_pressure_it_is_a_step():
    car = varied(PLAIN, clutches=PUMPED_BY_INPUT)
    assert Reason.FEASIBLE in reasons(car, wanted(5.1, 90 * 5.76), 2, OFF)  # 102 rad/s
    assert (reasons(car, wanted(4.9, 48), 2, OFF) == Reason.CLUTCH_PRESSURE).all()  # 98 rad/s


@pytest.mark.parametrize("speed", [0.1, 0.5, 2.0])
def test_electric_pump_creeps_and_launches(speed):
    """Below any idle speed, clutch locked, no slip loss; the pump draws its own power."""
    car = varied(PLAIN, clutches={"oil_pump_power": 80.0})
    torque = 300 / (12 * 0.95) + 1
    run = replayed(car, wanted(speed, 300), 1, OFF, torque)
    assert run.launch_clutch.item() == 0 and run.clutch_loss.item() == 0
    assert run.motor_speed.item() == pytest.approx(speed / 0.3 * 12)
    assert run.auxiliary_power.item() == 380


def test_electric_pump_draws_while_the_engine_is_off_and_the_vehicle_moves():
    car = varied(PLAIN, clutches={"oil_pump_power": 80.0})
    for demand, engine, watts in (
        (wanted(15, -480), OFF, 380),
        (wanted(0, 0), OFF, 300),
        (wanted(15, -480), RUNNING, 300),
    ):
        run = replayed(car, demand, 2, engine)
        assert run.auxiliary_power.item() == run.battery_power.item() == watts
    none = varied(car, clutches={"electric_oil_pump": False, "pump_speed": 70.0})
    assert replayed(none, wanted(15, -480), 2, OFF).auxiliary_power.item() == 300


# --- coasting ---


def test_open_clutch_drags_nothing_along():
    """Without a separating clutch it opens by itself: engine and motor come to rest."""
    run = replayed(FIXED, wanted(15, -480), 2, OFF)
    assert run.launch_clutch.item() == 2
    assert run.engine_speed.item() == run.motor_speed.item() == run.motor_torque.item() == 0
    assert run.brake_torque.item() == -480 and run.battery_power.item() == 300
    held = varied(FIXED, clutches={"opens_when_coasting": False})
    run = replayed(held, wanted(15, -480), 2, OFF)
    assert run.launch_clutch.item() == 0 and run.engine_torque.item() == -20
    assert run.brake_torque.item() == pytest.approx(-480 + 24 * 6 / 0.96)  # 20, 2 and 2 N m


def test_open_clutch_is_a_choice_with_a_separating_clutch():
    assert replayed(PLAIN, wanted(15, -480), 2, OFF).launch_clutch.item() == 0
    car = varied(PLAIN, clutches={"opens_when_coasting": True})
    run = replayed(car, wanted(15, -480), 2, OFF)
    assert run.launch_clutch.item() == 2 and run.brake_torque.item() == -480
    assert replayed(car, wanted(15, -480), 2, OFF, -20.0).launch_clutch.item() == 0
    assert reasons(car, wanted(15, 480), 2, OFF)[0] == Reason.UNPOWERED_MISFIT


@pytest.mark.parametrize("torque", [0.0, -480.0])
def test_energy_closes_while_coasting(torque):
    run = replayed(FIXED, wanted(15, torque), 2, OFF)
    given = run.stored_power - run.battery_loss - run.auxiliary_power
    assert given.item() == pytest.approx(0, abs=1e-9)
    assert run.brake_power.item() == pytest.approx(-torque * 50)


def test_closing_the_clutch_again_is_counted():
    """From coasting to recuperating at 300 rad/s, motor and engine: 1/2 0.2 300^2 J."""
    want = wanted([15.0, 15.0], -480.0)
    plan = schedule([2, 2], [OFF, OFF], [0.0, -30.0])
    plan = dataclasses.replace(plan, powered=np.array([False, True]))
    totals = start_totals(FIXED, replay_schedule(FIXED, want, plan, 0.5))
    assert totals["reengaged_kJ"] == pytest.approx(0.5 * 0.2 * 300**2 / 1e3)
    still = replay_schedule(PLAIN, want, plan, 0.5)
    assert start_totals(PLAIN, still)["reengaged_kJ"] == 0  # the motor turned all the time
