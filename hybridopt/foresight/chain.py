"""A model of driving: a Markov chain over speed and acceleration, drawn from like a dice.

A state is a step of 1 s: the speed before it and the one after it, both multiples of a spacing, so
that a step begins exactly where the one before it ended. With a memory, states also hold what the
model remembers of earlier steps. What the driver does next depends on the state and on chance, not
on what the vehicle does inside.
"""

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import connected_components

from ..base.errors import InputError
from ..inputs.cycle import Cycle
from ..inputs.driveline import Vehicle
from ..physics.demand import Demand, step_demand

LONGEST = 20  # times the length asked for, beyond which a drive does not come to rest


@dataclass(frozen=True, eq=False)
class DriveChain:
    """A Markov chain of driving, in steps of 1 s on a level road.

    Attributes
    ----------
    spacing : m/s, between the speeds
    before, after : int64, (states,), speed before and after the step, in spacings
    memory : int64, (states,), what is remembered of earlier steps, numbered from 0
    links : sparse, (states, states), probability of each next state; rows add up to 1
    rest : number of the state that all drives begin in
    """

    spacing: float
    before: np.ndarray
    after: np.ndarray
    memory: np.ndarray
    links: Any
    rest: int

    @property
    def states(self) -> int:
        """Number of states."""
        return int(self.before.size)

    @property
    def speed(self) -> np.ndarray:
        """Mean speed of the step of each state, m/s, (states,)."""
        return np.asarray(0.5 * self.spacing * (self.before + self.after))

    def demand(self, vehicle: Vehicle) -> Demand:
        """Return what the step of each state asks of the wheels, on a level road."""
        time, level = np.arange(float(self.states)), np.zeros(self.states)
        speeds = self.spacing * self.before, self.spacing * self.after
        return step_demand(vehicle, time, np.ones(self.states), *speeds, level)

    def within(self, allowed: np.ndarray) -> "DriveChain":
        """Return the chain without some states, and without those that then lead nowhere.

        Links that are left are scaled up, so that the driver does something else instead. All
        states that stay can be reached from rest, and rest from them: none is without exit.

        Parameters
        ----------
        allowed
            bool, (states,).

        Raises
        ------
        InputError
            Rest is not allowed, or nothing but rest is left.
        """
        keep = np.flatnonzero(allowed)
        if not allowed[self.rest]:
            raise InputError(
                "drive model: no training drive stands still; drives begin and end at rest, so "
                "train it on some that do"
            )
        links = self.links[keep][:, keep]
        _, part = connected_components(links, connection="strong")
        rest = int(np.searchsorted(keep, self.rest))
        inside = np.flatnonzero(part == part[rest])
        if inside.size < 2:
            raise InputError(
                "drive model: no drive from rest comes back to rest; train it on drives that "
                "begin and end at rest"
            )
        links, keep = links[inside][:, inside], keep[inside]
        return dataclasses.replace(
            self,
            before=self.before[keep],
            after=self.after[keep],
            memory=self.memory[keep],
            links=scaled(links),
            rest=int(np.searchsorted(keep, self.rest)),
        )

    def draw(self, length: int, random: np.random.Generator) -> np.ndarray:
        """Draw a drive: it begins at rest and ends with the first rest after so many seconds.

        Parameters
        ----------
        length
            s, 1 or more; drives are longer by what it takes to come to rest.
        random
            Where chance comes from.

        Returns
        -------
        ndarray of int64, (steps,)
            States; the one after the last is `rest`.

        Raises
        ------
        InputError
            The drive does not come to rest within 20 times the length.
        """
        totals = _running_totals(self.links)
        chance, state, states = random.random(LONGEST * length), self.rest, []
        for luck in chance:
            states.append(state)
            first, last = self.links.indptr[state], self.links.indptr[state + 1]
            place = first + np.searchsorted(totals[first:last], luck, side="right")
            state = int(self.links.indices[min(place, last - 1)])
            if len(states) >= length and state == self.rest:
                return np.array(states, dtype=np.int64)
        raise InputError(
            f"drive model: a drive of {length} s does not come to rest within "
            f"{chance.size} s; ask for longer drives or train on drives with more stops"
        )

    def draw_cycles(self, drives: int, length: int, seed: int) -> list[Cycle]:
        """Draw drives as cycles, such as to train rule tables on.

        Parameters
        ----------
        drives
            How many.
        length
            s at least, see :meth:`draw`, which also says what is refused.
        seed
            Of chance; the same seed gives the same drives.

        Returns
        -------
        list of Cycle
            With names of their own.
        """
        random = np.random.default_rng(seed)
        names = [f"drawn {seed}-{i + 1}" for i in range(drives)]
        return [self.cycle(self.draw(length, random), name) for name in names]

    def cycle(self, states: np.ndarray, name: str) -> Cycle:
        """Return a drive as a cycle.

        Parameters
        ----------
        states
            From :meth:`draw`.
        name
            Of the cycle.
        """
        speed = self.spacing * np.append(self.before[states], self.after[states[-1]])
        return Cycle(name, np.arange(speed.size, dtype=float), speed, source="drawn by chance")


def scaled(links: Any) -> Any:
    """Return links with rows that add up to 1; each must have one."""
    sums = np.asarray(links.sum(axis=1)).ravel()
    rows = np.repeat(np.arange(sums.size), np.diff(links.indptr))
    return csr_matrix((links.data / sums[rows], links.indices, links.indptr), shape=links.shape)


def _running_totals(links: Any) -> np.ndarray:
    """Probability of a link and those before it in its row."""
    total = np.cumsum(links.data)
    begin = np.concatenate(([0.0], total))[links.indptr[:-1]]
    return np.asarray(total - np.repeat(begin, np.diff(links.indptr)))


@dataclass(frozen=True)
class DriveStatistics:
    """What some drives are like on the whole.

    Attributes
    ----------
    seconds : s, of all drives
    mean_speed : m/s
    rest_share : share of the time at rest
    acceleration : m/s2, root of the mean square while moving
    stops_per_km : changes from moving to rest, 1/km
    """

    seconds: float
    mean_speed: float
    rest_share: float
    acceleration: float
    stops_per_km: float


def drive_statistics(speeds: list[np.ndarray]) -> DriveStatistics:
    """Return the statistics of drives in steps of 1 s; each is m/s, (points,)."""
    pairs = np.concatenate([np.column_stack((v[:-1], v[1:])) for v in speeds])
    moving = pairs.sum(axis=1) > 0.0
    change = (pairs[:, 1] - pairs[:, 0])[moving]
    distance = float(pairs.mean(axis=1).sum())
    stops = np.count_nonzero((pairs[:, 0] > 0.0) & (pairs[:, 1] == 0.0))
    return DriveStatistics(
        seconds=float(pairs.shape[0]),
        mean_speed=distance / pairs.shape[0],
        rest_share=float(np.mean(~moving)),
        acceleration=float(np.sqrt(np.mean(change**2))) if change.size else 0.0,
        stops_per_km=stops / max(distance / 1000.0, 1e-9),
    )
