"""What optima say of tables, gathered once, and families fitted to it within limits."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..evaluation.case import Case
from ..foresight.expected_cost import make_expected_cost
from ..foresight.held_price import held_price
from ..foresight.nodes import node_weights, nodes
from ..inputs.driveline import Driveline
from ..physics.battery import pack_battery
from ..physics.plant import pack
from ..tables.cell_relations import VehicleRange, vehicle_range
from .decision_costs import DecisionCosts, optimum_decision_costs, steady_decision_costs
from .family import Sizes, TableFamily, table_axes
from .fit import engine_thresholds, falling, sample_weight, smooth
from .lines import gear_lines
from .plan import TablePlan
from .shaping import Shaper
from .split import electric_limit, split_map

FACTORS = 2.0 ** (np.sinh(np.linspace(-4.0, 4.0, 25)) / np.sinh(4.0))
"""Equivalence factors over the median of the training, 0.5 to 2: a percent apart near 1, where a
few percent decide whether the engine is to charge."""
SOC_AWAY = (0.03, 0.06, 0.1)  # of SoC, breakpoints on both sides of the reference
STEADY_WEIGHT = 0.02  # of steady driving, over that of the training
SMOOTHING = 20.0  # s, a speed node visited so long is moved halfway to its neighbours


@dataclass(frozen=True, eq=False)
class Evidence:
    """What optima of a training say of its decisions, and what does not depend on limits.

    Attributes
    ----------
    driveline, vehicle : what is driven, and what it can have
    min_times : s, minimum times with the engine on, off and in a gear that the optima hold
    costs, weight : decision costs of training and steady driving, and how much each sample counts
    speeds, socs, input_speeds, input_torques, wheel_torques : breakpoints, SI
    start, stop, split, limit, reference : as in :class:`hybridopt.distillation.family.TableFamily`
    """

    driveline: Driveline
    vehicle: VehicleRange
    min_times: tuple[float, float, float]
    costs: DecisionCosts
    weight: np.ndarray
    speeds: np.ndarray
    socs: np.ndarray
    input_speeds: np.ndarray
    input_torques: np.ndarray
    wheel_torques: np.ndarray
    start: np.ndarray
    stop: np.ndarray
    split: np.ndarray
    limit: np.ndarray
    reference: float


def gather(
    cases: Sequence[Case],
    sizes: Sizes | None = None,
    copies: Sequence[Case] = (),
    plan: TablePlan | None = None,
) -> Evidence:
    """Return what the optima of some cases say.

    Parameters
    ----------
    cases
        The training.
    sizes
        Most breakpoints of each axis.
    copies
        Varied copies of the training, which join in what is to be expected.
    plan
        Its breakpoints are taken where it has them.
    """
    optima, sizes = [case.optimum for case in cases], sizes or Sizes()
    driveline, settings = optima[0].driveline, optima[0].settings
    factors = FACTORS * held_price(optima)
    low, high, start, _ = settings.socs
    expected = make_expected_cost([*optima, *(copy.optimum for copy in copies)], factors)
    training = DecisionCosts.joined(
        [optimum_decision_costs(known, factors, expected.after(known.demand)) for known in optima]
    )
    steady = steady_decision_costs(optima[0], factors)
    costs = DecisionCosts.joined([training, steady])
    weight = sample_weight(training, steady, STEADY_WEIGHT)
    given = dict(plan.breakpoints) if plan else {}
    inputs = _input_axes(driveline, sizes)
    speeds = given.get("speed_km_per_h", nodes(training.speed, training.dt, sizes.speeds, (0.0,)))
    wheel_torques = nodes(training.torque, training.dt, sizes.wheel_torques, (0.0,))
    input_speeds = given.get("input_speed_rpm", inputs[0])
    input_torques = given.get("input_torque_Nm", inputs[1])
    on, off = engine_thresholds(costs, weight, speeds)
    visits = training.dt @ node_weights(training.speed, speeds)
    cell = pack_battery(driveline.battery)
    return Evidence(
        driveline=driveline,
        vehicle=vehicle_range(driveline),
        min_times=(settings.min_on_time, settings.min_off_time, settings.min_gear_time),
        costs=costs,
        weight=weight,
        speeds=speeds,
        socs=given.get("soc_percent", _soc_axis(low, high, start, sizes.socs)),
        input_speeds=input_speeds,
        input_torques=input_torques,
        wheel_torques=given.get("wheel_torque_Nm", wheel_torques),
        start=smooth(falling(on), visits, SMOOTHING),
        stop=smooth(falling(off), visits, SMOOTHING),
        split=split_map(driveline, cell, start, input_speeds, input_torques, factors),
        limit=electric_limit(driveline, input_speeds),
        reference=start,
    )


def fitted(known: Evidence, plan: TablePlan | None = None) -> TableFamily:
    """Return the family of tables that evidence speaks for, within the limits of a plan.

    Raises
    ------
    InputError
        The limits and the held cells leave no value for a cell.
    """
    plan = plan or TablePlan()
    gears, limits = known.driveline.gearbox.gears, plan.limits
    torques = known.wheel_torques
    up, down = gear_lines(known.costs, known.weight, torques, limits, known.vehicle)
    inputs = known.input_speeds, known.input_torques
    on, off, gear = known.min_times
    axes = table_axes(known.speeds, known.socs, inputs, torques, gears)
    return TableFamily(
        factors=FACTORS,
        speeds=known.speeds,
        socs=known.socs,
        input_speeds=known.input_speeds,
        input_torques=known.input_torques,
        wheel_torques=torques,
        start=known.start,
        stop=known.stop,
        split=known.split,
        limit=known.limit,
        up=up,
        down=down,
        reference=known.reference,
        gears=gears,
        shaper=Shaper(axes, limits, known.vehicle, plan.cells(axes)),
        least_times=(on, off, max(gear, limits.gear_time)),
    )


def make_family(
    cases: Sequence[Case],
    sizes: Sizes | None = None,
    copies: Sequence[Case] = (),
    plan: TablePlan | None = None,
) -> TableFamily:
    """Fit tables over equivalence factors to the optima of some cases, as :func:`gather` does."""
    return fitted(gather(cases, sizes, copies, plan), plan)


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
