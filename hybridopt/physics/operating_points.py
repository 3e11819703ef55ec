"""Operating points: battery power and cost of every gear, engine class and torque split."""

from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any

import numpy as np

from ..base.errors import InfeasibleError, InputError
from ..base.threads import in_threads
from ..base.units import KM_PER_H
from ..inputs.driveline import Driveline
from ..inputs.emissions import priced_maps
from . import entries, point_kernels
from .codes import EngineClass, Reason
from .demand import Demand
from .plant import Plant, pack
from .step_costs import StepCosts, step_costs

BLOCK = 2048  # steps listed together where only drivability matters
STRETCHES = 12  # shown in a message
SPARE = 5  # room for torques at which the power meets a battery limit


@dataclass(frozen=True, eq=False)
class OperatingPoints:
    """All choices of every step; arrays have shape (steps, gears, classes, splits).

    Attributes
    ----------
    dt : s, (steps,)
    cost : g of fuel in the step, infinite where inadmissible
    power : W at the battery terminals, positive when it discharges
    motor_torque : N m at the gearbox input
    count : (steps, gears, classes), splits in use; those behind are never looked at
    reason : int8, a :class:`Reason`
    total : N m at the gearbox input that engine and motor are to give together, (steps, gears,
        classes); None where the points are of no driveline

    Notes
    -----
    Classes are those of :class:`EngineClass`. Split 0 is the unpowered motor; the others span
    the motor's range in increasing order. Every kink of the maps is one of them, so between two
    neighbours cost and power are exactly linear in torque, and any torque between them is the
    same mixture of the two.
    """

    dt: np.ndarray
    cost: np.ndarray
    power: np.ndarray
    motor_torque: np.ndarray
    count: np.ndarray
    reason: np.ndarray
    total: np.ndarray | None = None

    @property
    def steps(self) -> int:
        """Number of steps."""
        return int(self.cost.shape[0])

    @property
    def gears(self) -> int:
        """Number of gears."""
        return int(self.cost.shape[1])

    @property
    def splits(self) -> int:
        """Length of the splits axis."""
        return int(self.cost.shape[3])

    def part(self, first: int, last: int) -> "OperatingPoints":
        """Return the steps first to last - 1."""
        parts: dict[str, Any] = {
            name: None if array is None else array[first:last]
            for name, array in ((one.name, getattr(self, one.name)) for one in fields(self))
        }
        return OperatingPoints(**parts)

    def costs(self, first: int, last: int) -> StepCosts:
        """Return cost and power of the steps first to last - 1."""
        return self.lists.part(first, last)

    @cached_property
    def lists(self) -> StepCosts:
        """Cost and power without the gaps behind each list."""
        return step_costs(self.dt, self.cost, self.power, self.count)

    @property
    def drivable(self) -> np.ndarray:
        """Whether any gear, engine class and split can drive each step, (steps,)."""
        return np.asarray((self.reason == Reason.FEASIBLE).any(axis=(1, 2, 3)))

    def torques(self, split: np.ndarray, *chosen: np.ndarray) -> np.ndarray:
        """Return the motor torque, N m, of a split of every step.

        Parameters
        ----------
        split
            (steps,).
        chosen
            Gear, from 0, and engine class of every step, (steps,) each.
        """
        return np.asarray(self.motor_torque[np.arange(self.steps), *chosen, split])

    def make_room(self, room: float) -> None:
        """Ignore how many bytes may be used: everything is kept already."""

    def power_ranges(self) -> tuple[np.ndarray, np.ndarray]:
        """Return lowest and highest admissible battery power of every step, W, (steps,) each."""
        return self.lists.power_ranges()

    @classmethod
    def bare(cls, dt: Any, cost: Any, power: Any) -> "OperatingPoints":
        """Make operating points from arrays alone, for problems that have no driveline.

        Parameters
        ----------
        dt
            s, (steps,).
        cost, power
            (steps, gears, classes, splits) in g and W; infinite cost marks what is not allowed.
        """
        cost = np.ascontiguousarray(cost, dtype=np.float64)
        power = np.ascontiguousarray(np.where(np.isinf(cost), 0.0, power), dtype=np.float64)
        count = np.full(cost.shape[:3], cost.shape[3], dtype=np.int64)
        reason = np.where(np.isinf(cost), Reason.NOT_USED, Reason.FEASIBLE).astype(np.int8)
        dt = np.ascontiguousarray(dt, dtype=np.float64)
        return cls(dt, cost, power, np.zeros_like(cost), count, reason)


