"""A proved lower limit of the cost with the oil temperature as a state.

Theorem. As in :mod:`hybridopt.dp.bound` the balance of stored energy is priced by multipliers and
each z_t let free. What is left is a shortest path over engine state, gear and oil temperature T.
Its least cost W_t(s, g, T) lies above values at nodes of T, joined by straight lines:

    value_t(s, g, T_i) = least over the cells beside T_i, moves, gears and splits of
        events + stage cost at T_i + L(T'), with L a line through two neighbouring values after the
        step, continued beyond them, the same at both ends of a cell for each gear and class,

after which the values over T are lowered to a convex line that does not rise.

Proof, backwards. Let W lie above the values after a step. These are convex over T, so every line L
through two neighbours lies below them. A choice takes the battery power P and burns the fuel
f = phi(T) F, with F that of the warm engine, and leads to T' = (T less what cools) + kappa f. Hence

    W_t >= f + l D(P) + (what z adds) + L(T').

Within a cell the right side is concave over T for each choice: phi is linear or concave there, what
cools is linear or convex (the temperature of the cabin, from which on it is heated, is a node), and
L falls by less than a gram per gram of fuel. So is its least over all choices of a gear and class,
which therefore lies above the straight line through its values at the ends of the cell. Those are
what value_t is made of; any L may be taken, the highest of those beside the cell is.

Drag, friction and the electric heater load within a cell of the hulls are taken as at its warm
end, where they are least: less of them never costs more, because fuel does not fall with torque. A
stop counts as open in a cell whose warm end is warm enough. The least of F + rho D over a list is
concave in the price rho; it is worked out at some prices and taken on the chord between them, which
lies below. The SoC below which the engine must not be stopped is left out.

What it cannot prove: the multipliers are the same at every T. A warm engine makes electricity more
cheaply, so a schedule may seem to pay that warms up first and then sells, which the SoC window, let
free here, would not take. That is most of the gap where the engine stays cold for long.
"""

import dataclasses
import time

import numpy as np

from ..base.percent import percent_above
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
from .dual import all_multipliers
from .end_bound import EndTangent, OneTangent
from .forward import ForwardRun
from .hulls import list_hulls
from .kernels import GOLDEN

HULLS = 16  # cells of temperature that have hulls of their own, about
WIDTH = 2.0  # K, of the cells of the trellis, about
BOXES = 6  # of stored energy
ROUGH = 4, 2  # cells of hulls and boxes with which the multipliers' scale is looked for
SCALES = 0.5, 1.1  # of the multipliers, between which that is
LOOKS = 12
RATIOS = 9  # prices of energy in fuel at which lists are known, beside the widest
KINKS = 3  # splits to aim at: those at the kinks of the maps are enough for hulls
CAUSE = "one price of energy for a cold and a warm engine"


def oil_bound(problem: Problem, run: ForwardRun, width: float = WIDTH) -> Bound:
    """Prove a lower limit for a problem over nodes of oil temperature, guided by a schedule for it.

    Parameters
    ----------
    problem
        What was solved.
    run
        The optimiser's forward run.
    width
        Of the cells of temperature, K, about.

    Returns
    -------
    Bound
        Of all schedules and the temperatures they make, see the module's docstring.
    """
    began = time.perf_counter()
    end = min(problem.grid.target, float(run.soc[-1]))
    after = guesses(problem, run, run.costate, limit_arcs(problem, run))[0]
    dual, rough = OilDual(problem, end), OilDual(problem, end, *ROUGH)
    scale = rough.best_scale(after)
    found = dual.value(scale * after, width)
    multipliers, bound = all_multipliers(scale * after), min(found, run.cost)
    percent = percent_above(run.cost, bound)
    tangent = EndTangent(found, float(multipliers[-1]), dual.boxes.z_end)
    return Bound(
        bound=bound,
        gap_percent=percent,
        cause=CAUSE if percent > NOTED_PERCENT else "",
        multipliers=multipliers,
        plain=multipliers,
        end=end,
        ends=OneTangent(problem.cell, tangent),
        problem=problem,
        branches=None,
        heat=None,
        guide=None,
        evaluations=LOOKS + 1,
        seconds=time.perf_counter() - began,
    )


