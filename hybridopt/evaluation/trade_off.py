"""Fuel against engine starts, gear shifts or an emission: solves at rising prices of them."""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from ..base.errors import InputError
from ..base.nomenclature import SPECIES
from ..base.progress import Progress, silent
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..optimum.optimum import Optimum
from ..pipeline import find_optimum, prepare
from ..problem.settings import Settings

EVENTS = {
    "starts": "start_cost",
    "shifts": "shift_cost",
    **{name: f"{name}_price" for name in SPECIES},
}
"""What can be counted, events or grams, and the setting that is its price."""
PRICES = (0.0, 0.05, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2)  # g per event
SHARES = (0.0, 0.025, 0.05, 0.1, 0.2, 0.4, 0.8, 1.6)  # of the free cost, per grams of an emission


class TradePoint(NamedTuple):
    """A solve at one price.

    Attributes
    ----------
    price : g per event, or per gram of an emission
    amount : events of the schedule, or grams
    cost_g : g, cost without the price of these events
    bound_g : g, proved lower limit of the cost with their price
    """

    price: float
    amount: float
    cost_g: float
    bound_g: float


@dataclass(frozen=True)
class TradeOff:
    """Schedules at rising prices of an event.

    Attributes
    ----------
    event : one of :data:`EVENTS`
    points : one per price
    tailpipe : whether grams are those that leave the catalyst
    """

    event: str
    points: Sequence[TradePoint]
    tailpipe: bool = False

    def least_cost(self, counts: np.ndarray) -> np.ndarray:
        """Return the lower limit of cost of schedules by their amount, without its price, g.

        Notes
        -----
        At a price p every schedule with amount n costs at least the bound b(p), so without the
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
    prices: Sequence[float] | None = None,
    progress: Progress = silent,
) -> TradeOff:
    """Solve a cycle at several prices of engine starts, gear shifts or an emission.

    Parameters
    ----------
    cycle, driveline, settings
        As for :func:`hybridopt.solve_cycle`; the price of the event in the settings is
        replaced, and limits of emissions left out.
    event
        One of :data:`EVENTS`.
    prices
        g of fuel per event or gram, 0 or more; by default :data:`PRICES`, for emissions by
        :data:`SHARES`.
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
    settings, points = settings.without_limits(), list[TradePoint]()
    prepared = None if event in SPECIES else prepare(cycle, driveline, settings)
    shares = prices is None and event in SPECIES
    if prices is None:
        prices = SHARES if shares else PRICES
    for number, price in enumerate(prices, start=1):
        if shares and points:
            price = float(f"{price * points[0].cost_g / max(points[0].amount, 1e-9):.2g}")
        setting: dict[str, Any] = {EVENTS[event]: float(price)}
        priced = dataclasses.replace(settings, **setting)
        known = find_optimum(cycle, driveline, priced, prepared=prepared, keep_value=False)
        points.append(_point(known, event, float(price)))
        progress(number / len(prices))
    return TradeOff(event, points, tailpipe=settings.heating_start is not None)


def _point(known: Optimum, event: str, price: float) -> TradePoint:
    assert known.bound is not None  # solved with its bound
    if event in SPECIES:
        amount = known.charged_grams[event]
    else:
        amount = known.result().dataset.attrs[event]
    return TradePoint(price, amount, known.solution.cost - price * amount, known.bound.bound)
