"""The form of rule tables in files: their quantities, units, ranges and meanings."""

from collections.abc import Mapping

import numpy as np

from ..base.errors import InputError
from ..base.units import PERCENT, RPM
from ..controllers.maps import Map
from .form import Form
from .quantities import TableQuantity
from .rule_table import FACTORS, LAYOUT

QUANTITIES = {
    key: TableQuantity(name, unit, file_unit, FACTORS[key], low, high)
    for key, name, unit, file_unit, low, high in (
        ("speed_km_per_h", "speed", "m/s", "km/h", 0.0, 1000.0),
        ("soc_percent", "soc", "1", "%", 0.0, 100.0),
        ("power_kW", "power", "W", "kW", -1e5, 1e5),
        ("input_speed_rpm", "input_speed", "rad/s", "rpm", 0.0, 1e5),
        ("input_torque_Nm", "input_torque", "N m", "N m", -1e5, 1e5),
        ("torque_Nm", "torque", "N m", "N m", -1e5, 1e5),
        ("wheel_torque_Nm", "wheel_torque", "N m", "N m", -1e6, 1e6),
        ("gear", "gear", "1", "1", 1.0, 100.0),
        ("engine_on", "engine_on", "1", "1", 0.0, 1.0),
    )
}
"""Quantities of the tables, by their keys in :data:`LAYOUT`."""

CONSTANTS = {
    "min_on": TableQuantity("min_on", "s", "s", 1.0, 0.0, 1000.0),
    "min_off": TableQuantity("min_off", "s", "s", 1.0, 0.0, 1000.0),
    "min_gear": TableQuantity("min_gear", "s", "s", 1.0, 0.0, 1000.0),
    "land_up": TableQuantity("land_up", "1", "1", 1.0, 0.0, 1.0),
    "land_down": TableQuantity("land_down", "1", "1", 1.0, 0.0, 1.0),
    "motion_charge": TableQuantity("motion_charge", "1", "%", PERCENT, 0.0, 100.0),
    "ratios": TableQuantity("ratios", "1", "1", 1.0, 0.01, 1000.0),
    "efficiencies": TableQuantity("efficiencies", "1", "1", 1.0, 0.01, 1.0),
    "drag_torques": TableQuantity("drag_torques", "N m", "N m", 1.0, 0.0, 1e5),
    "idle_speed": TableQuantity("idle_speed", "rad/s", "rpm", RPM, 0.0, 1e5),
    "highest_speed": TableQuantity("highest_speed", "rad/s", "rpm", RPM, 1.0, 1e5),
}
"""Quantities beside the tables; those of :data:`BY_GEAR` have one value per gear."""
BY_GEAR = ("ratios", "efficiencies", "drag_torques")
"""Constants of the gearbox that have one value per gear."""

MEANINGS = {
    "engine_start": "wheel power at or above which the engine starts",
    "engine_stop": "wheel power below which the engine stops",
    "electric_limit": "torque wanted at the gearbox input above which the engine runs in any case",
    "motor_torque": "motor torque while the engine runs, over speed and torque wanted at the "
    "gearbox input and charge",
    "shift_up": "vehicle speed at or above which a gear is left upwards; the highest gear has no "
    "line, it is never left",
    "shift_down": "vehicle speed below which a gear is left downwards; the first gear has no line, "
    "it is never left",
    "min_on": "minimum time the engine stays on",
    "min_off": "minimum time the engine stays off",
    "min_gear": "minimum time in a gear, but where the engine starts",
    "land_up": "share by which the next lines of an upshift are moved towards those that lead back",
    "land_down": "the same of a downshift",
    "motion_charge": "state of charge that motion at 100 km/h counts as, added in all tables",
    "ratios": "input speed over wheel speed",
    "efficiencies": "of gearbox and final drive",
    "drag_torques": "at the gearbox input",
    "idle_speed": "of the engine, at the gearbox input",
    "highest_speed": "at the gearbox input",
}


def _check(constants: Mapping[str, np.ndarray], maps: Mapping[str, Map], place: str) -> None:
    if constants["highest_speed"][0] <= constants["idle_speed"][0]:
        raise InputError(f"{place}: highest_speed is not above idle_speed; mend one of them")


RULES = Form(
    kind="hybridopt rule tables",
    noun="rule tables",
    layout=LAYOUT,
    quantities=QUANTITIES,
    constants=CONSTANTS,
    by_gear=BY_GEAR,
    meanings=MEANINGS,
    digits=12,
    check=_check,
)
