"""The standard controllers by name."""

from typing import Any

from .builtin import AdaptiveEquivalence, ElectricPower, Equivalence, PowerThresholds
from .preview import Preview


def names() -> dict[str, Any]:
    """Return the controllers that have a name of their own, by it."""
    return {
        "power_thresholds": PowerThresholds,
        "electric_power": ElectricPower,
        "equivalence": Equivalence,
        "adaptive_equivalence": AdaptiveEquivalence,
        "preview": Preview,
    }
