"""Electric load over time, ambient and engine state, and the electric pump, by hand."""

import dataclasses

import numpy as np
import pytest
from makers import OFF, RUNNING, STARTING, plain_driveline, replayed, varied, wanted
from xarray import DataArray

from hybridopt import Cycle, InputError, read_cycle, read_driveline, solve_cycle
from hybridopt.base.units import BAR, L_PER_MIN
from hybridopt.inputs.auxiliary import Auxiliary
from hybridopt.inputs.coverage import check_driveline
from hybridopt.inputs.cycle_writing import save_cycle
from hybridopt.physics.demand import drive_demand
from hybridopt.physics.energy_balance import energy_residual

PLAIN = plain_driveline()  # 300 W, total ratios 12, 6, 3
TABLE = DataArray(
    [[2000.0, 400.0, 1200.0], [600.0, 400.0, 900.0]],
    {"engine": ["off", "on"], "ambient": [-10.0, 20.0, 40.0]},
    ("engine", "ambient"),
)


def cycle(**conditions):
    """Three steps of 1, 2 and 1 s."""
    return Cycle("small", np.array([0.0, 1.0, 3.0, 4.0]), np.full(4, 15.0), **conditions)


def loads(driveline, **conditions):
    demand = drive_demand(driveline, cycle(**conditions))
    return demand.auxiliary_off.tolist(), demand.auxiliary_on.tolist()


def test_load_is_the_cycles_else_the_tables_else_the_constant():
    """Means of the ends of each step; the table linear, level beyond its ends (by hand)."""
    car = varied(PLAIN, auxiliary={"table": TABLE})
    off, on = loads(car, ambient_temperature=[5.0, 5.0, np.nan, 60.0])
    assert off[0] == 1200.0 and on[0] == 500.0 and np.isnan([*off[1:], *on[1:]]).all()
    off, on = loads(varied(car, auxiliary={"ambient_temperature": 50.0}))
    assert off == [1200.0] * 3 and on == [900.0] * 3
    off, on = loads(car, ambient_temperature=-40.0, auxiliary_power=[0.0, 500.0, 1500.0, np.nan])
    assert off == [250.0, 1000.0, 2000.0]
    assert on == [250.0, 1000.0, 600.0]
    assert np.isnan(np.ravel(loads(PLAIN, ambient_temperature=5.0))).all()


@pytest.mark.parametrize(("engine", "load"), [(OFF, 900.0), (RUNNING, 200.0), (STARTING, 200.0)])
def test_load_goes_by_the_state_of_the_engine(engine, load):
    want = dataclasses.replace(
        wanted([15.0, 15.0], [480.0, 480.0]),
        auxiliary_off=np.array([np.nan, 900.0]),
        auxiliary_on=np.array([np.nan, 200.0]),
    )
    run = replayed(PLAIN, want, 2, engine, 480 / 5.76 + 2)
    assert run.auxiliary_power.values.tolist() == [300.0, load]
    change = np.diff(run.battery_power.values).item()
    assert change == pytest.approx(load - 300.0) and energy_residual(run) < 1e-12


PUMP = {
    "oil_flow": 9.0 * L_PER_MIN,
    "oil_pressure_low": 4 * BAR,
    "oil_pressure_high": 16 * BAR,
    "oil_pump_efficiency": 0.6,
}


@pytest.mark.parametrize("torque", [480.0, 0.0])
@pytest.mark.parametrize(("takeover", "missing"), [(None, 1.0), (400.0, 0.25), (300.0, 0.0)])
def test_pump_draws_by_pressure_and_flow(torque, takeover, missing):
    """P = p Q / efficiency (closed form): the input turns at 300 rad/s and carries the torque."""
    car = varied(PLAIN, clutches=PUMP | {"pump_takeover_speed": takeover})
    run = replayed(car, wanted(15, torque), 2, OFF, torque / 5.76 + 2)
    pressure = 4.0 + 12.0 * (torque / 5.76 + 2) / 150.0
    power = pressure * 1e5 * 9e-3 / 60.0 / 0.6
    assert run.auxiliary_power.item() == pytest.approx(300.0 + missing * power, rel=1e-9)
    assert energy_residual(run) < 1e-12
    running = replayed(car, wanted(15, 480), 2, RUNNING, 10.0)
    assert running.auxiliary_power.item() == 300.0
    assert replayed(car, wanted(0, 0), 1, OFF).auxiliary_power.item() == 300.0


