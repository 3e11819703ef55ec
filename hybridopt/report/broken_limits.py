"""Where rule tables under edit break what is asked of them, cell by cell."""

from typing import NamedTuple

from ..base.errors import InputError
from ..problem.settings import Settings
from ..tables.cell_relations import VehicleRange
from ..tables.form import check_content
from ..tables.rule_set import RuleSet
from ..tables.shape_faults import shape_faults
from ..tables.short_times import short_times

Cell = tuple[str, tuple[int, ...]]


class BrokenLimit(NamedTuple):
    """A limit that is broken: the cells (one or two) that break it, empty for all; a sentence."""

    cells: tuple[Cell, ...]
    text: str


def broken_limits(
    rule_set: RuleSet, vehicle: VehicleRange, settings: Settings
) -> list[BrokenLimit]:
    """Return what is wrong with the tables; empty where nothing is.

    Parameters
    ----------
    rule_set
        The tables.
    vehicle
        What they are for.
    settings
        Resolved, with the minimum times of the driveline.
    """
    try:
        check_content(rule_set)
    except InputError as error:
        return [BrokenLimit((), str(error))]
    found = []
    for fault in shape_faults(rule_set, vehicle):
        cells = ((fault.table, fault.index), fault.other)
        found.append(BrokenLimit(tuple(cell for cell in cells if cell and cell[1]), fault.text))
    return found + [BrokenLimit((), text) for text in short_times(rule_set, settings)]
