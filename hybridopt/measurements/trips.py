"""Micro-trips of a drive: cutting at stops, statistics, and the choice of a few for all."""

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base.errors import InputError
from ..base.intervals import intervals
from ..base.units import KM_PER_H
from ..inputs.cycle import Cycle
from ..inputs.cycle_checks import CONDITIONS
from ..inputs.cycle_slips import positive_work, raster_of_seconds, seconds_acceleration

STILL = 0.05  # m/s, mean speed of a step at rest
FEATURES = ("mean_speed", "max_speed", "rpa", "v_a_95", "rest_share", "duration")
MAX_TRIPS = 2000


@dataclass(frozen=True, eq=False)
class Trip:
    """A piece of a drive and its statistics, SI.

    Attributes
    ----------
    cycle : the piece, its time from 0 s
    start : s, where it begins in the whole
    whole : whether it begins and ends at rest
    duration, distance : s, m
    mean_speed, max_speed : m/s, rests included
    rest_share : share of time at rest
    stops_per_km : rests that follow a drive, per km driven; NaN without distance
    max_gain, max_loss : m/s2 on a 1 s raster, 0 or more
    rpa : relative positive acceleration, m/s2; NaN without distance
    v_a_95 : 95th percentile of v a where a > 0.1 m/s2, m2/s3; NaN where that never is
    """

    cycle: Cycle
    start: float
    whole: bool
    duration: float
    distance: float
    mean_speed: float
    max_speed: float
    rest_share: float
    stops_per_km: float
    max_gain: float
    max_loss: float
    rpa: float
    v_a_95: float

    def record(self) -> dict[str, Any]:
        """Return the statistics in the units people use, which their names tell."""
        return {
            "start_s": self.start,
            "duration_s": self.duration,
            "distance_km": self.distance / 1e3,
            "mean_speed_km_per_h": self.mean_speed / KM_PER_H,
            "max_speed_km_per_h": self.max_speed / KM_PER_H,
            "rest_share": self.rest_share,
            "stops_per_km": self.stops_per_km,
            "max_acceleration_m_per_s2": self.max_gain,
            "max_braking_m_per_s2": self.max_loss,
            "rpa_m_per_s2": self.rpa,
            "v_a_95_m2_per_s3": self.v_a_95,
            "from_rest_to_rest": self.whole,
        }


def describe(cycle: Cycle, start: float = 0.0) -> Trip:
    """Return a cycle's statistics.

    Notes
    -----
    On a raster of 1 s, a_i = (v_{i+1} - v_{i-1}) / 2 s; RPA is the sum of v a dt over points with
    a > 0.1 m/s2 by the distance of all, and v a its 95th percentile over the same points, as in
    Regulation (EU) 2016/646, Annex IIIA, Appendix 7a (from memory). That regulation judges
    urban, rural and motorway speeds apart; here they are of the piece as it is.
    """
    _, speed = raster_of_seconds(cycle.time, cycle.speed)
    rate, work = seconds_acceleration(speed), positive_work(speed)
    rest = cycle.mean_speed < STILL
    stops = int(np.count_nonzero(rest[1:] & ~rest[:-1]))
    far = cycle.distance
    return Trip(
        cycle=cycle,
        start=start,
        whole=bool(cycle.speed[0] == 0.0 and cycle.speed[-1] == 0.0),
        duration=cycle.duration,
        distance=far,
        mean_speed=far / cycle.duration,
        max_speed=cycle.max_speed,
        rest_share=float(cycle.dt[rest].sum()) / cycle.duration,
        stops_per_km=stops / far * 1e3 if far > 0.0 else np.nan,
        max_gain=float(max(rate.max(), 0.0)),
        max_loss=float(max(-rate.min(), 0.0)),
        rpa=float(work.sum()) / far if far > 0.0 else np.nan,
        v_a_95=float(np.percentile(work, 95.0)) if work.size else np.nan,
    )


def cut_trips(cycle: Cycle) -> list[Trip]:
    """Cut a drive into micro-trips: a rest, and the drive up to the next rest.

    A drive without rests is one trip; a rest at the end stays with the last trip.

    Parameters
    ----------
    cycle
        The whole drive.

    Returns
    -------
    list of Trip
        In order; together they are the drive.

    Raises
    ------
    InputError
        The vehicle never moves, or there are more than `MAX_TRIPS` trips.
    """
    rest = cycle.mean_speed < STILL
    if rest.all():
        raise InputError(f"cycle {cycle.name}: never moves, so there are no trips in it")
    begins = _cuts(cycle.speed, rest)
    if len(begins) >= MAX_TRIPS:
        raise InputError(
            f"cycle {cycle.name}: has {len(begins) + 1} trips; at most {MAX_TRIPS} are taken, so "
            "cut it first"
        )
    edges = [0, *begins, rest.size]
    return [
        describe(_piece(cycle, a, b, number), float(cycle.time[a]))
        for number, (a, b) in enumerate(zip(edges, edges[1:], strict=False), start=1)
    ]


