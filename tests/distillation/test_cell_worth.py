"""What cells are worth, against finite differences of `verify` with the changed tables."""

import dataclasses
import functools

import numpy as np
import pytest
from case_counts import cases
from makers import plain_driveline
from rule_tables import hand_made

from hybridopt import InputError, Settings, cell_worth, read_cycle, verify
from hybridopt.controllers.maps import Map
from hybridopt.distillation import verify as verification
from hybridopt.distillation.cell_worth import STEPS
from hybridopt.distillation.drive_figures import DriveFigures
from hybridopt.pipeline import find_optimum
from hybridopt.plots.cell_worth import cell_worth_figure
from hybridopt.tables.rule_table import FACTORS, LAYOUT
from hybridopt.text.cell_worth import worth_record, worth_text

PLAIN = plain_driveline()
SETTINGS = Settings(soc_points=51, splits=9)
CYCLES = ("ece15", "eudc")


@pytest.fixture(scope="module")
def cycles():
    return [read_cycle(name) for name in CYCLES]


@pytest.fixture(scope="module")
def worth(cycles):
    return cell_worth(hand_made(), cycles, PLAIN, SETTINGS)


def moved(rules, name, index, by):
    """Return the rule set with one value moved, SI."""
    found = rules.map(name)
    values = found.values.copy()
    values[index] += by
    table = dataclasses.replace(rules.table, **{name: Map(found.axes, values)})
    return dataclasses.replace(rules, table=table)


def measured(rules, cycles):
    """Return what `verify` measures, (drives, figures)."""
    checks = verify(rules, cycles, PLAIN, SETTINGS)
    return np.array([[getattr(c.score, n) for n in DriveFigures._fields] for c in checks])


def assert_worth_is_verified(worth, cycles, count, seed):
    """Draw cells, half of them among those that are read, and drive them by `verify`."""
    random = np.random.default_rng(seed)
    cells = [(n, i) for n in LAYOUT for i in np.ndindex(worth.rule_set.map(n).values.shape)]
    read = [cell for cell in cells if worth.tables[cell[0]].seconds[cell[1]] > 0.0]
    drawn = [
        chosen[k]
        for chosen, n in ((read, count - count // 2), (cells, count // 2))
        for k in random.choice(len(chosen), n, replace=False)
    ]
    for name, index in drawn:
        step = STEPS[LAYOUT[name][-1]] * FACTORS[LAYOUT[name][-1]]
        two = [measured(moved(worth.rule_set, name, index, s * step), cycles) for s in (1, -1)]
        base = np.array(worth.base)
        found = worth.tables[name].changes[index]
        for side in (0, 1):
            np.testing.assert_allclose(found[side], two[side] - base, rtol=1e-6, atol=1e-12)
        slope = (two[0] - two[1]).sum(axis=0)[:2] / (2.0 * worth.tables[name].step)
        np.testing.assert_allclose(
            worth.tables[name].per_unit[index][:2], slope, rtol=1e-6, atol=1e-11
        )


@pytest.mark.long
def test_worth_is_the_finite_difference_of_verify(worth, cycles):
    np.testing.assert_array_equal(np.array(worth.base), measured(worth.rule_set, cycles))
    assert_worth_is_verified(worth, cycles, 2, seed=1)


@pytest.mark.long
def test_worth_of_100_random_cells(worth, cycles, monkeypatch):
    """The optimum does not depend on the tables, so `verify` solves each cycle only once here."""
    solved = functools.cache(find_optimum)
    known = {cycle.name: cycle for cycle in cycles}
    vehicle, settings = PLAIN, SETTINGS.resolved(PLAIN)
    monkeypatch.setattr(
        verification, "find_optimum", lambda cycle, *_: solved(known[cycle.name], vehicle, settings)
    )
    assert_worth_is_verified(worth, cycles, cases(100), seed=2)


def test_ranking_begins_with_what_saves_most(worth):
    rows = worth.ranked()
    costs = [row.change.cost_equal_g for row in rows]
    assert costs == sorted(costs) and costs[0] < 0.0
    assert len(rows) == sum(int((t.seconds > 0.0).sum()) for t in worth.tables.values())
    first = rows[0]
    changes = worth.tables[first.table].changes[first.cell].sum(axis=1)[:, 1]
    assert changes.min() == first.change.cost_equal_g
    assert (first.step > 0) == (changes[0] <= changes[1])


def test_cells_that_no_drive_reaches_are_marked_and_worth_nothing(worth):
    """First gear is left downwards by no line, nor the top gear upwards."""
    for name in ("shift_down", "shift_up"):
        assert len(worth.tables[name].seconds) == 2  # of three gears
    unread = [table.changes[table.seconds == 0.0] for table in worth.tables.values()]
    assert any(changes.size for changes in unread)
    assert not any(changes.any() for changes in unread)
    records = worth_record(worth)["cells"]
    assert len(records) == sum(t.seconds.size for t in worth.tables.values())
    assert {r["read_s"] for r in records if r["cell"].startswith("gear 3")} >= {0.0}
    figure = cell_worth_figure(worth)
    assert len(figure.axes) == 16 and figure.axes[0].images[0].get_array().mask.any()


def test_text_names_step_and_place_in_80_columns(worth):
    lines = worth_text(worth).splitlines()
    assert max(map(len, lines)) <= 80
    assert any("km/h" in line and "gear 2" in line for line in lines)
    assert not any("…" in line or "..." in line for line in worth_text(worth, 1000).splitlines())
    assert "a change belongs to its step" in " ".join(lines)


@pytest.mark.parametrize("step", [0.0, -1.0, np.nan])
def test_a_step_must_be_above_zero(step, cycles):
    with pytest.raises(InputError, match="step power_kW is .*; give a number above 0"):
        cell_worth(hand_made(), cycles[:1], PLAIN, SETTINGS, STEPS | {"power_kW": step})


def test_tables_of_another_gearbox_are_refused(driveline, cycles):
    with pytest.raises(InputError, match="they are for 3 gears"):
        cell_worth(hand_made(), cycles, driveline, SETTINGS)
    with pytest.raises(InputError, match="there is no cycle"):
        cell_worth(hand_made(), [], PLAIN, SETTINGS)
