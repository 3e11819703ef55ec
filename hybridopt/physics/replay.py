"""Forward run of a schedule through the physics: torques, powers, losses and state of charge."""

import numpy as np
import xarray as xr

from ..base.errors import InfeasibleError
from ..base.nomenclature import EMISSION_VARIABLES, STEP_VARIABLES
from ..inputs.driveline import Driveline
from . import step
from .battery import _soc_path, pack_battery, resistance_at, voltage_at
from .codes import EngineClass, Reason
from .comfort import comfort_totals
from .demand import Demand
from .entries import P_FUEL_RATE, P_SIZE, POINT_NAMES
from .modes import Mode, label_modes
from .operating_points import demand_rows
from .plant import Plant, emission_plants, pack
from .schedule import Schedule
from .shifts import shift_fuel
from .starts import start_steps


def replay_schedule(
    driveline: Driveline,
    demand: Demand,
    schedule: Schedule,
    soc_start: float,
    gear_start: int = 1,
    costate: np.ndarray | None = None,
) -> xr.Dataset:
    """Run a schedule forward from a start SoC.

    Parameters
    ----------
    driveline
        The vehicle.
    demand
        What the wheels want.
    schedule
        Gear, engine class and motor torque of each step.
    soc_start
        State of charge at the start, 0 to 1.
    gear_start
        Gear before the first step, 1 is first gear.
    costate
        Carried into the result, g per unit of SoC, (steps,); NaN when not given.

    Returns
    -------
    Dataset
        Over dim `time` (start of each step, s), the variables of
        :data:`hybridopt.base.nomenclature.STEP_VARIABLES`; attr `soc_end`.

    Raises
    ------
    InfeasibleError
        A step of the schedule cannot be driven; the message says when and why.
    """
    plant = pack(driveline, priced=False)
    points = _points(plant, demand, schedule)
    columns = {name: points[:, i] for i, name in enumerate(POINT_NAMES)}
    columns["dt"] = demand.dt
    for name in ("speed", "acceleration", "wheel_speed", "wheel_torque"):
        columns[name] = getattr(demand, name)
    _add_events(columns, schedule)
    soc_end = _add_battery(columns, driveline, demand, soc_start)
    _add_powers(columns, driveline, demand, schedule, gear_start)
    unknown = np.full(demand.steps, np.nan)
    columns["costate"] = unknown if costate is None else costate
    for name, emitting in emission_plants(plant, driveline.engine.emissions).items():
        columns[f"{name}_rate"] = _points(emitting, demand, schedule)[:, P_FUEL_RATE]
    return _dataset(columns, demand.time, soc_end)


def schedule_fuel(
    driveline: Driveline, plant: Plant, demand: Demand, schedule: Schedule, gear_start: int = 1
) -> float:
    """Return the fuel of a schedule, g: that of :func:`replay_schedule` without its traces.

    Parameters
    ----------
    driveline, demand, schedule, gear_start
        As there.
    plant
        The driveline, packed.

    Raises
    ------
    InfeasibleError
        As there.
    """
    rate = _points(plant, demand, schedule)[:, P_FUEL_RATE]
    starts, shifts = _event_fuel(driveline, demand, schedule, gear_start)
    return float(((rate + (starts + shifts) / demand.dt) * demand.dt).sum())


def schedule_comfort(
    driveline: Driveline,
    plant: Plant,
    demand: Demand,
    schedule: Schedule,
    rise: float | None,
    fall: float | None,
) -> dict[str, float]:
    """Return for how long each limit of comfort bears on a schedule, s, without its traces.

    Parameters
    ----------
    driveline, plant, demand, schedule
        As of :func:`schedule_fuel`, also for errors.
    rise, fall
        As of :func:`hybridopt.physics.comfort.comfort_totals`.
    """
    columns = dict(zip(POINT_NAMES, _points(plant, demand, schedule).T, strict=True))
    columns |= {"dt": demand.dt, "speed": demand.speed}
    columns["engine_on"] = schedule.engine_class != EngineClass.OFF
    return comfort_totals(driveline, rise, fall, columns)


def _points(plant: Plant, demand: Demand, schedule: Schedule) -> np.ndarray:
    points = np.empty((demand.steps, P_SIZE))
    reasons = np.empty(demand.steps, dtype=np.int64)
    step._evaluate(
        plant,
        demand_rows(demand),
        schedule.gear,
        schedule.engine_class,
        schedule.motor_torque,
        schedule.powered,
        points,
        reasons,
    )
    bad = np.flatnonzero(reasons)
    if bad.size:
        t = int(bad[0])
        raise InfeasibleError(
            f"the schedule cannot be driven at {demand.time[t]:g} s in gear "
            f"{schedule.gear[t] + 1}: {Reason(int(reasons[t])).text}"
        )
    return points


