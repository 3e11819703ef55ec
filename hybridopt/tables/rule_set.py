"""Rule tables with what is known of them: coverage by the training, and where they come from."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any, ClassVar

import numpy as np

from ..base.errors import InputError
from ..controllers.maps import Map
from ..controllers.rule_kernels import PackedGearbox
from ..inputs.driveline import Driveline
from ..physics.plant import pack
from .form import Form
from .rule_form import BY_GEAR, RULES
from .rule_table import LAYOUT, RuleTable
from .shape import ShapeLimits

SCALARS = ("min_on", "min_off", "min_gear", "land_up", "land_down", "motion_charge")
"""Constants of the rules."""


@dataclass(frozen=True, eq=False)
class Coverage:
    """How the training used each entry of one table; arrays have the shape of its values.

    Attributes
    ----------
    visits : s, time that the training spent around the entry
    regret : g, cost lost there against the best decision of each step
    filled : bool, whether no training reached the entry and it comes from the physical rule
    """

    visits: np.ndarray
    regret: np.ndarray
    filled: np.ndarray

    def of_rows(self, rows: slice) -> "Coverage":
        """Return the coverage of some rows of the first axis."""
        return Coverage(self.visits[rows], self.regret[rows], self.filled[rows])


@dataclass(frozen=True)
class Origin:
    """Where rule tables come from.

    Attributes
    ----------
    title : in the user's words
    driveline : name of the vehicle the tables are for
    cycles : names of the training cycles
    training : SHA-256 of driveline, cycles and settings of the training, hexadecimal; empty for
        tables that were not trained
    version : of hybridopt
    edited : whether values were changed by hand since
    shape : limits on their shape that they were made for; None where there were none
    """

    title: str
    driveline: str
    cycles: Sequence[str] = ()
    training: str = ""
    version: str = ""
    edited: bool = False
    shape: ShapeLimits | None = None


@dataclass(frozen=True, eq=False)
class GearboxFacts:
    """Constants of gearbox and shafts that the rules need.

    Attributes
    ----------
    ratios : input speed over wheel speed, by gear
    efficiencies : by gear
    drag_torques : N m at the gearbox input, by gear
    idle_speed, highest_speed : rad/s at the gearbox input
    """

    ratios: np.ndarray
    efficiencies: np.ndarray
    drag_torques: np.ndarray
    idle_speed: float
    highest_speed: float

    def packed(self) -> PackedGearbox:
        """Return the same for the kernels."""
        return PackedGearbox(*(getattr(self, entry.name) for entry in fields(self)))


@dataclass(frozen=True, eq=False)
class RuleSet:
    """Rule tables and all that goes with them into a file.

    Attributes
    ----------
    table : the controller
    gearbox : constants it needs
    origin : where it comes from
    coverage : by name of the table; empty for tables that were not trained

    Raises
    ------
    InputError
        A coverage has another shape than its table.
    """

    form: ClassVar[Form] = RULES

    table: RuleTable
    gearbox: GearboxFacts
    origin: Origin
    coverage: Mapping[str, Coverage] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Check that coverages fit their tables."""
        for name, coverage in self.coverage.items():
            shape = self.map(name).values.shape
            if coverage.visits.shape != shape:
                raise InputError(
                    f"coverage of {name}: has shape {coverage.visits.shape}, the table {shape}"
                )

    @classmethod
    def made(
        cls,
        origin: Origin,
        constants: Mapping[str, np.ndarray],
        maps: Mapping[str, Map],
        coverage: Mapping[str, Coverage] | None = None,
    ) -> "RuleSet":
        """Return the rule set of an origin, constants, tables and coverage.

        Lines of gears that are never left, which earlier files have, are left out.

        Raises
        ------
        InputError
            A coverage has another shape than its table.
        """
        given: dict[str, Any] = {
            name: values if name in BY_GEAR else float(values[0])
            for name, values in constants.items()
        }
        gears = constants["ratios"].size
        rows = {name: _left_gears(name, maps[name], gears) for name in LAYOUT}
        tables: dict[str, Any] = {
            name: Map((maps[name].axes[0][used], *maps[name].axes[1:]), maps[name].values[used])
            for name, used in rows.items()
        }
        covered = {name: found.of_rows(rows[name]) for name, found in (coverage or {}).items()}
        table = RuleTable(**{name: given[name] for name in SCALARS}, **tables)
        gearbox = GearboxFacts(**{f.name: given[f.name] for f in fields(GearboxFacts)})
        return cls(table, gearbox, origin, covered)

    @property
    def controller(self) -> RuleTable:
        """What drives."""
        return self.table

    @property
    def gears(self) -> int:
        """How many gears it is for."""
        return int(self.gearbox.ratios.size)

    @property
    def maps(self) -> dict[str, Map]:
        """The tables by name, in the order of the layout."""
        return {name: self.map(name) for name in LAYOUT}

    def map(self, name: str) -> Map:
        """Return one table."""
        found: Map = getattr(self.table, name)
        return found

    @property
    def constants(self) -> dict[str, np.ndarray]:
        """The values beside the tables by name, SI, one or one per gear."""
        table, gearbox = self.table, self.gearbox
        found = {name: getattr(table, name) for name in SCALARS}
        found |= {f.name: getattr(gearbox, f.name) for f in fields(GearboxFacts)}
        return {name: np.atleast_1d(np.asarray(x, dtype=float)) for name, x in found.items()}


def _left_gears(name: str, found: Map, gears: int) -> slice:
    """Return the rows of a table but for lines of gears that are never left."""
    axis = found.axes[0]
    if name == "shift_up" and gears - 1.0 in axis:
        return slice(0, int(np.searchsorted(axis, gears - 1.0)) + 1)
    if name == "shift_down" and 2.0 in axis and gears > 1:
        return slice(int(np.searchsorted(axis, 2.0)), None)
    return slice(None)


def gearbox_facts(driveline: Driveline) -> GearboxFacts:
    """Return what the rules need to know of a driveline's gearbox and shafts."""
    plant = pack(driveline)
    return GearboxFacts(
        ratios=plant.ratio,
        efficiencies=plant.efficiency,
        drag_torques=plant.gear_drag,
        idle_speed=plant.idle_speed,
        highest_speed=min(plant.engine_max_speed, plant.motor_max_speed),
    )
