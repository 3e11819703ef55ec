"""Driving at a held price of stored energy: what steps cost, shortest paths, one-step policies.

With the price held, the battery is a market: energy from it is paid for, and SoC matters no more.
What is left to decide is engine and gear; the split of each is that of least fuel and priced
energy. Minimum times are left aside, so limits from here hold with them too; a start counts as one
step.
"""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..base.errors import InputError
from ..base.progress import Progress, silent
from ..dp.bound import lower_bound
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..optimum.optimum import Optimum
from ..physics.battery import Cell, pack_battery
from ..physics.codes import OFF, RUNNING, STARTING
from ..physics.demand import Demand
from ..physics.operating_points import all_points
from ..pipeline import Prepared, find_optimum, solve_prepared
from ..problem.emission_prices import with_prices
from ..problem.events import shift_costs, start_costs, stop_costs
from ..problem.memory import PART
from ..problem.settings import Settings
from .expected_cost import IMPOSSIBLE
from .kernels import Costs, _backward, _follow
from .stage_costs import stage_costs

TRAINING_NODES, TRAINING_POINTS = 3, 126  # of oil temperature and SoC, where both are states


@dataclass(frozen=True, eq=False)
class Priced:
    """Steps at a held price of stored energy.

    Attributes
    ----------
    price : g/J
    costs : of the steps, g
    start : engine state (0 or 1) and gear (from 0) before a drive
    """

    price: float
    costs: Costs
    start: tuple[int, int]

    @property
    def steps(self) -> int:
        """Number of steps."""
        return int(self.costs.stage.shape[0])

    @property
    def gears(self) -> int:
        """Number of gears."""
        return int(self.costs.stage.shape[1])

    @property
    def drivable(self) -> np.ndarray:
        """Whether each step can be driven whether the engine was on or off before, (steps,)."""
        possible = (self.costs.stage < IMPOSSIBLE).any(axis=1)
        return np.asarray(possible[:, [OFF, STARTING]].any(1) & possible[:, [OFF, RUNNING]].any(1))

    def only(self, steps: np.ndarray) -> "Priced":
        """Return some of the steps."""
        chosen = [np.ascontiguousarray(array[steps]) for array in self.costs]
        return dataclasses.replace(self, costs=Costs(*chosen))

    def cost_to_go(
        self,
        drive: np.ndarray | None = None,
        end: np.ndarray | None = None,
        added: np.ndarray | None = None,
    ) -> np.ndarray:
        """Return the least cost from each step of a drive on, known in advance.

        Parameters
        ----------
        drive
            int64, (n,), numbers of the steps; None is all in order.
        end
            g, (2 engine states, gears), what the state at the end costs; None is nothing.
        added
            g, (n, 2 engine states, gears), what the state after each step costs besides.

        Returns
        -------
        ndarray, (n + 1, 2 engine states, gears)
            g.
        """
        drive = self._all(drive)
        value = np.zeros((drive.size + 1, 2, self.gears))
        value[-1] = 0.0 if end is None else end
        more = np.zeros((drive.size, 2, self.gears)) if added is None else added
        _backward(self.costs, drive, np.ascontiguousarray(more, dtype=np.float64), value)
        return value

    def follow(
        self, ahead: np.ndarray, drive: np.ndarray | None = None, place: np.ndarray | None = None
    ) -> "Followed":
        """Drive by always deciding for the least of the step and what is expected after it.

        Parameters
        ----------
        ahead
            g, (rows, 2 engine states, gears), cost expected after a step.
        drive
            int64, (n,), numbers of the steps; None is all in order.
        place
            int64, (n,), row of `ahead` for each step; None is its number in the drive.
        """
        drive = self._all(drive)
        place = np.arange(drive.size) if place is None else place
        engines, gears = np.empty((2, drive.size), dtype=np.int64)
        ahead = np.ascontiguousarray(ahead, dtype=np.float64)
        cost = _follow(self.costs, drive, ahead, place, self.start, engines, gears)
        return Followed(float(cost), engines, gears)

    def _all(self, drive: np.ndarray | None) -> np.ndarray:
        return np.arange(self.steps) if drive is None else np.asarray(drive, dtype=np.int64)


@dataclass(frozen=True, eq=False)
class Followed:
    """What a policy did on a drive: cost, g, engine class and gear (from 0) of each step."""

    cost: float
    engine_class: np.ndarray
    gear: np.ndarray


