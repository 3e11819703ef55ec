"""A simulated drive of a demo vehicle as a car's log: at 10 Hz, with noise, quanta and delays.

A controller (or the optimum) drives in steps of 1 s. Each step is then taken apart into pieces of
`FINE` s, in which the physics is worked out anew: speed is linear within the step, engine and
motor follow their maps at the speed and torque of the piece, the engine is cranked for the start's
duration and its speed blends over `shift_time` from gear to gear, and the battery is integrated
piece by piece. So the log does not obey the model of 1 s steps to the last digit, as no car does.

Idealised all the same: no battery dynamics beyond its resistance, no torque of inertia visible
while gears are shifted, torque is not cut by a shift, sensors have no bias in the mean, the
driver's speed is that of the cycle exactly (where the motor alone cannot keep it while it cranks
the engine, the force that lacks is not missed), wind and road are what the driveline says.
"""

import dataclasses
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr
from scipy.ndimage import uniform_filter1d

from hybridopt import Cycle, Driveline, Settings, find_optimum, import_drive
from hybridopt.base.units import KM_PER_H, PERCENT, RPM
from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.inputs.maps import curve_values, map_values
from hybridopt.measurements.recording import CHANNELS, Recording
from hybridopt.physics.battery import pack_battery, root_current
from hybridopt.physics.demand import drive_demand, step_demand
from hybridopt.physics.gearbox import input_torque
from hybridopt.physics.plant import pack
from hybridopt.physics.shifts import shift_fuel
from hybridopt.physics.starts import start_energies

FINE = 0.05  # s
LOCKED, SLIPPING, OPEN = 0, 1, 2
COARSE = Settings(soc_points=201, splits=9)
"""Enough for an optimum that is driven in a log."""
FLOWS = ("fuel_rate", "air_flow")
HELD = ("gear", "separating_clutch", "launch_clutch")
"""Channels that jump, and are not interpolated."""


@dataclass(frozen=True, eq=False)
class SimulatedDrive:
    """What the car really did.

    Attributes
    ----------
    driveline, cycle : the car and the drive, with the true grade
    trace : of the steps of 1 s, as the model has it
    time : s, middle of the pieces, (n,)
    channels : truth by name of `CHANNELS`, SI, (n,) each
    soc_end : state of charge after the last piece
    """

    driveline: Driveline
    cycle: Cycle
    trace: xr.Dataset
    time: np.ndarray
    channels: Mapping[str, np.ndarray]
    soc_end: float

    @property
    def fuel(self) -> float:
        """Fuel of the drive, g."""
        return float(self.channels["fuel_rate"].sum() * FINE)


def drive_car(driveline, cycle, controller=None, settings=COARSE, shift_time=0.3, wander=0.05):
    """Drive a car; without a controller along the optimum.

    Parameters
    ----------
    driveline, cycle, settings
        As for a solve.
    controller
        Built in or a user's.
    shift_time
        s, that engine speed takes from one gear to the next.
    wander
        Share by which the auxiliary load wanders, with a time constant of a minute; its mean over
        the drive is that of the driveline.
    """
    if controller is None:
        best = find_optimum(cycle, driveline, settings, bound=False)
        demand, trace = best.demand, best.result().dataset
    else:
        settings = settings.resolved(driveline)
        loop = ClosedLoop(driveline, drive_demand(driveline, cycle), settings)
        drive = loop.run(controller)
        demand, trace = drive.demand, loop.replay(drive)
    return _take_apart(driveline, cycle, demand, trace, settings, shift_time, wander)


