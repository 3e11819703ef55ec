"""What continuous load does to launch clutch, motor and battery: temperature and overload budgets.

All three lag behind their load by one time constant: x' = gain - decay x. Load is constant in a
step of the cycle, so each step is solved exactly, and x is monotone in it: its peaks are at ends
of steps.
"""

# mypy: allow-untyped-decorators

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import xarray as xr

from ..base.compiled import kernel
from ..inputs.driveline import Battery, Clutches, Driveline, Motor
from ..inputs.maps import curve_values

SLACK = 1e-6  # of a limit, which an answer may lie above it by rounding
TOTAL_NAMES = {
    "clutch": ("clutch_peak_C", "clutch_over_s"),
    "motor": ("motor_budget_peak", "motor_over_s"),
    "battery": ("battery_budget_peak", "battery_over_s"),
}
"""Names of peak and time over the limit, by strain."""


@dataclass(frozen=True, eq=False)
class Strain:
    """One lagging quantity along a drive.

    Attributes
    ----------
    name : "clutch", "motor" or "battery"
    values : at the start and after each step, (steps + 1,); deg C for the clutch, and shares of
        the continuous load, 1 at most, for motor and battery
    limit : in the unit of the values
    dt : s, (steps,)
    """

    name: str
    values: np.ndarray
    limit: float
    dt: np.ndarray

    @property
    def peak(self) -> float:
        """Highest value."""
        return float(self.values.max())

    @property
    def over(self) -> np.ndarray:
        """Marks steps that end above the limit, (steps,)."""
        marks: np.ndarray = self.values[1:] > self.limit + SLACK * abs(self.limit)
        return marks

    @property
    def over_s(self) -> float:
        """Length of the steps that end above the limit, s."""
        return float(self.dt[self.over].sum())


def lag(
    gain: np.ndarray, decay: np.ndarray | float, dt: np.ndarray, start: float = 0.0
) -> np.ndarray:
    """Solve x' = gain - decay x exactly, with gain and decay constant in each step.

    Parameters
    ----------
    gain
        Of each step, unit of x per s, (steps,).
    decay
        1/s, one number or one per step; 0 just adds up.
    dt
        s, (steps,).
    start
        x before the first step.

    Returns
    -------
    ndarray
        x at the start and after each step, (steps + 1,).

    Notes
    -----
    x(dt) = x(0) e^(-decay dt) + gain (1 - e^(-decay dt)) / decay.
    """
    dt = np.ascontiguousarray(dt, dtype=np.float64)
    decay = np.array(np.broadcast_to(decay, dt.shape), dtype=np.float64, order="C")
    values = np.empty(dt.size + 1)
    values[0] = start
    _lag(np.ascontiguousarray(gain, dtype=np.float64), decay, dt, values)
    return values


@kernel
def _lag(gain: np.ndarray, decay: np.ndarray, dt: np.ndarray, values: np.ndarray) -> None:
    """Fill the values behind the first one."""
    for t in range(dt.size):
        x = decay[t] * dt[t]
        filled = dt[t] if x < 1e-12 else -np.expm1(-x) / decay[t]
        values[t + 1] = values[t] * np.exp(-x) + gain[t] * filled


def clutch_temperature(
    clutches: Clutches, loss: np.ndarray, dt: np.ndarray, start: float | None = None
) -> np.ndarray:
    """Return the temperature of the launch clutch, deg C, (steps + 1,).

    Parameters
    ----------
    clutches
        With a heat capacity.
    loss
        Slip loss of each step, W, (steps,).
    dt
        s, (steps,).
    start
        deg C before the first step; the oil's temperature when not given.

    Notes
    -----
    A lumped mass in a flow of oil: C dT/dt = P - hA (T - T_oil), with all slip loss going into
    the mass. Source: lumped capacitance, any textbook of heat transfer.
    """
    assert clutches.heat_capacity is not None  # asked for only where it is given
    above = 0.0 if start is None else start - clutches.oil_temperature
    decay = clutches.oil_cooling / clutches.heat_capacity
    return clutches.oil_temperature + lag(loss / clutches.heat_capacity, decay, dt, above)