def demand_rows(demand: Demand) -> np.ndarray:
    """Return what is asked of each step as the kernels take it.

    Returns
    -------
    ndarray of float64, (steps, :data:`hybridopt.physics.entries.R_SIZE`)
        C-contiguous; its columns are the `R_` entries of `entries.py`.
    """
    rows = np.empty((demand.steps, entries.R_SIZE))
    columns = (
        (entries.R_SPEED, demand.speed),
        (entries.R_WHEEL_SPEED, demand.wheel_speed),
        (entries.R_WHEEL_ACCELERATION, demand.wheel_acceleration),
        (entries.R_WHEEL_TORQUE, demand.wheel_torque),
        (entries.R_DT, demand.dt),
        (entries.R_MOTOR_SHARE, demand.motor_share),
        (entries.R_BATTERY_SHARE, demand.battery_share),
        (entries.R_SLIP, demand.slip_allowed),
        (entries.R_FUEL_FACTOR, demand.fuel_factor),
        (entries.R_ENGINE_NEEDED, demand.engine_needed),
        (entries.R_AUXILIARY_OFF, demand.auxiliary_off),
        (entries.R_AUXILIARY_ON, demand.auxiliary_on),
        (entries.R_GRADE, demand.grade),
        (entries.R_DRAG_FACTOR, demand.drag_factor),
        (entries.R_FRICTION_FACTOR, demand.friction_factor),
        (entries.R_HEATER, demand.heater_power),
        (entries.R_OIL, demand.oil_temperature),
        (entries.R_CATALYST, demand.catalyst_phase),
    )
    for entry, values in columns:
        rows[:, entry] = values
    return rows


def split_room(driveline: Driveline, splits: int) -> int:
    """Return the length of the splits axis: room for `splits` torques, all kinks and limits."""
    fuel = priced_maps(driveline.engine)[0]
    kinks = driveline.motor.loss_map["torque"].size + fuel["torque"].size + 3
    return int(max(splits, kinks + 1) + SPARE)


def list_operating_points(
    driveline: Driveline, demand: Demand, splits: int = 61
) -> OperatingPoints:
    """List every admissible operating point of every step, and why the others are not.

    Parameters
    ----------
    driveline
        The vehicle.
    demand
        What the wheels want, from :func:`hybridopt.physics.demand.wheel_demand`.
    splits
        How many motor torques to aim at per step, gear and class, the unpowered motor among them.
        The torques at which the maps have a kink are always listed, so there may be more.

    Returns
    -------
    OperatingPoints
        With shape (steps, gears, 3, :func:`split_room`).

    Raises
    ------
    InputError
        The motor's loss map is too rough.
    InfeasibleError
        Nothing at all can drive some step; the message says when and what limits it.
    """
    points = all_points(driveline, demand, splits)
    if not points.drivable.all():
        raise undrivable(driveline, demand, splits)
    return points


def drivable_steps(driveline: Driveline, demand: Demand) -> np.ndarray:
    """Return whether any gear, engine class and split can drive each step, bool, (steps,).

    Raises
    ------
    InputError
        The motor's loss map is too rough.
    """
    return np.asarray(drivable_classes(driveline, demand).any(axis=1))


def drivable_classes(driveline: Driveline, demand: Demand) -> np.ndarray:
    """Return which engine classes can drive each step, bool, (steps, 3); errors as above."""
    drivable = np.empty((demand.steps, len(EngineClass)), dtype=bool)
    for first in range(0, demand.steps, BLOCK):
        part = slice(first, min(first + BLOCK, demand.steps))
        points = all_points(driveline, demand.part(part.start, part.stop), 3)
        drivable[part] = (points.reason == Reason.FEASIBLE).any(axis=(1, 3))
    return drivable


