"""Tables within limits on their shape: against linear programs, brute force and all exports."""

import dataclasses
import functools
import itertools

import numpy as np
import pytest
from makers import plain_driveline
from rule_tables import hand_made, written
from scipy.optimize import linprog

from hybridopt import ShapeLimits, read_rule_set, shape_faults
from hybridopt.base.errors import InputError
from hybridopt.base.units import KM_PER_H, KW
from hybridopt.controllers.maps import Map
from hybridopt.distillation.lines import _rising
from hybridopt.distillation.plan import HeldCells, TablePlan, read_table_plan
from hybridopt.distillation.shaping import HeldCell, Shaper
from hybridopt.exports.c_code import as_int16
from hybridopt.tables.cell_relations import GROUPS, bound_cells, vehicle_range
from hybridopt.tables.rule_set import RuleSet
from hybridopt.tables.rule_table import LAYOUT

TIGHT = ShapeLimits(
    hysteresis=3.0 * KM_PER_H,
    power_hysteresis=2.0 * KW,
    speed_step=9.0 * KM_PER_H,
    power_step=5.0 * KW,
    gear_time=1.5,
)
AXES = {name: hand_made().map(name).axes for name in LAYOUT}
DRIVELINE = plain_driveline()


@functools.cache
def vehicle():
    """Return what the driveline can reach; not while tests are collected, as kernels compile."""
    return vehicle_range(DRIVELINE)


def drawn(seed):
    """Return tables far outside of all limits."""
    random = np.random.default_rng(seed)
    spread = {"shift": 40.0, "engine": 3e4, "electric": 300.0, "motor": 300.0}
    return {
        name: spread[name.split("_")[0]] * random.normal(0.4, 1.0, [axis.size for axis in axes])
        for name, axes in AXES.items()
    }


def rules(values, limits=TIGHT):
    maps = {name: Map(AXES[name], values[name]) for name in LAYOUT}
    made = hand_made()
    origin = dataclasses.replace(made.origin, shape=limits)
    return RuleSet.made(origin, made.constants, maps)


def as_float32(rule_set):
    """Return the tables that the C code in float32 holds."""
    found = {
        name: Map(tuple(x.astype(np.float32).astype(float) for x in one.axes), kept)
        for name, one in rule_set.maps.items()
        for kept in [one.values.astype(np.float32).astype(float)]
    }
    return RuleSet.made(rule_set.origin, rule_set.constants, found)


@pytest.mark.parametrize("seed", range(8))
def test_limits_hold_in_all_that_is_exported(tmp_path, seed):
    """In float64, float32, int16, and CSV of 12 digits; limits are often met to the last digit."""
    limits = ShapeLimits(gear_time=1.5) if seed % 2 else TIGHT
    made = rules(Shaper(AXES, limits, vehicle()).within(drawn(seed)), limits)
    assert len(shape_faults(rules(drawn(seed), limits), vehicle())) > 10
    for kept in (made, as_float32(made), as_int16(made)):
        assert [one.text for one in shape_faults(kept, vehicle())] == []
    assert not shape_faults(read_rule_set(written(made, tmp_path, "csv")), vehicle())
    assert not shape_faults(as_int16(read_rule_set(written(made, tmp_path, "json"))), vehicle())


@pytest.mark.parametrize("seed", range(4))
def test_the_bounds_are_those_of_linear_programs(seed):
    """The least tables at or above drawn ones, and the largest below: by HiGHS, with its mean."""
    values = drawn(seed)
    for names in GROUPS:
        of = {name: AXES[name] for name in names}
        cells = bound_cells(of, dataclasses.replace(TIGHT, in_range=False), None)
        shaper = Shaper(AXES, dataclasses.replace(TIGHT, in_range=False), vehicle())
        found = np.concatenate([shaper.within(values)[name].ravel() for name in names])
        x = np.concatenate([values[name].ravel() for name in names])
        rows, least = [], []
        for limit, lower, upper, wanted in cells.relations:
            for low, high in zip(lower, upper, strict=True):
                row = np.zeros(x.size)
                row[low], row[high] = 1.0, -1.0
                rows.append(row)
                room = {"shift": 0.01 * KM_PER_H, "engin": 20.0}.get(names[0][:5], 0.02)
                least.append(-wanted - (0.0 if limit in ("ordered", "rising") else room))
        given = {"A_ub": np.array(rows), "b_ub": np.array(least)} if rows else {}
        ends = [
            linprog(sign * np.ones(x.size), **given, bounds=bounds, method="highs").x
            for sign, bounds in ((1, [(v, None) for v in x]), (-1, [(None, v) for v in x]))
        ]
        scale = np.abs(x).max()
        np.testing.assert_allclose(found, 0.5 * (ends[0] + ends[1]), atol=1e-6 * scale)


