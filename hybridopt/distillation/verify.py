"""Tables and preview in closed loop: on cycles they never saw, in a vehicle that has changed."""

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from ..base.errors import HybridoptError, InputError
from ..base.progress import Progress, part_of, silent
from ..controllers.builtin import BuiltIn
from ..controllers.preview import Preview
from ..evaluation.case import Case, Score, score
from ..foresight.predictions import SpeedError
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..pipeline import find_optimum
from ..problem.settings import Settings
from ..tables.contents import Made

AS_TRAINED = "as given"


class Setup(NamedTuple):
    """What is driven: the settings are resolved."""

    cycle: Cycle
    driveline: Driveline
    settings: Settings

    def with_part(self, name: str, **fields: Any) -> "Setup":
        """Return the setup with some fields of one part of the driveline changed."""
        part = dataclasses.replace(getattr(self.driveline, name), **fields)
        return self._replace(driveline=dataclasses.replace(self.driveline, **{name: part}))

    def with_mass(self, factor: float) -> "Setup":
        """Return the setup with another vehicle mass."""
        return self.with_part("vehicle", mass=factor * self.driveline.vehicle.mass)

    def with_resistance(self, factor: float) -> "Setup":
        """Return the setup with another resistance of the battery."""
        table = self.driveline.battery.table.copy()
        for name in ("resistance_discharge", "resistance_charge"):
            table.loc[{"quantity": name}] *= factor
        return self.with_part("battery", table=table)

    def with_grade(self, rise: float) -> "Setup":
        """Return the setup with grade added everywhere."""
        return self._replace(cycle=dataclasses.replace(self.cycle, grade=self.cycle.grade + rise))

    def from_soc(self, place: float) -> "Setup":
        """Return the setup that starts elsewhere in the SoC window, 0 to 1; its target stays."""
        low, high, _, target = self.settings.socs
        start = low + place * (high - low)
        settings = dataclasses.replace(
            self.settings, soc_start=start, terminal="target", soc_target=target
        )
        return self._replace(settings=settings)


CHANGES: Mapping[str, Callable[[Setup], Setup]] = {
    "mass -10 %": lambda setup: setup.with_mass(0.9),
    "mass +10 %": lambda setup: setup.with_mass(1.1),
    "auxiliaries 0 kW": lambda setup: setup.with_part("auxiliary", power=0.0),
    "auxiliaries 1 kW": lambda setup: setup.with_part("auxiliary", power=1e3),
    "auxiliaries 2 kW": lambda setup: setup.with_part("auxiliary", power=2e3),
    "start SoC low": lambda setup: setup.from_soc(0.15),
    "start SoC high": lambda setup: setup.from_soc(0.85),
    "headwind 5 m/s": lambda setup: setup.with_part("vehicle", headwind=5.0),
    "grade +1 %": lambda setup: setup.with_grade(0.01),
    "battery resistance +50 %": lambda setup: setup.with_resistance(1.5),
}
"""What verification may change, by name."""
FORESEEN: Mapping[str, SpeedError] = {"wrong preview": SpeedError()}
"""What a predictive controller may foresee in place of what comes, as a further change."""


@dataclass(frozen=True, eq=False)
class VerifiedDrive:
    """What tables reached in one case.

    Attributes
    ----------
    cycle : name
    change : what was changed, a key of :data:`CHANGES`, or `AS_TRAINED`
    seen : whether the tables were trained on the cycle
    score : the measures, None where the case could not be driven
    soc_lowest, soc_highest : of the drive
    starts_per_km, optimum_starts : of the drive; count of the optimum
    distance_km : km
    failure : why the case could not be driven
    """

    cycle: str
    change: str
    seen: bool
    score: Score | None = None
    soc_lowest: float = np.nan
    soc_highest: float = np.nan
    starts_per_km: float = np.nan
    optimum_starts: int = 0
    distance_km: float = np.nan
    failure: str = ""