class OilDual:
    """The bound at given multipliers of stored energy.

    Parameters
    ----------
    problem
        Over nodes of oil temperature.
    end
        Lowest SoC at the end.
    hulls, boxes
        Cells of temperature that have hulls of their own, and boxes of stored energy.
    """

    def __init__(
        self, problem: Problem, end: float, hulls: int = HULLS, boxes: int = BOXES
    ) -> None:
        nodes = problem.points
        assert isinstance(nodes, OilNodes)  # nothing else knows of temperatures
        self.problem, self.nodes = problem, nodes
        whole = make_boxes(problem, boxes, None)
        self.boxes: Boxes = whole._replace(z_end=float(stored_energy(problem.cell, end)))
        warming, lowest = nodes.warming, float(nodes.oil[0])
        self.coarse = np.linspace(lowest, warming.warm, hulls + 1)
        cold = max(warming.fuel_factor, 1.0)
        usual = np.linspace(1.0 / cold, 1.6, RATIOS)
        widest = 1.01 / (1.0 - kernels.STEEPEST)
        self.ratios = np.concatenate(([1.0], usual, [2.2, widest]))
        self.hulls = _hulls(
            OilNodes(nodes.driveline, nodes.demand, KINKS, warming, self.coarse, nodes.start)
        )

    def trellis(self, width: float) -> kernels.OilTrellis:
        """Return what the trellis leads over, with cells of about such a width, K."""
        nodes, problem = self.nodes, self.problem
        start, warming = nodes.driveline.start, nodes.warming
        oil = bound_nodes(warming, self.coarse, width)
        rows = set_oil(warming, oil, np.zeros((oil.size, R_SIZE)))
        return kernels.OilTrellis(
            warming,
            nodes.rows[0],
            oil,
            rows[:, R_FUEL_FACTOR].copy(),
            np.searchsorted(self.coarse, oil[1:] - 1e-9) - 1,
            problem.events.graph,
            problem.shift,
            problem.events.cost,
            engine_stops(problem.events.graph).astype(np.int64),
            float(start.fuel),
            float(start.span),
            self.ratios,
        )

    def best_scale(self, after: np.ndarray) -> float:
        """Return the scale of multipliers, (steps,), at which a rough bound is highest.

        The bound is concave in it: a search by golden sections.
        """
        low, high = SCALES
        known: dict[float, float] = {}

        def value(scale: float) -> float:
            known[scale] = self.value(scale * after)
            return known[scale]

        a, b = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
        at_a, at_b = value(a), value(b)
        for _ in range(LOOKS - 2):
            if at_a > at_b:
                high, b, at_b = b, a, at_a
                a = high - GOLDEN * (high - low)
                at_a = value(a)
            else:
                low, a, at_a = a, b, at_b
                b = low + GOLDEN * (high - low)
                at_b = value(b)
        return max(known, key=lambda scale: known[scale])

    def value(self, after: np.ndarray, width: float = WIDTH) -> float:
        """Return the bound at multipliers after each step, g/J, 0 or more, (steps,); g."""
        problem, lam, trellis = self.problem, all_multipliers(after), self.trellis(width)
        graph, gears = problem.events.graph, problem.points.gears
        table = np.empty((after.size, self.coarse.size - 1, 3 * gears, self.ratios.size))
        efficiency = problem.cell.efficiency

        def price(first: int, last: int) -> None:
            kernels._price_lists(
                self.hulls, trellis, lam, self.boxes, efficiency, (first, last), table
            )

        in_threads(price, after.size)
        values = np.zeros((2, graph.states, gears, trellis.oil.size))
        kernels._oil_trellis(trellis, table, values)
        row = values[0, problem.state, problem.gear]
        length = float(np.interp(self.nodes.start, trellis.oil, row))
        energy = float(lam[1]) * self.boxes.z_start, float(lam[-1]) * self.boxes.z_end
        rounding = 1e-11 * (abs(length) + sum(energy))
        return float(length - energy[0] + energy[1] - rounding)


def bound_nodes(warming: Warming, coarse: np.ndarray, width: float) -> np.ndarray:
    """Return nodes of temperature, degC: coarse ones, evenly refined, and where T' bends down."""
    parts = max(int(np.ceil((coarse[1] - coarse[0]) / width)), 1)
    oil = np.linspace(coarse[0], coarse[-1], parts * (coarse.size - 1) + 1)
    oil[::parts] = coarse
    if coarse[0] < warming.cabin_temperature < warming.warm and warming.cabin > 0.0:
        oil = np.unique(np.append(oil, warming.cabin_temperature))
    return oil


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
