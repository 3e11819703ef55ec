"""Forward run of a schedule: battery, charge and energy."""

import dataclasses
import math

import numpy as np
import pytest
from cases import bumpy
from hypothesis import given, settings
from hypothesis import strategies as st
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

from hybridopt.base.errors import InfeasibleError
from hybridopt.base.nomenclature import SINKS, SOURCES
from hybridopt.physics.codes import Reason
from hybridopt.physics.energy_balance import energy_residual
from hybridopt.physics.modes import Mode
from hybridopt.physics.operating_points import all_points
from hybridopt.physics.replay import replay_schedule
from hybridopt.physics.schedule import Schedule

PLAIN = plain_driveline()


def at_rest(watts, **battery):
    """Return a run of a minute at rest whose battery gives a constant power."""
    car = varied(PLAIN, auxiliary={"power": watts}, battery=battery)
    return replayed(car, wanted(np.zeros(60), 0.0), 1, OFF)


# --- battery ---


@pytest.mark.parametrize(
    ("watts", "current", "loss"),
    # U = 250 V, R = 0.15 ohm; closed form I = (U - sqrt(U^2 - 4 R P)) / (2 R), loss R I^2
    [(20e3, 84.26, 1065), (-20e3, -76.49, 878), (60e3, 290.71, 0.15 * 290.71**2), (0.0, 0.0, 0.0)],
)
def test_battery_current(watts, current, loss):
    run = at_rest(watts)
    assert run.battery_current.values == pytest.approx(current, abs=0.005)
    assert run.battery_loss.values == pytest.approx(loss, rel=1e-3, abs=0.01)
    assert run.stored_power.values == pytest.approx(watts + loss, rel=1e-4, abs=0.01)
    terminal = run.battery_voltage * run.battery_current
    assert terminal.values == pytest.approx(watts, rel=1e-12)


def test_power_beyond_the_voltage_is_refused():
    """U^2 / 4 R = 104.167 kW; there I = U / 2 R = 833.3 A."""
    assert at_rest(104.166e3).battery_current.values == pytest.approx(250 / 0.3, rel=5e-3)
    with pytest.raises(InfeasibleError, match=r"cannot take 104.2 kW at 0 s, SoC 0.500"):
        at_rest(104.167e3)


@pytest.mark.parametrize("watts", [5001.0, -5001.0])
def test_power_beyond_the_table_is_refused(watts):
    table = constant_battery(limit=5e3).table
    at_rest(np.sign(watts) * 5e3, table=table)
    with pytest.raises(InfeasibleError, match=f"cannot take {watts / 1e3:.1f} kW"):
        at_rest(watts, table=table)


@given(st.floats(-40e3, 40e3), st.floats(0.9, 1.0))
@settings(max_examples=50)
def test_charge_is_counted(watts, efficiency):
    """SoC falls by the integral of current over capacity; charging loses the coulombic share."""
    run = at_rest(watts, coulombic_efficiency=efficiency)
    current = run.battery_current.values
    counted = np.where(current < 0, efficiency * current, current)
    soc = 0.5 - np.concatenate(([0], np.cumsum(counted * run.dt.values))) / 36_000
    assert run.soc.values == pytest.approx(soc[:-1], abs=1e-12)
    assert run.attrs["soc_end"] == pytest.approx(soc[-1], abs=1e-12)
    lost = run.stored_power - run.battery_power - run.battery_loss
    assert lost.values == pytest.approx(0, abs=1e-6)


def test_resistance_follows_the_direction():
    table = constant_battery().table.copy()
    table.loc[{"quantity": "resistance_charge"}] = 0.30
    assert at_rest(20e3, table=table).battery_loss.values[0] == pytest.approx(1065, rel=1e-3)
    charging = at_rest(-20e3, table=table)
    amperes = (250 - np.sqrt(250**2 + 4 * 0.30 * 20e3)) / (2 * 0.30)
    assert charging.battery_current.values == pytest.approx(amperes)


def test_voltage_follows_the_soc():
    """Linear in SoC from 200 V to 300 V: 250 V at the start, less after."""
    table = constant_battery(resistance=0.0).table.copy()
    table.loc[{"quantity": "open_circuit_voltage"}] = np.array([200.0, 250.0, 300.0])
    run = at_rest(25e3, table=table)
    assert run.battery_current.values[0] == pytest.approx(100)
    assert run.battery_voltage.values == pytest.approx(200 + 100 * run.soc.values)


