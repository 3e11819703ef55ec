"""Where nodes of oil temperature count: up to how warm the oil may get, and where V has a kink."""

import numpy as np

from ..physics.entries import R_FUEL_FACTOR, R_HEATER
from .oil_nodes import OilNodes

EFFICIENCY, REGAINED = 0.3, 0.6  # of fuel to the wheels, and of braking: both low


def nodes_up_to(nodes: OilNodes, highest: float) -> OilNodes:
    """Return as many nodes that end at a temperature, degC, or at their own last one.

    One lies at the temperature of the cabin, from which on it is heated, if that is among them.
    """
    oil = np.linspace(nodes.oil[0], min(highest, float(nodes.oil[-1])), nodes.oil.size)
    kink, inner = nodes.warming.cabin_temperature, oil[1:-1]
    beside = np.abs(inner - kink) <= 0.5 * (oil[1] - oil[0])
    if nodes.warming.cabin > 0.0 and beside.any():
        inner[np.argmax(beside)] = kink
    return OilNodes(nodes.driveline, nodes.demand, nodes.aim, nodes.warming, oil, nodes.start)


def likely_peak(nodes: OilNodes) -> float:
    """Return a temperature that the oil hardly gets above, degC.

    No air cools, and no step leads beyond a neighbour of as many nodes up to there, one moved.
    """
    row, warming, demand, driveline = nodes.rows[0], nodes.warming, nodes.demand, nodes.driveline
    power, load = demand.wheel_torque * demand.wheel_speed, demand.auxiliary_on
    load = np.where(np.isnan(load), driveline.auxiliary.power, load) + row[:, R_HEATER]
    wanted = float(((np.where(power > 0.0, power, REGAINED * power) + load) * nodes.dt).sum())
    full = float(driveline.engine.fuel_map.max()) * float(nodes.dt.max())
    fuel = max(wanted / EFFICIENCY / driveline.fuel.heating_value, 2.0 * nodes.oil.size * full)
    rise = fuel * float(row[:, R_FUEL_FACTOR].max()) * warming.heat / warming.capacity
    return max(float(nodes.oil[0]), nodes.start) + rise
