"""The form of what the predictive controller knows: quantities, units, ranges and meanings; SI."""

from collections.abc import Mapping

import numpy as np

from ..base.errors import InputError
from ..controllers import preview_kernels as kernels
from ..controllers.maps import Map
from ..controllers.preview import MOST_INTERVALS
from .form import Form
from .quantities import TableQuantity

INPUT = ("input_speed_rad_per_s", "input_torque_Nm")
ROAD = ("speed_m_per_s", "acceleration_m_per_s2", "engine_on", "gear")
LAYOUT = {
    "motor_power": (*INPUT, "power_W"),
    "fuel": (*INPUT, "fuel_rate_g_per_s"),
    "running_cost": (*INPUT, "factor_g_per_J", "cost_rate_g_per_s"),
    "start_cost": (*INPUT, "factor_g_per_J", "cost_g"),
    "off_limit": (INPUT[0], "torque_Nm"),
    "running_limit": (INPUT[0], "torque_Nm"),
    "start_limit": (INPUT[0], "torque_Nm"),
    "overrun": (INPUT[0], "torque_Nm"),
    "drag": (INPUT[0], "torque_Nm"),
    "motor_limit": (INPUT[0], "torque_Nm"),
    "engine_limit": (INPUT[0], "torque_Nm"),
    "expected": (*ROAD, "cost_g"),
    "shift_fuel": ("engine_class", "gear_before", "gear", "shift_fuel_g_s2"),
}
"""Keys of the axes, then of the values, of each table."""


def _quantities(*rows: tuple[str, str, str, float, float]) -> dict[str, TableQuantity]:
    """Return quantities by key, which files keep in SI."""
    return {
        key: TableQuantity(name, unit, unit, 1.0, low, high) for key, name, unit, low, high in rows
    }


QUANTITIES = _quantities(
    ("input_speed_rad_per_s", "input_speed", "rad/s", 0.0, 1e4),
    ("input_torque_Nm", "input_torque", "N m", -1e5, 1e5),
    ("factor_g_per_J", "factor", "g/J", 0.0, 1.0),
    ("speed_m_per_s", "speed", "m/s", 0.0, 1000.0),
    ("acceleration_m_per_s2", "acceleration", "m/s2", -100.0, 100.0),
    ("engine_on", "engine_on", "1", 0.0, 1.0),
    ("engine_class", "engine_class", "1", 0.0, 2.0),
    ("gear_before", "gear_before", "1", 1.0, 100.0),
    ("gear", "gear", "1", 1.0, 100.0),
    ("power_W", "power", "W", 0.0, 0.0),
    ("torque_Nm", "torque", "N m", 0.0, 0.0),
    ("cost_rate_g_per_s", "cost_rate", "g/s", 0.0, 0.0),
    ("fuel_rate_g_per_s", "fuel_rate", "g/s", 0.0, 0.0),
    ("cost_g", "cost", "g", 0.0, 0.0),
    ("shift_fuel_g_s2", "shift_fuel", "g s2/rad2", 0.0, 0.0),
)
"""Quantities of the tables, by their keys in :data:`LAYOUT`; values are bounded by the form."""

