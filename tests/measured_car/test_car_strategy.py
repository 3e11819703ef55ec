"""A car's rules estimated from its log: known tables come back, and drive like the original."""

import dataclasses

import numpy as np
import pytest
from car_log import Logger, hilly, record
from traced_log import driven_truth

from hybridopt import InputError, Settings, read_cycle, strategy
from hybridopt.base.units import KM_PER_H, KW
from hybridopt.controllers.maps import Map
from hybridopt.distillation.split import electric_limit
from hybridopt.evaluation.case import Case, score
from hybridopt.measured_car.boundaries import fit_boundary, fit_surface, grid_weights, nearest_known
from hybridopt.physics.plant import pack
from hybridopt.pipeline import find_optimum
from hybridopt.tables.files import read_rule_set, write_json
from hybridopt.tables.rule_table import RuleTable
from hybridopt.tables.shape_faults import shape_faults
from hybridopt.text.car_strategy import strategy_record, strategy_text

SETTINGS = Settings(soc_points=201, splits=15)
CLEAN = Logger(noise=0.0, quanta=False, delay=0.0)


def plain_rules(driveline):
    """Thresholds that fall with speed, a split that rises with torque, lines of one shaft speed."""
    speeds, socs = np.array([0.0, 15.0, 40.0]), np.array([0.3, 0.9])
    start = np.array([[14.0, 14.0], [9.0, 9.0], [5.0, 5.0]]) * KW
    inputs, wanted = np.array([80.0, 650.0]), np.array([-100.0, 0.0, 100.0, 300.0])
    torque = np.array([-100.0, -30.0, 0.0, 100.0])[None, :, None] * np.ones((2, 1, 2))
    gears, torques = np.arange(1.0, 9.0), np.array([-500.0, 0.0, 1000.0])
    shape, ratio = np.ones((1, 3, 2)), pack(driveline).ratio
    radius = driveline.vehicle.wheel_radius
    up = (200.0 * radius / ratio)[:, None, None] * shape
    down = (115.0 * radius / ratio)[:, None, None] * shape
    up[-1], down[0] = 1e3, -1.0
    return RuleTable(
        min_on=3.0,
        min_off=3.0,
        min_gear=2.0,
        engine_start=Map((speeds, socs), start),
        engine_stop=Map((speeds, socs), 0.3 * start),
        electric_limit=Map((inputs,), electric_limit(driveline, inputs)),
        motor_torque=Map((inputs, wanted, socs), torque),
        shift_up=Map((gears, torques, np.array([0.0, 1.0])), up),
        shift_down=Map((gears, torques, np.array([0.0, 1.0])), down),
    )


@pytest.fixture(scope="module")
def driven(driveline):
    """A log of a car that is driven by known tables, and those."""
    table = plain_rules(driveline)
    cycle = hilly(read_cycle("nedc"))
    car, truth = driven_truth(driveline, cycle, table, SETTINGS)
    return table, record(car, CLEAN), truth, cycle


@pytest.fixture(scope="module")
def found(driveline, driven):
    return strategy([driven[1]], driveline)


def at(table, name, axes):
    """Return a known table's values at the nodes of another."""
    known = getattr(table, name)
    grid = np.meshgrid(*axes, indexing="ij")
    weights = grid_weights([x.ravel() for x in grid], known.axes)
    return (weights @ known.values.ravel()).reshape(grid[0].shape)


@pytest.mark.long
def test_tables_come_back_where_the_data_reach(driven, found):
    """Median over the entries with 8 s of data."""
    for name, near in (("engine_start", 2.5 * KW), ("motor_torque", 8.0)):
        table = found.rules.map(name)
        used = found.rules.coverage[name].visits > 8.0
        off = np.abs(table.values - at(driven[0], name, table.axes))[used]
        assert used.sum() >= 5
        assert np.median(off) < near, name


def test_constants_and_agreement(found):
    assert found.rules.table.min_on == pytest.approx(3.0, abs=2.0)
    assert found.agreement["engine"] > 0.97 and found.agreement["gear"] > 0.9
    assert found.scatter["engine_start"] < 2.0 * KW


def test_they_drive_like_the_original(driveline, driven, found):
    """Fuel at equal SoC within 3 % of the known tables' on the drive they were estimated from."""
    table, _, _, cycle = driven
    case = Case(find_optimum(cycle, driveline, SETTINGS))
    known, again = (score(case, "x", one, None) for one in (table, found.rules.table))
    assert again.fuel_equal_g == pytest.approx(known.fuel_equal_g, rel=0.03)
    assert again.starts == pytest.approx(known.starts, abs=5)


