"""Temperature and budgets against closed forms of a first-order lag."""

import numpy as np
import pytest
from makers import RUNNING, constant_battery, plain_driveline, replayed, varied, wanted
from xarray import DataArray

from hybridopt import InputError, read_driveline
from hybridopt.base.nomenclature import THERMAL_TOTALS
from hybridopt.physics.thermal import (
    TOTAL_NAMES,
    Overload,
    Strain,
    battery_overload,
    clutch_temperature,
    lag,
    motor_overload,
    overload,
    strains,
    thermal_totals,
)

HEATED = {"heat_capacity": 2000.0, "oil_cooling": 40.0, "oil_temperature": 90.0}
CLUTCHES = varied(plain_driveline(), clutches=HEATED).clutches
TIME = 2000.0 / 40.0  # s, time constant of the clutch


def test_cooling_is_exponential():
    """Newton's law of cooling: half the excess is gone after τ ln 2."""
    temperature = clutch_temperature(CLUTCHES, np.zeros(2), np.full(2, TIME * np.log(2)), 190.0)
    np.testing.assert_allclose(temperature, [190.0, 140.0, 115.0], rtol=1e-13)


def test_heating_tends_to_loss_over_cooling():
    """T = T_oil + P / hA (1 - exp(-t / τ)), whatever the steps."""
    dt = np.random.default_rng(1).uniform(0.01, 5.0, 300)
    temperature = clutch_temperature(CLUTCHES, np.full(300, 4000.0), dt)
    passed = np.concatenate(([0.0], np.cumsum(dt)))
    np.testing.assert_allclose(
        temperature, 90.0 + 100.0 * (1.0 - np.exp(-passed / TIME)), rtol=1e-12
    )
    assert temperature[-1] == pytest.approx(190.0, abs=1e-3)


def test_without_cooling_all_heat_stays():
    """ΔT = E / C."""
    still = varied(plain_driveline(), clutches=HEATED | {"oil_cooling": 0.0}).clutches
    temperature = clutch_temperature(still, np.array([1000.0, 0.0, 3000.0]), np.array([2.0, 9, 1]))
    np.testing.assert_allclose(temperature, [90.0, 91.0, 91.0, 92.5], rtol=1e-14)


def test_energy_balance_of_the_clutch():
    """Stored + cooled = slip loss; the cooled part by quadrature over finely cut steps."""
    rng, cuts = np.random.default_rng(2), 2000
    loss, dt = rng.uniform(0.0, 20e3, 12) * (rng.random(12) < 0.5), rng.uniform(0.2, 8.0, 12)
    fine = np.repeat(dt / cuts, cuts)
    temperature = clutch_temperature(CLUTCHES, np.repeat(loss, cuts), fine)
    mean = 0.5 * (temperature[1:] + temperature[:-1]) - 90.0
    cooled, stored = 40.0 * float(mean @ fine), 2000.0 * (temperature[-1] - 90.0)
    assert loss.any() and stored + cooled == pytest.approx(float(loss @ dt), rel=1e-8)
    np.testing.assert_allclose(
        temperature[::cuts], clutch_temperature(CLUTCHES, loss, dt), rtol=1e-10
    )


def test_lag_agrees_with_an_ode_solver():
    """SciPy's DOP853 over steps of different gain and decay."""
    from scipy.integrate import solve_ivp

    rng = np.random.default_rng(3)
    gain, decay, dt = rng.normal(size=20), rng.uniform(0, 2, 20), rng.uniform(0.1, 2, 20)
    x = [0.7]
    for g, d, h in zip(gain, decay, dt, strict=True):
        run = solve_ivp(
            lambda _, y, g=g, d=d: g - d * y, (0, h), x[-1:], "DOP853", rtol=1e-11, atol=1e-13
        )
        x.append(float(run.y[0, -1]))
    np.testing.assert_allclose(lag(gain, decay, dt, 0.7), x, rtol=1e-8)


def curve(*torques):
    return DataArray(np.array(torques, dtype=float), {"speed": [0.0, 500.0]}, ("speed",))


MOTOR = varied(
    plain_driveline(), motor={"continuous_torque": curve(100.0, 50.0), "thermal_time": 60.0}
).motor