def _add_events(columns: dict[str, np.ndarray], schedule: Schedule) -> None:
    columns["gear"] = (schedule.gear + 1).astype(np.int8)
    columns["engine_on"] = (schedule.engine_class != EngineClass.OFF).astype(np.int8)
    columns["engine_start"] = (schedule.engine_class == EngineClass.STARTING).astype(np.int8)
    columns["motor_powered"] = schedule.powered.astype(np.int8)
    columns["launch_clutch"] = columns["launch_clutch"].astype(np.int8)
    columns["mode"] = label_modes(
        columns["speed"],
        schedule.engine_class,
        columns["engine_torque"],
        columns["motor_torque"],
        schedule.powered,
    )


def _add_battery(
    columns: dict[str, np.ndarray], driveline: Driveline, demand: Demand, soc_start: float
) -> float:
    """Add SoC, current, voltage and the battery's powers; return the final SoC."""
    cell = pack_battery(driveline.battery)
    power = np.ascontiguousarray(columns["battery_power"])
    path, current = np.empty(demand.steps + 1), np.empty(demand.steps)
    path[0] = soc_start
    stopped = _soc_path(power, np.ascontiguousarray(demand.dt), cell, path, current)
    if stopped >= 0:
        raise InfeasibleError(
            f"the battery cannot take {power[stopped] / 1e3:.1f} kW at {demand.time[stopped]:g} s, "
            f"SoC {path[stopped]:.3f}"
        )
    soc = path[:-1]
    voltage, resistance = voltage_at(cell, soc), resistance_at(cell, soc, power)
    stored = cell.capacity * (soc - path[1:]) / demand.dt * voltage
    lost = (1.0 - cell.efficiency) * np.maximum(-current, 0.0)
    columns["soc"], columns["battery_current"] = soc, current
    columns["battery_voltage"] = voltage - resistance * current
    columns["stored_power"] = stored
    columns["battery_loss"] = resistance * current**2 + lost * voltage
    return float(path[-1])


def _add_powers(
    columns: dict[str, np.ndarray],
    driveline: Driveline,
    demand: Demand,
    schedule: Schedule,
    gear_start: int,
) -> None:
    starts, shifts = _event_fuel(driveline, demand, schedule, gear_start)
    columns["fuel_rate"] = columns["fuel_rate"] + (starts + shifts) / demand.dt
    columns["shift_power"] = shifts / demand.dt * driveline.fuel.heating_value
    columns["fuel_power"] = columns["fuel_rate"] * driveline.fuel.heating_value
    shaft_power = columns["engine_torque"] * columns["engine_speed"]
    columns["engine_loss"] = columns["fuel_power"] - columns["shift_power"] - shaft_power
    columns["brake_power"] = -columns["brake_torque"] * demand.wheel_speed
    for name in ("rolling_power", "drag_power", "grade_power", "inertia_power"):
        columns[name] = getattr(demand, name)


def _event_fuel(
    driveline: Driveline, demand: Demand, schedule: Schedule, gear_start: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return the fuel of starts and of shifts in each step, g."""
    starting = schedule.engine_class == EngineClass.STARTING
    starts = driveline.start.fuel * starting / start_steps(driveline.start.span, demand.dt)
    before = np.concatenate(([gear_start - 1], schedule.gear[:-1]))
    taken = np.arange(demand.steps), schedule.engine_class, before, schedule.gear
    return starts, shift_fuel(driveline, demand, taken)


def _dataset(columns: dict[str, np.ndarray], time: np.ndarray, soc_end: float) -> xr.Dataset:
    variables = {
        name: ("time", np.ascontiguousarray(columns[name]), _attributes(name))
        for name in (*STEP_VARIABLES, *(name for name in EMISSION_VARIABLES if name in columns))
    }
    coords = {"time": ("time", time, {"units": "s", "long_name": "start of the step"})}
    return xr.Dataset(variables, coords, {"soc_end": soc_end})


def _attributes(name: str) -> dict[str, str | np.ndarray]:
    quantity = (STEP_VARIABLES | EMISSION_VARIABLES)[name]
    attributes: dict[str, str | np.ndarray] = {
        "units": quantity.unit,
        "long_name": quantity.meaning,
    }
    if name == "mode":
        attributes["flag_values"] = np.array(list(Mode), dtype=np.int8)  # CF conventions, 3.5
        attributes["flag_meanings"] = " ".join(mode.name.lower() for mode in Mode)
    return attributes
