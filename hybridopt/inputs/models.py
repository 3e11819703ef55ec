"""Maps from a few parameters, for users who have none measured.

A Willans-line engine and a loss-polynomial motor, sampled onto the same maps that measured
data fill, so that nothing downstream knows the difference.

References
----------
Guzzella, Sciarretta, *Vehicle Propulsion Systems*, ch. 3 (Willans line), from memory.
"""

from dataclasses import dataclass

import numpy as np
from xarray import DataArray

from ..base.units import KW, RPM
from .fields import quantity


@dataclass(frozen=True, eq=False, kw_only=True)
class WillansEngine:
    """Fuel power = (torque + friction torque) x speed / marginal efficiency."""

    marginal_efficiency: float = quantity("marginal_efficiency", low=0.05, high=0.7)
    friction_torque: float = quantity("friction_torque_Nm", low=0, high=1000)
    max_torque: float = quantity("max_torque_Nm", low=1, high=10_000)
    max_power: float = quantity("max_power_kW", KW, low=1, high=2000)
    idle_speed: float = quantity("idle_speed_rpm", RPM, low=100, high=3000)
    max_speed: float = quantity("max_speed_rpm", RPM, low=500, high=20_000)


@dataclass(frozen=True, eq=False, kw_only=True)
class PolynomialMotor:
    """Loss = constant + a |speed| + b torque^2, with torque and power limits."""

    loss_constant: float = quantity("loss_constant_W", low=0, high=10_000)
    loss_per_speed: float = quantity("loss_W_per_rpm", 1.0 / RPM, low=0, high=10)
    loss_per_torque2: float = quantity("loss_W_per_Nm2", low=0, high=100)
    max_torque: float = quantity("max_torque_Nm", low=1, high=10_000)
    max_power: float = quantity("max_power_kW", KW, low=0.1, high=2000)
    max_speed: float = quantity("max_speed_rpm", RPM, low=500, high=30_000)
    spin_drag: float = quantity("spin_drag_Nm", low=0, high=100, default=0.0)


def limited_torque(max_torque: float, max_power: float, speed: np.ndarray) -> DataArray:
    """Torque limit of constant torque, then constant power, over speed (rad/s), in N m."""
    torque = np.minimum(max_torque, max_power / np.maximum(speed, 1e-9))
    return DataArray(torque, {"speed": speed}, ("speed",))


def engine_maps(model: WillansEngine, heating_value: float) -> dict[str, DataArray]:
    """Sample a Willans-line engine onto maps.

    Parameters
    ----------
    model
        The engine's parameters.
    heating_value
        Lower heating value of the fuel, J/g.

    Returns
    -------
    dict
        `fuel_map` (g/s), `full_load` and `overrun` (N m) for :class:`Engine`. The sampling is
        exact, because the fuel rate is bilinear in speed and torque.
    """
    speed = np.linspace(min(model.idle_speed, 50 * RPM), model.max_speed, 41)
    torque = np.linspace(0.0, model.max_torque, 3)
    power = speed[:, None] * (torque[None, :] + model.friction_torque)
    fuel = power / (model.marginal_efficiency * heating_value)
    drag = np.full(speed.size, -model.friction_torque)
    return {
        "fuel_map": DataArray(fuel, {"speed": speed, "torque": torque}, ("speed", "torque")),
        "full_load": limited_torque(model.max_torque, model.max_power, speed),
        "overrun": DataArray(drag, {"speed": speed}, ("speed",)),
    }


def motor_maps(model: PolynomialMotor) -> dict[str, DataArray]:
    """Sample a loss-polynomial motor onto maps.

    Returns
    -------
    dict
        `loss_map` (W), `peak_torque` and `drag_torque` (N m) for :class:`Motor`.
    """
    speed = np.linspace(0.0, model.max_speed, 41)
    torque = np.linspace(-model.max_torque, model.max_torque, 41)
    loss = (
        model.loss_constant
        + model.loss_per_speed * speed[:, None]
        + model.loss_per_torque2 * torque[None, :] ** 2
    )
    drag = np.full(speed.size, model.spin_drag)
    return {
        "loss_map": DataArray(loss, {"speed": speed, "torque": torque}, ("speed", "torque")),
        "peak_torque": limited_torque(model.max_torque, model.max_power, speed),
        "drag_torque": DataArray(drag, {"speed": speed}, ("speed",)),
    }
