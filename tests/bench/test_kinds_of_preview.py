"""The table of what foresight is worth, from a small run."""

import pytest
from kinds_of_preview import loss_rows

from hybridopt import Settings, foresight_worth, read_cycle


@pytest.mark.long
def test_rows_are_cycles_means_worst_and_charge(driveline):
    settings = Settings(soc_points=101, splits=9)
    cycles = [read_cycle("ece15").cut(0, 70), read_cycle("ece15").cut(110, 195)]
    worth = foresight_worth(cycles, driveline, settings, [0, 5], train=cycles)
    rows = {
        name: [float(cell) for cell in cells] for name, *cells in loss_rows(worth, "t", ("exact",))
    }
    first, second = (cycle.name for cycle in cycles)
    assert list(rows) == [
        *(first, second, "t, mean, exact", "t, worst, exact"),
        "t, SoC off target at most, points",
    ]
    for i in range(2):
        both = rows[first][i], rows[second][i]
        assert rows["t, mean, exact"][i] == pytest.approx(sum(both) / 2, abs=0.011)
        assert rows["t, worst, exact"][i] == max(both)
