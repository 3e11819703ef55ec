"""What a drive of rule tables comes to, in the few figures that a calibrator looks at."""

from typing import NamedTuple

import numpy as np

from ..controllers.closed_loop import Drive
from ..evaluation.case import Case
from ..physics.replay import schedule_fuel
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
    gears = np.concatenate(([begin - 1], done.gear))
    return DriveFigures(
        fuel_g=schedule_fuel(known.driveline, plant, drive.demand, done, begin),
        cost_equal_g=case.equal_cost(drive),
        starts=float(np.count_nonzero(begins_start(done.engine_class))),
        shifts=float(np.count_nonzero(np.diff(gears))),
        soc_end=drive.soc_end,
    )
