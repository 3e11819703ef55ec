"""The correction factor K of a cycle: cost over stored energy, by least squares over end states."""

import dataclasses
from dataclasses import dataclass

import numpy as np

from ..base.errors import InputError
from ..base.progress import Progress, silent
from ..optimum.optimum import Optimum
from ..physics.battery import stored_energy
from ..pipeline import Prepared, solve_prepared

ENDS = 5  # drives, on both sides of the balance; UN GTR 15, from memory
SPAN = 0.01  # of the fuel energy, how far the outer ends lie from the optimum's


@dataclass(frozen=True, eq=False)
class ChargeFactor:
    """K of a cycle, and the solves it comes of.

    Attributes
    ----------
    fuel_per_kWh : g/kWh, slope of the least cost over the stored energy at the end
    deviation : g/kWh, standard deviation of that slope by the scatter about the line
    multiplier : g/kWh, the slope by the bound's multiplier at the optimum's end
    soc_end, energy, cost : end states, 0 to 1, stored energy there, J, and least cost, g, (ends,)
    """

    fuel_per_kWh: float  # noqa: N815 - a unit
    deviation: float
    multiplier: float
    soc_end: np.ndarray
    energy: np.ndarray
    cost: np.ndarray

    @property
    def off_percent(self) -> float:
        """How far K lies above the multiplier, % of that."""
        return 100.0 * (self.fuel_per_kWh / self.multiplier - 1.0)


def charge_factor(
    optimum: Optimum, ends: int = ENDS, span: float = SPAN, progress: Progress = silent
) -> ChargeFactor:
    """Solve a cycle for several final states of charge, and fit the least cost over energy.

    Parameters
    ----------
    optimum
        From :func:`hybridopt.find_optimum`, with its bound.
    ends
        Number of end states, 3 or more, evenly spaced about the optimum's.
    span
        Of the fuel energy: how far the outer ones lie from it, in stored energy.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    ChargeFactor

    Raises
    ------
    InputError
        There is no bound, too few ends, no fuel is used, or an end lies outside the SoC window.
    InfeasibleError
        An end cannot be reached.

    Notes
    -----
    UN GTR No. 15 and UN R154, Annex 8, Appendix 2: K by least squares over at least five drives on
    both sides of the balance (from memory). The cost holds what starts and shifts are charged,
    since that is what was minimised, and what the multiplier counts.
    """
    if optimum.bound is None or ends < 3:
        raise InputError("a charge factor needs an optimum with its bound, and 3 ends or more")
    cell, solution = optimum.solution.problem.cell, optimum.solution
    middle, heat = float(solution.soc[-1]), optimum.driveline.fuel.heating_value
    slope = (stored_energy(cell, middle + 1e-3) - stored_energy(cell, middle - 1e-3)) / 2e-3
    reach = span * solution.cost * heat / float(slope)
    low, high = optimum.settings.socs[:2]
    if not reach > 0.0 or middle - reach < low or middle + reach > high:
        raise InputError(
            f"a charge factor needs ends {100 * reach:.1f} % of SoC about {100 * middle:.1f} %, "
            f"but the window is {100 * low:g} to {100 * high:g} %; widen it or take a smaller span"
        )
    socs = middle + reach * np.linspace(-1.0, 1.0, ends)
    known, prepared, found = optimum, Prepared(optimum.demand, optimum.points), []
    for i, soc in enumerate(socs):
        settings = dataclasses.replace(known.settings, terminal="target", soc_target=float(soc))
        there = solve_prepared(known.cycle, known.driveline, settings, prepared).solution
        found.append((float(there.soc[-1]), there.cost))
        progress((i + 1) / ends)
    soc_end, cost = np.array(found).T
    energy = np.array([float(stored_energy(cell, soc)) for soc in soc_end])
    kwh = (energy - energy.mean()) / 3.6e6
    factor = float(kwh @ cost / (kwh @ kwh))
    rest = cost - cost.mean() - factor * kwh
    deviation = float(np.sqrt(rest @ rest / (ends - 2) / (kwh @ kwh)))
    multiplier = float(optimum.bound.multipliers[-1]) * 3.6e6
    return ChargeFactor(factor, deviation, multiplier, soc_end, energy, cost)
