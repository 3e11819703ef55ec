"""Optima distilled into rule tables: decision costs, fit, refinement, coverage."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from importlib import metadata

import numpy as np

from ..base.errors import InputError
from ..base.progress import Progress, part_of, silent
from ..dp.cost_to_go import CostToGo
from ..evaluation.case import Case
from ..foresight.expected_cost import make_expected_cost
from ..foresight.held_price import held_price
from ..foresight.nodes import node_weights, nodes
from ..foresight.preview_maps import TRAINING
from ..inputs.catalogue import DRIVE, cycle_names
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..physics.battery import pack_battery
from ..physics.plant import pack
from ..pipeline import find_optimum
from ..problem.settings import Settings
from ..tables.cell_relations import vehicle_range
from ..tables.rule_set import Origin, RuleSet, gearbox_facts
from ..tables.shape import ShapeLimits
from .coverage import cover
from .decision_costs import DecisionCosts, optimum_decision_costs, steady_decision_costs
from .family import Sizes, TableFamily, table_axes
from .fit import engine_thresholds, falling, sample_weight, smooth
from .lines import gear_lines
from .refine import Refined, refine
from .shaping import Shaper
from .split import electric_limit, split_map
from .varied import varied_cases

FACTORS = 2.0 ** (np.sinh(np.linspace(-4.0, 4.0, 25)) / np.sinh(4.0))
"""Equivalence factors over the median of the training, 0.5 to 2: a percent apart near 1, where a
few percent decide whether the engine is to charge."""
STARTS = (-0.05, 0.0, 0.05)  # of SoC, where optimal paths begin, from the start
SOC_AWAY = (0.03, 0.06, 0.1)  # of SoC, breakpoints on both sides of the reference
STEADY_WEIGHT = 0.02  # of steady driving, over that of the training
SMOOTHING = 20.0  # s, a speed node visited so long is moved halfway to its neighbours


@dataclass(frozen=True, eq=False)
class Distilled:
    """Rule tables and what they were made from.

    Attributes
    ----------
    rules : tables with coverage and origin
    cases : training cycles with their optima, by name
    refined : how far refinement got
    """

    rules: RuleSet
    cases: Mapping[str, Case]
    refined: Refined

    @property
    def content(self) -> RuleSet:
        """What is handed on."""
        return self.rules


def distil(
    cycles: Sequence[Cycle],
    driveline: Driveline,
    settings: Settings | None = None,
    sizes: Sizes | None = None,
    evaluations: int = 8000,
    seed: int = 1,
    title: str = "",
    progress: Progress = silent,
) -> Distilled:
    """Make rule tables from the optima of training cycles.

    Parameters
    ----------
    cycles
        Training cycles, with different names.
    driveline
        The vehicle.
    settings
        As for :func:`hybridopt.solve_cycle`.
    sizes
        Most breakpoints of each axis.
    evaluations, seed
        Sets of tables that refinement tries, and the seed of its random numbers.
    title
        Name of the tables, for people.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    Distilled
        The tables in `made.rules`, with how often the training used each entry.

    Raises
    ------
    InputError
        There is no cycle, or two share a name.
    InfeasibleError
        A cycle cannot be driven.

    Notes
    -----
    An optimum gives the cost of each decision of engine and gear (its Q-value) at a number of
    equivalence factors, with the future that the training and varied copies of it lead one to
    expect. Summed over the training, these costs are least for some threshold of power or
    speed, which is the table's entry. SoC stands for the equivalence factor: the less charge,
    the dearer. The split between engine and motor needs no cycle, only the factor. Last, a few
    parameters that shape the tables are tuned in closed loop, on the training cycles and varied
    copies of them.
    """
    names = check_names(cycles)
    settings = (settings or Settings()).resolved(driveline)
    cases = training_optima(cycles, driveline, settings, part_of(progress, 0.0, 0.1))
    copies = varied_cases(cycles, driveline, settings, part_of(progress, 0.1, 0.2))
    family = make_family(cases, sizes or Sizes(), copies)
    progress(0.3)
    refined = refine(family, cases, copies, evaluations, seed, part_of(progress, 0.3, 1.0))
    origin = Origin(
        title=title or f"{driveline.name} rules",
        driveline=driveline.name,
        cycles=tuple(names),
        training=training_hash(cycles, driveline, settings, evaluations, seed),
        version=metadata.version("hybridopt"),
    )
    coverage = cover(refined.table, cases)
    rules = RuleSet(refined.table, gearbox_facts(driveline), origin, coverage)
    return Distilled(rules, dict(zip(names, cases, strict=True)), refined)


def training_names() -> tuple[str, ...]:
    """Return the shipped cycles that tables are trained on where no others are given."""
    return (*TRAINING, *cycle_names(DRIVE))


def check_names(cycles: Sequence[Cycle]) -> list[str]:
    """Return the names of training cycles, which must be there and differ."""
    names = [cycle.name for cycle in cycles]
    if not cycles or len(set(names)) < len(names):
        raise InputError("distil: give one or more training cycles with different names")
    return names


def training_optima(
    cycles: Sequence[Cycle], driveline: Driveline, settings: Settings, progress: Progress
) -> list[Case]:
    """Return the training cycles with their optima."""
    cases = []
    for i, cycle in enumerate(cycles):
        cases.append(Case(find_optimum(cycle, driveline, settings)))
        progress((i + 1) / len(cycles))
    return cases


def make_family(
    cases: Sequence[Case],
    sizes: Sizes,
    copies: Sequence[Case] = (),
    limits: ShapeLimits | None = None,
) -> TableFamily:
    """Fit tables over equivalence factors to the optima of some cases.

    Varied copies of them join in what is to be expected.
    """
    optima, limits = [case.optimum for case in cases], limits or ShapeLimits()
    driveline, settings = optima[0].driveline, optima[0].settings
    factors = FACTORS * held_price(optima)
    low, high, start, _ = settings.socs
    starts = [float(np.clip(start + away, low, high)) for away in STARTS]
    expected = make_expected_cost([*optima, *(copy.optimum for copy in copies)], factors)
    training = DecisionCosts.joined(
        [
            optimum_decision_costs(
                known,
                CostToGo(known.solution.problem, whole=True),
                starts,
                factors,
                expected.after(known.demand),
            )
            for known in optima
        ]
    )
    steady = steady_decision_costs(optima[0], factors)
    speeds = nodes(training.speed, training.dt, sizes.speeds, (0.0,))
    torques = nodes(training.torque, training.dt, sizes.wheel_torques, (0.0,))
    both = DecisionCosts.joined([training, steady])
    weight = sample_weight(training, steady, STEADY_WEIGHT)
    on, off = engine_thresholds(both, weight, speeds)
    visits = training.dt @ node_weights(training.speed, speeds)
    vehicle = vehicle_range(driveline, gearbox_facts(driveline))
    up, down = gear_lines(both, weight, torques, limits, vehicle)
    inputs, gears = _input_axes(driveline, sizes), driveline.gearbox.gears
    cell = pack_battery(driveline.battery)
    socs = _soc_axis(low, high, start, sizes.socs)
    axes = table_axes(speeds, socs, inputs, torques, gears)
    return TableFamily(
        factors=FACTORS,
        speeds=speeds,
        socs=socs,
        input_speeds=inputs[0],
        input_torques=inputs[1],
        wheel_torques=torques,
        start=smooth(falling(on), visits, SMOOTHING),
        stop=smooth(falling(off), visits, SMOOTHING),
        split=split_map(driveline, cell, start, *inputs, factors),
        limit=electric_limit(driveline, inputs[0]),
        up=up,
        down=down,
        reference=start,
        gears=gears,
        shaper=Shaper(axes, limits, vehicle),
        gear_time=limits.gear_time,
    )


def _soc_axis(low: float, high: float, reference: float, size: int) -> np.ndarray:
    """Breakpoints of SoC: the window's ends, and some near the reference."""
    away = np.array(SOC_AWAY[: max((size - 2) // 2, 0)])
    inside = np.concatenate((reference - away, reference + away))
    inside = inside[(inside > low + 1e-3) & (inside < high - 1e-3)]
    return np.unique(np.concatenate(([low, high], inside)))


def _input_axes(driveline: Driveline, sizes: Sizes) -> tuple[np.ndarray, np.ndarray]:
    """Breakpoints of speed and torque at the gearbox input: the whole range of both machines."""
    plant = pack(driveline)
    top = min(plant.engine_max_speed, plant.motor_max_speed)
    motor, engine = float(plant.peak.max()), float(plant.full.max())
    speeds = np.linspace(0.5 * plant.idle_speed, top, sizes.input_speeds)
    return speeds, np.linspace(-1.2 * motor, engine + 0.8 * motor, sizes.input_torques)


def training_hash(
    cycles: Sequence[Cycle], driveline: Driveline, settings: Settings, *more: int
) -> str:
    """Return the SHA-256 of everything the training depends on, hexadecimal."""
    inputs = [driveline.sha256, *(cycle.sha256 for cycle in cycles)]
    record = [inputs, asdict(settings), *more]
    return hashlib.sha256(json.dumps(record, sort_keys=True).encode()).hexdigest()