def _take_apart(driveline, cycle, demand, trace, settings, shift_time, wander):
    plant, engine, motor = pack(driveline), driveline.engine, driveline.motor
    count = round(float(demand.dt.sum()) / FINE)
    edge = demand.time[0] + FINE * np.arange(count + 1)
    time = 0.5 * (edge[1:] + edge[:-1])
    step = np.searchsorted(demand.time, time, side="right") - 1
    since = time - demand.time[step]
    ends = np.append(demand.time, demand.time[-1] + demand.dt[-1])
    speed = np.maximum(np.interp(edge, ends, demand.speeds), 0.0)
    grade = demand.grade[step]
    dt = np.full(count, FINE)
    want = step_demand(driveline.vehicle, edge[:-1], dt, speed[:-1], speed[1:], grade)
    t = {name: trace[name].values[step] for name in trace.data_vars}
    on, clutch = t["engine_on"] == 1, t["launch_clutch"].astype(int)
    gear = t["gear"].astype(int)

    # gears: speed blends, the torque path is that of the new gear
    before = np.concatenate(([settings.gear_start], trace["gear"].values[:-1])).astype(int)
    old, moving = before[step], want.speed > 0.0
    blend = np.clip(since / shift_time, 0.0, 1.0)
    ratio = plant.ratio[old - 1] + blend * (plant.ratio[gear - 1] - plant.ratio[old - 1])
    ratio = np.where(moving, ratio, plant.ratio[gear - 1])
    gear_shown = np.where(blend < 0.5, old, gear)
    shifting = (old != gear) & (since < shift_time)

    # starts: the engine is cranked from rest
    started = trace["engine_start"].values == 1
    first = started & ~np.concatenate(([False], started[:-1]))
    begin = np.maximum.accumulate(np.where(first, demand.time, -np.inf))[step]
    cranked = (time - begin) / driveline.start.duration
    cranking = started[step] & (cranked < 1.0)
    turning = on & ~cranking

    # speeds of the shafts
    inside = want.wheel_speed * ratio
    least = np.where(clutch == SLIPPING, plant.launch_speed, plant.idle_speed)
    running = np.where(clutch == OPEN, plant.idle_speed, np.maximum(inside, least))
    parted = plant.separating > 0.0
    motor_speed = np.where(on, running, np.where(clutch == OPEN, 0.0, inside))
    rising = np.where(cranking, np.clip(cranked, 0.0, 1.0), 1.0)
    if parted:
        engine_speed = np.where(on, motor_speed * rising, 0.0)
        motor_speed = np.where(cranking & (clutch == LOCKED), inside, motor_speed)
    else:
        engine_speed = motor_speed = motor_speed * np.where(clutch == LOCKED, 1.0, rising)

    # torques
    inertia = plant.motor_inertia + plant.engine_inertia * (turning | (not parted))
    required = input_torque(plant, gear - 1, want.wheel_torque)
    required = required + inertia * want.wheel_acceleration * plant.ratio[gear - 1]
    required = np.where(clutch == OPEN, 0.0, required)
    overrun = curve_values(engine.overrun, np.maximum(engine_speed, 1.0))
    full = curve_values(engine.full_load, engine_speed)
    peak = curve_values(motor.peak_torque, motor_speed)
    powered = t["motor_powered"] == 1
    drag = np.where(motor_speed > 0.0, curve_values(motor.drag_torque, motor_speed), 0.0)
    wished = np.where(powered, t["motor_torque"], -drag)
    braking = t["brake_torque"] < 0.0
    alone = np.where(powered, np.clip(required, -peak, peak), wished)
    dragged = (not parted) & ~on & (clutch != OPEN)
    alone = np.where(powered & dragged, np.clip(required - overrun, -peak, peak), alone)
    engine_torque = np.where(turning, np.clip(required - wished, overrun, full), 0.0)
    engine_torque = np.where(turning & braking, t["engine_torque"], engine_torque)
    rest = np.where(braking, 0.0, required - wished - engine_torque)
    rest = np.where((rest < 0.0) & (want.wheel_torque < 0.0), 0.0, rest)
    motor_torque = np.where(turning, np.clip(wished + rest, -peak, peak), alone)
    motor_torque = np.where(braking & ~cranking, wished, motor_torque)
    motor_torque = np.where(cranking & ~powered, np.clip(required, -peak, peak), motor_torque)
    powered = powered | (rest != 0.0) & turning | cranking
    engine_torque = np.where(cranking | dragged, overrun, engine_torque)

    # fuel
    rate = _fuel_rate(driveline, engine_speed, engine_torque, overrun) * demand.fuel_factor[step]
    rate = np.where(turning, rate, 0.0)
    late = cranking & (cranked > 0.5)
    rate = rate + np.where(late, driveline.start.fuel / (0.5 * driveline.start.duration), 0.0)
    paid = shift_fuel(driveline, demand)
    steps = np.arange(demand.steps)
    classes = np.where(started, 2, trace["engine_on"].values).astype(int)
    paid = paid[steps, classes, before - 1, trace["gear"].values.astype(int) - 1]
    rate = rate + np.where(shifting, paid[step] / shift_time, 0.0)

    # electric side
    energies = start_energies(driveline, np.ascontiguousarray(running)).sum(axis=0)
    crank_power = np.where(cranking, energies / driveline.start.duration, 0.0)
    loss = map_values(motor.loss_map, motor_speed, motor_torque)
    electric = np.where(powered, motor_torque * motor_speed + loss, 0.0)
    crank_electric = crank_power / driveline.start.efficiency
    if not driveline.start.starter:
        electric = electric + crank_electric
        motor_torque = motor_torque + crank_power / np.maximum(motor_speed, 30.0)
    load = _wandering(count, wander) * plant.auxiliary
    load = load + np.where(~on & moving, plant.pump_power, 0.0)
    power = electric + load + (crank_electric if driveline.start.starter else 0.0)
    soc, current, voltage = _battery(driveline, power, float(trace["soc"].values[0]))

    height = np.concatenate(([0.0], np.cumsum(np.sin(np.arctan(grade)) * want.speed * FINE)))
    brakes = -np.minimum(t["brake_torque"], 0.0)
    channels = {
        "speed": want.speed,
        "engine_speed": engine_speed,
        "motor_speed": motor_speed,
        "engine_torque": engine_torque,
        "fuel_rate": rate,
        "air_flow": 14.7 * rate,  # petrol (common practice, no source)
        "air_ratio": np.ones(count),
        "motor_torque": motor_torque,
        "motor_power": electric,
        "gear": gear_shown.astype(float),
        "battery_voltage": voltage,
        "battery_current": current,
        "soc": soc[:-1],
        "separating_clutch": turning.astype(float) if parted else np.ones(count),
        "launch_clutch": np.select([clutch == LOCKED, clutch == SLIPPING], [1.0, 0.5], 0.0),
        "altitude": 200.0 + 0.5 * (height[1:] + height[:-1]),
        "grade": grade,
        "coolant_temperature": np.full(count, 90.0),
        "auxiliary_power": load,
        "brake": np.clip(brakes / 3000.0, 0.0, 1.0),
    }
    return SimulatedDrive(driveline, cycle, trace, time, channels, float(soc[-1]))


