"""Fuel rate and loss from the other quantities: identities, undefined points, full-grid files."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hybridopt.base.errors import InputError
from hybridopt.base.units import RPM
from hybridopt.inputs.map_quantities import fill_fuel, fill_loss, fuel_rate, motor_loss
from hybridopt.inputs.maps import read_fuel_map, read_loss_map

HEAT = 42_900.0  # J/g
SPEEDS = np.array([0.0, 1000.0, 2000.0, 4000.0, 6000.0])  # rpm
TORQUES = np.array([-150.0, -60.0, -20.0, 0.0, 20.0, 70.0, 150.0])


def where(at):
    return f"bench.csv: line {at + 2}"


def one(value):
    return np.array([float(value)])


def fuel(column, value, speed=200.0, torque=100.0, heat=HEAT):
    return float(fuel_rate(column, one(value), one(speed), one(torque), heat, where)[0])


def loss(column, value, speed, torque):
    return float(motor_loss(column, one(value), one(speed), one(torque), where)[0])


def willans(speed, torque):
    """Return the fuel rate, g/s, of 40 % marginal efficiency and 20 N m of friction."""
    return speed * (torque + 20.0) / (0.4 * HEAT)


def polynomial(speed, torque):
    return 120.0 + 0.9 * speed + 0.07 * torque**2


def write(path, column, speeds, torques, values):
    rows = [f"speed_rpm,torque_Nm,{column}"]
    rows += [
        f"{n:g},{t:g},{values[i, j]:.17g}"
        for i, n in enumerate(speeds)
        for j, t in enumerate(torques)
    ]
    path.write_text("\n".join(rows) + "\n")
    return path


def grid(speeds, torques):
    return np.meshgrid(speeds * RPM, torques, indexing="ij")


# --- identities ---


def test_kilograms_per_hour():
    assert fuel("fuel_kg_per_h", 3.6) == pytest.approx(1.0, rel=1e-15)


def test_consumption_of_a_round_case():
    """250 g/kWh at 20 kW is 5 kg/h (by hand)."""
    assert fuel("bsfc_g_per_kWh", 250.0) == pytest.approx(5000.0 / 3600.0, rel=1e-14)


@given(st.floats(1.1, 60.0), st.floats(10.0, 120.0))
def test_consumption_is_3600_over_efficiency_and_heating_value(percent, heat):
    """b = 3600 / (eta H), H in MJ/kg and b in g/kWh (from the definitions of both)."""
    consumption = 3600.0 / (percent / 100.0 * heat)
    assert fuel("efficiency_percent", percent, heat=heat * 1e3) == pytest.approx(
        fuel("bsfc_g_per_kWh", consumption), rel=1e-13
    )


def test_motor_quantities_by_hand():
    """100 rad/s and 50 N m are 5 kW: 80 % takes 6.25 kW driving and gives 4 kW braking."""
    assert loss("efficiency_percent", 80.0, 100.0, 50.0) == pytest.approx(1250.0)
    assert loss("efficiency_percent", 80.0, 100.0, -50.0) == pytest.approx(1000.0)
    assert loss("electric_power_kW", 6.25, 100.0, 50.0) == pytest.approx(1250.0)
    assert loss("electric_power_kW", -4.0, 100.0, -50.0) == pytest.approx(1000.0)
    assert loss("efficiency_percent", -20.0, 100.0, -50.0) == pytest.approx(6000.0)
    assert loss("loss_kW", 1.25, 100.0, 50.0) == 1250.0
    assert loss("loss_W", 1250.0, 100.0, 50.0) == 1250.0


def test_quantities_of_shaft_power_say_nothing_without_it():
    assert np.isnan(fuel("bsfc_g_per_kWh", 500.0, torque=0.0))
    assert np.isnan(fuel("efficiency_percent", 0.0, torque=0.0))
    assert np.isnan(loss("efficiency_percent", 0.0, 100.0, 0.0))
    assert np.isnan(loss("efficiency_percent", 0.0, 0.0, 50.0))
    assert loss("electric_power_kW", 0.3, 0.0, 50.0) == 300.0


# --- full-grid files ---


@pytest.mark.parametrize(
    "column", ["fuel_g_per_s", "fuel_kg_per_h", "bsfc_g_per_kWh", "efficiency_percent"]
)
def test_fuel_map_comes_back_from_every_quantity(tmp_path, column):
    """Specific consumption and efficiency hold nothing at 0 N m: the Willans line does."""
    torques = np.array([0.0, 10.0, 40.0, 100.0])
    speed, torque = grid(SPEEDS[1:], torques)
    rate = willans(speed, torque)
    power = speed * torque
    with np.errstate(divide="ignore"):
        values = {
            "fuel_g_per_s": rate,
            "fuel_kg_per_h": rate * 3.6,
            "bsfc_g_per_kWh": np.where(power > 0, rate * 3.6e6 / power, 9999.0),
            "efficiency_percent": 100.0 * power / (rate * HEAT),
        }
    path = write(tmp_path / "fuel.csv", column, SPEEDS[1:], torques, values[column])
    made = read_fuel_map(path, HEAT)
    np.testing.assert_allclose(made.values, rate, rtol=1e-12)


@pytest.mark.parametrize("column", ["loss_W", "loss_kW", "electric_power_kW", "efficiency_percent"])
def test_loss_map_comes_back_from_every_quantity(tmp_path, column):
    """At 0 rpm and 0 N m an efficiency holds nothing; the polynomial is continued exactly."""
    speed, torque = grid(SPEEDS, TORQUES)
    lost, power = polynomial(speed, torque), speed * torque
    electric = power + lost
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(power > 0, power / electric, electric / power)
    values = {
        "loss_W": lost,
        "loss_kW": lost / 1e3,
        "electric_power_kW": electric / 1e3,
        "efficiency_percent": np.where(power == 0.0, 0.0, 100.0 * share),
    }
    path = write(tmp_path / "loss.csv", column, SPEEDS, TORQUES, values[column])
    made = read_loss_map(path)
    np.testing.assert_allclose(made.values, lost, rtol=1e-11)


def test_the_first_column_of_the_order_is_taken(tmp_path):
    path = tmp_path / "fuel.csv"
    rows = [f"{n},{t},250,{n * t * 1e-5}" for n in (1000, 2000) for t in (0, 50, 100)]
    path.write_text("speed_rpm,torque_Nm,bsfc_g_per_kWh,fuel_g_per_s\n" + "\n".join(rows) + "\n")
    assert float(read_fuel_map(path, HEAT)[1, 2]) == 2.0


def test_filled_entries_are_never_negative():
    steep = np.array([[np.nan, 1.0, 9.0]])
    assert fill_fuel(np.array([0.0, 10.0, 20.0]), steep)[0, 0] == 0.0
    lost = np.array([[np.nan] * 4, [9.0, np.nan, 1.0, 50.0], [90.0, np.nan, 1.0, 50.0]])
    filled = fill_loss(np.array([0.0, 1.0, 2.0]), np.array([-10.0, 0.0, 10.0, 20.0]), lost)
    assert np.isfinite(filled).all() and filled.min() == 0.0


# --- refusals ---


@pytest.mark.parametrize(
    "column, value, words",
    [
        ("fuel_g_per_s", -1.0, "line 2: fuel_g_per_s is -1; allowed is 0 or more"),
        ("bsfc_g_per_kWh", -9.0, "line 2: bsfc_g_per_kWh is -9; allowed is 0 or more"),
        ("efficiency_percent", 0.0, "efficiency_percent is 0; allowed is above 0, up to 100"),
        ("efficiency_percent", 101.0, "efficiency_percent is 101; allowed is above 0, up to 100"),
        ("efficiency_percent", 0.35, "no value is above 1; write percent, 35 for a share of 0.35"),
    ],
)
def test_engine_refusals(column, value, words):
    with pytest.raises(InputError) as caught:
        fuel(column, value)
    assert words in str(caught.value)


def test_an_efficiency_needs_the_heating_value():
    with pytest.raises(InputError, match="needs the heating value"):
        fuel("efficiency_percent", 35.0, heat=None)


def test_motor_refusals():
    with pytest.raises(InputError, match="efficiency_percent is 101; allowed is above 0"):
        loss("efficiency_percent", 101.0, 100.0, 50.0)
    with pytest.raises(InputError, match="efficiency_percent is 101; allowed is 100 or less"):
        loss("efficiency_percent", 101.0, 100.0, -50.0)


def test_file_without_a_known_column_is_refused(tmp_path):
    path = tmp_path / "fuel.csv"
    path.write_text("speed_rpm,torque_Nm,verbrauch\n1000,0,1\n")
    with pytest.raises(InputError, match="column fuel_g_per_s is missing") as caught:
        read_fuel_map(path, HEAT)
    assert "give the fuel as fuel_g_per_s or fuel_kg_per_h or bsfc_g_per_kWh" in str(caught.value)


def test_a_grid_too_small_to_fill_is_refused(tmp_path):
    path = tmp_path / "fuel.csv"
    rows = "speed_rpm,torque_Nm,bsfc_g_per_kWh\n1000,0,0\n1000,50,250\n2000,0,0\n2000,50,250\n"
    path.write_text(rows)
    with pytest.raises(InputError, match="needs at least 2 engine torques above 0 Nm"):
        read_fuel_map(path, HEAT)


def test_the_place_of_a_bad_value_on_a_grid_is_named(tmp_path):
    torques = np.array([0.0, 50.0, 100.0])
    values = np.full((2, 3), 250.0)
    values[1, 2] = -3.0
    path = write(tmp_path / "fuel.csv", "bsfc_g_per_kWh", np.array([1000, 2000]), torques, values)
    with pytest.raises(InputError, match="speed_rpm 2000, torque_Nm 100: bsfc_g_per_kWh is -3"):
        read_fuel_map(path, HEAT)