def test_continuous_torque_never_passes_the_budget():
    """It tends to 1 from below, at any speed and sign."""
    load = motor_overload(
        MOTOR, np.array([100.0, -100.0, 50.0, 75.0]), np.array([0.0, 0, 500, 250])
    )
    np.testing.assert_allclose(load.budget(np.full(4, 1e4))[1:], 1.0, rtol=1e-12)
    assert load.budget(np.full(4, 30.0)).max() < 1.0


def test_twice_the_continuous_torque_lasts_for_a_known_time():
    """4 (1 - exp(-t / τ)) = 1 at t = τ ln(4/3)."""
    load = motor_overload(MOTOR, np.array([200.0]), np.zeros(1))
    assert load.budget(np.array([60.0 * np.log(4 / 3)]))[-1] == pytest.approx(1.0, rel=1e-12)


def test_continuous_torque_is_cut_by_the_peak():
    weak = varied(plain_driveline(), motor={"continuous_torque": curve(1e4, 1e4)}).motor
    load = motor_overload(weak, np.array([160.0]), np.zeros(1))
    assert load.continuous == load.highest == pytest.approx([160.0])  # the motor's peak torque


def test_battery_has_a_limit_for_each_direction():
    """The limits are those of the direction of the power, derated."""
    battery = constant_battery(limit=40e3, continuous_share=0.5, derating=0.5, current_time=20.0)
    load = battery_overload(battery, np.array([20e3, -10e3]))
    np.testing.assert_allclose(load.highest, 20e3)
    np.testing.assert_allclose(load.continuous, 10e3)
    np.testing.assert_allclose(load.budget(np.full(2, 1e4))[1:], [4.0, 1.0], rtol=1e-12)


def test_clipping_goes_from_continuous_to_highest():
    load = Overload(np.full(3, 9.0), np.full(3, 2.0), np.full(3, 10.0), 1.0)
    np.testing.assert_allclose(load.clipped(np.array([0.0, 0.5, 1.0])).load, [2.0, 6.0, 9.0])


def test_nothing_continuous_is_no_division_by_zero():
    load = Overload(np.array([0.0, 5.0]), np.zeros(2), np.full(2, 9.0), 1.0)
    np.testing.assert_allclose(load.budget(np.full(2, 1e3)), [0.0, 0.0, 1e6])


def test_only_what_is_given_is_looked_at():
    demand = wanted(15, 480)
    plain = plain_driveline()
    assert list(strains(plain, replayed(plain, demand, 2, RUNNING))) == []
    known = varied(
        plain, clutches=HEATED, motor={"continuous_limit": 20.0}, battery={"continuous_share": 0.5}
    )
    trace = replayed(known, demand, 2, RUNNING, 40.0)
    found = {strain.name: strain for strain in strains(known, trace)}
    assert list(found) == ["clutch", "motor", "battery"] == list(TOTAL_NAMES)
    totals = thermal_totals(known, trace)
    assert set(totals) <= set(THERMAL_TOTALS)
    assert totals["clutch_peak_C"] == 90.0 and totals["clutch_over_s"] == 0.0
    assert totals["motor_budget_peak"] == pytest.approx(4.0 * -np.expm1(-1.0 / 60.0))
    assert overload(known, trace, "motor").load == pytest.approx([40.0])


def test_an_unpowered_motor_has_no_load():
    known = varied(plain_driveline(), motor={"continuous_limit": 20.0})
    trace = replayed(known, wanted(15, 480), 2, RUNNING)
    assert trace.motor_torque.values[0] < 0.0  # drag
    assert overload(known, trace, "motor").load == pytest.approx([0.0])


def test_limit_lies_above_the_oil():
    with pytest.raises(
        InputError, match="max_temperature_C: 80 must be above oil_temperature_C 90"
    ):
        read_driveline("full", {"clutches.max_temperature_C": 80})
    read = read_driveline("full", {"motor.thermal_time_s": 45, "battery.current_time_s": 12})
    assert (read.motor.thermal_time, read.battery.current_time) == (45.0, 12.0)
    assert read.clutches.heat_capacity == 1200.0  # J/K of 1.2 kJ/K


def test_time_over_counts_steps_that_end_above():
    strain = Strain(
        "clutch", np.array([90.0, 201.0, 199.0, 200.0 + 1e-9]), 200.0, np.array([2.0, 3.0, 4.0])
    )
    assert strain.over.tolist() == [True, False, False]
    assert (strain.peak, strain.over_s) == (201.0, 2.0)
