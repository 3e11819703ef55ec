"""Maps of emissions beside the fuel map, and the sum of both that is minimised at their prices."""

from collections.abc import Mapping

import numpy as np
from xarray import DataArray

from .driveline import Engine
from .maps import map_values


def priced_maps(engine: Engine) -> tuple[DataArray, DataArray]:
    """Return an engine's fuel map with its emissions at their prices: catalyst lit, and cold.

    Returns
    -------
    lit, cold : DataArray
        Dims (speed, torque), g/s of fuel. Without prices both are the fuel map itself.

    Notes
    -----
    Sums of bilinear maps are bilinear in the cells between all their lines, so they are exact on
    the grid of these.
    """
    fuel = engine.fuel_map
    if not engine.emission_prices:
        return fuel, fuel
    maps = {name: engine.emissions[name] for name in engine.emission_prices}
    grid = {dim: _shared([one[dim].values for one in (fuel, *maps.values())]) for dim in fuel.dims}

    def total(prices: Mapping[str, float]) -> DataArray:
        speed, torque = grid["speed"][:, None], grid["torque"][None, :]
        values = map_values(fuel, speed, torque)
        for name, one in maps.items():
            values = values + prices[name] * map_values(one, speed, torque)
        return DataArray(values, grid, ("speed", "torque"))

    prices = engine.emission_prices.items()
    return total({n: p.lit for n, p in prices}), total({n: p.cold for n, p in prices})


def dearer(engine: Engine) -> float:
    """Return how many times as dear as its fuel an engine's work is, emissions counted; 1 or more.

    The mean over the map, all its points together.
    """
    if not engine.emission_prices:
        return 1.0
    cold = priced_maps(engine)[1]
    fuel = map_values(engine.fuel_map, cold["speed"].values[:, None], cold["torque"].values)
    return float(cold.values.sum() / fuel.sum())


def _shared(axes: list[np.ndarray]) -> np.ndarray:
    """Return the lines of all grids within what all of them cover."""
    low, high = max(axis[0] for axis in axes), min(axis[-1] for axis in axes)
    lines = np.unique(np.concatenate(axes))
    return np.asarray(lines[(lines >= low) & (lines <= high)])
