"""What a solve keeps in memory, and what it makes again because it does not fit."""

import math
from dataclasses import dataclass

from ..base.errors import InputError

PART = 100  # steps that are swept, listed and run through together
POINT = 3 * 8 + 1  # bytes of an operating point: cost, power, torque, reason
HULL = 16  # bytes of a hull point; a fifth of the splits axis is on the hull, seldom more
PACKED = 8  # bytes of a packed point per place of the splits axis: cost, power, half the axis used


@dataclass(frozen=True)
class Memory:
    """Bytes of a solve's arrays.

    Parameters
    ----------
    steps, gears, soc_points
        Size of the problem.
    splits
        Length of the splits axis, from :func:`hybridopt.physics.operating_points.split_room`.
    limit
        Bytes that may be kept.
    states
        States of the engine, and of the time in it and in gear.
    whole
        Whether whole operating points are wanted, not cost and power alone.

    Notes
    -----
    Whole operating points are kept if they fit into half of the limit; if not, or if they are not
    wanted, cost and power alone, as far as they fit into two thirds of what is not needed
    otherwise. The cost-to-go (float32) is kept as far as it fits into the rest, and at least two
    parts of it. The events of every step, the hulls of the bound and the checkpoints (float64) of
    the cost-to-go are always kept.
    """

    steps: int
    gears: int
    soc_points: int
    splits: int
    limit: float
    states: int = 2
    whole: bool = True

    @property
    def points(self) -> float:
        """Bytes of all operating points."""
        return float(self.steps * self.gears * 3 * self.splits * POINT)

    @property
    def keeps_points(self) -> bool:
        """Whether the operating points are kept."""
        return self.whole and self.points <= 0.5 * self.limit

    @property
    def packed(self) -> float:
        """Bytes for packed operating points where they are not kept as they are."""
        if self.keeps_points:
            return 0.0
        places = self.steps * self.gears * 3 * self.splits
        return float(min(places * PACKED, max((self.limit - self.minimum) / 1.5, 0.0)))

    @property
    def minimum(self) -> float:
        """Bytes of what is always kept."""
        part = 2 * self._value_part + PART * self.gears * 3 * self.splits * POINT
        ends = self.parts * self.states * self.gears * self.soc_points * 8
        events = self.steps * 3 * self.gears * (self.gears * 8 + self.splits * HULL / 5)
        return float(part + ends + events)

    @property
    def parts(self) -> int:
        """Number of parts the steps are cut into."""
        return math.ceil(self.steps / PART)

    @property
    def kept_parts(self) -> int:
        """Parts of the cost-to-go that are kept, at least two where there are two."""
        points = self.points if self.keeps_points else self.packed
        room = self.limit - self.minimum - points
        return min(max(int(room // self._value_part), 2), self.parts)

    @property
    def needed(self) -> float:
        """Bytes of all arrays that will be kept."""
        points = self.points if self.keeps_points else self.packed
        return self.minimum + points + max(self.kept_parts - 2, 0) * self._value_part

    @property
    def _value_part(self) -> float:
        return float((PART + 1) * self.states * self.gears * self.soc_points * 4)

    def check(self) -> None:
        """Raise InputError where even what is always kept does not fit, saying what to change."""
        if self.minimum > self.limit:
            factor = math.ceil(10 * self.minimum / self.limit) / 10
            raise InputError(
                f"the solve needs {self.minimum / 1e9:.2g} GB but memory_limit is "
                f"{self.limit / 1e9:.2g} GB; use about {factor:g} times fewer SoC points, a "
                "shorter cycle, or a higher limit"
            )


def part_ranges(steps: int) -> list[tuple[int, int]]:
    """Return first and one-past-last step of each part that steps are taken in."""
    return [(first, min(first + PART, steps)) for first in range(0, steps, PART)]
