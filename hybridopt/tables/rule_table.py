"""Rule tables: engine, split and gear by maps."""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from ..base.units import KM_PER_H, KW, PERCENT, RPM
from ..controllers.builtin import BuiltIn
from ..controllers.maps import Map, pack_map
from ..controllers.shared_kernels import RULE_TABLE
from ..inputs.driveline import Driveline
from ..problem.settings import Settings

FACTORS = {
    "speed_km_per_h": KM_PER_H,
    "soc_percent": PERCENT,
    "power_kW": KW,
    "input_speed_rpm": RPM,
    "input_torque_Nm": 1.0,
    "torque_Nm": 1.0,
    "wheel_torque_Nm": 1.0,
    "gear": 1.0,
    "engine_on": 1.0,
}
"""Units in the keys of files for people, times which a value is in SI."""
LAYOUT = {
    "engine_start": ("speed_km_per_h", "soc_percent", "power_kW"),
    "engine_stop": ("speed_km_per_h", "soc_percent", "power_kW"),
    "electric_limit": ("input_speed_rpm", "torque_Nm"),
    "motor_torque": ("input_speed_rpm", "input_torque_Nm", "soc_percent", "torque_Nm"),
    "shift_up": ("gear", "wheel_torque_Nm", "engine_on", "speed_km_per_h"),
    "shift_down": ("gear", "wheel_torque_Nm", "engine_on", "speed_km_per_h"),
}
"""The tables in the order of the kernel's maps: keys of the axes, then of the values."""


def line_axes(
    gears: int, wheel_torques: np.ndarray
) -> tuple[tuple[np.ndarray, ...], tuple[np.ndarray, ...]]:
    """Return the breakpoints of `shift_up` and of `shift_down`.

    A gear that is never left has no line: the highest upwards, the first downwards. Where there is
    one gear alone its lines are there, but never looked at.
    """
    states, lines = np.array([0.0, 1.0]), np.arange(1.0, max(gears, 2))
    return (lines, wheel_torques, states), (np.minimum(lines + 1.0, gears), wheel_torques, states)


@dataclass(frozen=True, kw_only=True, eq=False)
class RuleTable(BuiltIn):
    """Engine on and off by wheel power, motor torque, and gears, each looked up in a map.

    Parameters
    ----------
    engine_start, engine_stop
        Wheel power at or above which the engine starts, and below which it stops, W, over vehicle
        speed (m/s) and charge.
    electric_limit
        Torque wanted at the gearbox input above which the engine starts in any case, N m, over
        input speed, rad/s.
    motor_torque
        Motor torque while the engine runs, N m, over speed (rad/s) and torque (N m) wanted at the
        gearbox input, and charge.
    shift_up, shift_down
        Vehicle speed at or above which a gear is left upwards, and below which it is left
        downwards, m/s, over gear (1 is first), wheel torque (N m) and engine state (0 or 1). A gear
        that is never left has no line: the highest upwards, the first downwards.

    land_up, land_down
        Share by which a shift's next lines are moved towards the lines that lead back, 0 to 1: the
        larger, the more gears a shift skips.
    motion_charge
        State of charge that the vehicle's motion at 100 km/h counts as, 0 to 1. The charge of the
        tables is the SoC and this, which grows with the square of speed: braking brings it back.

    Notes
    -----
    Lookups are linear in between and clamped to the axes. With the engine off the motor takes the
    demand; where it cannot, the engine is started. Torque at the gearbox input is that of the
    wheels through ratio and losses, without the inertia of the shaft.
    """

    kind: ClassVar[int] = RULE_TABLE
    title: ClassVar[str] = "rule table"

    min_on: float = 3.0
    min_off: float = 3.0
    min_gear: float = 2.0
    land_up: float = 0.0
    land_down: float = 0.0
    motion_charge: float = 0.0
    engine_start: Map
    engine_stop: Map
    electric_limit: Map
    motor_torque: Map
    shift_up: Map
    shift_down: Map

    def packed(self) -> tuple[np.ndarray, np.ndarray]:
        """Return own parameters, first where each map begins, and all maps, for the kernels."""
        maps: list[tuple[str, Map]] = [(name, getattr(self, name)) for name in LAYOUT]
        packed = [pack_map(found.axes, found.values, f"[{name}]") for name, found in maps]
        begins = np.concatenate(([0.0], np.cumsum([m.size for m in packed])[:-1]))
        constants = self.land_up, self.land_down, self.motion_charge
        return np.concatenate((begins, constants)), np.concatenate(packed)

    def _own(self, driveline: Driveline, settings: Settings) -> tuple[list[float], np.ndarray]:
        own, maps = self.packed()
        return own.tolist(), maps