def all_points(
    driveline: Driveline, demand: Demand, splits: int, plant: Plant | None = None
) -> OperatingPoints:
    """List operating points as :func:`list_operating_points`, also of steps nothing can drive.

    The driveline is packed anew where no `plant` is given.
    """
    return _listed(driveline, demand, splits, np.full((demand.steps, 2), -1), plant)


def chosen_points(
    driveline: Driveline, demand: Demand, splits: int, gear: np.ndarray, engine_class: np.ndarray
) -> OperatingPoints:
    """List operating points of one gear, from 0, and engine class in every step, (steps,) each.

    Other parameters and errors are those of :func:`list_operating_points`; the axes of gears and
    classes have length 1.
    """
    return _listed(driveline, demand, splits, np.column_stack((gear, engine_class)))


def _listed(
    driveline: Driveline, demand: Demand, splits: int, only: np.ndarray, plant: Plant | None = None
) -> OperatingPoints:
    """List points of all gears and classes, or those of `only`, (steps, 2), where it is not -1."""
    plant = pack(driveline) if plant is None else plant
    size = split_room(driveline, splits)
    lists = (1, 1) if (only >= 0).all() else (driveline.gearbox.gears, len(EngineClass))
    shape = (demand.steps, *lists, size)
    points = OperatingPoints(
        dt=np.array(demand.dt, dtype=np.float64),
        cost=np.empty(shape),
        power=np.empty(shape),
        motor_torque=np.empty(shape),
        count=np.empty(shape[:3], dtype=np.int64),
        reason=np.empty(shape, dtype=np.int8),
        total=np.zeros(shape[:3]),
    )
    rows = demand_rows(demand)

    def fill(first: int, last: int) -> None:
        part = points.part(first, last)
        point_kernels._fill_points(
            plant,
            rows[first:last],
            splits,
            only[first:last],
            part.cost,
            part.power,
            part.motor_torque,
            part.count,
            part.reason,
            part.total,
        )

    in_threads(fill, demand.steps)
    if (points.count < 0).any():
        raise InputError(
            f"[motor] loss_map: the motor's power crosses a battery limit more than {SPARE} times "
            "over torque; smooth the map"
        )
    return points


def undrivable(driveline: Driveline, demand: Demand, splits: int) -> InfeasibleError:
    """Return the error of steps that nothing can drive: which, and what limits the hardest."""
    bad = np.flatnonzero(~drivable_steps(driveline, demand))
    t = int(bad[np.argmax(demand.wheel_torque[bad])])
    hardest = all_points(driveline, demand.part(t, t + 1), splits)
    reasons, counts = np.unique(hardest.reason, return_counts=True)
    hidden = (Reason.NOT_USED, Reason.UNPOWERED_MISFIT)
    causes = sorted(
        ((int(n), Reason(int(r))) for r, n in zip(reasons, counts, strict=True) if r not in hidden),
        reverse=True,
    )
    return InfeasibleError(
        f"{bad.size} of {demand.steps} steps cannot be driven; the hardest is at "
        f"{demand.time[t]:g} s, {demand.speed[t] / KM_PER_H:.1f} km/h, "
        f"{demand.wheel_torque[t]:.0f} Nm at the wheels; limits: "
        + ", ".join(f"{reason.text} ({n} points)" for n, reason in causes)
        + f"; undrivable are the seconds {seconds_text(demand.time[bad], demand.dt[bad])}; use a "
        "milder cycle or a stronger driveline, or drive the speed it can reach (--achievable)"
    )


def seconds_text(start: np.ndarray, length: np.ndarray) -> str:
    """Return stretches of time in words, neighbours joined: `3-5, 20-21`.

    Parameters
    ----------
    start, length
        s, shape (n,) each, in order.
    """
    stretches: list[list[float]] = []
    for first, last in zip(start, start + length, strict=True):
        if stretches and first <= stretches[-1][1] + 1e-6:
            stretches[-1][1] = last
        else:
            stretches.append([first, last])
    shown = ", ".join(f"{first:.6g}-{last:.6g}" for first, last in stretches[:STRETCHES])
    more = len(stretches) - STRETCHES
    return shown + (f" and {more} more stretches" if more > 0 else "")
