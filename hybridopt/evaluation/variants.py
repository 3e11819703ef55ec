"""`solve_variants`: the least fuel of several drivelines over the same cycles, side by side."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ..base.errors import HybridoptError, InputError
from ..base.progress import silent
from ..base.units import PERCENT
from ..pipeline import solve_cycle

if TYPE_CHECKING:
    from ..base.progress import Progress
    from ..inputs.cycle import Cycle
    from ..inputs.driveline import Driveline, Fuel
    from ..problem.settings import Settings


@dataclass(frozen=True, kw_only=True)
class Figures:
    """The totals of a solved variant; names and units as in :data:`.nomenclature.TOTALS`.

    `bound_g` and `gap_percent` are None where no bound was wanted, `fuel_l_per_100km`,
    `fuel_g_per_km` and `co2_g_per_km` are NaN on a cycle without distance.
    """

    fuel_g: float
    fuel_l_per_100km: float
    fuel_g_per_km: float
    co2_g_per_km: float
    cost_g: float
    bound_g: float | None
    gap_percent: float | None
    starts: int
    shifts: int
    soc_end: float
    distance_km: float


@dataclass(frozen=True, kw_only=True)
class Variant:
    """One driveline on one cycle: its figures, or the reason why it cannot be solved.

    Attributes
    ----------
    cycle, driveline, title : names; `driveline` is unique in its comparison
    figures : None where it cannot be solved
    reason : one sentence then, else empty
    fuel_percent, co2_percent : fuel mass per distance and CO2 above the first driveline on the
        same cycle; None where one of the two is not solved, fuel also where the fuels differ
    """

    cycle: str
    driveline: str
    title: str
    figures: Figures | None
    reason: str
    fuel_percent: float | None
    co2_percent: float | None


@dataclass(frozen=True)
class Variants:
    """All variants on all cycles.

    Attributes
    ----------
    cycles, drivelines : names in their order
    one_fuel : whether all drivelines burn the same fuel, so that litres can be compared
    variants : cycle by cycle, in the order of the drivelines
    """

    cycles: tuple[str, ...]
    drivelines: tuple[str, ...]
    one_fuel: bool
    variants: tuple[Variant, ...]

    def of_cycle(self, cycle: str) -> list[Variant]:
        """Return the variants on one cycle."""
        return [variant for variant in self.variants if variant.cycle == cycle]

    @property
    def solved(self) -> int:
        """Number of variants that could be solved."""
        return sum(variant.figures is not None for variant in self.variants)


def solve_variants(
    cycles: Sequence["Cycle"],
    drivelines: "dict[str, Driveline]",
    settings: "Settings | None" = None,
    bound: bool = True,
    progress: "Progress" = silent,
) -> Variants:
    """Find the least fuel of every driveline on every cycle.

    Parameters
    ----------
    cycles
        At least one, with different names.
    drivelines
        By the name they are shown with; the others are set against the first.
    settings
        The same for all; what is not set comes from each driveline.
    bound
        Also prove a lower limit of each cost.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    Variants
        A driveline that cannot be solved has its reason in place of figures.

    Raises
    ------
    InputError
        No cycle or driveline is given, or two cycles have one name.
    """
    names = [cycle.name for cycle in cycles]
    if not names or not drivelines:
        raise InputError("give at least one cycle and one driveline")
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"cycle {name} is given {names.count(name)} times; keep one")
    fuels = [driveline.fuel for driveline in drivelines.values()]
    one_fuel = all(_same(fuel, fuels[0]) for fuel in fuels)
    count = len(cycles) * len(drivelines)
    found: list[Variant] = []
    for cycle in cycles:
        first: Figures | None = None
        for i, (name, driveline) in enumerate(drivelines.items()):
            told = _part_of(progress, len(found), count)
            figures, reason = _solve(cycle, driveline, settings, bound, told)
            first = figures if i == 0 else first
            found.append(
                Variant(
                    cycle=cycle.name,
                    driveline=name,
                    title=driveline.title,
                    figures=figures,
                    reason=reason,
                    fuel_percent=_above(figures, first, "fuel_g_per_km") if one_fuel else None,
                    co2_percent=_above(figures, first, "co2_g_per_km"),
                )
            )
    progress(1.0)
    return Variants(tuple(names), tuple(drivelines), one_fuel, tuple(found))


def _part_of(progress: "Progress", done: int, count: int) -> "Progress":
    """Return what tells the share of one of `count` solves as a share of all."""
    return lambda share: progress((done + share) / count)


def _same(one: "Fuel", other: "Fuel") -> bool:
    return vars(one) == vars(other)


def _solve(
    cycle: "Cycle",
    driveline: "Driveline",
    settings: "Settings | None",
    bound: bool,
    progress: "Progress",
) -> tuple[Figures | None, str]:
    """Return the figures of one variant, or the reason why there are none."""
    try:
        result = solve_cycle(cycle, driveline, settings, progress, bound)
    except HybridoptError as error:
        return None, str(error)
    attrs = result.dataset.attrs
    kilometres = attrs["distance_km"]
    return Figures(
        fuel_g=attrs["fuel_g"],
        fuel_l_per_100km=attrs["fuel_l_per_100km"],
        fuel_g_per_km=attrs["fuel_g"] / kilometres if kilometres > 0.0 else float("nan"),
        co2_g_per_km=attrs["co2_g_per_km"],
        cost_g=attrs["cost_g"],
        bound_g=attrs.get("bound_g"),
        gap_percent=attrs.get("gap_percent"),
        starts=attrs["starts"],
        shifts=attrs["shifts"],
        soc_end=attrs["soc_end"],
        distance_km=kilometres,
    ), ""


def _above(figures: Figures | None, first: Figures | None, name: str) -> float | None:
    """Return how far a figure is above that of the first, %."""
    if figures is None or first is None or not getattr(first, name) > 0.0:
        return None
    return float(getattr(figures, name) / getattr(first, name) - 1.0) / PERCENT
