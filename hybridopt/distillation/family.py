"""A family of rule tables: fitted over the equivalence factor, shaped by few parameters."""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from ..controllers.maps import Map
from ..tables.rule_table import LAYOUT, RuleTable, line_axes
from .shaping import Axes, Shaper

LOWEST_FACTOR, HIGHEST_FACTOR = 0.55, 1.6  # over the median factor of the training


@dataclass(frozen=True)
class Sizes:
    """Highest number of breakpoints of each axis.

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


class TableShape(NamedTuple):
    """The few parameters that shape all tables at once; equivalence factors over their median.

    Attributes
    ----------
    factor : equivalence factor at the reference SoC
    slope : its fall over the whole SoC window
    curve : its fall at a tenth of SoC above the reference that grows with the cube
    motion : SoC that motion at 100 km/h counts as
    split_factor, split_slope : factor and slope for the split between engine and motor
    start, stop : W, added to the wheel power at which the engine starts and stops
    min_on, min_off, min_gear : s
    gap : share by which the up lines are raised and the down lines lowered
    land_up, land_down : shares by which a shift's next lines move

    Notes
    -----
    The defaults are those of the least mean loss on drives left out: each of four schedules and
    five recorded drives, and their copies at other paces, driven with tables fitted to the others,
    at 700 random shapes and by a quadratic through the losses; a loss of charge beyond 5 points
    counted. Near them it is flat: a tenth of a percent is chance. A gap that saves shifts
    on the training is left to the refinement: begun with, it loses elsewhere.
    """

    factor: float = 1.0
    slope: float = 0.2
    curve: float = 0.05
    motion: float = 0.06
    split_factor: float = 1.01
    split_slope: float = 0.3
    start: float = 3e3
    stop: float = 1e3
    min_on: float = 2.0
    min_off: float = 2.0
    min_gear: float = 1.0
    gap: float = 0.0
    land_up: float = 0.8
    land_down: float = 0.35


SHAPE_RANGES = {
    "factor": (0.8, 1.25),
    "slope": (0.0, 4.0),
    "curve": (0.0, 4.0),
    "motion": (0.0, 0.2),
    "split_factor": (0.8, 1.25),
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
"""Lowest and highest value that refinement may use, for the fields of :class:`TableShape`."""


class Offsets(NamedTuple):
    """What refinement adds to single rows of the tables.

    Attributes
    ----------
    power : W, (2, speeds), added to engine start and stop at every SoC
    line : (2, pairs of gears, 2 engine states), lines up and down are multiplied by exp of it
    """

    power: np.ndarray
    line: np.ndarray


@dataclass(frozen=True, eq=False)
class TableFamily:
    """Thresholds and splits over equivalence factors, from which tables of any shape follow.

    Attributes
    ----------
    factors : (factors,), equivalence factors over their median, increasing
    speeds, socs, input_speeds, input_torques, wheel_torques : breakpoints, SI
    start, stop : W, (speeds, factors)
    split : N m, (input speeds, input torques, factors)
    limit : N m, (input speeds,)
    up, down : m/s, (pairs of gears, wheel torques, 2)
    reference : SoC at which the factor is `TableShape.factor`
    gears : of the driveline
    shaper : brings tables within the limits on their shape
    least_times : s, least minimum times with the engine on, off and in a gear
    """

    factors: np.ndarray
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
    gears: int
    shaper: Shaper
    least_times: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def offsets(self, power: np.ndarray | float, line: np.ndarray | float) -> Offsets:
        """Return the offsets of given values, in the order of their arrays or all the same."""
        powers, lines = (2, self.speeds.size), (2, self.up.shape[0], 2)
        return Offsets(np.resize(power, powers), np.resize(line, lines))

    def _factors_at(self, factor: float, slope: float, curve: float) -> np.ndarray:
        """Equivalence factors at the SoC breakpoints."""
        away, span = self.socs - self.reference, self.socs[-1] - self.socs[0]
        factors = factor - slope * away / span - curve * (10.0 * away) ** 3
        return np.asarray(np.clip(factors, LOWEST_FACTOR, HIGHEST_FACTOR))

    def table(self, shape: TableShape, offsets: Offsets | None = None) -> RuleTable:
        """Return the tables of a shape and offsets, none where not given."""
        power, line = offsets or self.offsets(0.0, 0.0)
        factors = self._factors_at(shape.factor, shape.slope, shape.curve)
        start = at_factors(self.start, self.factors, factors) + shape.start + power[0][:, None]
        stop = at_factors(self.stop, self.factors, factors) + shape.stop + power[1][:, None]
        factors = self._factors_at(shape.split_factor, shape.split_slope, shape.curve)
        split = at_factors(self.split, self.factors, factors)
        drawn = {
            "engine_start": start,
            "engine_stop": stop,
            "electric_limit": self.limit,
            "motor_torque": split,
            "shift_up": self.up * (1.0 + shape.gap) * np.exp(line[0])[:, None],
            "shift_down": self.down * (1.0 - shape.gap) * np.exp(line[1])[:, None],
        }
        axes, values = self.axes, self.shaper.within(drawn)
        least_on, least_off, least_gear = self.least_times
        maps: dict[str, Any] = {name: Map(axes[name], values[name]) for name in LAYOUT}
        return RuleTable(
            min_on=max(shape.min_on, least_on),
            min_off=max(shape.min_off, least_off),
            min_gear=max(shape.min_gear, least_gear),
            land_up=shape.land_up,
            land_down=shape.land_down,
            motion_charge=shape.motion,
            **maps,
        )

    @property
    def axes(self) -> Axes:
        """The breakpoints of all tables, by name."""
        inputs = self.input_speeds, self.input_torques
        return table_axes(self.speeds, self.socs, inputs, self.wheel_torques, self.gears)


def table_axes(
    speeds: np.ndarray,
    socs: np.ndarray,
    inputs: tuple[np.ndarray, np.ndarray],
    wheel_torques: np.ndarray,
    gears: int,
) -> Axes:
    """Return the breakpoints of all tables by name.

    Parameters
    ----------
    speeds, socs, inputs, wheel_torques
        Breakpoints, SI; `inputs` are speed and torque at the gearbox input.
    gears
        Of the driveline.
    """
    up, down = line_axes(gears, wheel_torques)
    return {
        "engine_start": (speeds, socs),
        "engine_stop": (speeds, socs),
        "electric_limit": (inputs[0],),
        "motor_torque": (*inputs, socs),
        "shift_up": up,
        "shift_down": down,
    }


def at_factors(values: np.ndarray, factors: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Interpolate the last axis, over equivalence factors, at wanted ones."""
    i = np.clip(np.searchsorted(factors, wanted, side="right") - 1, 0, factors.size - 2)
    place = np.clip((wanted - factors[i]) / (factors[i + 1] - factors[i]), 0.0, 1.0)
    low, high = values[..., i], values[..., i + 1]
    return np.asarray(low + place * (high - low))
