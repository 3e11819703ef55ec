"""What a solve keeps in memory, and what it makes again because it does not fit."""

import math
from dataclasses import dataclass

from ..errors import InputError

PART = 100  # steps that are swept, listed and walked together
POINT = 3 * 8 + 1  # bytes of an operating point: cost, power, torque, reason
HULL = 16  # bytes of a hull point; a third of the splits is on the hull, seldom more


@dataclass(frozen=True)
class Memory:
    """Bytes of a solve's arrays.

    Parameters
    ----------
    steps, gears, soc_points
        Size of the problem.
    splits
        Length of the splits axis, from :func:`hybridopt.operating_points.split_room`.
    limit
        Bytes that may be kept.
    states
        States of the engine, and of the time in it and in gear.

    Notes
    -----
    The operating points are kept if they fit into half of the limit, the cost-to-go (float32) as
    far as it fits into the rest, and at least two parts of it. The events of every step, the hulls
    of the bound and the checkpoints (float64) of the cost-to-go are always kept.
    """

    steps: int
    gears: int
    soc_points: int
    splits: int
    limit: float
    states: int = 2

    @property
    def points(self) -> float:
        """Bytes of all operating points."""
        return float(self.steps * self.gears * 3 * self.splits * POINT)

    @property
    def keeps_points(self) -> bool:
        """Whether the operating points are kept."""
        return self.points <= 0.5 * self.limit

    @property
    def least(self) -> float:
        """Bytes of what is always kept."""
        part = 2 * self._value_part + PART * self.gears * 3 * self.splits * POINT
        ends = self.parts * self.states * self.gears * self.soc_points * 8
        events = self.steps * 3 * self.gears * (self.gears * 8 + self.splits * HULL / 3)
        return float(part + ends + events)

    @property
    def parts(self) -> int:
        """Number of parts the steps are cut into."""
        return math.ceil(self.steps / PART)

    @property
    def kept_parts(self) -> int:
        """Parts of the cost-to-go that are kept, at least two where there are two."""
        room = self.limit - self.least - (self.points if self.keeps_points else 0.0)
        return min(max(int(room // self._value_part), 2), self.parts)

    @property
    def needed(self) -> float:
        """Bytes of all arrays that will be kept."""
        points = self.points if self.keeps_points else 0.0
        return self.least + points + max(self.kept_parts - 2, 0) * self._value_part

    @property
    def _value_part(self) -> float:
        return float((PART + 1) * self.states * self.gears * self.soc_points * 4)

    def check(self) -> None:
        """Raise InputError when even the least does not fit, saying how to mend it."""
        if self.least > self.limit:
            factor = math.ceil(10 * self.least / self.limit) / 10
            raise InputError(
                f"the solve needs {self.least / 1e9:.2g} GB but memory_limit is "
                f"{self.limit / 1e9:.2g} GB; use about {factor:g} times fewer SoC points, a "
                "shorter cycle, or a higher limit"
            )