def test_a_pump_of_constant_power_is_relieved_too():
    car = varied(PLAIN, clutches={"oil_pump_power": 80.0, "pump_takeover_speed": 400.0})
    run = replayed(car, wanted(15, 480), 2, OFF, 480 / 5.76 + 2)
    assert run.auxiliary_power.item() == pytest.approx(320.0)


@pytest.mark.long
def test_a_pump_is_worth_what_practice_says():
    """Where the motor does not drive alone, up to about 1.5 % (common practice, no source)."""
    cost = []
    for changes in ({}, {"electric_oil_pump": True, "oil_pump_power_W": 60.0}):
        car = read_driveline("mild", {f"clutches.{key}": value for key, value in changes.items()})
        cost.append(solve_cycle(read_cycle("udds"), car).cost_g)
    assert 0.003 < 1.0 - cost[1] / cost[0] < 0.015


# --- files ---


def test_conditions_of_a_cycle_go_there_and_back(tmp_path):
    made = cycle(ambient_temperature=[-7.0, 0.0, 1.0, 2.0], auxiliary_power=[0.0, 250.0, 1e3, 2e3])
    save_cycle(made, tmp_path / "drive.csv")
    found = read_cycle(tmp_path / "drive.csv")
    assert "auxiliary_power_kW" in (tmp_path / "drive.csv").read_text()
    assert found.sha256 == made.sha256 != cycle().sha256
    part = found.cut(0.5, 2.0)
    assert part.auxiliary_power.tolist() == [125.0, 250.0, 625.0]
    with pytest.raises(InputError, match="auxiliary_power_kW is -1; allowed is 0 to 100 kW"):
        cycle(auxiliary_power=-1000.0)
    with pytest.raises(InputError, match="ambient_temperature_C is 61; allowed is -60 to 60 degC"):
        cycle(ambient_temperature=61.0)


def test_table_of_loads_is_read_and_refused(tmp_path):
    rows = "ambient_temperature_C,power_off_kW,power_on_kW\n-10,2,0.6\n20,0.4,0.4\n"
    (tmp_path / "load.csv").write_text(rows)
    text = 'base = "full"\n[auxiliary]\ntable_csv = "load.csv"\nambient_temperature_C = 5\n'
    (tmp_path / "car.toml").write_text(text)
    found = read_driveline(tmp_path / "car.toml").auxiliary
    assert found.loads(np.array([np.nan, 20.0])).tolist() == [[1200.0, 400.0], [500.0, 400.0]]
    order = "ambient_temperature_C: 20 follows 20 in data row 3"
    wrong = {"30,-1,0": "power_off_kW is -1; a load is 0 or more", "20,1,1": order}
    for row, words in wrong.items():
        (tmp_path / "load.csv").write_text(rows + row)
        with pytest.raises(InputError, match=words):
            read_driveline(tmp_path / "car.toml")


def test_pressures_in_the_wrong_order_are_refused():
    car = varied(PLAIN, clutches={"oil_pressure_low": 20 * BAR})
    with pytest.raises(InputError, match=r"oil_pressure_high_bar: 15 is below .* 20; swap them"):
        check_driveline(car)


def test_loads_without_a_table_are_not_known():
    assert np.isnan(Auxiliary(power=1.0, ambient_temperature=5.0).loads(np.zeros(2))).all()
