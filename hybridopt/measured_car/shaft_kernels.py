"""Numba kernel of the shafts that a drive's gears and engine states make of what is asked."""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

import numpy as np

from ..base.compiled import kernel
from ..physics.shaft import _shaft


@kernel
def _shafts(plant, rows, gear, engine, shafts, fuel, loss, reasons):
    """Fill shaft, fuel and loss row of every step, and the reason why it cannot be, if any."""
    for t in range(rows.shape[0]):
        fuel_row, loss_row = np.zeros(fuel.shape[1]), np.zeros(loss.shape[1])
        reasons[t] = _shaft(plant, rows[t], gear[t], engine[t], shafts[t], fuel_row, loss_row)
        fuel[t], loss[t] = fuel_row, loss_row