def _fuel_rate(driveline, speed, torque, overrun):
    engine = driveline.engine
    table = engine.fuel_map
    inside = np.clip(speed, table["speed"].values[0], table["speed"].values[-1])
    rate = map_values(table, inside, np.clip(torque, 0.0, table["torque"].values[-1]))
    cut = np.clip(1.0 - torque / np.minimum(overrun, -1e-9), 0.0, 1.0)
    return np.where(torque < 0.0, rate * cut, rate)


def _battery(driveline, power, start):
    cell = pack_battery(driveline.battery)
    soc, current, voltage = np.empty(power.size + 1), np.empty(power.size), np.empty(power.size)
    soc[0] = start
    for i, taken in enumerate(power):
        open_voltage = np.interp(soc[i], cell.soc, cell.voltage)
        resistance = np.interp(soc[i], cell.soc, cell.discharge if taken > 0.0 else cell.charge)
        current[i] = root_current(open_voltage, resistance, taken)
        voltage[i] = open_voltage - resistance * current[i]
        kept = current[i] * (cell.efficiency if current[i] < 0.0 else 1.0)
        soc[i + 1] = soc[i] - kept * FINE / cell.capacity
    return soc, current, voltage


def _wandering(count, share, seed=5, time_constant=60.0):
    """Return a factor around 1 that wanders (a first-order process) and is 1 in the mean."""
    wander = _correlated(np.random.default_rng(seed), count, share, time_constant / FINE)
    return 1.0 + wander - wander.mean()


