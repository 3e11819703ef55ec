"""Maps from a few parameters: the Willans line and the loss polynomial, against closed forms."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from makers import ENGINE, MOTOR, RUNNING, plain_driveline, replayed, varied, wanted

from hybridopt.inputs.models import engine_maps, limited_torque, motor_maps

RPM = 2 * math.pi / 60
KWH = 3.6e6  # J


def test_limited_torque():
    """Constant 100 N m up to 20 kW / 100 N m = 200 rad/s, then 20 kW."""
    limit = limited_torque(100.0, 20e3, np.array([0.0, 100.0, 200.0, 400.0]))
    assert limit.values == pytest.approx([100, 100, 100, 50])


@given(st.floats(800, 6000), st.floats(0, 200), st.floats(0.1, 0.6), st.floats(0, 60))
def test_willans_map_is_exact_between_its_points(rpm, torque, efficiency, friction):
    """(T + friction) w / (e H); bilinear interpolation of a bilinear function is exact."""
    model = dataclasses.replace(ENGINE, marginal_efficiency=efficiency, friction_torque=friction)
    maps = engine_maps(model, 42_000.0)
    speed = rpm * RPM
    fuel = maps["fuel_map"].interp(speed=speed, torque=torque).item()
    assert fuel == pytest.approx((torque + friction) * speed / (efficiency * 42_000.0), rel=1e-9)
    assert (maps["overrun"] == -friction).all()


def test_engine_curves_span_its_speeds_and_limits():
    maps = engine_maps(dataclasses.replace(ENGINE, max_power=60e3), 42_000.0)
    for data in maps.values():
        assert data.speed.values[0] <= 800 * RPM
        assert data.speed.values[-1] == pytest.approx(6000 * RPM)
    assert maps["full_load"].max() == 200
    assert maps["full_load"].values[-1] * 6000 * RPM == pytest.approx(60e3)


def test_motor_loss_at_its_points():
    maps = motor_maps(dataclasses.replace(MOTOR, max_power=40e3))
    speed, torque = maps["loss_map"].speed, maps["loss_map"].torque
    assert np.allclose(maps["loss_map"], 100 + speed + 0.05 * torque**2, rtol=1e-14)
    assert (torque.values[0], torque.values[-1], speed.values[0]) == (-160, 160, 0)
    assert (maps["drag_torque"] == 2.0).all()
    assert maps["peak_torque"].values[0] == 160
    assert maps["peak_torque"].values[-1] == pytest.approx(40e3 / (7000 * RPM))


@pytest.mark.parametrize(
    ("slope", "heating_value", "efficiency"),
    [
        # Willans slopes, l/kWh: Commission Implementing Decision (EU) 2020/728, data file;
        # heating values, kWh/l: UN GTR 15 for petrol E0 and diesel B0, from memory;
        # efficiency in percent, computed: 1 / (slope x heating value)
        (0.264, 8.92, 42.5),
        (0.280, 8.92, 40.0),
        (0.220, 9.85, 46.1),
    ],
)
def test_willans_slope_of_the_eu(slope, heating_value, efficiency):
    """An engine of that efficiency burns slope litres more for each kWh more, in a whole step."""
    density = 750.0  # g/l, any: it cancels
    joule_per_gram = heating_value * KWH / density
    model = dataclasses.replace(ENGINE, marginal_efficiency=efficiency / 100)
    engine = engine_maps(model, joule_per_gram)
    car = varied(plain_driveline(), engine=engine, fuel={"heating_value": joule_per_gram})
    runs = [replayed(car, wanted(15, torque), 2, RUNNING) for torque in (200.0, 500.0)]
    litres = [run.fuel_rate.item() / density for run in runs]
    watts = [(run.engine_torque * run.engine_speed).item() for run in runs]
    found = (litres[1] - litres[0]) / (watts[1] - watts[0]) * KWH
    assert found == pytest.approx(slope, rel=2e-3)
    assert runs[0].fuel_power.item() == pytest.approx(litres[0] * heating_value * KWH)
