"""What a drive of rule tables comes to, in the few figures that a calibrator looks at."""

from typing import NamedTuple

import numpy as np

from ..controllers.closed_loop import Drive
from ..evaluation.case import Case
from ..physics.plant import pack
from ..physics.replay import schedule_comfort, schedule_fuel
from ..problem.graph import begins_start


class DriveFigures(NamedTuple):
    """What a drive comes to.

    Attributes
    ----------
    fuel_g : g
    cost_equal_g : g, fuel and event costs at the optimum's final SoC
    starts, shifts : counts
    soc_end : final state of charge
    """

    fuel_g: float
    cost_equal_g: float
    starts: float
    shifts: float
    soc_end: float


def drive_figures(case: Case, drive: Drive) -> DriveFigures:
    """Return the figures of a drive as :func:`hybridopt.verify` has them, without its traces.

    Parameters
    ----------
    case
        What the drive is measured on; where it lacked power, see :meth:`Case.driven`.
    drive
        From :meth:`Case.drive`.
    """
    known, done = case.optimum, drive.schedule
    begin, plant = known.settings.gear_start, case.loop.around.plant
    if known.driveline.engine.emission_prices:
        plant = pack(known.driveline, priced=False)
    gears = np.concatenate(([begin - 1], done.gear))
    return DriveFigures(
        fuel_g=schedule_fuel(known.driveline, plant, drive.demand, done, begin),
        cost_equal_g=case.equal_cost(drive),
        starts=float(np.count_nonzero(begins_start(done.engine_class))),
        shifts=float(np.count_nonzero(np.diff(gears))),
        soc_end=drive.soc_end,
    )


HELD_SHORT = "gears_held_short"
EARLY = 1e-9  # s, what rounding may take of a time


def drive_comfort(case: Case, drive: Drive) -> dict[str, float]:
    """Return what limits of comfort come to on a drive; without limits nothing.

    Parameters
    ----------
    case, drive
        As of :func:`drive_figures`.

    Returns
    -------
    dict
        Seconds by the names of `nomenclature.COMFORT_TOTALS`; under :data:`HELD_SHORT`, where
        minimum times are set, how many gears were left too soon for one of them.
    """
    settings, demand, done = case.optimum.settings, drive.demand, drive.schedule
    driveline, plant = case.optimum.driveline, case.loop.around.plant
    found = schedule_comfort(
        driveline, plant, demand, done, settings.torque_rise, settings.torque_fall
    )
    held, back = settings.min_gear_time, settings.min_reversal_time
    if max(held, back) > 0.0:
        gears = np.concatenate(([settings.gear_start - 1], done.gear))
        found[HELD_SHORT] = float(_held_short(gears, demand.time, held, back))
    return found


def _held_short(gears: np.ndarray, time: np.ndarray, held: float, back: float) -> int:
    """Count shifts sooner after the one before than they may be, or back from it."""
    ways = np.diff(gears)
    at = np.flatnonzero(ways)
    past = np.diff(time[at])
    returns = np.sign(ways[at[1:]]) != np.sign(ways[at[:-1]])
    least = np.where(returns, max(held, back), held)
    return int(np.count_nonzero(past < least - EARLY))
