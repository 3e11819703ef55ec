"""Values that a drive reads, against the lookups of the decision in plain Python."""

import numpy as np
from cases import PLAIN, bumpy, closed_loop
from decision import Decision
from rule_tables import hand_made

from hybridopt.controllers.rule_reads import read_seconds
from hybridopt.distillation.cell_worth import value_places


class Recorder:
    """A table that writes down which of its values its lookups weigh."""

    def __init__(self, table, found):
        self.table, self.found, self.rounding = table, found, table.rounding
        self.read = np.zeros(found.values.shape, dtype=bool)

    def __call__(self, *x):
        share = np.ones(())
        for place, axis in zip(x, self.found.axes, strict=True):
            weights = [np.interp(place, axis, unit) for unit in np.eye(axis.size)]
            share = np.multiply.outer(share, weights)
        self.read |= share > 0.0
        return self.table(*x)


def recorded(rules, loop, drive):
    """Return for how long each value is read, by table, in plain Python."""
    seconds = {name: np.zeros(found.values.shape) for name, found in rules.maps.items()}
    on, gear, engine_time, gear_time = 0, loop.settings.gear_start, 1e9, 1e9
    demand, done = drive.demand, drive.schedule
    for t, dt in enumerate(demand.dt.tolist()):
        decision = Decision(rules)
        tables = {name: Recorder(decision.tables[name], rules.map(name)) for name in seconds}
        decision.tables = tables
        place = demand.speed[t], demand.wheel_speed[t], demand.wheel_torque[t], drive.soc[t]
        decision(*place, bool(on), gear, engine_time, gear_time)
        for name, table in tables.items():
            seconds[name] += dt * table.read
        now, then = int(done.engine_class[t] != 0), int(done.gear[t]) + 1
        engine_time = engine_time + dt if now == on else dt
        gear_time = gear_time + dt if then == gear else dt
        on, gear = now, then
    return seconds


def test_reads_are_those_of_the_decision_in_plain_python():
    rules, loop = hand_made(), closed_loop(bumpy(400))
    packed = rules.table.pack(PLAIN, loop.settings)
    drive = loop.run_packed(packed)
    found, wanted = read_seconds(loop, drive, packed), recorded(rules, loop, drive)
    for name, place in value_places(rules.table).items():
        np.testing.assert_array_equal(found[place], wanted[name].ravel(), err_msg=name)
        assert 0.0 < found[place].max() <= 400.0, name
    assert found.sum() == sum(seconds.sum() for seconds in wanted.values()), "axes are no values"


def test_values_that_are_not_read_can_be_anything():
    rules, loop = hand_made(), closed_loop(bumpy(400, seed=2))
    packed = rules.table.pack(PLAIN, loop.settings)
    drive = loop.run_packed(packed)
    seconds, maps = read_seconds(loop, drive, packed), packed.maps.copy()
    for place in value_places(rules.table).values():
        unread = seconds[place] == 0.0
        assert unread.sum() < unread.size
        maps[place] = np.where(unread, np.nan, maps[place])
    assert np.isnan(maps).sum() > 20
    again = loop.run_packed(packed._replace(maps=maps))
    assert again.cost == drive.cost and np.array_equal(again.soc, drive.soc)
    assert np.array_equal(again.schedule.gear, drive.schedule.gear)
