"""A corridor of SoC: the ranges that a sweep keeps to."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, eq=False)
class Corridor:
    """Ranges of SoC before each step and at the end, all (steps + 1,).

    Attributes
    ----------
    low, high : SoC, 0 to 1
    price : g per unit of SoC, what energy is worth near it
    """

    low: np.ndarray
    high: np.ndarray
    price: np.ndarray

    def holds(self, other: "Corridor") -> bool:
        """Tell whether another corridor lies inside."""
        return bool((self.low <= other.low).all() and (self.high >= other.high).all())

    def around(self, other: "Corridor") -> "Corridor":
        """Return the least corridor that holds another one too."""
        low, high = np.minimum(self.low, other.low), np.maximum(self.high, other.high)
        return Corridor(low, high, self.price)

    @property
    def width(self) -> float:
        """Mean width, SoC."""
        return float((self.high - self.low).mean())
