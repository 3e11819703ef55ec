"""A proved lower limit of the cost with the oil temperature as a state.

Theorem. Let z be the stored energy, D_t(p) at most what battery power p takes of it in step t, and
W_t(z, s, g, T) the least cost of all schedules from there on, with engine state s, gear g and oil
temperature T. For prices l_1 < l_2 ... of stored energy, values at nodes of T joined by straight
lines lie below W_t(z, s, g, T) + l_k z for all z that step t can have:

    value_k,t(s, g, T_i) = least over the cells beside T_i, moves, gears and splits of
        events + stage cost at T_i + l_k D + the least of some lines at T'

where each line is one through two neighbouring values after the step, and at every T' that the cell
leads to one of them lies at or below what is ahead. The bound is the highest value_k,0 - l_k z of
the start, since every one of them is a bound.

Proof, backwards. A choice takes the battery power P and burns the fuel f = phi(T) F, with F that of
the warm engine, and leads to T' = (T less what cools) + kappa f. Hence

    W_t + l_k z >= f + l_k D(P) + (W_{t+1} + l_k z')  >=  f + l_k D(P) + one of the lines at T'.

Within a cell the right side is concave over T for each choice and line: phi is linear or concave
there, what cools is linear or convex (the temperature of the cabin, from which on it is heated, is
a node), and lines fall, by less than a gram per gram of fuel. So is its least over all choices,
which therefore lies above the straight line through its values at the ends of the cell. Values may
be lowered at will: so that they do not rise over T, and at the cold end of a cell where the next
one is flatter, which keeps them from bending ever more where the steps lead.

The window of SoC. Between two lines over z, max_k (value_k - l_k z), the truth lies above both. A
price for which the lowest z of the line lies beyond what the step can have takes the line of the
price at the edge instead, led on with its own slope. So none can buy or sell more than the battery
holds, and no price has to be improved: those that count where are found on the way. What bends
there costs some of the gain; so prices near the usual one are also taken each alone, which is
better where the window does not count, and the highest bound of all is proved.

Drag, friction and the electric heater load within a cell of the hulls are taken as at its warm
end, where they are least: less of them never costs more, because fuel does not fall with torque. A
stop counts as open in a cell whose warm end is warm enough. The least of F + rho D over a list is
concave in the price rho; it is worked out at some prices and taken on the chord between them, which
lies below. The SoC below which the engine must not be stopped is left out.

What it loses: where values over T bend upwards, a line through two nodes, led on, lies below what
is ahead, and a little is lost in each step that leads over the bend. Interpolating there instead,
which proves nothing, comes much nearer to the cost.
"""

import dataclasses
import time
from functools import cached_property

import numpy as np

from ..base.percent import percent_above
from ..base.progress import Progress, silent
from ..base.threads import in_threads
from ..physics.battery import stored_energy
from ..physics.demand import Demand
from ..physics.entries import R_FUEL_FACTOR, R_SIZE
from ..physics.warm_up import Warming, set_oil
from ..problem.choices import PointsOnDemand
from ..problem.graph import engine_stops
from ..problem.oil_nodes import OilNodes
from ..problem.problem import Problem
from . import oil_bound_kernels as kernels
from .bound import NOTED_PERCENT, Bound, guesses, limit_arcs
from .bound_kernels import Boxes
from .boxes import make_boxes
from .end_bound import EndTangent
from .forward import ForwardRun
from .hulls import list_hulls

WIDTH = 6.0  # K, of the cells of temperature that have hulls of their own, at most
HEATER_STEP = 150.0  # W, by which the heater load changes in such a cell, at most
FINE = 2.0  # K, of the cells of the trellis, at most
BOXES = 2  # of stored energy
RATIO = 0.08  # logarithm of the ratio of neighbouring prices
WANTED = 0.7, 1.5  # of the usual price: range of those that the trellis takes together
ALONE = 0.98, 1.0, 1.02  # of the usual price: those that it takes each alone as well
HIGHEST = 1.8  # of the usual price: up to here lists are known at every ratio
KINKS = 3  # splits to aim at: those at the kinks of the maps are enough for hulls
PART = 128  # steps whose lists are priced at a time
CAUSE = "lines over oil temperature, which lose where the worth of heat changes"