def test_tables_within_the_limits_stay_and_held_cells_keep_their_values():
    shaper = Shaper(AXES, TIGHT, vehicle())
    once = shaper.within(drawn(1))
    for name, values in shaper.within(once).items():
        np.testing.assert_allclose(values, once[name], rtol=1e-12)
    held = [
        HeldCell("shift_up", (0, 1, 1), 20.0 * KM_PER_H),
        HeldCell("engine_stop", (1, 2), 1.5 * KW),
        HeldCell("motor_torque", (0, 0, 0), -12.5),
    ]
    found = Shaper(AXES, TIGHT, vehicle(), held).within(drawn(2))
    for table, index, value in ((one.table, one.index, one.value) for one in held):
        assert found[table][index] == value
    assert not shape_faults(as_int16(rules(found)), vehicle())


def test_limits_that_leave_nothing_are_refused():
    held = [HeldCell("shift_up", (0, 1, 0), 5.0), HeldCell("shift_down", (0, 1, 0), 4.9)]
    with pytest.raises(InputError, match=r"shift_up at gear 1, .* held cells leave no value"):
        Shaper(AXES, TIGHT, vehicle(), held)
    wide = dataclasses.replace(TIGHT, hysteresis=25.0)
    with pytest.raises(InputError, match="leave no value"):
        Shaper(AXES, wide, vehicle())


@pytest.mark.parametrize("seed", range(20))
def test_a_rising_line_loses_no_more_than_any_other(seed):
    """All lines that do not fall away from the valley are tried by brute force."""
    random = np.random.default_rng(seed)
    total, valley = random.uniform(-1.0, 1.0, (4, 5)), int(random.integers(0, 4))
    found = _rising(total, valley)

    def lost(line):
        return sum(total[n, e] for n, e in enumerate(line))

    def rises(line):
        return all(
            line[n + 1] >= line[n] if n >= valley else line[n] >= line[n + 1] for n in range(3)
        )

    tried = [lost(line) for line in itertools.product(range(5), repeat=4) if rises(line)]
    assert rises(found) and lost(found) == pytest.approx(min(tried), abs=1e-12)


PLAN = """
[breakpoints]
speed_km_per_h = [0, 50, 100]
[[hold]]
table = "shift_up"
gear = 2
engine_on = 1
speed_km_per_h = 35
[[hold]]
table = "engine_start"
speed_km_per_h = 50
soc_percent = 50
power_kW = 12
"""


def test_a_plan_names_breakpoints_and_cells(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_text(PLAN)
    plan = read_table_plan(path, TIGHT)
    np.testing.assert_allclose(plan.breakpoints["speed_km_per_h"] * 3.6, [0, 50, 100])
    cells = plan.cells(AXES)
    assert [(one.table, one.index) for one in cells] == [
        *(("shift_up", (1, i, 1)) for i in range(3)),
        ("engine_start", (1, 1)),
    ]
    assert cells[0].value == pytest.approx(35.0 / 3.6) and cells[3].value == 12e3


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[0, 50, 100]", "[0, 100, 50]", "an axis must increase"),
        ("[0, 50, 100]", "[0]", "give a list of 2 to 64 breakpoints"),
        ("[0, 50, 100]", '["a", 2]', r"\[0\]: is 'a'; write a number"),
        ("speed_km_per_h = [", "speed = [", "speed: is not known here; known: input_speed_rpm"),
        ('"shift_up"', '"shift"', "table: is 'shift'; write one of"),
        ("speed_km_per_h = 35", "", "is missing; add the value of shift_up"),
        ("gear = 2", "gear = 200", "gear: is 200; allowed is a number from 1 to 100"),
    ],
)
def test_wrong_plans_are_refused_in_one_sentence(tmp_path, old, new, words):
    path = tmp_path / "plan.toml"
    path.write_text(PLAN.replace(old, new, 1))
    with pytest.raises(InputError, match=words) as error:
        read_table_plan(path)
    assert str(error.value).count(str(path)) == 1


def test_cells_that_are_not_there_are_refused():
    with pytest.raises(InputError, match=r"no breakpoint gear 7; name one of 1, 2"):
        TablePlan(held=[HeldCells("shift_up", {"gear": 7.0}, 5.0)]).cells(AXES)
    twice = [HeldCells("shift_up", {"gear": 1.0}, 5.0), HeldCells("shift_up", {}, 6.0)]
    with pytest.raises(InputError, match="held at two values"):
        TablePlan(held=twice).cells(AXES)