def verify(
    rules: Made | Preview,
    cycles: Sequence[Cycle],
    driveline: Driveline,
    settings: Settings | None = None,
    changes: Sequence[str] = (),
    progress: Progress = silent,
) -> list[VerifiedDrive]:
    """Drive cycles with rule tables or preview, as given and changed, against each case's bound.

    Parameters
    ----------
    rules
        The tables, or a predictive controller with its maps; cycles they were made from count as
        seen. What was made for a driveline does not know what is changed in it.
    cycles, driveline, settings
        Where to drive.
    changes
        Names out of :func:`changes_for`; each is tried on every cycle, on its own.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    list of VerifiedDrive
        One per change and cycle; what could not be driven has the reason in place of a score.

    Raises
    ------
    InputError
        A change is unknown, or tables or maps have other gears than the driveline.
    """
    known = changes_for(rules)
    unknown = [name for name in changes if name not in known]
    if unknown:
        raise InputError(f"change {unknown[0]!r} is unknown; known are {', '.join(known)}")
    check_gears(_training(rules)[1], driveline)
    settings = (settings or Settings()).resolved(driveline)
    cases = [(cycle, change) for change in (AS_TRAINED, *changes) for cycle in cycles]
    checks = []
    for i, (cycle, change) in enumerate(cases):
        part = part_of(progress, i / len(cases), (i + 1) / len(cases))
        checks.append(_check(rules, Setup(cycle, driveline, settings), change, part))
        part(1.0)
    return checks


def check_gears(gears: int, driveline: Driveline) -> None:
    """Raise InputError where tables or maps are for another number of gears than a driveline."""
    if gears != driveline.gearbox.gears:
        raise InputError(
            f"they are for {gears} gears, the driveline {driveline.name} has "
            f"{driveline.gearbox.gears}; verify with the driveline they were made for"
        )


def changes_for(rules: Made | Preview) -> tuple[str, ...]:
    """Return the names of all changes: :data:`CHANGES`, for preview :data:`FORESEEN` as well."""
    return (*CHANGES, *(FORESEEN if isinstance(_controller(rules), Preview) else ()))


def _controller(rules: Made | Preview) -> BuiltIn:
    return rules if isinstance(rules, Preview) else rules.controller


def _check(rules: Made | Preview, setup: Setup, change: str, progress: Progress) -> VerifiedDrive:
    name, seen = setup.cycle.name, setup.cycle.name in _training(rules)[0]
    try:
        changed = CHANGES[change](setup) if change in CHANGES else setup
        case = Case(find_optimum(*changed, progress))
        controller = _controller(rules)
        if isinstance(controller, Preview) and change in FORESEEN:
            controller = dataclasses.replace(controller, predict=FORESEEN[change])
        return measured(controller, case, name, change, seen)
    except HybridoptError as error:
        return VerifiedDrive(name, change, seen, failure=str(error))


def _training(rules: Made | Preview) -> tuple[Sequence[str], int]:
    """Return the names of the training cycles, and the number of gears.

    Raises
    ------
    InputError
        A predictive controller has no maps.
    """
    if isinstance(rules, Preview):
        maps = rules.known()
        return maps.training, maps.ratio.size
    return rules.origin.cycles, rules.gears


def measured(controller: BuiltIn, case: Case, name: str, change: str, seen: bool) -> VerifiedDrive:
    """Measure tables or preview on a case."""
    found = score(case, "rules", controller, moments=None)
    distance = case.optimum.demand.distance / 1e3
    soc = np.append(found.trace.soc.values, found.soc_end)
    return VerifiedDrive(
        cycle=name,
        change=change,
        seen=seen,
        score=found,
        soc_lowest=float(soc.min()),
        soc_highest=float(soc.max()),
        starts_per_km=found.starts / distance,
        optimum_starts=case.optimum_starts,
        distance_km=distance,
    )
