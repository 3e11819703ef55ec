"""The electric load beside the motor: constant, or over ambient temperature and engine state."""

from dataclasses import dataclass

import numpy as np
from xarray import DataArray

from ..base.units import KW
from .fields import quantity


@dataclass(frozen=True, eq=False, kw_only=True)
class Auxiliary:
    """Electric load on the DC side.

    `power` (W) holds where nothing else is known. `table` has dims (engine, ambient): the load, W,
    with the engine off and on over the ambient temperature, degC. It holds where the ambient
    temperature is known: from the cycle, or else `ambient_temperature`.
    """

    power: float = quantity("power_kW", KW, low=0, high=100)
    ambient_temperature: float | None = quantity(
        "ambient_temperature_C", low=-60, high=60, default=None
    )
    table: DataArray | None = None

    def loads(self, ambient: np.ndarray) -> np.ndarray:
        """Return the load with the engine off and on, W, (2, steps); NaN where only `power` holds.

        Parameters
        ----------
        ambient
            Ambient temperature of each step, degC, (steps,); NaN where the cycle gives none.
        """
        if self.table is None:
            return np.full((2, ambient.size), np.nan)
        usual = np.nan if self.ambient_temperature is None else self.ambient_temperature
        ambient = np.where(np.isnan(ambient), usual, ambient)
        axis = self.table["ambient"].values
        loads = [np.interp(ambient, axis, row) for row in self.table.values]
        return np.where(np.isnan(ambient), np.nan, loads)