def _correlated(random, count, size, steps):
    """Return noise of a standard deviation that forgets itself over a number of samples."""
    from scipy.signal import lfilter

    keep = np.exp(-1.0 / steps)
    white = random.normal(0.0, size * np.sqrt(1.0 - keep**2), count)
    white[0] = random.normal(0.0, size)
    return lfilter([1.0], [1.0, -keep], white)


# --- what the car's bus shows of it ---


@dataclass(frozen=True, kw_only=True)
class Logger:
    """How a drive is logged.

    Attributes
    ----------
    rate : Hz
    noise : factor on all noise; 0 is none
    quanta : whether values are rounded, speed to whole km/h
    delay : s, largest delay of a channel; each has its own between 0 and this
    without : channels that the log lacks
    seed : of noise and delays
    window : s, over which a sample is the mean; None: its step
    """

    rate: float = 10.0
    noise: float = 1.0
    quanta: bool = True
    delay: float = 0.3
    without: tuple[str, ...] = ("air_flow", "air_ratio", "grade")
    seed: int = 0
    window: float | None = None


NO_ELECTRIC = (
    "air_flow",
    "air_ratio",
    "grade",
    "motor_speed",
    "motor_torque",
    "motor_power",
    "battery_voltage",
    "battery_current",
    "soc",
    "auxiliary_power",
)
"""What a log lacks that knows nothing of motor and battery."""


def sensors(driveline):
    """Return noise (standard deviation) and quantum of every channel, SI.

    Noise of flows is a share of the reading.
    """
    full, peak = float(driveline.engine.full_load.max()), float(driveline.motor.peak_torque.max())
    volts = float(driveline.battery.voltage(0.6))
    amps = driveline.battery.power_limits[1] / volts
    fuel = float(driveline.engine.fuel_map.max())
    power = driveline.battery.power_limits[1]
    return {
        "speed": (0.1 * KM_PER_H, 1.0 * KM_PER_H),
        "engine_speed": (5.0 * RPM, 1.0 * RPM),
        "motor_speed": (3.0 * RPM, 1.0 * RPM),
        "engine_torque": (0.01 * full, 0.01 * full),
        "fuel_rate": (0.03, 0.002 * fuel),
        "air_flow": (0.03, 0.1),
        "air_ratio": (0.01, 0.001),
        "motor_torque": (0.01 * peak, 0.01 * peak),
        "motor_power": (0.003 * power, 0.005 * power),
        "gear": (0.0, 1.0),
        "battery_voltage": (0.001 * volts, 0.002 * volts),
        "battery_current": (0.003 * amps, 0.005 * amps),
        "soc": (0.0, 0.5 * PERCENT),
        "separating_clutch": (0.0, 1.0),
        "launch_clutch": (0.0, 0.1),
        "altitude": (0.5, 0.1),
        "grade": (0.003, 0.001),
        "coolant_temperature": (0.2, 1.0),
        "auxiliary_power": (20.0, 10.0),
        "brake": (0.0, 0.01),
    }