@dataclass(frozen=True, eq=False)
class Overload:
    """A load with its continuous and its momentary limit.

    Attributes
    ----------
    load, continuous, highest : absolute torque (N m) or power (W) of each step, (steps,)
    time_constant : s
    """

    load: np.ndarray
    continuous: np.ndarray
    highest: np.ndarray
    time_constant: float

    def budget(self, dt: np.ndarray, start: float = 0.0) -> np.ndarray:
        """Return the overload budget at the start and after each step, (steps + 1,).

        Parameters
        ----------
        dt
            s, (steps,).
        start
            Before the first step; 0 is cold and rested.

        Notes
        -----
        A proxy for the temperature of windings and cells: their loss goes with the square of
        current, so of torque and power, and their temperature follows it with one time constant:
        τ x' = (load / continuous)^2 - x. It is never above 1 at or below the continuous load; twice
        the continuous load, from rest, uses it up in τ ln(4/3).
        """
        ratio = self.load / np.maximum(self.continuous, 1e-3 * self.load + 1e-300)
        return lag(ratio**2 / self.time_constant, 1.0 / self.time_constant, dt, start)

    def clipped(self, share: np.ndarray) -> "Overload":
        """Return the load cut off at shares of the way from the continuous to the highest load."""
        limit = self.continuous + share * (self.highest - self.continuous)
        return dataclasses.replace(self, load=np.minimum(self.load, limit))


def motor_overload(motor: Motor, torque: np.ndarray, speed: np.ndarray) -> Overload:
    """Return the load of a motor in each step with its limits.

    Parameters
    ----------
    motor
        With its continuous torque over speed.
    torque, speed
        N m and rad/s, (steps,); torque is 0 while the motor is unpowered.
    """
    continuous, peak = (
        curve_values(curve, np.abs(speed)) for curve in (motor.sustained_torque, motor.peak_torque)
    )
    return Overload(np.abs(torque), np.minimum(continuous, peak), peak, motor.thermal_time)


def battery_overload(battery: Battery, power: np.ndarray) -> Overload:
    """Return the load of a battery in each step with its limits.

    Parameters
    ----------
    battery
        With its continuous share; limits are the highest ones of each direction, at any SoC.
    power
        W at the terminals, (steps,).
    """
    charge, discharge = battery.power_limits
    highest = np.where(power > 0.0, discharge, -charge)
    return Overload(
        np.abs(power), battery.continuous_share * highest, highest, battery.current_time
    )


def overload(driveline: Driveline, trace: xr.Dataset, name: str) -> Overload:
    """Return the load of "motor" or "battery" along a drive with its limits."""
    if name == "battery":
        return battery_overload(driveline.battery, trace.battery_power.values)
    torque = trace.motor_torque.values * trace.motor_powered.values
    return motor_overload(driveline.motor, torque, trace.motor_speed.values)


def limited_parts(driveline: Driveline) -> list[str]:
    """Return for which of "clutch", "motor" and "battery" the driveline gives limits."""
    given = {
        "clutch": driveline.clutches.heat_capacity is not None,
        "motor": driveline.motor.has_continuous_torque,
        "battery": driveline.battery.continuous_share < 1.0,
    }
    return [name for name, limited in given.items() if limited]


def strains(driveline: Driveline, trace: xr.Dataset) -> Iterator[Strain]:
    """Yield the strains along a drive for which the driveline gives limits.

    Parameters
    ----------
    driveline
        The vehicle.
    trace
        From :func:`hybridopt.replay_schedule`; it begins cold and rested.

    Returns
    -------
    iterator of Strain
        Of clutch, motor and battery.
    """
    dt, clutches = trace.dt.values, driveline.clutches
    for name in limited_parts(driveline):
        if name == "clutch":
            values = clutch_temperature(clutches, trace.clutch_loss.values, dt)
            yield Strain(name, values, clutches.max_temperature, dt)
        else:
            yield Strain(name, overload(driveline, trace, name).budget(dt), 1.0, dt)


def thermal_totals(driveline: Driveline, trace: xr.Dataset) -> dict[str, float]:
    """Return peaks and time over the limits, by the names of `nomenclature.THERMAL_TOTALS`."""
    totals = {}
    for strain in strains(driveline, trace):
        peak, over = TOTAL_NAMES[strain.name]
        totals[peak], totals[over] = strain.peak, strain.over_s
    return totals