# --- energy ---


CASES = [
    (wanted(15, 480, 0.6), 2, OFF, 480 / 5.76 + 2 + 0.6),
    (wanted(15, 480, 0.6), 2, RUNNING, 30.0),
    (wanted(15, 480, 0.6, dt=0.8), 2, STARTING, 50.0),
    (wanted(15, 480), 3, RUNNING, None),
    (wanted(15, -480, -0.6), 2, OFF, -30.0),
    (wanted(15, -900, -1.2), 2, OFF, None),
    (wanted(15, -480, -0.6), 1, RUNNING, -30.0),
    (wanted(1, 570, 0.3), 1, RUNNING, -20.0),
    (wanted(1, -570, -0.3), 1, RUNNING, -20.0),
    (wanted(0, 0), 1, STARTING, -20.0),
]


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("separating", [True, False])
def test_energy_closes_in_every_step(case, separating):
    """What goes in comes out, exactly, in every kind of step."""
    demand, gear, engine_class, torque = case
    car = varied(
        PLAIN,
        clutches={"separating_clutch": separating},
        battery={"coulombic_efficiency": 0.98},
        vehicle={"recuperation_share": 0.7},
    )
    if torque is not None and engine_class == OFF and not separating:
        torque += 20 + 0.15 * demand.acceleration[0] * 20  # the engine is dragged along
    run = replayed(car, demand, gear, engine_class, torque)
    given = sum(run[name].item() for name in SOURCES)
    taken = sum(run[name].item() for name in SINKS)
    assert given == pytest.approx(taken, rel=1e-12, abs=1e-8)
    for name in ("motor_loss", "battery_loss", "clutch_loss", "gearbox_loss", "brake_power"):
        assert run[name].item() >= 0
    assert abs(energy_residual(run)) < 1e-12


KINDS = {
    "pumped": {"clutches": {"oil_pump_power": 80.0}, "gearbox": {"transfer_efficiency": 0.97}},
    "dragged": {"clutches": {"separating_clutch": False}, "start": {"starter": True}},
    "open": {"clutches": {"opens_when_coasting": True}, "start": {"duration": 0.1}},
    "input pump": {
        "clutches": {"electric_oil_pump": False, "pump_speed": 60.0, "full_pressure_speed": 200.0}
    },
}


@pytest.mark.parametrize("kind", list(KINDS))
@pytest.mark.parametrize("dt", [0.2, 1.0])
def test_energy_closes_in_every_admissible_point(kind, dt):
    """Any gear, engine class and split of a drive with stops, launches and braking."""
    strong = {"table": constant_battery(2000.0).table}  # which takes any power
    car, random = varied(PLAIN, battery=strong, **KINDS[kind]), np.random.default_rng(5)
    want = dataclasses.replace(
        bumpy(400, seed=7), dt=np.full(400, dt), fuel_factor=random.uniform(1.0, 1.5, 400)
    )
    points = all_points(car, want, 9)
    chosen = [random.choice(np.argwhere(p == Reason.FEASIBLE)) for p in points.reason]
    gear, engine_class, split = np.transpose(chosen)
    torque = points.motor_torque[np.arange(400), gear, engine_class, split]
    run = replay_schedule(car, want, Schedule(gear, engine_class, torque, split > 0), 0.5)
    given = sum(run[name].values for name in SOURCES)
    taken = sum(run[name].values for name in SINKS)
    np.testing.assert_allclose(given, taken, rtol=1e-9, atol=1e-6)
    assert set(engine_class) == {OFF, RUNNING, STARTING} and (split == 0).any()
    for name in ("motor_loss", "clutch_loss", "gearbox_loss", "brake_power", "start_power"):
        assert run[name].values.min() >= -1e-9


def test_energy_residual_notices_a_lost_joule():
    """1 % of the fuel power gone from the books is 1 % of the throughput, the battery at rest."""
    run = replayed(varied(PLAIN, auxiliary={"power": 0.0}), wanted(15, 480), 2, RUNNING)
    assert abs(energy_residual(run)) < 1e-12
    less = run.assign(engine_loss=run.engine_loss - 0.01 * run.fuel_power)
    assert energy_residual(less) == pytest.approx(0.01, rel=1e-9)


