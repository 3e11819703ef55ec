"""What each cell of rule tables is worth: how drives change when it is raised or lowered."""

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import count
from threading import Lock
from typing import NamedTuple

import numpy as np
from numba import get_num_threads

from ..base.errors import HybridoptError, InputError
from ..base.progress import Progress, part_of, silent
from ..controllers.maps import AXES
from ..controllers.rule_reads import read_seconds
from ..controllers.shared_kernels import PackedController
from ..evaluation.case import Case
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..problem.settings import Settings
from ..tables.rule_set import RuleSet
from ..tables.rule_table import LAYOUT, RuleTable
from .drive_figures import DriveFigures, drive_figures
from .table_drives import solve_cases

STEPS: Mapping[str, float] = {"power_kW": 1.0, "torque_Nm": 5.0, "speed_km_per_h": 2.0}
"""By how much a cell is raised and lowered, in the unit of its key in the layout of the tables."""


@dataclass(frozen=True, eq=False)
class TableWorth:
    """What the cells of one table are worth; arrays begin with the shape of its values.

    Attributes
    ----------
    step : by how much a cell is raised and lowered, in the unit of files (kW, N m, km/h)
    seconds : s, for how long all drives together read the cell; 0: no drive reaches it
    changes : change of each of :class:`DriveFigures` in each drive where the cell is raised (0) and
        lowered (1), (..., 2, drives, 5); 0 where a drive does not read the cell, NaN where it
        cannot be driven so
    """

    step: float
    seconds: np.ndarray
    changes: np.ndarray

    @property
    def total(self) -> np.ndarray:
        """Changes over all drives, raised and lowered, (..., 2, 5): sums, of the SoC the mean."""
        total: np.ndarray = self.changes.sum(axis=-2)
        total[..., -1] /= self.changes.shape[-2]
        return total

    @property
    def per_unit(self) -> np.ndarray:
        """Central difference over all drives per unit of the cell, (..., 5)."""
        total = self.total
        found: np.ndarray = (total[..., 0, :] - total[..., 1, :]) / (2.0 * self.step)
        return found


class WorthRow(NamedTuple):
    """A cell in the ranked list.

    Attributes
    ----------
    table, cell : name, and places on its axes from 0
    step : as in :class:`TableWorth`; below 0 where lowering the cell saves more than raising it
    change : figures over all drives where the cell is changed by that step
    per_unit : central difference per unit of the cell
    """

    table: str
    cell: tuple[int, ...]
    step: float
    change: DriveFigures
    per_unit: DriveFigures


@dataclass(frozen=True, eq=False)
class CellWorth:
    """What the cells of rule tables are worth over some drives.

    Attributes
    ----------
    rule_set : the tables
    cycles : names of the drives
    duration : s, of all drives together
    base : figures of each drive with the tables as they are
    tables : worth of the cells, by table
    """

    rule_set: RuleSet
    cycles: tuple[str, ...]
    duration: float
    base: tuple[DriveFigures, ...]
    tables: Mapping[str, TableWorth]

    def ranked(self) -> list[WorthRow]:
        """Return the cells that drives read, those first that save most cost at equal SoC.

        A cell counts by the better one of raising and lowering it by its step; cells with which a
        drive cannot be driven come last.
        """
        cost = DriveFigures._fields.index("cost_equal_g")
        rows = []
        for name, table in self.tables.items():
            total, per_unit = table.total, table.per_unit
            for index in np.argwhere(table.seconds > 0.0).tolist():
                two = total[tuple(index)]
                side = int(np.argmin(np.where(np.isnan(two[:, cost]), np.inf, two[:, cost])))
                change = DriveFigures(*two[side].tolist())
                unit = DriveFigures(*per_unit[tuple(index)].tolist())
                step = -table.step if side else table.step
                rows.append(WorthRow(name, tuple(index), step, change, unit))
        return sorted(rows, key=lambda row: np.nan_to_num(row.change.cost_equal_g, nan=np.inf))


