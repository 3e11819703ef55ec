"""Budgets: limits on heat that lags behind load, as the bound and priced solves take them.

A budget is a state x, 0 before the first step, that a choice moves to kept x + rise and that must
stay at or below a limit after every step. Where x has a price, each choice pays price times rise,
and the limit itself is a credit: for any m_1 ... m_N >= 0 a schedule that keeps the limit has
sum m_t (x_t - limit) <= 0, and sum m_t x_t is the sum over steps of price times rise with

    price_t = m_{t+1} + kept_{t+1} price_{t+1}.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from ..inputs.driveline import Driveline
from ..inputs.maps import curve_values
from ..physics.demand import Demand
from ..physics.loads import slip_and_speed
from ..physics.operating_points import OperatingPoints
from ..physics.step_costs import StepCosts
from ..physics.thermal import SLACK, limited_parts
from .choices import Choices
from .fine_lists import FineLists
from .memory import part_ranges

ROUNDING = 1e-8  # of a rise: what replay and lists may differ by
LEAST_SHARE = 1e-3  # of the peak torque: a lower continuous one counts as no limit


@dataclass(frozen=True, eq=False)
class Budget:
    """One limited state of the choices.

    Attributes
    ----------
    name : "clutch", "motor" or "battery"
    limit : what the state must not exceed after any step
    kept : share of the state that is left after each step, (steps,)
    rises : returns what choices of the steps first to last - 1 add to the state, at least, in the
        order of their lists; mixtures of two neighbours add no less than the same mixture of rises
    whole : whether all choices of a gear and class add the same
    """

    name: str
    limit: float
    kept: np.ndarray
    rises: Callable[[int, int], np.ndarray]
    whole: bool

    def credit(self, price: np.ndarray) -> float:
        """Return what prices, (steps,), are worth at the limit, g; see :func:`falling`."""
        return self.limit * float((price - np.append(self.kept[1:] * price[1:], 0.0)).sum())

    def falling(self, price: np.ndarray) -> np.ndarray:
        """Return the lowest prices, no lower than given, that no multiplier below 0 makes."""
        price = np.maximum(price, 0.0)
        for t in range(price.size - 2, -1, -1):
            price[t] = max(price[t], self.kept[t + 1] * price[t + 1])
        return price

    def all_rises(self, steps: int) -> np.ndarray:
        """Return what all choices of all steps add, in the order of their lists."""
        return np.concatenate([self.rises(*part) for part in part_ranges(steps)])

    def list_rises(self, points: Choices) -> np.ndarray:
        """Return the least rise of every step's gears and classes, (steps, gears, classes)."""
        length, parts = all_lengths(points), part_ranges(points.steps)
        least, used = np.zeros(length.shape), length > 0
        first = np.cumsum(length[used]) - length[used]
        cost = np.concatenate([points.costs(*part).compact().cost for part in parts])
        open_rises = np.where(np.isfinite(cost), self.all_rises(points.steps), np.inf)
        least[used] = np.minimum.reduceat(open_rises, first)
        return least


def all_lengths(points: Choices) -> np.ndarray:
    """Return how many choices every list has, (steps, gears, classes)."""
    return np.concatenate([points.costs(*part).length for part in part_ranges(points.steps)])


class PricedChoices:
    """Choices that pay for what they add to budgets.

    Parameters
    ----------
    choices
        Those that do not.
    budgets, prices
        Prices of every step, g per unit of each budget, (budgets, steps).
    engine
        The one engine class that is left in every step, (steps,); None for all.
    """

    def __init__(
        self,
        choices: Choices,
        budgets: Sequence[Budget],
        prices: np.ndarray,
        engine: np.ndarray | None = None,
    ) -> None:
        self.choices, self.budgets, self.prices, self.engine = choices, budgets, prices, engine
        self.dt, self.steps, self.gears = choices.dt, choices.steps, choices.gears
        self.splits = choices.splits

    def part(self, first: int, last: int) -> OperatingPoints:
        """Return the steps first to last - 1, unpriced."""
        return self.choices.part(first, last)

    def costs(self, first: int, last: int) -> StepCosts:
        """Return cost with what is paid, and power, of the steps first to last - 1."""
        lists = self.choices.costs(first, last).compact()
        cost, each = lists.cost.copy(), lists.length.sum(axis=(1, 2))
        for budget, price in zip(self.budgets, self.prices, strict=True):
            if price[first:last].any():
                cost += np.repeat(price[first:last], each) * budget.rises(first, last)
        if self.engine is not None:
            other = np.arange(lists.length.shape[2]) != self.engine[first:last, None, None]
            barred = np.broadcast_to(other, lists.length.shape).ravel()
            cost[np.repeat(barred, lists.length.ravel())] = np.inf
        return lists._replace(cost=cost)

    def torques(self, split: np.ndarray, *chosen: np.ndarray) -> np.ndarray:
        """Return the motor torque of every step, N m, (steps,)."""
        return self.choices.torques(split, *chosen)

    def make_room(self, room: float) -> None:
        """Allow so many bytes for what would otherwise be worked out again and again."""
        self.choices.make_room(room)

    def power_ranges(self) -> tuple[np.ndarray, np.ndarray]:
        """Return lowest and highest admissible battery power of every step, W, (steps,) each."""
        return self.choices.power_ranges()


