"""Fuel against the number of engine starts or gear shifts: solves at rising prices of them."""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from ..base.errors import InputError
from ..base.progress import Progress, silent
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..pipeline import find_optimum, prepare
from ..problem.settings import Settings

EVENTS = {"starts": "start_cost", "shifts": "shift_cost"}
"""What can be counted, and the setting that is its price."""
PRICES = (0.0, 0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2)  # g per event


class TradePoint(NamedTuple):
    """A solve at one price.

    Attributes
    ----------
    price : g per event
    events : of the schedule
    cost_g : g, cost without the price of these events
    bound_g : g, proved lower limit of the cost with their price
    """

    price: float
    events: int
    cost_g: float
    bound_g: float


@dataclass(frozen=True)
class TradeOff:
    """Schedules at rising prices of an event.

    Attributes
    ----------
    event : "starts" or "shifts"
    points : one per price
    """

    event: str
    points: Sequence[TradePoint]

    def least_cost(self, counts: np.ndarray) -> np.ndarray:
        """Return the lower limit of cost of schedules by number of events, without their price, g.

        Notes
        -----
        At a price p every schedule with n events costs at least the bound b(p), so without the
        price at least b(p) - p n; the largest over all prices counts.
        """
        lines = [point.bound_g - point.price * counts for point in self.points]
        found: np.ndarray = np.max(lines, axis=0)
        return found


def trade_off(
    cycle: Cycle,
    driveline: Driveline,
    settings: Settings,
    event: str,
    prices: Sequence[float] = PRICES,
    progress: Progress = silent,
) -> TradeOff:
    """Solve a cycle at several prices of engine starts or gear shifts.

    Parameters
    ----------
    cycle, driveline, settings
        As for :func:`hybridopt.solve_cycle`; the price of the event in the settings is replaced.
    event
        One of :data:`EVENTS`.
    prices
        g of fuel per event, 0 or more.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    TradeOff
        A schedule per price, with its events, cost and bound.

    Raises
    ------
    InputError
        The event is unknown, or a price is out of range.
    InfeasibleError
        The cycle cannot be driven.
    """
    if event not in EVENTS:
        raise InputError(f"event is {event!r}; allowed is {' or '.join(EVENTS)}")
    points, prepared = [], prepare(cycle, driveline, settings)
    for number, price in enumerate(prices, start=1):
        setting: dict[str, Any] = {EVENTS[event]: float(price)}
        priced = dataclasses.replace(settings, **setting)
        known = find_optimum(cycle, driveline, priced, prepared=prepared, keep_value=False)
        assert known.bound is not None  # solved with its bound
        totals = known.result().dataset.attrs
        count = int(totals[event])
        cost = float(totals["cost_g"]) - price * count
        points.append(TradePoint(float(price), count, cost, known.bound.bound))
        progress(number / len(prices))
    return TradeOff(event, points)
