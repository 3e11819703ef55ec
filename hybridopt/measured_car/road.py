"""The grade of the road as altitudes tell it, as smooth as they say that the road is.

Altitudes that are smoothed over a fixed length leave the same noise on a flat road as on hills, and
noise of the grade is fuel: what it adds to driving it does not take off while braking. Here the
bend y of the road, the change of its grade z with the way s, wanders: its change over s metres is
normal with the variance w^2 s. The altitude a that is logged is the road's height h with noise of
each sample and noise n that persists. The most probable road is the least squares

    sum (y_(t+1) - y_t)^2 / (w^2 s_t) + sum (n_(t+1) - k n_t)^2 / (q^2 (1 - k^2))
        + sum (mean of h + n over step t - a_t)^2 / r^2

over the borders of steps, where z changes by s times the mean y and h by s times the mean z. Of
all w, and all sizes of r and q together, those count that are the most probable (evidence of a
Gaussian model): a flat road has a w near 0, and then one grade throughout.
"""

from typing import NamedTuple

import numpy as np
from scipy.linalg import cho_solve_banded, cholesky_banded

from ..inputs.cycle import Cycle
from ..measurements.recording import Recording
from .channel_noise import ALONG, COARSE, PERSISTS, SLOW
from .step_samples import StepSamples

WANDERS = np.logspace(-8.5, -3.0, 12)  # w, 1/m per root of a metre, in the noise's metres
STEEP, BENT = 0.2, 0.01  # of the first grade and bend, 1/m, in the noise's metres
ALIKE, SMOOTH = 0.01, 1e-6  # m in the noise's, and 1: what heights and grades are off their sums
LEAST_NOISE = 1e-3  # m
LEAST_WAY = 0.01  # m, of a step
LEAST_STEPS = 20
WILD = 6.0  # errors, beyond which an altitude is none
SLOPE, HEIGHT, PERSISTING, BEND = 0, 1, 2, 3
UNKNOWNS = 4