def cell_worth(
    rule_set: RuleSet,
    cycles: Sequence[Cycle],
    driveline: Driveline,
    settings: Settings | None = None,
    steps: Mapping[str, float] = STEPS,
    progress: Progress = silent,
) -> CellWorth:
    """Work out how drives change with every cell of rule tables, by finite differences.

    Parameters
    ----------
    rule_set
        The tables.
    cycles, driveline, settings
        Where to drive.
    steps
        By how much a cell is raised and lowered, by the keys of :data:`STEPS`, above 0.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    CellWorth
        By table: for how long each cell is read, and what changes with it.

    Raises
    ------
    InputError
        A step is not above 0, there is no cycle, or the tables have other gears than the
        driveline.
    InfeasibleError
        A cycle cannot be driven.

    Notes
    -----
    The rules are thresholds, so a drive changes in jumps as a cell is moved: a difference belongs
    to its step. Each drive is the closed loop that :func:`hybridopt.verify` measures.
    """
    cases = solve_cases(rule_set, cycles, driveline, settings, part_of(progress, 0.0, 0.2))
    return worth_of_cells(rule_set, cases, steps, part_of(progress, 0.2, 1.0))


def worth_of_cells(
    rule_set: RuleSet,
    cases: Mapping[str, Case],
    steps: Mapping[str, float] = STEPS,
    progress: Progress = silent,
) -> CellWorth:
    """Do what :func:`cell_worth` does on cases that are solved, by name."""
    if wrong := [key for key in STEPS if not steps.get(key, 0.0) > 0.0]:
        raise InputError(f"step {wrong[0]} is {steps.get(wrong[0])}; give a number above 0")
    table = rule_set.table
    places, width = value_places(table), np.zeros(table.packed()[1].size)
    for name, place in places.items():
        key = LAYOUT[name][-1]
        width[place] = steps[key] * rule_set.form.quantities[key].factor
    drives = [_Differences(case, table, width) for case in cases.values()]
    total, done, lock = sum(drive.count for drive in drives), count(1), Lock()

    def drive_all(drive: _Differences) -> None:
        for _ in drive.work():
            with lock:
                progress(next(done) / total)

    with ThreadPoolExecutor(min(len(drives), get_num_threads())) as pool:
        list(pool.map(drive_all, drives))
    changes = np.stack([drive.changes for drive in drives], axis=2)
    seconds = np.sum([drive.seconds for drive in drives], axis=0)
    found = {
        name: TableWorth(
            steps[LAYOUT[name][-1]],
            seconds[place].reshape(rule_set.map(name).values.shape),
            changes[place].reshape((*rule_set.map(name).values.shape, *changes.shape[1:])),
        )
        for name, place in places.items()
    }
    duration = sum(float(case.optimum.demand.dt.sum()) for case in cases.values())
    return CellWorth(rule_set, tuple(cases), duration, tuple(drive.base for drive in drives), found)


def value_places(table: RuleTable) -> dict[str, slice]:
    """Return where the values of each table stand among the packed maps, in C order."""
    places = {}
    for name, begin in zip(LAYOUT, table.packed()[0].tolist(), strict=False):
        axes, values = getattr(table, name)
        first = int(begin) + AXES + sum(axis.size for axis in axes) + AXES - len(axes)
        places[name] = slice(first, first + values.size)
    return places


class _Differences:
    """The differences of one drive, by place among the packed maps."""

    def __init__(self, case: Case, table: RuleTable, width: np.ndarray) -> None:
        self.case, self.width = case, width
        self.packed = table.pack(case.optimum.driveline, case.optimum.settings)
        drive = case.loop.run_packed(self.packed)
        self.base = drive_figures(case.driven(drive), drive)
        self.seconds = read_seconds(case.loop, drive, self.packed)
        self.changes = np.zeros((width.size, 2, len(self.base)))
        self.read = self.seconds > 0.0 if drive.shortfall is None else width > 0.0
        self.count = int(np.count_nonzero(self.read))

    def work(self) -> Iterator[int]:
        """Drive with each cell raised and lowered, one after another."""
        for cell in np.flatnonzero(self.read).tolist():
            for side, sign in enumerate((1.0, -1.0)):
                maps = self.packed.maps.copy()
                maps[cell] += sign * self.width[cell]
                self.changes[cell, side] = self._change(self.packed._replace(maps=maps))
            yield cell

    def _change(self, packed: PackedController) -> np.ndarray:
        try:
            drive = self.case.loop.run_packed(packed)
            found = drive_figures(self.case.driven(drive), drive)
        except HybridoptError:
            return np.full(len(self.base), np.nan)
        return np.subtract(found, self.base)
