"""Drives of changed tables: what they come to, also where power is lacking, and refusals."""

import dataclasses

import numpy as np
import pytest
from makers import plain_driveline
from rule_tables import hand_made

from hybridopt import InputError, Settings, read_cycle, verify
from hybridopt.controllers.maps import Map
from hybridopt.distillation.cell_worth import worth_of_cells
from hybridopt.distillation.table_drives import TableDrives, solve_cases
from hybridopt.inputs.cycle import Cycle

PLAIN, SETTINGS = plain_driveline(), Settings(soc_points=51, splits=9, terminal="free")
BURST = np.array([0, 6, 12, 18, 24, 46, 45, 40, 30, 20, 10, 5, 0.0]) / 3.6  # km/h; 22 in a second


def late(rules):
    """Return tables that hardly ever start the engine by themselves."""
    never = {
        name: Map(rules.map(name).axes, np.full(rules.map(name).values.shape, 1e6))
        for name in ("engine_start", "electric_limit")
    }
    table = dataclasses.replace(rules.table, **never)
    return dataclasses.replace(rules, table=table)


@pytest.fixture(scope="module")
def burst():
    return Cycle(name="burst", time=np.arange(13.0), speed=BURST, grade=np.zeros(13))


def test_without_power_there_is_no_gap_and_worth_is_still_that_of_verify(burst):
    rules = late(hand_made())
    cases = solve_cases(rules, [burst], PLAIN, SETTINGS)
    driven = TableDrives(cases).driven(rules.table)["burst"]
    (check,) = verify(rules, [burst], PLAIN, SETTINGS)
    assert check.score.shortfall is not None
    assert driven.gap_percent is None and driven.lacking == check.score.shortfall.seconds
    assert driven.figures.fuel_g == check.score.fuel_g
    (base,) = worth_of_cells(rules, cases).base
    assert base.cost_equal_g == check.score.cost_equal_g


def test_what_cannot_be_driven_is_refused(burst, driveline):
    with pytest.raises(InputError, match="they are for 3 gears"):
        solve_cases(hand_made(), [burst], driveline, SETTINGS)
    with pytest.raises(InputError, match="burst is there twice"):
        solve_cases(hand_made(), [burst, burst], PLAIN, SETTINGS)
    ended = read_cycle("ece15")
    assert list(solve_cases(hand_made(), [ended], PLAIN, SETTINGS)) == ["ece15"]