def test_shifting_down_gives_no_energy():
    """Shafts that end at rest gave what they held at the start and what the shift paid for.

    Steady in third gear, 50 rad/s x 3: the rotor holds 1/2 0.05 150^2 = 563 J. Braking from
    15 m/s to rest in first gives back 1/2 0.05 600^2 = 9000 J.
    """
    want = wanted([15.0, 7.5], [0.0, -1500.0], [0.0, -7.5], dt=2.0)
    run = replay_schedule(PLAIN, want, schedule([3, 1], OFF, [3.0, -100.0]), 0.5, gear_start=3)
    given = -(run.shaft_inertia_power * run.dt).sum().item()
    assert given == pytest.approx(0.5 * 0.05 * 600**2)
    paid = (run.shift_power * run.dt).sum().item() * PLAIN.gearbox.shift_efficiency
    assert given == pytest.approx(0.5 * 0.05 * 150**2 + paid)
    assert run.fuel_power.values[1] == pytest.approx(run.shift_power.values[1])


def test_shifting_up_gives_nothing_back():
    want = wanted([15.0, 15.0], [480.0, 480.0])
    run = replay_schedule(PLAIN, want, schedule([2, 3], RUNNING), 0.5, gear_start=2)
    assert (run.shift_power == 0.0).all()


# --- what a run carries ---


def test_columns_of_a_run():
    want = wanted([0.0, 15.0, 15.0, 15.0], [0.0, 480.0, 480.0, -480.0], dt=[1.0, 0.5, 2.0, 1.0])
    plan = Schedule(
        gear=np.array([0, 1, 1, 1]),
        engine_class=np.array([OFF, STARTING, RUNNING, OFF]),
        motor_torque=np.array([0.0, 480 / 5.76 + 2, -20.0, -40.0]),
        powered=np.array([False, True, True, True]),
    )
    run = replay_schedule(PLAIN, want, plan, 0.6, costate=np.arange(4.0))
    assert run.time.values.tolist() == [0, 1, 1.5, 3.5]
    assert run.gear.values.tolist() == [1, 2, 2, 2]
    assert run.engine_on.values.tolist() == [0, 1, 1, 0]
    assert run.engine_start.values.tolist() == [0, 1, 0, 0]
    assert run.costate.values.tolist() == [0, 1, 2, 3]
    assert run.soc.values[0] == 0.6
    labels = (Mode.STANDSTILL, Mode.ENGINE_PULL_START, Mode.LOAD_POINT_SHIFT, Mode.REGEN)
    assert run.mode.values.tolist() == list(labels)
    assert run.attrs["soc_end"] != run.soc.values[-1]
    for name in ("speed", "acceleration", "wheel_speed", "wheel_torque", "dt"):
        assert np.array_equal(run[name].values, getattr(want, name))


def test_costate_is_unknown_unless_given():
    assert np.isnan(replayed(PLAIN, wanted(15, 480), 2, RUNNING).costate).all()


def test_start_fuel_is_in_the_fuel_rate():
    """0.2 g over the half second that the start takes are 0.4 g/s; the engine gives nothing yet."""
    run = replayed(PLAIN, wanted(15, 480, dt=0.5), 2, STARTING, 480 / 5.76 + 2)
    assert run.fuel_rate.item() == pytest.approx(0.4) and run.engine_torque.item() == 0


def test_step_that_cannot_be_driven_is_named():
    want = wanted([15.0, 15.0], [480.0, 5000.0], dt=2.0)
    with pytest.raises(InfeasibleError, match="cannot be driven at 2 s in gear 2: engine torque l"):
        replayed(PLAIN, want, 2, RUNNING)


@pytest.mark.parametrize("dt", [0.05, 0.1, 0.125, 0.3, 0.5, 1.0, 3.0])
def test_start_draws_its_energy_over_its_duration_at_least(dt):
    """A start of 0.5 s never takes more than its mean power, however short the steps are."""
    energy = replayed(PLAIN, wanted(0, 0), 1, STARTING).start_power.item() * 1.0
    run = replayed(PLAIN, wanted(0, 0, dt=dt), 1, STARTING, 0.0)
    steps = math.ceil(0.5 / dt)
    assert run.start_power.item() <= energy / 0.5 * (1 + 1e-9)
    assert run.start_power.item() * steps * dt == pytest.approx(energy, rel=1e-12)
