"""`solve_variants`: the least fuel of whole drivelines over the same cycles, side by side."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from ..base.errors import InputError
from ..base.progress import Progress, silent
from ..base.units import PERCENT
from ..problem.settings import Settings
from .tasks import SerialExecutor, TaskInput, TaskOutcome
from .values import values_dataset
from .variant import Variant

if TYPE_CHECKING:
    from ..inputs.cycle import Cycle
    from ..inputs.driveline import Driveline

DIMS = "cycle", "driveline"


def solve_variants(
    cycles: "Sequence[Cycle]",
    drivelines: "Mapping[str, Driveline]",
    settings: Settings | None = None,
    bound: bool = True,
    progress: Progress = silent,
) -> xr.Dataset:
    """Find the least fuel of every driveline on every cycle.

    This is a study of whole drivelines, done in this process and kept in memory.

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
    Dataset
        Over the dims `cycle` and `driveline`, the variables of :data:`.values.VALUES`, each with
        its unit, and

        - `reason`: one sentence where a driveline cannot be solved, else empty; the values of
          such a driveline are NaN, and its `status` is not :data:`.values.DONE`;
        - `fuel_g_per_km`: fuel per distance, g/km; NaN on a cycle without distance;
        - `fuel_percent`, `co2_percent`: fuel per distance and CO2 above those of the first
          driveline on the same cycle, %; NaN where one of the two is not solved, and for fuel
          where the drivelines burn different ones.

        The coordinate `title` describes each driveline; the attr `one_fuel` is 1 where all burn
        the same fuel, so that litres can be compared, else 0.

    Raises
    ------
    InputError
        No cycle or driveline is given, or two cycles have one name.

    Examples
    --------
    >>> from hybridopt import read_cycle, read_driveline
    >>> cars = {name: read_driveline(name) for name in ("full", "mild")}
    >>> found = solve_variants([read_cycle("ece15")], cars)
    >>> saved = -float(found["fuel_percent"].sel(cycle="ece15", driveline="mild"))
    """
    names = [cycle.name for cycle in cycles]
    if not names or not drivelines:
        raise InputError("give at least one cycle and one driveline")
    for name in names:
        if names.count(name) > 1:
            raise InputError(f"cycle {name} is given {names.count(name)} times; keep one")
    variants = [Variant(car, {}, settings or Settings(), b"", b"") for car in drivelines.values()]
    pairs = [(cycle, variant) for cycle in cycles for variant in variants]
    tasks = [TaskInput(variant=variant, cycle=cycle, bound=bound) for cycle, variant in pairs]
    outcomes: list[TaskOutcome] = []
    SerialExecutor(outcomes.append, progress).run(tasks, len(tasks), lambda *_: None)
    shape = len(cycles), len(variants)
    rows = np.array([outcome.row for outcome in outcomes]).reshape(*shape, -1)
    titles = [car.title for car in drivelines.values()]
    coordinates = {"cycle": names, "driveline": list(drivelines), "title": ("driveline", titles)}
    data = values_dataset(rows, DIMS, coordinates)
    reasons = np.array([outcome.reason for outcome in outcomes], dtype=object)
    data["reason"] = DIMS, reasons.reshape(shape)
    fuels = [vars(car.fuel) for car in drivelines.values()]
    return _compared(data, all(fuel == fuels[0] for fuel in fuels))


def _compared(data: xr.Dataset, one_fuel: bool) -> xr.Dataset:
    """Return solved drivelines set against the first on the same cycle."""
    distance, co2 = data["distance_km"], data["co2_g_per_km"]
    per_km = (data["fuel_g"] / distance.where(distance > 0.0)).assign_attrs(units="g/km")
    fuel_percent = _percent_above_first(per_km) if one_fuel else xr.full_like(per_km, np.nan)
    return data.assign(
        fuel_g_per_km=per_km, fuel_percent=fuel_percent, co2_percent=_percent_above_first(co2)
    ).assign_attrs(one_fuel=int(one_fuel))


def _percent_above_first(values: xr.DataArray) -> xr.DataArray:
    first = values.isel(driveline=0, drop=True)
    above = (values / first.where(first > 0.0) - 1.0) / PERCENT
    return above.assign_attrs(units="%", long_name="above the first driveline")
