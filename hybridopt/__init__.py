"""Least-fuel schedules for parallel hybrid drivelines."""

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .demand import Demand, wheel_demand
    from .dp.settings import Settings
    from .errors import FailedError, HybridoptError, InfeasibleError, InputError
    from .inputs.cycle import Cycle, cycle_names, read_cycle
    from .inputs.driveline import Driveline
    from .inputs.files import driveline_names, read_driveline
    from .modes import Mode
    from .operating_points import OperatingPoints, list_operating_points
    from .pipeline import solve_cycle
    from .replay import replay_schedule
    from .result import Result

_HOMES = {
    "Cycle": "inputs.cycle",
    "Demand": "demand",
    "Driveline": "inputs.driveline",
    "FailedError": "errors",
    "HybridoptError": "errors",
    "InfeasibleError": "errors",
    "InputError": "errors",
    "Mode": "modes",
    "OperatingPoints": "operating_points",
    "Result": "result",
    "Settings": "dp.settings",
    "cycle_names": "inputs.cycle",
    "driveline_names": "inputs.files",
    "list_operating_points": "operating_points",
    "read_cycle": "inputs.cycle",
    "read_driveline": "inputs.files",
    "replay_schedule": "replay",
    "solve_cycle": "pipeline",
    "wheel_demand": "demand",
}
__all__ = [
    "Cycle",
    "Demand",
    "Driveline",
    "FailedError",
    "HybridoptError",
    "InfeasibleError",
    "InputError",
    "Mode",
    "OperatingPoints",
    "Result",
    "Settings",
    "cycle_names",
    "driveline_names",
    "list_operating_points",
    "read_cycle",
    "read_driveline",
    "replay_schedule",
    "solve_cycle",
    "wheel_demand",
]


def __getattr__(name: str) -> Any:
    """Import a public name on first use, so that light commands start fast."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f".{_HOMES[name]}", __name__), name)


def __dir__() -> list[str]:
    return sorted(__all__)
