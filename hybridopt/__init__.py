"""Least-fuel schedules for parallel hybrid drivelines."""

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .base.errors import FailedError, HybridoptError, InfeasibleError, InputError
    from .inputs.cycle import Cycle, cycle_names, read_cycle
    from .inputs.driveline import Driveline
    from .inputs.driveline_file import driveline_names, read_driveline
    from .optimum.optimum import Optimum
    from .optimum.result import Result
    from .physics.demand import Demand, wheel_demand
    from .physics.modes import Mode
    from .physics.operating_points import OperatingPoints, list_operating_points
    from .physics.replay import replay_schedule
    from .pipeline import solve_cycle
    from .problem.settings import Settings

_HOMES = {
    "Cycle": "inputs.cycle",
    "Demand": "physics.demand",
    "Driveline": "inputs.driveline",
    "FailedError": "base.errors",
    "HybridoptError": "base.errors",
    "InfeasibleError": "base.errors",
    "InputError": "base.errors",
    "Mode": "physics.modes",
    "Optimum": "optimum.optimum",
    "OperatingPoints": "physics.operating_points",
    "Result": "optimum.result",
    "Settings": "problem.settings",
    "cycle_names": "inputs.cycle",
    "driveline_names": "inputs.driveline_file",
    "list_operating_points": "physics.operating_points",
    "read_cycle": "inputs.cycle",
    "read_driveline": "inputs.driveline_file",
    "replay_schedule": "physics.replay",
    "solve_cycle": "pipeline",
    "wheel_demand": "physics.demand",
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
    "Optimum",
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
