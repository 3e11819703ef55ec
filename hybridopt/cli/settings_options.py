"""Options for the settings of the optimiser, in the units people use."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from ..base.units import KM_PER_H, PERCENT

if TYPE_CHECKING:
    from ..problem.settings import Settings

FACTORS = {
    "soc_min": PERCENT,
    "soc_max": PERCENT,
    "soc_start": PERCENT,
    "soc_target": PERCENT,
    "stop_soc_min": PERCENT,
    "stop_speed_max": KM_PER_H,
    "brake_shift_speed": KM_PER_H,
    "memory_limit": 1e9,  # bytes per GB
}
"""Multiply an option by its factor to get the setting; 1 where none is given."""


def _option(flag: str, setting: str, metavar: str, text: str, kind: Any) -> Callable[..., Any]:
    return click.option(flag, setting, type=kind, metavar=metavar, help=text)


def _percent(flag: str, setting: str, text: str) -> Callable[..., Any]:
    share = click.FloatRange(0.0, 100.0)
    return click.option(flag, setting, type=share, metavar="%", help=text)


def _seconds(flag: str, setting: str, text: str) -> Callable[..., Any]:
    return click.option(flag, setting, type=float, metavar="S", help=f"{text[:-1]} (default 0).")


def _switch(flag: str, setting: str, text: str) -> Callable[..., Any]:
    return click.option(flag, setting, is_flag=True, help=text)


OPTIONS = [
    _option(
        "--soc-points",
        "soc_points",
        "N",
        "SoC grid points; 1001 unless given, 2001 for steps below 0.5 s.",
        int,
    ),
    _option("--splits", "splits", "N", "Motor torques per step and gear (default 61).", int),
    _percent("--soc-min-percent", "soc_min", "Bottom of the SoC window."),
    _percent("--soc-max-percent", "soc_max", "Top of the SoC window."),
    _percent("--soc-start-percent", "soc_start", "SoC at the start."),
    click.option(
        "--terminal",
        "terminal",
        type=click.Choice(["sustain", "target", "deplete", "free"]),
        help="Where the SoC must end: at or above its start, at or above --soc-target-percent, "
        "at the bottom of the window, or anywhere in it (default sustain).",
    ),
    _percent("--soc-target-percent", "soc_target", "Final SoC for --terminal target."),
    _switch("--two-sided", "two_sided", "Penalise ending above the target as well."),
    _option(
        "--start-cost-g", "start_cost", "G", "Fuel cost of an engine start (default 0).", float
    ),
    _option(
        "--shift-cost-g", "shift_cost", "G", "Fuel cost of a gear shift (default 0.05).", float
    ),
    _seconds("--min-on-time-s", "min_on_time", "Least time that the engine stays on."),
    _seconds("--min-off-time-s", "min_off_time", "Least time that the engine stays off."),
    _seconds("--min-gear-time-s", "min_gear_time", "Least time that a gear stays engaged."),
    _option(
        "--stop-speed-max-km-per-h",
        "stop_speed_max",
        "KM/H",
        "No engine stop above this speed.",
        float,
    ),
    _percent("--stop-soc-min-percent", "stop_soc_min", "No engine stop below this SoC."),
    _option(
        "--stop-oil-temperature-c",
        "stop_oil_temperature",
        "DEGC",
        "No engine stop while the oil is colder (cycle column oil_temperature_C).",
        float,
    ),
    _option(
        "--brake-shift-speed-km-per-h",
        "brake_shift_speed",
        "KM/H",
        "No shift while braking below this speed.",
        float,
    ),
    click.option(
        "--skip-shifts",
        "skip_shifts",
        type=click.Choice(["both", "up", "down", "none"]),
        help="Which shifts may leave gears out while the vehicle moves (default both).",
    ),
    _option("--gear-start", "gear_start", "GEAR", "Gear before the first step (default 1).", int),
    _switch("--engine-on-start", "engine_on_start", "The engine runs before the first step."),
    _option(
        "--penalty-factor",
        "penalty_factor",
        "X",
        "Fuel energy charged per energy missing at the end (default 4).",
        float,
    ),
    _switch(
        "--thermal-limits",
        "thermal_limits",
        "Keep launch clutch, motor and battery within their continuous limits.",
    ),
    _switch(
        "--corridor",
        "corridor",
        "Sweep only a corridor of SoC that is proved to hold the optimum; saves memory on fine "
        "grids. Commands that judge other schedules sweep all SoC nevertheless.",
    ),
    _option("--memory-limit-gb", "memory_limit", "GB", "Memory for arrays (default 1).", float),
]


def settings_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Decorate a command with an option for each setting; they arrive by the setting's name."""
    for option in reversed(OPTIONS):
        command = option(command)
    return command


def make_settings(given: dict[str, Any]) -> "Settings":
    """Return the settings of the options that were given.

    Parameters
    ----------
    given
        Values by setting, in the option's unit; None where the option was not given.

    Raises
    ------
    InputError
        A setting is out of range.
    """
    from ..problem.settings import Settings

    values = {
        name: value * FACTORS[name] if name in FACTORS else value
        for name, value in given.items()
        if value is not None
    }
    return Settings(**values)
