"""A first set of tables from fitted cuts, before the closed loop refines it."""

from dataclasses import dataclass

import numpy as np

from ..tables.rule_table import Map, RuleTable

SLOWEST, FASTEST = 1.0, 120.0  # m/s, -SLOWEST and FASTEST are lines that no vehicle crosses
LEAST_PRICE, MOST_PRICE = 0.55, 1.6  # times the median price of the training


@dataclass(frozen=True)
class Sizes:
    """Most breakpoints of each axis.

    Attributes
    ----------
    speeds, socs : of the tables that start and stop the engine
    input_speeds, input_torques : of the motor's torque, together with `socs`
    wheel_torques : of the gear lines
    """

    speeds: int = 16
    socs: int = 8
    input_speeds: int = 16
    input_torques: int = 16
    wheel_torques: int = 16


@dataclass(frozen=True)
class Knobs:
    """The few figures that shape all tables at once.

    Attributes
    ----------
    price : of stored energy at the reference SoC, over the median price of the training
    slope : fall of the price over the whole SoC window, over the median price
    curve : fall of the price at a tenth of SoC above the reference that grows with the cube
    motion : SoC that motion at 100 km/h counts as
    split_price, split_slope : price and slope of the split between engine and motor
    start, stop : W, added to the wheel power at which the engine starts and stops
    min_on, min_off, min_gear : s
    gap : share by which the up lines are raised and the down lines lowered
    land_up, land_down : shares by which a shift's next lines move
    """

    price: float = 1.0
    slope: float = 0.3
    curve: float = 0.3
    motion: float = 0.04
    split_price: float = 1.0
    split_slope: float = 0.5
    start: float = 0.0
    stop: float = 0.0
    min_on: float = 2.0
    min_off: float = 2.0
    min_gear: float = 1.0
    gap: float = 0.0
    land_up: float = 0.8
    land_down: float = 0.5


KNOB_RANGES = {
    "price": (0.8, 1.25),
    "slope": (0.0, 4.0),
    "curve": (0.0, 4.0),
    "motion": (0.0, 0.2),
    "split_price": (0.8, 1.25),
    "split_slope": (0.0, 4.0),
    "start": (-4e3, 8e3),
    "stop": (-6e3, 4e3),
    "min_on": (0.0, 6.0),
    "min_off": (0.0, 6.0),
    "min_gear": (0.0, 4.0),
    "gap": (-0.1, 0.3),
    "land_up": (0.0, 1.0),
    "land_down": (0.0, 1.0),
}
"""Least and largest value of each knob that tuning may use."""


@dataclass(frozen=True, eq=False)
class Bends:
    """What refinement adds to single rows of the tables.

    Attributes
    ----------
    start, stop : W, (speeds,), added to the engine tables at every SoC
    up, down : (gears, 2 engine states), exponents: gear lines are multiplied by exp of them
    """

    start: np.ndarray
    stop: np.ndarray
    up: np.ndarray
    down: np.ndarray


