"""Drives known in advance, with SoC and its limits: least costs, and proved ones.

What a drive costs is its fuel and events, plus what its charge at the end lacks of that at the
start at a linear price, plus what its engine state and gear at the end are worth. With an amount
added to each step for the engine state and gear after it, whose mean is 0 for whoever does not know
what comes, the least cost is in the mean below that of any controller without foresight
(information relaxation: Brown, Smith, Sun, Operations Research 58(4), 2010, 785-801, DOI
10.1287/opre.1090.0796).

The sweep needs no change for it: the amount depends on where a step leads to, as shifts do.
"""

import dataclasses
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from ..dp.bound_kernels import Boxes
from ..dp.boxes import BOXES, make_boxes
from ..dp.cost_to_go import CostToGo
from ..dp.dual import Dual
from ..dp.kernels import _value
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..optimum.batch import devices, in_order, solve_statements
from ..physics.battery import pack_battery, stored_energy, voltage_slope
from ..physics.codes import EngineClass
from ..physics.starts import start_steps
from ..pipeline import Prepared, prepare
from ..problem.emission_prices import refuse_limits, with_prices
from ..problem.events import shift_costs, start_costs, stop_costs
from ..problem.problem import Problem, make_problem
from ..problem.settings import Settings
from ..problem.statement import Statement, stated

_ON_AFTER = np.array([int(engine != EngineClass.OFF) for engine in EngineClass])


@dataclass(frozen=True, eq=False)
class KnownDrive:
    """A drive known in advance, whose charge at the end is paid for.

    Attributes
    ----------
    cycle : the drive
    prepared : its demand and choices
    problem : the least cost from the start, where charge missing from a full window is paid for
    refund : g, what of that is not missing from the charge at the start
    price : g/J, of stored energy at the start's SoC
    """

    cycle: Cycle
    prepared: Prepared
    problem: Problem
    refund: float
    price: float

    def with_added(self, added: np.ndarray) -> "KnownDrive":
        """Return the drive with an amount added for the engine state and gear after each step.

        Parameters
        ----------
        added
            g, (steps, 2 engine states, gears).
        """
        shift = self.problem.shift + added[:, _ON_AFTER][:, :, None, :]
        return dataclasses.replace(self, problem=dataclasses.replace(self.problem, shift=shift))

    def least(self) -> float:
        """Return the least cost, g, with SoC and its window, to within the error of its grid."""
        problem = self.problem
        row = CostToGo(problem)[0][problem.state, problem.gear]
        return float(_value(problem.grid, row, problem.soc)) - self.refund

    def proved(self) -> float:
        """Return a proved lower limit of it, g; that the SoC window binds is left out.

        Notes
        -----
        The theorem of `dp/bound.py` with all multipliers at the price of stored energy p: any
        schedule costs at least S(p) + p (z_end - z_start) without what its charge at the end is
        charged, k (x_start - x_end) with k = p dz/dx at the start. As dz/dx rises with SoC or
        stays, k (x_start - x_end) >= p (z_start - z_end); where it falls, the least of their
        difference over the window is added.
        """
        problem, boxes = self.problem, self._boxes()
        prices = np.full(problem.points.steps, self.price)
        length = Dual(problem, boxes).value(prices)
        return float(length + self.price * (boxes.z_start - boxes.z_end) + self._bent())

    def _boxes(self) -> Boxes:
        return make_boxes(self.problem, BOXES, None)

    def _bent(self) -> float:
        """Least over the window of the charge for missing SoC less that for missing energy, g."""
        cell, soc, (low, high, *_) = self.problem.cell, self.problem.soc, self.problem.settings.socs
        ends = np.concatenate((np.linspace(low, high, 2001), [soc]))
        energy = stored_energy(cell, soc) - stored_energy(cell, ends)
        charged = voltage_slope(cell, soc) * (soc - ends)
        return float(self.price * np.min(charged - energy))


def least_costs(drives: Iterable[KnownDrive]) -> Iterator[float]:
    """Yield the least cost of each drive, g: see :meth:`KnownDrive.least`.

    Devices sweep them where they are there, many at a time, in numbers of 32 bits: costs differ by
    some 1e-6 of themselves. What a device cannot take is swept here.
    """
    if not devices():
        for drive in drives:
            yield drive.least()
        return
    sent = deque[KnownDrive]()

    def statements() -> Iterator[Statement]:
        for drive in drives:
            sent.append(drive)
            yield stated(drive.problem)

    for answer in in_order(solve_statements(statements(), bound=False, once=True)):
        drive = sent.popleft()
        yield answer.value_start - drive.refund if answer.run else drive.least()


def charge_price(driveline: Driveline, settings: Settings, price: float) -> float:
    """Return the price of charge, g per unit of SoC, at the start's SoC; `price` is in g/J."""
    return price * float(voltage_slope(pack_battery(driveline.battery), settings.socs[2]))


def know_drive(cycle: Cycle, driveline: Driveline, settings: Settings, price: float) -> KnownDrive:
    """Make a drive known in advance ready.

    Parameters
    ----------
    cycle, driveline
        The drive and the vehicle.
    settings
        Resolved; start SoC and window count, the target does not.
    price
        Of stored energy, g/J.

    Raises
    ------
    InfeasibleError
        The drive cannot be driven.
    """
    settings = settings.for_cycle(cycle)
    refuse_limits(settings)
    driveline = with_prices(driveline, settings)
    prepared = prepare(cycle, driveline, settings, whole=not devices())  # many are under way there
    high, start = settings.socs[1], settings.socs[2]
    full = dataclasses.replace(settings, terminal="target", soc_target=high, corridor=False)
    slope, demand = charge_price(driveline, settings, price), prepared.demand
    problem = make_problem(
        prepared.points,
        driveline.battery,
        full,
        slope,
        shift_costs(driveline, demand, settings),
        stop_costs(driveline, demand, settings),
        start_steps(driveline.start.span, demand.dt),
        start_costs(driveline, demand),
    )
    return KnownDrive(cycle, prepared, problem, slope * (high - start), price)