def oil_bound(problem: Problem, run: ForwardRun, progress: Progress = silent) -> Bound:
    """Prove a lower limit for a problem over nodes of oil temperature, guided by a schedule for it.

    Parameters
    ----------
    problem
        What was solved.
    run
        The optimiser's forward run.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    Bound
        Of all schedules and the temperatures they make, see the module's docstring.
    """
    began = time.perf_counter()
    end = min(problem.grid.target, float(run.soc[-1]))
    dual = OilDual(problem, usual_price(problem, run))
    found, price = dual.bound(end, progress)
    multipliers, bound = np.full(problem.points.steps + 1, price), min(found, run.cost)
    percent = percent_above(run.cost, bound)
    return Bound(
        bound=bound,
        gap_percent=percent,
        cause=CAUSE if percent > NOTED_PERCENT else "",
        multipliers=multipliers,
        plain=multipliers,
        end=end,
        ends=OilEnds(dual),
        problem=problem,
        branches=None,
        heat=None,
        guide=None,
        evaluations=1,
        seconds=time.perf_counter() - began,
    )


def usual_price(problem: Problem, run: ForwardRun) -> float:
    """Return what stored energy is worth along a run, g/J."""
    return float(np.median(guesses(problem, run, run.costate, limit_arcs(problem, run))[0]))


class OilEnds:
    """Lower limits of the cost over the final SoC: the upper edge of lines, one for each price.

    At one price alone values rise with the energy at the end by that price, so one look holds for
    every end.
    """

    def __init__(self, dual: "OilDual") -> None:
        self.dual = dual

    @cached_property
    def tangents(self) -> list[EndTangent]:
        """The lines of the prices that are looked at alone."""
        return self.dual.tangents()

    def at(self, soc: float) -> float:
        """Return the lower limit of schedules that end at a SoC or above it, g."""
        energy = float(stored_energy(self.dual.problem.cell, soc))
        return max(tangent.at(energy) for tangent in self.tangents)