@dataclass(frozen=True, eq=False)
class Draft:
    """Cuts and splits over prices, from which tables are drawn for any knobs.

    Attributes
    ----------
    prices : (prices,), over the median price, increasing
    speeds, socs, input_speeds, input_torques, wheel_torques : breakpoints, SI
    start, stop : W, (speeds, prices)
    split : N m, (input speeds, input torques, prices)
    limit : N m, (input speeds,)
    up, down : m/s, (gears, wheel torques, 2)
    reference : charge at which the price is `Knobs.price`
    """

    prices: np.ndarray
    speeds: np.ndarray
    socs: np.ndarray
    input_speeds: np.ndarray
    input_torques: np.ndarray
    wheel_torques: np.ndarray
    start: np.ndarray
    stop: np.ndarray
    split: np.ndarray
    limit: np.ndarray
    up: np.ndarray
    down: np.ndarray
    reference: float

    def straight(self) -> Bends:
        """Return bends that change nothing."""
        lines = np.zeros((self.up.shape[0], 2))
        return Bends(np.zeros(self.speeds.size), np.zeros(self.speeds.size), lines, lines)

    def _price(self, price: float, slope: float, curve: float, soc: np.ndarray) -> np.ndarray:
        """Price of stored energy at states of charge."""
        away, span = soc - self.reference, self.socs[-1] - self.socs[0]
        falling = price - slope * away / span - curve * (10.0 * away) ** 3
        return np.asarray(np.clip(falling, LEAST_PRICE, MOST_PRICE))

    def table(self, knobs: Knobs, bends: Bends | None = None) -> RuleTable:
        """Draw the tables for some knobs and bends."""
        bends = bends or self.straight()
        price = self._price(knobs.price, knobs.slope, knobs.curve, self.socs)
        start = at_prices(self.start, self.prices, price) + knobs.start + bends.start[:, None]
        stop = at_prices(self.stop, self.prices, price) + knobs.stop + bends.stop[:, None]
        price = self._price(knobs.split_price, knobs.split_slope, knobs.curve, self.socs)
        split = at_prices(self.split, self.prices, price)
        numbers, states = np.arange(1.0, self.up.shape[0] + 1.0), np.array([0.0, 1.0])
        up = self.up * (1.0 + knobs.gap) * np.exp(bends.up)[:, None]
        down = self.down * (1.0 - knobs.gap) * np.exp(bends.down)[:, None]
        down = np.minimum(down, np.concatenate((down[:1], up[:-1])))
        up, down = up.clip(-SLOWEST, FASTEST), down.clip(-SLOWEST, FASTEST)
        return RuleTable(
            min_on=knobs.min_on,
            min_off=knobs.min_off,
            min_gear=knobs.min_gear,
            land_up=knobs.land_up,
            land_down=knobs.land_down,
            motion_charge=knobs.motion,
            engine_start=Map((self.speeds, self.socs), start),
            engine_stop=Map((self.speeds, self.socs), np.minimum(stop, start)),
            electric_limit=Map((self.input_speeds,), self.limit),
            motor_torque=Map((self.input_speeds, self.input_torques, self.socs), split),
            shift_up=Map((numbers, self.wheel_torques, states), up),
            shift_down=Map((numbers, self.wheel_torques, states), down),
        )


def at_prices(values: np.ndarray, prices: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Interpolate the last axis, over prices, at wanted prices; one set, or one per row."""
    i = np.clip(np.searchsorted(prices, wanted, side="right") - 1, 0, prices.size - 2)
    place = np.clip((wanted - prices[i]) / (prices[i + 1] - prices[i]), 0.0, 1.0)
    i = np.broadcast_to(i, (*values.shape[:-1], i.shape[-1]))
    low, high = (np.take_along_axis(values, j, axis=-1) for j in (i, i + 1))
    return np.asarray(low + place * (high - low))


def falling(cuts: np.ndarray) -> np.ndarray:
    """Make cuts fall with the price (the dearer stored energy, the sooner the engine runs)."""
    from_left = np.minimum.accumulate(cuts, axis=-1)
    from_right = np.maximum.accumulate(cuts[..., ::-1], axis=-1)[..., ::-1]
    return np.asarray(0.5 * (from_left + from_right))


def smooth(cuts: np.ndarray, visits: np.ndarray, seconds: float) -> np.ndarray:
    """Pull each node of the first axis to the mean of its neighbours, the more the fewer visits.

    A node visited for `seconds` is moved halfway.
    """
    padded = np.concatenate((cuts[:1], cuts, cuts[-1:]))
    weight = np.concatenate((visits[:1], visits, visits[-1:])) + 1e-3
    shape = (-1,) + (1,) * (cuts.ndim - 1)
    near = weight[:-2].reshape(shape) * padded[:-2] + weight[2:].reshape(shape) * padded[2:]
    near = near / (weight[:-2] + weight[2:]).reshape(shape)
    own = (visits / (visits + seconds)).reshape(shape)
    return np.asarray(own * cuts + (1.0 - own) * near)
