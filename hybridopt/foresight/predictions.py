"""What a car may foresee: a preview with errors, limits and grade only, and guesses without any.

Each is a :data:`hybridopt.controllers.foreseen.Predict`. The speed at the end of the present step
is known to all of them.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..base.errors import InputError
from ..base.units import KM_PER_H
from ..controllers.foreseen import Predict, Predicted, exact
from ..physics.demand import Demand
from .expected_cost import ACCELERATIONS, SPEEDS
from .nodes import node_weights, nodes
from .road_ahead import STANDING, LimitedDriver, on_the_road

FADE = 3.0  # s, in which an acceleration is guessed to fade to 1 / e; common practice, no source
ERROR = 5.0 * KM_PER_H  # m/s, standard deviation of a wrong preview at STATED
STATED = 10.0  # s, of look-ahead, at which that is stated
MEMORY = 5.0  # s, in which an error of acceleration fades to 1 / e
RASTER = 0.1  # s, at which errors are drawn
LONGEST = 60.0  # s, that the usual course is followed; its speed stays from there on
RARE = 0.01  # s of no change of speed, mixed in where a node is hardly visited


def steady(demand: Demand, step: float, intervals: int) -> Predicted:
    """Foresee that speed and grade stay as they are; arguments as :func:`exact` takes them."""
    speeds = np.repeat(demand.speeds[1:, None], intervals + 1, axis=1)
    return Predicted(speeds, _grade_stays(demand, intervals))


def grade_only(demand: Demand, step: float, intervals: int) -> Predicted:
    """Foresee the grade of the road ahead, and that the speed stays as it is."""
    return on_the_road(demand, step, steady(demand, step, intervals).speeds)


@dataclass(frozen=True)
class FadingAcceleration:
    """Foresee that the present acceleration a fades, and that the grade stays.

    Attributes
    ----------
    fade : s, in which it fades to 1 / e; the speed tends to v + a fade, and ends at 0
    """

    fade: float = FADE

    def __call__(self, demand: Demand, step: float, intervals: int) -> Predicted:
        """Foresee; arguments as :func:`exact` takes them."""
        gained = self.fade * -np.expm1(-_ahead(step, intervals) / self.fade)
        speeds = demand.speeds[1:, None] + demand.acceleration[:, None] * gained
        return Predicted(np.maximum(speeds, 0.0), _grade_stays(demand, intervals))


@dataclass(frozen=True)
class SpeedError:
    """Foresee what comes with an error of speed that grows with the look-ahead.

    Parameters
    ----------
    deviation
        Standard deviation of the error 10 s ahead, m/s, 0 or more.
    seed
        Of the errors, 0 or more.
    memory
        Time in which an error of acceleration fades to 1 / e, s, 0.1 or more.

    Raises
    ------
    InputError
        One of them is out of range.

    Notes
    -----
    The acceleration deviates by an Ornstein-Uhlenbeck process that starts from 0 at the present,
    and the speed by its integral, so a deviation h seconds ahead has the variance
    s2 (h - 2 T (1 - exp(-h/T)) + T/2 (1 - exp(-2h/T))), T the memory. It grows with h to the power
    of 1.5 at first and 0.5 at last. All previews see the same noise, so that those of the same
    moment are alike, and nearer ones know more of it. Speeds end at 0; the grade is that of the
    place where the wrong speed leads.
    Source: Gillespie, Exact numerical simulation of the Ornstein-Uhlenbeck process and its
    integral, Physical Review E 54, 1996, 2084, DOI 10.1103/PhysRevE.54.2084, from memory.
    """

    deviation: float = ERROR
    seed: int = 1
    memory: float = MEMORY

    def __post_init__(self) -> None:
        """Check the ranges."""
        for name, least in (("deviation", 0.0), ("seed", 0), ("memory", RASTER)):
            value = getattr(self, name)
            if not (np.isfinite(value) and value >= least):
                raise InputError(f"wrong preview: {name} is {value:g}; give {least:g} or more")

    def __call__(self, demand: Demand, step: float, intervals: int) -> Predicted:
        """Foresee; arguments as :func:`exact` takes them."""
        speeds = exact(demand, step, intervals).speeds + self.errors(demand, step, intervals)
        return on_the_road(demand, step, np.maximum(speeds, 0.0))

    def spread(self, ahead: np.ndarray) -> np.ndarray:
        """Return the standard deviation of the error so many seconds ahead, m/s."""
        growth = np.sqrt(_integrated_variance(np.append(ahead, STATED) / self.memory))
        return np.asarray(self.deviation * growth[:-1] / growth[-1])

    def errors(self, demand: Demand, step: float, intervals: int) -> np.ndarray:
        """Return the errors, m/s, (steps, intervals + 1), before any speed ends at 0.

        The path of the noise is drawn in steps of :data:`RASTER` from the begin of the drive on,
        so that a longer horizon sees the same errors; in between it is linear.
        """
        present = demand.time + demand.dt - demand.time[0]
        ahead = _ahead(step, intervals)
        points = int(np.ceil((present[-1] + ahead[-1]) / RASTER)) + 2
        rate, speed = self._path(points)
        raster = RASTER * np.arange(points)
        now, known = np.interp(present, raster, speed), np.interp(present, raster, rate)
        then = np.interp(present[:, None] + ahead, raster, speed)
        fading = self.memory * -np.expm1(-ahead / self.memory)
        return np.asarray(then - now[:, None] - known[:, None] * fading)

    def _path(self, points: int) -> tuple[np.ndarray, np.ndarray]:
        """Return deviations of acceleration, m/s2, and speed, m/s, along one path of the noise."""
        x = RASTER / self.memory
        scale = self.deviation / np.sqrt(_integrated_variance(np.array([STATED / self.memory])))[0]
        kept = np.exp(-x)
        # joint noise of a step, for acceleration times memory and for speed, both in m/s
        both = 0.5 * (1.0 - kept) ** 2
        covariance = np.array([[0.5 * -np.expm1(-2.0 * x), both], [both, 0.0]])
        covariance[1, 1] = _integrated_variance(np.array([x]))[0]
        random = np.random.default_rng(self.seed).normal(size=(points, 2))
        noise = scale * random @ np.linalg.cholesky(covariance).T
        rate = np.zeros(points)
        for i in range(1, points):
            rate[i] = kept * rate[i - 1] + noise[i, 0]
        speed = np.append(0.0, np.cumsum((1.0 - kept) * rate[:-1] + noise[1:, 1]))
        return rate / self.memory, speed


def _integrated_variance(x: np.ndarray) -> np.ndarray:
    """Variance of the integrated process over look-ahead in memories, to a factor."""
    return np.asarray(x + 2.0 * np.expm1(-x) - 0.5 * np.expm1(-2.0 * x))


@dataclass(frozen=True, eq=False)
class UsualCourse:
    """Foresee the mean of what followed in the training at about the same speed and acceleration.

    Attributes
    ----------
    speeds, accelerations : nodes, m/s and m/s2
    changes : m/s, (speeds x accelerations, seconds + 1), mean change of speed after whole seconds
    """

    speeds: np.ndarray
    accelerations: np.ndarray
    changes: np.ndarray

    def __call__(self, demand: Demand, step: float, intervals: int) -> Predicted:
        """Foresee that the grade stays; arguments as :func:`exact` takes them."""
        place = np.minimum(_ahead(step, intervals), self.changes.shape[1] - 1.0)
        low = np.minimum(place.astype(int), self.changes.shape[1] - 2)
        after = self.changes[:, low + 1] * (place - low) + self.changes[:, low] * (
            1.0 - place + low
        )
        change = _weights(demand, self.speeds, self.accelerations) @ after
        speeds = np.maximum(demand.speeds[1:, None] + change, 0.0)
        speeds[:, 1:][speeds[:, 1:] < STANDING] = 0.0  # a mean of standing and moving off
        return Predicted(speeds, _grade_stays(demand, intervals))


def usual_course(demands: Sequence[Demand]) -> UsualCourse:
    """Return the mean of what followed in some drives; nodes are those of the expected cost.

    Parameters
    ----------
    demands
        Of the training.
    """
    speed, dt = (np.concatenate([getattr(d, name) for d in demands]) for name in ("speed", "dt"))
    speeds, seconds = nodes(speed, dt, SPEEDS, (0.0,)), int(LONGEST)
    weight = np.zeros((speeds.size * ACCELERATIONS.size, seconds + 1))
    total = np.zeros_like(weight)
    for demand in demands:
        near = _weights(demand, speeds, ACCELERATIONS) * demand.dt[:, None]
        change = exact(demand, 1.0, seconds).speeds - demand.speeds[1:, None]
        present = demand.time + demand.dt
        driven = present[:, None] + np.arange(seconds + 1) <= present[-1] + 1e-9
        weight += near.T @ driven
        total += near.T @ (change * driven)
    return UsualCourse(speeds, ACCELERATIONS, total / (weight + RARE))


def _weights(demand: Demand, speeds: np.ndarray, accelerations: np.ndarray) -> np.ndarray:
    by_speed = node_weights(demand.speed, speeds)
    by_rate = node_weights(demand.acceleration, accelerations)
    return np.asarray((by_speed[:, :, None] * by_rate[:, None, :]).reshape(demand.steps, -1))


def _ahead(step: float, intervals: int) -> np.ndarray:
    """Seconds after the present step, (intervals + 1,)."""
    return step * np.arange(intervals + 1)


def _grade_stays(demand: Demand, intervals: int) -> np.ndarray:
    return np.repeat(demand.grade[:, None], intervals, axis=1)


Make = Callable[[Sequence[Demand], SpeedError], Predict]
PREDICTIONS: Mapping[str, Make] = {
    "exact": lambda training, wrong: exact,
    "wrong": lambda training, wrong: wrong,
    "limits": lambda training, wrong: LimitedDriver(),
    "grade": lambda training, wrong: grade_only,
    "usual": lambda training, wrong: usual_course(training),
    "fading": lambda training, wrong: FadingAcceleration(),
    "steady": lambda training, wrong: steady,
}
"""What makes each kind of preview, from the demands of the training and a wrong preview."""