class OilDual:
    """The bound over prices of stored energy.

    Parameters
    ----------
    problem
        Over nodes of oil temperature.
    usual
        Price of stored energy, g/J, around which prices lie; any is sound.
    fine
        Width of the cells of the trellis, K, at most.
    """

    def __init__(self, problem: Problem, usual: float, fine: float = FINE) -> None:
        nodes = problem.points
        assert isinstance(nodes, OilNodes)  # nothing else knows of temperatures
        self.problem, self.nodes = problem, nodes
        warming, lowest = nodes.warming, float(nodes.oil[0])
        self.coarse = hull_nodes(warming, lowest)
        self.oil = cut_cells(self.coarse, fine)
        self.prices, self.groups = _prices(warming, usual)
        self.hulls = _hulls(
            OilNodes(nodes.driveline, nodes.demand, KINKS, warming, self.coarse, nodes.start)
        )

    def bound(self, end: float, progress: Progress = silent) -> tuple[float, float]:
        """Return the bound of schedules that end at a SoC or above it, g, and its price, g/J."""
        boxes = make_boxes(self.problem, BOXES, end)
        return max(self._proved(self.groups, boxes, end, progress))

    def tangents(self) -> list[EndTangent]:
        """Return the bound at each price alone; it holds for every end."""
        boxes = make_boxes(self.problem, BOXES, None)
        found = self._proved(self.groups[1:], boxes, self.problem.grid.target)
        return [EndTangent(bound, price, boxes.z_end) for bound, price in found]

    def _proved(
        self, groups: list[np.ndarray], boxes: Boxes, end: float, progress: Progress = silent
    ) -> list[tuple[float, float]]:
        """Return the bound at each price of some groups, g, and the price, g/J."""
        nodes, problem, trellis = self.nodes, self.problem, self._trellis(end)
        looks = [self._look(trellis, group, boxes.z_end) for group in groups]
        for last in range(nodes.steps, 0, -PART):
            first = max(last - PART, 0)
            table = self._table(trellis, boxes, first, last)
            for over, values, ahead in looks:
                kernels._oil_trellis(over, first, table, values, ahead)
            progress(1.0 - first / nodes.steps)
        found = list[tuple[float, float]]()
        for over, values, _ in looks:
            rows, prices = values[:, problem.state, problem.gear], self.prices[over.wanted]
            lengths = np.array([np.interp(nodes.start, self.oil, row) for row in rows])
            energy = prices * boxes.z_start
            proved = lengths - energy - 1e-11 * (np.abs(lengths) + energy)
            found += zip(proved.tolist(), prices.tolist(), strict=True)
        return found

    def _look(
        self, trellis: kernels.OilTrellis, group: np.ndarray, z_end: float
    ) -> tuple[kernels.OilTrellis, np.ndarray, np.ndarray]:
        """Return the trellis over the prices of a group, values at the end, and room like them."""
        size = group.size, trellis.graph.states, self.nodes.gears, self.oil.size
        values = np.empty(size)
        values[:] = (self.prices[group] * z_end)[:, None, None, None]
        return trellis._replace(wanted=group), values, np.empty(size)

    def _table(
        self, trellis: kernels.OilTrellis, boxes: Boxes, first: int, last: int
    ) -> np.ndarray:
        """Return the least of fuel and priced energy of the lists of some steps at every price."""
        lists = 3 * self.nodes.gears
        table = np.empty((last - first, self.coarse.size - 1, lists, self.prices.size))
        efficiency = self.problem.cell.efficiency

        def price(a: int, b: int) -> None:
            kernels._price_lists(self.hulls, trellis, boxes, efficiency, first, (a, b), table)

        in_threads(price, last - first)
        return table

    def _trellis(self, end: float) -> kernels.OilTrellis:
        """Return what the trellis leads over."""
        nodes, problem = self.nodes, self.problem
        start, warming = nodes.driveline.start, nodes.warming
        rows = set_oil(warming, self.oil, np.zeros((self.oil.size, R_SIZE)))
        return kernels.OilTrellis(
            warming,
            nodes.rows[0],
            self.oil,
            rows[:, R_FUEL_FACTOR].copy(),
            np.searchsorted(self.coarse, self.oil[1:] - 1e-9) - 1,
            problem.events.graph,
            problem.shift,
            problem.events.cost,
            engine_stops(problem.events.graph).astype(np.int64),
            float(start.fuel),
            float(start.span),
            _most_fuel(self.hulls, nodes.steps),
            self.prices,
            self.groups[0],
            _windows(problem, end),
        )


def hull_nodes(warming: Warming, lowest: float) -> np.ndarray:
    """Return nodes of temperature, degC, between which cells have hulls of their own.

    The temperature of the cabin is one, and where the coolant heats it they lie closer.
    """
    cabin, full = warming.cabin_temperature, warming.cabin_temperature
    if warming.cabin > 0.0 and warming.core > 0.0:
        full += warming.cabin / warming.core
    inner = [x for x in sorted({cabin, full}) if lowest < x < warming.warm]
    if warming.cabin == 0.0:
        inner = []
    edges, parts = [lowest, *inner, warming.warm], []
    for a, b in zip(edges[:-1], edges[1:], strict=True):
        heated = warming.core * (b - a) if cabin <= a < full else 0.0
        least = 2 if heated > 0.0 else 1
        count = max(int(np.ceil((b - a) / WIDTH)), int(np.ceil(heated / HEATER_STEP)), least)
        parts.append(np.linspace(a, b, count + 1)[:-1])
    return np.array([*np.concatenate(parts), warming.warm])