def test_what_no_data_reached_is_marked(found):
    filled = found.rules.coverage["engine_start"].filled
    assert filled.any() and not filled.all()
    for name in found.rules.coverage:
        assert np.isfinite(found.rules.map(name).values).all()


def test_they_are_rule_tables_like_any(found, tmp_path):
    write_json(found.rules, tmp_path / "rules.json")
    again = read_rule_set(tmp_path / "rules.json")
    assert again.gears == 8 and not again.origin.edited
    text = strategy_text(found)
    assert max(map(len, text.splitlines())) <= 80
    assert strategy_record(found)["tables"]["engine_start"]["with_data"] > 0


def test_all_values_are_ones_that_the_vehicle_has(driveline, found):
    """Where no data reach, lines ran on straight: to 0 km/h, and stops to -180 kW."""
    assert found.rules.origin.shape.in_range
    assert not shape_faults(found.rules, driveline)


def test_an_unknown_entry_takes_the_nearest_known_one():
    values, known = np.array([[1.0, 9.0, 9.0], [9.0, 9.0, 2.0]]), np.zeros((2, 3), dtype=bool)
    known[0, 0] = known[1, 2] = True
    np.testing.assert_array_equal(nearest_known(values, known)[:, [0, 2]], [[1, 2], [1, 2]])
    np.testing.assert_array_equal(nearest_known(values, ~known | known), values)


def test_a_log_without_starts_is_refused(driveline, driven):
    recording = driven[1]
    still = {**recording.channels, "engine_speed": np.zeros(recording.time.size)}
    with pytest.raises(InputError, match="never starts or never stops"):
        strategy([dataclasses.replace(recording, channels=still)], driveline)
    with pytest.raises(InputError, match="one log or more"):
        strategy([], driveline)


def test_boundary_of_a_known_logistic():
    """Decisions drawn from a logistic law give its threshold and spread back, within 10 %."""
    random = np.random.default_rng(1)
    place, x = random.uniform(0.0, 10.0, 4000), random.uniform(0.0, 20.0, 4000)
    threshold, spread = 5.0 + 0.8 * place, 0.8
    yes = random.random(4000) < 1.0 / (1.0 + np.exp(-(x - threshold) / spread))
    axes = (np.linspace(0.0, 10.0, 6),)
    found = fit_boundary(x, yes, [place], axes, (False,))
    assert found.values == pytest.approx(5.0 + 0.8 * axes[0], abs=0.5)
    assert found.spread == pytest.approx(spread, rel=0.15)


@pytest.mark.parametrize("seed", range(4))
def test_boundary_of_rare_decisions_without_a_threshold_stays_near_the_data(seed):
    """One decision in 500, at any x: their likelihood has no maximum at a finite threshold."""
    random = np.random.default_rng(seed)
    x, place = random.uniform(0.0, 10.0, 4000), random.uniform(0.0, 1.0, 4000)
    yes = random.random(4000) < 0.002
    found = fit_boundary(x, yes, [place], (np.array([0.0, 0.5, 1.0]),), (False,))
    assert yes.any() and not yes.all()
    assert found.values.min() > -20.5 and found.values.max() < 30.5
    assert found.spread < 10.5


def test_surface_passes_over_outliers():
    random = np.random.default_rng(2)
    x, y = random.uniform(0.0, 1.0, (2, 3000))
    z = 3.0 * x - 2.0 * y + random.normal(0.0, 0.01, 3000)
    z[::20] += 50.0
    axes = (np.linspace(0.0, 1.0, 4), np.linspace(0.0, 1.0, 3))
    found = fit_surface(z, [x, y], axes, (False, False), 1e-3)
    wanted = 3.0 * axes[0][:, None] - 2.0 * axes[1]
    assert found.values == pytest.approx(wanted, abs=0.05)


def test_shift_lines_have_the_speeds_of_the_car(driveline, driven, found):
    """Up lines of the gears that were left often, with the motor alone: within 3 km/h."""
    table = found.rules.map("shift_up")
    known = at(driven[0], "shift_up", table.axes)
    used = found.rules.coverage["shift_up"].visits[1:5, :, 0] > 10.0
    off = np.abs(table.values - known)[1:5, :, 0][used]
    assert used.any() and np.median(off) < 3.0 * KM_PER_H
