"""What a fitted driveline says of a recorded drive: fuel, torque, battery power, SoC.

The car's own engine state, gear and torques are taken as measured; the model answers for the rest.
`fuel_rate` is the fuel at the measured engine torque; `road_fuel_rate` at the torque that the road
asks of the engine beside the motor's measured torque.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_closing, binary_opening

from ..inputs.driveline import Driveline
from ..inputs.maps import curve_values
from ..measurements.recording import Recording
from ..physics.battery import pack_battery, resistance_at, root_current, voltage_at
from ..physics.starts import start_energies
from .electric_fit import battery_power, losses_at
from .engine_fit import EngineDelays
from .engine_runs import fuel_at, seen_starts, working_fuel
from .gear_fit import Gears
from .shift_fit import shift_energies
from .signals import Signals
from .start_fit import road_force

QUICK, LASTING = 0.2, 0.6  # s, smoothing of the torque, and the least of a fuel cut
PARTLY, WHOLLY = 0.5, 0.85  # of the overrun torque, from which on the fuel counts as cut


@dataclass(frozen=True, eq=False)
class Prediction:
    """Measured against model over one recording; arrays over its time, NaN where not known.

    Attributes
    ----------
    recording : the drive
    measured, model : by name: fuel_rate (g/s), engine_torque (N m), battery_power (W), soc (1);
        the model also has road_fuel_rate (g/s)
    """

    recording: Recording
    measured: Mapping[str, np.ndarray]
    model: Mapping[str, np.ndarray]

    @property
    def compared(self) -> np.ndarray:
        """Where fuels are summed: no gap of fuel rate or engine torque, as far as there are any."""
        known = np.ones(self.recording.time.size, dtype=bool)
        for name in ("fuel_rate", "engine_torque"):
            known &= np.isfinite(self.measured.get(name, known))
        return known

    def _total(self, values: np.ndarray) -> float:
        step = np.median(np.diff(self.recording.time))
        return float(np.nansum(values[self.compared]) * step)

    @property
    def fuel(self) -> float:
        """Fuel measured, g; NaN where it was not."""
        known = "fuel_rate" in self.measured
        return self._total(self.measured["fuel_rate"]) if known else float("nan")

    @property
    def fuel_model(self) -> float:
        """Fuel by the model at the measured torque, g; NaN where that was not measured."""
        known = "fuel_rate" in self.model
        return self._total(self.model["fuel_rate"]) if known else float("nan")

    @property
    def fuel_road(self) -> float:
        """Fuel by the model at the torque that the road asks for, g; NaN where it cannot say."""
        known = "road_fuel_rate" in self.model
        return self._total(self.model["road_fuel_rate"]) if known else float("nan")


def predict(
    one: Signals, gears: Gears, driveline: Driveline, delays: EngineDelays | None = None
) -> Prediction:
    """Set the model beside what was measured; `delays` are those of the engine's channels."""
    names = [x for x in ("fuel_rate", "engine_torque", "soc") if one.has(x)]
    measured = {x: np.where(one.measured(x), one[x], np.nan) for x in names}
    if (power := battery_power(one)) is not None:
        measured["battery_power"] = power
    model: dict[str, np.ndarray] = {}
    if one.has("engine_speed", "engine_torque"):
        _add_fuel(one, gears, driveline, (delays or EngineDelays()).speed, model)
    if one.has("motor_speed", "motor_torque"):
        _add_electric(one, driveline, model)
    return Prediction(one.recording, measured, model)


def _add_fuel(
    one: Signals, gears: Gears, driveline: Driveline, late: float, model: dict[str, np.ndarray]
) -> None:
    engine, torque = driveline.engine, one["engine_torque"]
    starts = seen_starts(one, driveline)
    running, events = one.on.copy(), np.zeros(torque.size)
    for seen in starts:
        running[max(int(seen.begin), 0) : int(seen.end) + 1] = False
        events[min(int(seen.end), torque.size - 1)] += driveline.start.fuel / one.dt
    for at in _fired_again(one, running, driveline):
        events[at] += driveline.start.fuel / one.dt
    events += _shift_fuel(one, gears, driveline)
    rate = working_fuel(one, starts, engine, late)
    rate = np.where(_is_cut(one, driveline, WHOLLY), 0.0, rate)
    model["fuel_rate"] = rate + events
    if not one.has("motor_torque", "gear") or not gears.known:
        return
    asked, where = _road_torque(one, gears, driveline)
    asked = np.where(where & running, asked, torque)
    model["engine_torque"] = np.where(where & running, asked, np.nan)
    road = fuel_at(engine, one.timely("engine_speed", late), asked)
    model["road_fuel_rate"] = np.where(where & running, road, rate) + events