def measured(car, logger):
    """Return the time of a log and its channels, SI; each value is a mean over a window of time."""
    random = np.random.default_rng(logger.seed)
    count = int(np.floor((car.time[-1] - car.time[0]) * logger.rate)) + 1
    time = np.arange(count) / logger.rate
    kinds, channels = sensors(car.driveline), {}
    for name, truth in car.channels.items():
        noise, quantum = kinds[name]
        at = car.time[0] + time - random.uniform(0.0, logger.delay)
        if name in HELD:
            place = np.clip(np.searchsorted(car.time, at, side="right") - 1, 0, truth.size - 1)
            values = truth[place]
        else:
            window = logger.window or 1.0 / logger.rate
            values = np.interp(at, car.time, uniform_filter1d(truth, round(window / FINE)))
        fast = random.normal(0.0, noise * logger.noise, count)
        slow = _correlated(random, count, 0.5 * noise * logger.noise, 5.0 * logger.rate)
        still = name in ("speed", "engine_speed", "motor_speed", "fuel_rate")
        size = values if name in FLOWS else (values > 0.0) if still else 1.0
        values = values + (fast + slow) * size
        if logger.quanta:
            values = quantum * np.round(values / quantum)
        if still:
            values = np.maximum(values, 0.0)
        channels[name] = values
    return time, {name: x for name, x in channels.items() if name not in logger.without}


COLUMNS = {
    "speed": ("vehicle speed [km/h]", KM_PER_H),
    "engine_speed": ("engine speed [rpm]", RPM),
    "motor_speed": ("motor speed [rpm]", RPM),
    "engine_torque": ("engine torque [Nm]", 1.0),
    "fuel_rate": ("fuel rate [g/s]", 1.0),
    "air_flow": ("air mass flow [g/s]", 1.0),
    "air_ratio": ("lambda [-]", 1.0),
    "motor_torque": ("motor torque [Nm]", 1.0),
    "motor_power": ("motor electric power [kW]", 1e3),
    "gear": ("gear [-]", 1.0),
    "battery_voltage": ("battery voltage [V]", 1.0),
    "battery_current": ("battery current [A]", 1.0),
    "soc": ("battery soc [%]", PERCENT),
    "separating_clutch": ("separating clutch [-]", 1.0),
    "launch_clutch": ("launch clutch [-]", 1.0),
    "altitude": ("altitude [m]", 1.0),
    "grade": ("grade [%]", PERCENT),
    "coolant_temperature": ("coolant temperature [degC]", 1.0),
    "auxiliary_power": ("auxiliary power [W]", 1.0),
    "brake": ("brake [-]", 1.0),
}
"""Heading of each channel in a text log, and the factor of its unit to SI."""


def write_log(car, path, logger=None):
    """Write a drive as a CSV log; return its path."""
    time, channels = measured(car, logger or Logger())
    names = ["time [s]", *(COLUMNS[name][0] for name in channels)]
    table = np.column_stack([time, *(x / COLUMNS[name][1] for name, x in channels.items())])
    lines = [",".join(f"{x:.6g}" for x in row) for row in table]
    Path(path).write_text("\n".join([",".join(names), *lines]) + "\n")
    return Path(path)


def record(car, logger=None, name="drive"):
    """Return a drive as a `Recording`, its cycle by the import of speed and altitude."""
    logger = logger or Logger()
    time, channels = measured(car, logger)
    used = [x for x in ("speed", "altitude", "grade") if x in channels]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{name}.csv"
        others = tuple(x for x in CHANNELS if x not in used)
        write_log(car, path, dataclasses.replace(logger, without=(*others, *logger.without)))
        drive = import_drive(path)
    return Recording(name, Path(f"{name}.csv"), time, channels, drive)


def hilly(cycle, rise=15.0, pitch=1500.0):
    """Return a cycle over hills: altitude rise/2 (1 - cos(2 pi s / pitch)), m over m of road."""
    far = np.concatenate(([0.0], np.cumsum(cycle.mean_speed * cycle.dt)))
    grade = np.pi * rise / pitch * np.sin(2.0 * np.pi * far / pitch)
    return Cycle(f"{cycle.name}_hilly", cycle.time, cycle.speed, grade)
