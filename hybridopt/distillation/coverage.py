"""Which entries of rule tables the training used, for how long, and what was lost there."""

from collections.abc import Mapping, Sequence

import numpy as np

from ..controllers.closed_loop import Drive
from ..controllers.rule_kernels import MOTION_SPEED
from ..evaluation.case import Case
from ..foresight.nodes import node_weights
from ..physics.gearbox import input_torque
from ..physics.plant import pack
from ..tables.rule_set import Coverage
from ..tables.rule_table import LAYOUT, RuleTable

VISITED = 1.0  # s, an entry used for less counts as not visited
CAUSES = {
    "engine_start": "engine",
    "engine_stop": "engine",
    "electric_limit": "engine",
    "motor_torque": "split",
    "shift_up": "gear",
    "shift_down": "gear",
}
"""Cause of regret that each table answers for."""


def cover(table: RuleTable, cases: Sequence[Case]) -> dict[str, Coverage]:
    """Drive the training cycles; add up time and regret at the entries that were looked up.

    Parameters
    ----------
    table
        The tables.
    cases
        Training cycles with their optima.

    Returns
    -------
    dict
        By name of the table. A lookup counts at the corners of its cell by their weights. Regret is
        that of :func:`hybridopt.evaluation.regret.drive_regret`, of the cause that the table
        answers for.
    """
    visits = {name: np.zeros(getattr(table, name).values.shape) for name in LAYOUT}
    regret = {name: np.zeros(shape.shape) for name, shape in visits.items()}
    for case in cases:
        drive = case.drive(table)
        case = case.driven(drive)
        lost = case.regret(drive).causes
        for name, (used, places) in lookups(case, drive, table).items():
            axes = getattr(table, name).axes
            weights = [node_weights(x[used], axis) for x, axis in zip(places, axes, strict=True)]
            visits[name] += _by_entry(weights, case.optimum.demand.dt[used])
            regret[name] += _by_entry(weights, lost[CAUSES[name]][used])
    return {n: Coverage(visits[n], regret[n], visits[n] < VISITED) for n in LAYOUT}


def _by_entry(weights: Sequence[np.ndarray], amount: np.ndarray) -> np.ndarray:
    letters = "abc"[: len(weights)]
    terms = ",".join(f"t{letter}" for letter in letters)
    return np.asarray(np.einsum(f"t,{terms}->{letters}", amount, *weights, optimize=True))


def lookups(
    case: Case, drive: Drive, table: RuleTable
) -> Mapping[str, tuple[np.ndarray, list[np.ndarray]]]:
    """Return in which steps of a drive each table was looked up, and where on its axes."""
    known, plan = case.optimum, drive.schedule
    demand, plant = known.demand, pack(known.driveline)
    on, motion = plan.engine_class != 0, (demand.speed / MOTION_SPEED) ** 2
    charge = drive.soc[:-1] + table.motion_charge * motion
    before = np.concatenate(([known.settings.engine_on_start is True], on[:-1]))
    gear_before = np.concatenate(([known.settings.gear_start], plan.gear[:-1] + 1)).astype(float)
    inputs = demand.wheel_speed * plant.ratio[plan.gear]
    wanted = input_torque(plant, plan.gear, demand.wheel_torque)
    lines = [gear_before, demand.wheel_torque, on.astype(float)]
    highest = plant.ratio.size  # never left upwards, as the first gear is not downwards
    return {
        "engine_start": (~before.astype(bool), [demand.speed, charge]),
        "engine_stop": (before.astype(bool), [demand.speed, charge]),
        "electric_limit": (~on, [inputs]),
        "motor_torque": (on, [np.maximum(inputs, plant.idle_speed), wanted, charge]),
        "shift_up": (gear_before < highest, lines),
        "shift_down": (gear_before > 1.0, lines),
    }
