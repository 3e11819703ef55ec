"""A corridor of SoC: the ranges that a sweep keeps to."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class Corridor:
    """Ranges of SoC before each step and at the end, all (steps + 1,).

    Attributes
    ----------
    low, high : SoC, 0 to 1
    costate : g per unit of SoC, what stored energy is worth near it
    """

    low: np.ndarray
    high: np.ndarray
    costate: np.ndarray

    def holds(self, other: "Corridor") -> bool:
        """Return whether another corridor lies inside."""
        return bool((self.low <= other.low).all() and (self.high >= other.high).all())

    def around(self, other: "Corridor") -> "Corridor":
        """Return the narrowest corridor that holds this one and another."""
        low, high = np.minimum(self.low, other.low), np.maximum(self.high, other.high)
        return Corridor(low, high, self.costate)

    @property
    def width(self) -> float:
        """Mean width, SoC."""
        return float((self.high - self.low).mean())