PARAMETERS = {
    "horizon": ("s", 0.0, 600.0, "how far is foreseen"),
    "step": ("s", 1e-3, 600.0, "length of a foreseen interval"),
    "factor": ("1", 0.0, 100.0, "fuel energy a joule from the store is worth at the reference SoC"),
    "proportional": ("1", 0.0, 1e4, "rise of the factor per missing SoC"),
    "destination": ("1", 0.0, 1.0, "whether the time to the end of the drive counts, 0 or 1"),
    "motion_charge": ("1", 0.0, 1.0, "state of charge that motion at 100 km/h counts as"),
    "min_on": ("s", 0.0, 3600.0, "minimum time the engine stays on"),
    "min_off": ("s", 0.0, 3600.0, "minimum time the engine stays off"),
    "min_gear": ("s", 0.0, 3600.0, "minimum time in a gear"),
    "soc_reference": ("1", 0.0, 1.0, "state of charge that it keeps"),
    "start_reserve": ("1", 0.0, 100.0, "share more than is asked for that a start must carry"),
}
"""Parameters of the controller: unit, lowest, highest, meaning."""
TERMS = {
    "soc_low": ("1", 0.0, 1.0, "bottom of the SoC window"),
    "stop_speed": ("m/s", 0.0, 1e4, "vehicle speed above which the engine is not stopped"),
    "stop_soc": ("1", 0.0, 1.0, "state of charge below which the engine is not stopped"),
    "brake_shift_speed": ("m/s", 0.0, 1e4, "vehicle speed below which braking closes shifts"),
    "start_charge": ("g", 0.0, 1e6, "charged for a start in any case"),
    "shift_charge": ("g", 0.0, 1e6, "charged for a shift in any case"),
    "skip_up": ("1", 0.0, 1.0, "whether an upshift may leave gears out in motion, 0 or 1"),
    "skip_down": ("1", 0.0, 1.0, "whether a downshift may leave gears out in motion, 0 or 1"),
}
"""What the settings charge and forbid."""
ROAD_LOAD = {
    "mass": ("kg", 1.0, 1e6, "of the vehicle"),
    "rolling_resistance": ("1", 0.0, 1.0, "coefficient of the vehicle"),
    "drag_area": ("m2", 0.0, 1e3, "of the vehicle"),
    "wheel_radius": ("m", 0.01, 10.0, "of the driven wheels"),
    "wheel_inertia": ("kg m2", 0.0, 1e5, "of all wheels"),
    "air_density": ("kg/m3", 0.0, 10.0, "of the air"),
    "headwind": ("m/s", -100.0, 100.0, "against the vehicle"),
    "trailer_mass": ("kg", 0.0, 1e6, "of the trailer"),
    "trailer_rolling_resistance": ("1", 0.0, 1.0, "coefficient of the trailer"),
    "trailer_drag_area": ("m2", 0.0, 1e3, "of the trailer"),
}
"""Road load, by which the wheel torque of the preview is worked out."""
DRIVELINE = {
    "idle_speed": (kernels.IDLE, "rad/s", 1e4, "of the engine"),
    "highest_speed": (kernels.HIGHEST, "rad/s", 1e4, "at the gearbox input, engine on"),
    "highest_motor_speed": (kernels.MOTOR_HIGHEST, "rad/s", 1e4, "at the gearbox input, off"),
    "launch_speed": (kernels.LAUNCH_SPEED, "rad/s", 1e4, "of the engine while the clutch slips"),
    "launch_capacity": (kernels.LAUNCH_CAPACITY, "N m", 1e6, "torque that the launch clutch takes"),
    "launch_gears": (kernels.LAUNCH_GEARS, "1", 100.0, "how many gears launch with slip"),
    "pump_speed": (kernels.PUMP_SPEED, "rad/s", 1e4, "of the input, below which no clutch holds"),
    "recuperated_share": (kernels.RECUPERATED, "1", 1.0, "of the braking torque"),
    "fade_low": (kernels.FADE_LOW, "m/s", 1e3, "speed below which nothing is recuperated"),
    "fade_high": (kernels.FADE_HIGH, "m/s", 1e3, "speed from which all is recuperated"),
    "inertia_off": (kernels.INERTIA_OFF, "kg m2", 1e4, "of the input shaft, engine off"),
    "inertia_on": (kernels.INERTIA_ON, "kg m2", 1e4, "of the input shaft, engine on"),
    "rest_power": (kernels.REST_POWER, "W", 1e12, "out of the store at rest, engine off"),
    "coast_power": (kernels.COAST_POWER, "W", 1e12, "out of the store with the motor unpowered"),
    "pump_power": (kernels.PUMP_POWER, "W", 1e12, "out of the store for the pump, engine off"),
    "idle_power": (kernels.IDLE_POWER, "W", 1e12, "out of the store, motor unpowered, engine on"),
    "start_duration": (kernels.START_DURATION, "s", 1e3, "of an engine start"),
}
"""Constants of the driveline: place in those of the maps, unit, highest, meaning."""
GIVEN = (kernels.RADIUS, kernels.STOP_SPEED, kernels.BRAKE_SHIFT, kernels.START_EXTRA)
"""Places in the constants of the maps that are told by others."""
BY_GEAR = ("ratios", "efficiencies", "drag_torques")