def cut_cells(nodes: np.ndarray, width: float) -> np.ndarray:
    """Return nodes with those between them that leave no cell wider than a width."""
    counts = np.maximum(np.ceil(np.diff(nodes) / width - 1e-9).astype(int), 1)
    cells = zip(nodes[:-1], nodes[1:], counts, strict=True)
    return np.array(
        [*np.concatenate([np.linspace(a, b, n + 1)[:-1] for a, b, n in cells]), nodes[-1]]
    )


def _prices(warming: Warming, usual: float) -> tuple[np.ndarray, list[np.ndarray]]:
    """Return prices at which lists are known, g/J, and groups of those that are looked at.

    They reach from what the coldest engine makes of the lowest wanted price to what the most heat
    that counts makes of the highest one.
    """
    factors = max(warming.fuel_factor, 1.0), min(warming.fuel_factor, 1.0)
    lowest, highest = np.log(WANTED[0] / factors[0]) / RATIO, np.log(HIGHEST) / RATIO
    usual_ratios = np.exp(RATIO * np.arange(np.floor(lowest) - 1.0, np.floor(highest) + 1.0))
    ratios = np.union1d(usual_ratios, ALONE)
    widest = 1.01 * ratios[-1] / factors[1] / (1.0 - kernels.STEEPEST)
    ratios = np.append(ratios, [1.5 * ratios[-1], max(widest, 2.0 * ratios[-1])])
    together = usual_ratios[(usual_ratios >= WANTED[0]) & (usual_ratios <= WANTED[1])]
    groups = [together, *np.array(ALONE)[:, None]]
    return usual * ratios, [np.searchsorted(ratios, group) for group in groups]


def _windows(problem: Problem, end: float) -> np.ndarray:
    """Return the least and most stored energy before steps and at the end, J, (steps + 1, 2)."""
    low, high = problem.settings.socs[:2]
    rise, drop = (
        np.concatenate(([0.0], np.cumsum(part)))
        for part in problem.reach(*problem.power_ranges, problem.points.dt)
    )
    lowest = np.maximum(problem.soc - drop, end - (rise[-1] - rise)) - 1e-9
    highest = problem.soc + rise + 1e-9
    edges = np.clip(np.stack([lowest, highest], axis=1), low, high)
    return np.asarray(stored_energy(problem.cell, edges.ravel())).reshape(edges.shape)


def _most_fuel(hulls: kernels.OilHulls, steps: int) -> np.ndarray:
    """Return the most fuel of any choice of each step, g, at fuel factor 1, (steps,)."""
    ends = hulls.first[:, :: (hulls.first.shape[1] - 1) // steps]
    cost = np.append(hulls.cost, 0.0)
    most = np.array([np.maximum.reduceat(cost, row[:-1]) for row in ends])
    return np.asarray(np.where(np.diff(ends, axis=1) > 0, most, 0.0).max(axis=0))


def _hulls(nodes: OilNodes) -> kernels.OilHulls:
    """Return the hulls of all cells: of choices at their warm ends, at fuel factor 1."""
    driveline, cold = nodes.driveline, max(nodes.warming.fuel_factor, 1.0)
    battery = dataclasses.replace(
        driveline.battery, throughput_cost=driveline.battery.throughput_cost / cold
    )
    driveline = dataclasses.replace(driveline, battery=battery)

    def of_cell(demand: Demand) -> tuple[np.ndarray, ...]:
        plain = dataclasses.replace(demand, fuel_factor=np.ones(demand.steps))
        hulls, _ = list_hulls(PointsOnDemand(driveline, plain, KINKS))
        return tuple(hulls)

    parts = [of_cell(points.demand) for points in nodes.each[1:]]
    powers, costs, firsts, lones = zip(*parts, strict=True)
    begins = np.cumsum([0, *(power.size for power in powers[:-1])])
    first = np.stack([one + begin for one, begin in zip(firsts, begins, strict=True)])
    return kernels.OilHulls(np.concatenate(powers), np.concatenate(costs), first, np.stack(lones))