class Equations(NamedTuple):
    """Equations between unknowns at both borders of a step, each over its error.

    `parts` are (steps, 2 x unknowns) each, `wanted` (steps,) each.
    """

    parts: tuple[np.ndarray, ...]
    wanted: tuple[np.ndarray, ...]

    def normal(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the upper bands of the normal equations' matrix, and their right side."""
        steps, width = self.parts[0].shape
        apart = width // 2
        bands, right = np.zeros((width, (steps + 1) * apart)), np.zeros((steps + 1) * apart)
        for part, wanted in zip(self.parts, self.wanted, strict=True):
            some = np.flatnonzero(part.any(axis=0))
            for j in some:
                places = slice(j, j + apart * (steps - 1) + 1, apart)
                right[places] += part[:, j] * wanted
                for i in some[some <= j]:
                    bands[width - 1 + i - j, places] += part[:, i] * part[:, j]
        return bands, right

    def misfit(self, found: np.ndarray) -> float:
        """Return the sum of squares that the unknowns of all borders leave."""
        steps, width = self.parts[0].shape
        at = width // 2 * np.arange(steps)[:, None] + np.arange(width)
        sides = zip(self.parts, self.wanted, strict=True)
        return float(sum(np.sum(((part * found[at]).sum(axis=1) - w) ** 2) for part, w in sides))


def equation(size: int, **columns: np.ndarray | float) -> np.ndarray:
    """Return a part of :class:`Equations`; columns go by border and number, as `a0` or `b3`."""
    steps = max(np.size(values) for values in columns.values())
    part = np.zeros((steps, 2 * size))
    for name, values in columns.items():
        part[:, int(name[1:]) + (size if name[0] == "b" else 0)] = values
    return part


class RoadReading(NamedTuple):
    """Grades at the borders of steps, and rows of how far they may be off, the grade first."""

    grade: np.ndarray
    rows: Equations


def read_road(recording: Recording, cycle: Cycle) -> RoadReading | None:
    """Return the most probable road of a cycle; None where its grade is not made of altitudes.

    None of a slow log either: its verdict is nearer with the grade as imported (by trial).

    Parameters
    ----------
    recording, cycle
        The drive, and its cycle.
    """
    if "altitude" not in recording.drive.choices or not recording.has("altitude"):
        return None
    if recording.step > COARSE:
        return None
    altitude = StepSamples(recording).mean(recording.channels["altitude"])
    share = float(np.sqrt(min(recording.step / float(np.median(cycle.dt)), 1.0)))
    for _ in range(2):
        known = np.isfinite(altitude)
        if known.sum() < LEAST_STEPS:
            return None
        found, noise, rows = _most_probable(cycle, altitude, known, share)
        shown = found[HEIGHT::UNKNOWNS] + found[PERSISTING::UNKNOWNS]
        off = np.abs(altitude - 0.5 * (shown[1:] + shown[:-1]))
        wild = known & (off > WILD * share * noise)
        if not wild.any():
            break
        altitude = np.where(wild, np.nan, altitude)
    none = np.zeros(altitude.size)
    rows = Equations(tuple(part / noise for part in rows.parts), (none,) * len(rows.parts))
    return RoadReading(found[SLOPE::UNKNOWNS], rows)


def _most_probable(
    cycle: Cycle, altitude: np.ndarray, known: np.ndarray, share: float
) -> tuple[np.ndarray, float, Equations]:
    """Return the unknowns at all borders, the noise of a sample, m, and the rows in that."""
    way = np.maximum(cycle.mean_speed * cycle.dt, LEAST_WAY)
    start = float(altitude[known][0])
    rows = _rows(way, cycle.dt, np.where(known, altitude - start, 0.0), known / share)
    wandering = equation(UNKNOWNS, a3=-(way**-0.5), b3=way**-0.5)
    none, count = np.zeros(way.size), int(known.sum())
    bands, right = rows.normal()
    more, _ = Equations((wandering,), (none,)).normal()
    best, answer = -np.inf, None
    for wander in WANDERS:
        factor = cholesky_banded(bands + more / wander**2)
        found = cho_solve_banded((factor, False), right)
        all_rows = Equations((*rows.parts, wandering / wander), (*rows.wanted, none))
        noise = max(float(np.sqrt(all_rows.misfit(found) / count)), LEAST_NOISE)
        evidence = -count * np.log(noise) - way.size * np.log(wander) - np.log(factor[-1]).sum()
        if evidence > best:
            best, answer = evidence, (found, noise, all_rows)
    assert answer is not None
    answer[0][HEIGHT::UNKNOWNS] += start
    return answer


def _rows(way: np.ndarray, dt: np.ndarray, altitude: np.ndarray, seen: np.ndarray) -> Equations:
    """Return the rows of all but the bend's wandering, in the noise of a sample."""
    first = np.eye(1, way.size)[0]
    keep = np.exp(-dt / SLOW)
    fresh = 1.0 / (PERSISTS * np.sqrt(1.0 - keep**2))
    rise, steeper = 0.5 * way / ALIKE, 0.5 * way / SMOOTH
    parts = (
        equation(UNKNOWNS, a0=-rise, b0=-rise, a1=-1.0 / ALIKE, b1=1.0 / ALIKE),
        equation(UNKNOWNS, a3=-steeper, b3=-steeper, a0=-1.0 / SMOOTH, b0=1.0 / SMOOTH),
        equation(UNKNOWNS, a2=-keep * fresh, b2=fresh),
        equation(UNKNOWNS, a1=0.5 * seen, b1=0.5 * seen, a2=0.5 * seen, b2=0.5 * seen),
        equation(UNKNOWNS, a0=first / STEEP),
        equation(UNKNOWNS, a3=first / BENT),
        equation(UNKNOWNS, a2=first / PERSISTS),
        equation(UNKNOWNS, a1=first / 100.0),
    )
    none = np.zeros(way.size)
    return Equations(parts, (none, none, none, seen * altitude, none, none, none, none))


def doubted_road(cycle: Cycle, doubt: float) -> RoadReading:
    """Return the road of a cycle whose grade may be off by `doubt`, persisting along the road."""
    way = np.maximum(cycle.mean_speed * cycle.dt, LEAST_WAY)
    keep = np.exp(-way / ALONG)
    fresh = 1.0 / (doubt * np.sqrt(1.0 - keep**2))
    none = np.zeros(way.size)
    parts = (
        equation(1, a0=-keep * fresh, b0=fresh),
        equation(1, a0=np.eye(1, way.size)[0] / doubt),
    )
    return RoadReading(cycle.grade, Equations(parts, (none, none)))
