"""What limits on shape ask of the cells of rule tables: ranges, and differences of two cells.

Every limit is a range of a cell, or says by how much one cell lies above another at least. The
tables that are bound to each other by it make one vector of cells, which the check of tables and
their making look at alike.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from ..inputs.driveline import Driveline
from ..physics.capability import top_speed
from ..physics.plant import pack
from .rule_set import gearbox_facts
from .shape import ShapeLimits

GROUPS = (
    ("shift_up", "shift_down"),
    ("engine_start", "engine_stop"),
    ("electric_limit",),
    ("motor_torque",),
)
"""Tables that are bound to each other."""


class VehicleRange(NamedTuple):
    """What a vehicle can have: m/s by gear, upwards and down; W at the wheels; N m of the motor.

    Attributes
    ----------
    slowest : (gears, 2), vehicle speed from which on a gear fits, with the engine off and on
    fastest : (gears,), up to which it does, and no more than the vehicle's top speed
    power : lowest and highest at the wheels
    torque : highest of the motor
    """

    slowest: np.ndarray
    fastest: np.ndarray
    power: tuple[float, float]
    torque: float


def vehicle_range(driveline: Driveline) -> VehicleRange:
    """Return what a vehicle can have, for the check of tables.

    Parameters
    ----------
    driveline
        The vehicle.

    Returns
    -------
    VehicleRange
        Engine and motor together are its highest power, the motor alone its lowest.
    """
    plant, gearbox = pack(driveline), gearbox_facts(driveline)
    at_one = driveline.vehicle.wheel_radius / gearbox.ratios  # m/s at an input speed of 1 rad/s
    slowest = np.stack((0.0 * at_one, gearbox.idle_speed * at_one), axis=-1)
    slowest[0] = 0.0  # it launches
    motor = driveline.motor.peak_power
    engine = float((plant.full * plant.full_speed).max())
    return VehicleRange(
        slowest=slowest,
        fastest=np.minimum(gearbox.highest_speed * at_one, top_speed(driveline)),
        power=(-motor, engine + motor),
        torque=float(plant.peak.max()),
    )


class Relation(NamedTuple):
    """Cells that lie above others by an amount at least, by the limit that asks for it."""

    limit: str
    lower: np.ndarray
    upper: np.ndarray
    least: float


class Cells(NamedTuple):
    """The cells of tables that are bound to each other, as one vector.

    Attributes
    ----------
    shapes : of the tables, by name
    relations : between cells
    low, high : range of each cell, infinite where there is none
    """

    shapes: Mapping[str, tuple[int, ...]]
    relations: Sequence[Relation]
    low: np.ndarray
    high: np.ndarray

    def number(self, table: str, index: tuple[int, ...]) -> int:
        """Return the place of a cell of a table in the vector."""
        before = 0
        for name, shape in self.shapes.items():
            if name == table:
                return before + int(np.ravel_multi_index(index, shape))
            before += int(np.prod(shape))
        raise KeyError(table)

    def place(self, cell: int) -> tuple[str, tuple[int, ...]]:
        """Return table and index of a cell."""
        for name, shape in self.shapes.items():
            if cell < (size := int(np.prod(shape))):
                return name, tuple(int(i) for i in np.unravel_index(cell, shape))
            cell -= size
        raise IndexError(cell)


def bound_cells(
    axes: Mapping[str, tuple[np.ndarray, ...]], limits: ShapeLimits, vehicle: VehicleRange | None
) -> Cells:
    """Return what limits ask of the tables of one of :data:`GROUPS`.

    Parameters
    ----------
    axes
        Of its tables, by name; those of two tables are the same but for the gears, of which line
        k of `shift_up` leads to the gear that line k of `shift_down` leaves.
    limits
        What is asked.
    vehicle
        What it can have; None leaves the ranges open.
    """
    shapes = {name: tuple(axis.size for axis in of) for name, of in axes.items()}
    ends = np.cumsum([0, *(int(np.prod(shape)) for shape in shapes.values())])
    cells = [
        np.arange(first, last).reshape(shape)
        for first, last, shape in zip(ends[:-1], ends[1:], shapes.values(), strict=True)
    ]
    low, high = np.full(ends[-1], -np.inf), np.full(ends[-1], np.inf)
    ranged = vehicle if limits.in_range else None
    if "shift_up" in axes:
        found = [*_of_lines(cells[0], cells[1], axes["shift_up"][1], limits)]
        if ranged is not None:
            for lines in cells:  # the upper gear must fit above them, the lower one below
                low[lines] = ranged.slowest[1:, None, :]
                high[lines] = ranged.fastest[:-1, None, None]
    elif "engine_start" in axes:
        found = [*_of_powers(cells[0], cells[1], limits)]
        if ranged is not None:
            low[:], high[:] = ranged.power
    else:
        charge = cells[0] if limits.rising and cells[0].ndim == 3 else cells[0][..., None]
        found = [Relation("rising", charge[..., :-1], charge[..., 1:], 0.0)]
        if ranged is not None:
            low[:], high[:] = (-ranged.torque if cells[0].ndim == 3 else 0.0), ranged.torque
    kept = [r._replace(lower=r.lower.ravel(), upper=r.upper.ravel()) for r in found]
    return Cells(shapes, [r for r in kept if r.lower.size], low, high)


def _of_lines(
    up: np.ndarray, down: np.ndarray, torques: np.ndarray, limits: ShapeLimits
) -> Iterable[Relation]:
    """Yield what is asked of shift lines, (pairs of gears, torques, engine states)."""
    yield Relation("hysteresis", down, up, limits.hysteresis)
    pulled, braked = np.flatnonzero(torques[:-1] >= 0.0), np.flatnonzero(torques[1:] <= 0.0)
    for lines in (up, down):
        if limits.ordered:
            yield Relation("ordered", lines[:-1], lines[1:], 0.0)
        if limits.rising:
            yield Relation("rising", lines[:, pulled], lines[:, pulled + 1], 0.0)
            yield Relation("rising", lines[:, braked + 1], lines[:, braked], 0.0)
        yield from _steps("speed_step", lines, 1, limits.speed_step)


def _of_powers(start: np.ndarray, stop: np.ndarray, limits: ShapeLimits) -> Iterable[Relation]:
    """Yield what is asked of engine start and stop, (speeds, states of charge)."""
    yield Relation("power_hysteresis", stop, start, limits.power_hysteresis)
    for powers in (start, stop):
        if limits.rising:
            yield Relation("rising", powers[:, :-1], powers[:, 1:], 0.0)
        yield from _steps("power_step", powers, 0, limits.power_step)


def _steps(limit: str, cells: np.ndarray, axis: int, most: float) -> Iterable[Relation]:
    """Yield that neighbours along an axis differ no more than that."""
    along = np.moveaxis(cells, axis, 0)
    yield Relation(limit, along[1:], along[:-1], -most)
    yield Relation(limit, along[:-1], along[1:], -most)