CONSTANTS = {
    name: TableQuantity(name, unit, unit, 1.0, low, high)
    for name, (unit, low, high, _) in (PARAMETERS | TERMS | ROAD_LOAD).items()
}
CONSTANTS |= {
    name: TableQuantity(name, unit, unit, 1.0, -high if unit == "W" else 0.0, high)
    for name, (_, unit, high, _) in DRIVELINE.items()
}
CONSTANTS |= {
    "usual_factor": TableQuantity("usual_factor", "g/J", "g/J", 1.0, 0.0, 1.0),
    "heating_value": TableQuantity("heating_value", "J/g", "J/g", 1.0, 1.0, 1e6),
    "ratios": TableQuantity("ratios", "1", "1", 1.0, 0.01, 1000.0),
    "efficiencies": TableQuantity("efficiencies", "1", "1", 1.0, 0.01, 1.0),
    "drag_torques": TableQuantity("drag_torques", "N m", "N m", 1.0, 0.0, 1e5),
}
MEANINGS = {
    "motor_power": "power out of the store with the auxiliaries, over the motor's speed and torque",
    "fuel": "of the engine, over its speed and torque",
    "running_cost": "fuel and factor times power out of the store with the engine on, at the best "
    "split, over speed and torque wanted at the gearbox input and factor",
    "start_cost": "cost of a start beyond running on, over the same",
    "off_limit": "highest torque wanted that is given with the engine off",
    "running_limit": "highest torque wanted that is given with the engine on",
    "start_limit": "highest torque wanted that is given in the step of a start",
    "overrun": "torque of the engine without fuel",
    "drag": "torque that the unpowered motor takes",
    "motor_limit": "highest torque of the motor, to both sides",
    "engine_limit": "full load of the engine, below a lugging line",
    "expected": "cost expected behind the horizon, over mean speed and acceleration of the last "
    "interval, engine state and gear",
    "shift_fuel": "fuel of a shift over the square of the wheel speed, by engine class (0 off, 1 "
    "running, 2 starting), gear before and gear",
    "usual_factor": "what stored energy was worth in the training",
    "heating_value": "of the fuel",
    "ratios": "input speed over wheel speed",
    "efficiencies": "of gearbox and final drive",
    "drag_torques": "at the gearbox input",
}
MEANINGS |= {name: row[3] for name, row in (PARAMETERS | TERMS | ROAD_LOAD | DRIVELINE).items()}


def _check(constants: Mapping[str, np.ndarray], maps: Mapping[str, Map], place: str) -> None:
    gears = constants["ratios"].size
    every = 1.0 + np.arange(gears)
    axes = {
        "expected": {"engine_on": (2, np.arange(2.0)), "gear": (3, every)},
        "shift_fuel": {
            "engine_class": (0, np.arange(3.0)),
            "gear_before": (1, every),
            "gear": (2, every),
        },
    }
    for table, known in axes.items():
        for name, (number, wanted) in known.items():
            axis = maps[table].axes[number]
            if axis.shape != wanted.shape or (axis != wanted).any():
                raise InputError(
                    f"{place}: {table}: the axis {name} has {axis.size} points from {axis[0]:g} to "
                    f"{axis[-1]:g}; it must count from {wanted[0]:g} to {wanted[-1]:g}, as "
                    f"ratios gives {gears} gears"
                )
    running, start = maps["running_cost"].axes, maps["start_cost"].axes
    for name, mine, theirs in zip(INPUT, running, start, strict=False):
        if not np.array_equal(mine, theirs):
            raise InputError(
                f"{place}: start_cost: the axis {name} is not that of running_cost; give both the "
                "same points"
            )
    horizon, step = constants["horizon"][0], constants["step"][0]
    if round(horizon / step) > MOST_INTERVALS:
        raise InputError(
            f"{place}: horizon is {horizon:g} s in steps of {step:g} s; allowed are at most "
            f"{MOST_INTERVALS} steps"
        )


PREVIEW = Form(
    kind="hybridopt preview maps",
    noun="preview maps",
    layout=LAYOUT,
    quantities=QUANTITIES,
    constants=CONSTANTS,
    by_gear=BY_GEAR,
    meanings=MEANINGS,
    digits=17,
    check=_check,
)