def _cuts(speed: np.ndarray, rest: np.ndarray) -> list[int]:
    """Return the slowest point of each rest that lies between two drives (the first of equals)."""
    between = [(first, stop) for first, stop in intervals(rest) if first > 0 and stop < rest.size]
    return [first + int(np.argmin(speed[first : stop + 1])) for first, stop in between]


def _piece(cycle: Cycle, first: int, stop: int, number: int) -> Cycle:
    inside = slice(first, stop + 1)
    return dataclasses.replace(
        cycle,
        name=f"{cycle.name}_trip_{number}",
        time=cycle.time[inside] - cycle.time[first],
        speed=cycle.speed[inside],
        grade=cycle.grade[inside],
        **{key: getattr(cycle, key)[inside] for key in (*CONDITIONS, "heat_request")},
    )


def choose_trips(trips: Sequence[Trip], count: int) -> tuple[list[int], list[float]]:
    """Choose trips that stand for all.

    Parameters
    ----------
    trips
        From :func:`cut_trips`; only those from rest to rest are chosen.
    count
        How many.

    Returns
    -------
    chosen : list of int
        Indices, increasing.
    shares : list of float
        Share of the time of all such trips that each stands for; their sum is 1.

    Raises
    ------
    InputError
        There are fewer such trips than asked for.

    Notes
    -----
    k-medoids over `FEATURES`, each divided by its spread, trips weighted by duration: the
    greedy start, then the best swap until none helps (Kaufman and Rousseeuw, *Finding Groups
    in Data*, Wiley, 1990, ch. 2, DOI 10.1002/9780470316801). No chance in it; ties go to the
    earlier trip.
    """
    able = [i for i, trip in enumerate(trips) if trip.whole and trip.distance > 0.0]
    if count > len(able):
        raise InputError(
            f"{count} trips asked for, but only {len(able)} of {len(trips)} go from rest to rest; "
            "ask for fewer"
        )
    points = np.array([[getattr(trips[i], name) for name in FEATURES] for i in able])
    points = np.nan_to_num(points)
    spread = points.std(axis=0)
    points = points / np.where(spread > 0.0, spread, 1.0)
    apart = np.sqrt(((points[:, None, :] - points[None, :, :]) ** 2).sum(axis=2))
    weight = np.array([trips[i].duration for i in able])
    medoids = _medoids(apart, weight, count)
    nearest = np.argmin(apart[:, medoids], axis=1)
    shares = np.bincount(nearest, weight, count) / weight.sum()
    return [able[m] for m in medoids], shares.tolist()


def _medoids(apart: np.ndarray, weight: np.ndarray, count: int) -> list[int]:
    """Return the medoids' indices, increasing, for distances `apart` and weights."""
    chosen: list[int] = []
    best = np.full(weight.size, np.inf)
    for _ in range(count):
        costs = weight @ np.minimum(best[:, None], apart)
        costs[chosen] = np.inf
        chosen.append(int(np.argmin(costs)))
        best = apart[:, chosen].min(axis=1)
    cost = float(weight @ best)
    for _ in range(100):
        swap = _best_swap(apart, weight, chosen)
        if swap[0] >= cost * (1.0 - 1e-12):
            break
        cost, chosen[swap[1]] = swap[0], swap[2]
    return sorted(chosen)


def _best_swap(apart: np.ndarray, weight: np.ndarray, chosen: list[int]) -> tuple[float, int, int]:
    """Return cost, place and newcomer of the best swap of one medoid."""
    best = (np.inf, 0, chosen[0])
    for place in range(len(chosen)):
        others = [m for i, m in enumerate(chosen) if i != place]
        left = apart[:, others].min(axis=1) if others else np.full(weight.size, np.inf)
        costs = weight @ np.minimum(left[:, None], apart)
        costs[chosen] = np.inf
        newcomer = int(np.argmin(costs))
        if costs[newcomer] < best[0]:
            best = (float(costs[newcomer]), place, newcomer)
    return best