def price_steps(
    driveline: Driveline, demand: Demand, settings: Settings, price: float, soc: float | None = None
) -> Priced:
    """Work out what steps cost at a held price of stored energy; they need not follow each other.

    Parameters
    ----------
    driveline, demand
        The vehicle, and what the wheels want.
    settings
        Resolved settings: splits, costs of starts and shifts, which shifts and stops are closed.
    price
        g/J.
    soc
        At which the battery is taken, 0 to 1; None is that of the start.

    Returns
    -------
    Priced
        What is impossible or forbidden is charged with 50 g, so that a model of driving may hold a
        small chance of it.

    Raises
    ------
    InputError
        The price is negative or not finite.
    """
    if not (np.isfinite(price) and price >= 0.0):
        raise InputError(f"price of stored energy: is {price:g} g/J; give 0 or more")
    driveline = with_prices(driveline, settings)
    cell = pack_battery(driveline.battery)
    at = settings.socs[2] if soc is None else soc
    factor, parts = np.array([price]), []
    for first in range(0, demand.steps, PART):
        some = demand.part(first, min(first + PART, demand.steps))
        parts.append(stage_costs(all_points(driveline, some, settings.splits), cell, at, factor))
    shift = shift_costs(driveline, demand, settings)
    stop, begin = stop_costs(driveline, demand, settings), start_costs(driveline, demand)
    return _priced(np.concatenate(parts)[:, 0], shift, stop, begin, settings, price)


def price_optimum(known: Optimum, price: float) -> Priced:
    """Work out what the steps of a solved cycle cost at a held price, g/J; its points are used."""
    problem, settings = known.solution.problem, known.settings
    stage = stage_costs(problem.points, _cell(known), problem.soc, np.array([price]))[:, 0]
    stop = stop_costs(known.driveline, known.demand, settings)
    begin = start_costs(known.driveline, known.demand)
    priced = _priced(stage, problem.shift, stop, begin, settings, price)
    return dataclasses.replace(priced, start=(problem.engine, problem.gear))


def _cell(known: Optimum) -> Cell:
    return known.solution.problem.cell


def _priced(
    stage: np.ndarray,
    shift: np.ndarray,
    stop: np.ndarray,
    begin: np.ndarray,
    settings: Settings,
    price: float,
) -> Priced:
    stage = stage.copy()
    stage[..., STARTING] += (settings.start_cost + begin)[:, None]
    start = int(settings.begins_on(0.0)), settings.gear_start - 1
    costs = (np.minimum(np.ascontiguousarray(cost), IMPOSSIBLE) for cost in (stage, shift, stop))
    return Priced(price, Costs(*costs), start)


def held_price(optima: Sequence[Optimum]) -> float:
    """Return the median of the multipliers of solved cycles, g/J: the price they would hold.

    Where the oil temperature is a state, it is that of the same cycle at the temperatures made.
    Steps at given temperatures do not know what their heat is worth, so that only a higher price
    has the engine run as much.
    """
    stated = [_given(known) if known.settings.warms else known for known in optima]
    multipliers = [known.bound.multipliers[1:] for known in stated if known.bound]
    if not multipliers:
        raise InputError("price of stored energy: no cycle has a bound; solve with bound=True")
    return float(np.median(np.concatenate(multipliers)))


def _given(known: Optimum) -> Optimum:
    """Return the optimum at given oil temperatures, those that an optimum made, and its bound."""
    settings = dataclasses.replace(
        known.settings, ambient_temperature=None, oil_temperature_start=None
    )
    made = Prepared(known.demand, known.points)
    found = solve_prepared(known.cycle, known.driveline, settings, made)
    solution = found.solution
    bound = lower_bound(solution.problem, solution.run, solution.costate)
    return dataclasses.replace(found, bound=bound)


def training_optimum(
    cycle: Cycle, driveline: Driveline, settings: Settings, progress: Progress = silent
) -> Optimum:
    """Solve a cycle that maps learn from; parameters and errors are those of `find_optimum`.

    With the oil temperature as a state, price and temperatures are all that is learned of the
    schedule: few nodes and points give them, and no bound is proved.
    """
    if not settings.warms:
        return find_optimum(cycle, driveline, settings, progress)
    nodes = min(settings.temperature_nodes, TRAINING_NODES)
    points = min(settings.for_cycle(cycle).soc_points or TRAINING_POINTS, TRAINING_POINTS)
    few = dataclasses.replace(settings, temperature_nodes=nodes, soc_points=points)
    known = find_optimum(cycle, driveline, few, progress, bound=False)
    known.solution.value.forget()  # nothing is learned from it
    return known