def thermal_budgets(
    driveline: Driveline, demand: Demand, lists: FineLists, bent: bool = True
) -> list[Budget]:
    """Return the budgets that a driveline gives limits for; see :mod:`hybridopt.physics.thermal`.

    Parameters
    ----------
    driveline, demand
        Vehicle and what the wheels want.
    lists
        The choices listed for them.
    bent
        Lower the rises by the bend of a square between two choices, so that mixtures add no less;
        otherwise they are those of the choices, and mixtures add no more.
    """
    bend = 0.25 if bent else 0.0
    slip, speed = slip_and_speed(driveline, demand)
    motor, battery, clutches = driveline.motor, driveline.battery, driveline.clutches
    peak = curve_values(motor.peak_torque, speed)
    continuous = np.minimum(curve_values(motor.sustained_torque, speed), peak)
    charge, discharge = (battery.continuous_share * limit for limit in battery.power_limits)

    def clutch_gains(first: int, last: int) -> np.ndarray:
        assert clutches.heat_capacity is not None  # limited only where it is given
        return np.repeat(
            slip[first:last].ravel() / clutches.heat_capacity, lists.count(first, last)
        )

    def motor_gains(first: int, last: int) -> np.ndarray:
        each, part = lists.count(first, last), slice(first, last)
        weak = continuous[part] <= LEAST_SHARE * peak[part]
        limit = np.repeat(np.where(weak, np.inf, continuous[part]).ravel(), each)
        torque, gap = lists.torque(first, last), lists.gap(first, last, lists.torque(first, last))
        load = (torque / limit) ** 2 - bend * (gap / limit) ** 2
        return np.where(lists.powered(first, last), np.maximum(load, 0.0), 0.0) / motor.thermal_time

    def battery_gains(first: int, last: int) -> np.ndarray:
        power = lists.costs(first, last).power
        least = max(min(discharge, -charge), 1e-300)
        load = (power / np.where(power > 0.0, discharge, charge)) ** 2
        load -= bend * (lists.gap(first, last, power) / least) ** 2
        return np.maximum(load, 0.0) / battery.current_time

    gains = {"clutch": clutch_gains, "motor": motor_gains, "battery": battery_gains}
    decays = {"motor": 1.0 / motor.thermal_time, "battery": 1.0 / battery.current_time}
    limits = {"motor": 1.0 + SLACK, "battery": 1.0 + SLACK}
    if clutches.heat_capacity is not None:
        decays["clutch"] = clutches.oil_cooling / clutches.heat_capacity
        room = clutches.max_temperature - clutches.oil_temperature
        limits["clutch"] = room + SLACK * abs(clutches.max_temperature)
    return [
        Budget(
            name,
            limits[name],
            np.exp(-decays[name] * demand.dt),
            _Rises(gains[name], decays[name], demand.dt, lists),
            name == "clutch",
        )
        for name in limited_parts(driveline)
    ]


class _Rises:
    """What choices add to a state in a step, from what they add in a second; remembered."""

    def __init__(
        self,
        gains: Callable[[int, int], np.ndarray],
        decay: float,
        dt: np.ndarray,
        lists: FineLists,
    ) -> None:
        filled = dt if decay == 0.0 else -np.expm1(-decay * dt) / decay
        self.gains, self.filled, self.lists = gains, filled * (1.0 - ROUNDING), lists
        self.known: dict[tuple[int, int], np.ndarray] = {}

    def __call__(self, first: int, last: int) -> np.ndarray:
        if (first, last) not in self.known:
            each = self.lists.costs(first, last).length.sum(axis=(1, 2))
            rise = np.repeat(self.filled[first:last], each) * self.gains(first, last)
            self.known[first, last] = rise
        return self.known[first, last]