def _fired_again(one: Signals, running: np.ndarray, driveline: Driveline) -> np.ndarray:
    """Return the samples at which an engine that was dragged along with its fuel cut fires again.

    Without a separating clutch the model counts that as a start, with the fuel of one.
    """
    if driveline.clutches.separating_clutch:
        return np.zeros(0, dtype=int)
    cut = running & _is_cut(one, driveline, PARTLY)
    wide = max(round(LASTING / one.dt / 2.0), 1)
    cut = binary_opening(binary_closing(cut, iterations=wide), iterations=wide)
    return np.flatnonzero(cut[:-1] & ~cut[1:] & running[1:]) + 1


def _is_cut(one: Signals, driveline: Driveline, share: float) -> np.ndarray:
    """Return where an engine that turns gives less than a share of its overrun torque.

    The torque is smoothed: noise around the overrun torque would burn fuel on one side of it.
    """
    overrun = curve_values(driveline.engine.overrun, one["engine_speed"])
    return np.asarray(one.on & (one.smooth(one["engine_torque"], one.on, QUICK) < share * overrun))


def _shift_fuel(one: Signals, gears: Gears, driveline: Driveline) -> np.ndarray:
    """Return the fuel that speeds shafts up at downshifts, g/s.

    The model pays it in fuel while the engine is off, too.
    """
    rate = np.zeros(one.recording.time.size)
    price = driveline.gearbox.shift_efficiency * driveline.fuel.heating_value * one.dt
    rate[one.shifts] = shift_energies(one, gears, driveline) / price
    return rate


def _road_torque(one: Signals, gears: Gears, driveline: Driveline) -> tuple[np.ndarray, np.ndarray]:
    """Return the engine torque that road and motor leave to be given, N m, and where it is so."""
    force, ratio = road_force(one, gears, driveline), gears.at(one.gear)
    box = driveline.gearbox
    gear = np.clip(one.gear, 1, box.gears) - 1
    share = np.array(box.total_efficiencies)[gear]
    share = np.where(force >= 0.0, 1.0 / share, share)
    rotor = driveline.motor.inertia + driveline.engine.inertia * one.on
    speed = gears.fine_speed(one)
    shaft = force * share / ratio + np.array(box.drag_torques)[gear]
    shaft = shaft + rotor * ratio * one.slope(speed)
    near = np.abs(one.input_speed - ratio * speed) < 0.03 * ratio * speed + 3.0
    where = np.isfinite(shaft) & one.locked & one.quiet & (speed > 2.0) & near
    where &= ~one.braking if one.braking is not None else force > 0.0
    whole = np.ones(speed.size, dtype=bool)
    return np.nan_to_num(shaft - one.smooth(one["motor_torque"], whole)), where


def _add_electric(one: Signals, driveline: Driveline, model: dict[str, np.ndarray]) -> None:
    motor = driveline.motor
    speed, torque = one["motor_speed"], one["motor_torque"]
    loss = losses_at(motor, speed, torque)
    drag = np.interp(speed, motor.drag_torque["speed"].values, motor.drag_torque.values)
    slack = 0.01 * float(motor.peak_torque.max())
    near = one.smooth(torque, np.ones(torque.size, dtype=bool))
    unpowered = np.abs(near + drag) < slack
    if one.has("motor_power"):
        unpowered = np.abs(one["motor_power"]) < 0.25 * loss
    power = np.where(unpowered, 0.0, torque * speed + loss)
    power = power + driveline.auxiliary.power
    if driveline.clutches.electric_oil_pump and one.has("engine_speed"):
        power = power + driveline.clutches.oil_pump_power * (~one.on & one.moving)
    for seen in seen_starts(one, driveline):
        work = float(start_energies(driveline, np.array([seen.speed])).sum())
        # the motor's torque shows the mechanical part already
        drawn = work / driveline.start.efficiency - (0.0 if driveline.start.starter else work)
        first, last = max(int(seen.begin), 0), int(seen.end) + 1
        power[first:last] += drawn / ((last - first) * one.dt)
    model["battery_power"] = power
    if one.has("soc"):
        model["soc"] = _soc_path(power, one.dt, driveline, float(one["soc"][0]))


def _soc_path(power: np.ndarray, dt: float, driveline: Driveline, start: float) -> np.ndarray:
    """Return the SoC that a battery power makes; its voltage is looked up once a second."""
    cell, soc = pack_battery(driveline.battery), np.empty(power.size)
    level, chunk = start, max(round(1.0 / dt), 1)
    for first in range(0, power.size, chunk):
        part = power[first : first + chunk]
        resistance = resistance_at(cell, level, part)
        current = root_current(float(voltage_at(cell, level)), resistance, part)
        taken = np.where(current < 0.0, current * cell.efficiency, current) * dt / cell.capacity
        path = level - np.cumsum(taken)
        soc[first : first + chunk] = path
        level = float(np.clip(path[-1], 0.0, 1.0))
    return soc
