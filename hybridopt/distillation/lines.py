"""Shift lines that cost least among those that keep the limits on their shape."""

from typing import NamedTuple

import numpy as np

from ..base.units import KM_PER_H
from ..foresight.nodes import node_weights
from ..tables.cell_relations import VehicleRange
from ..tables.shape import ShapeLimits
from .decision_costs import DecisionCosts
from .fit import capped

SHIFT_WEIGHT = 1.3
"""What a shift counts as in the fit, over its cost: without foresight many are soon taken back."""
FINENESS = 0.25 * KM_PER_H  # m/s, between speeds that are tried for a line


class SpeedCosts(NamedTuple):
    """What a line costs at each node of wheel torque, by the speed it is drawn through.

    Attributes
    ----------
    speeds : m/s, that are tried, increasing
    total : (nodes, speeds), g
    """

    speeds: np.ndarray
    total: np.ndarray


def gear_lines(
    costs: DecisionCosts,
    weight: np.ndarray,
    torques: np.ndarray,
    limits: ShapeLimits,
    vehicle: VehicleRange,
) -> tuple[np.ndarray, np.ndarray]:
    """Fit vehicle speeds at which gears are left, for each pair of gears and engine state.

    Parameters
    ----------
    costs, weight
        Decision costs, and how much each sample counts.
    torques
        Nodes of wheel torque, N m; zero is one of them.
    limits, vehicle
        What lines must keep; the range of the vehicle counts in any case.

    Returns
    -------
    up, down : ndarray, (pairs of gears, torques, 2 engine states)
        m/s, from the lower and from the upper gear of each pair; one pair at least.

    Notes
    -----
    The gain of leaving a gear is that of the best gear above (or below) with its shift, against
    staying, so the distance between both lines follows from what shifts cost. Pair by pair from the
    lowest on, each line is the best one above the line before, and a line down below that up.
    While the wheels drive, lines with the engine off are those with it on: the motor alone asks
    little of the gear, and fitted to it lines lie so high that the engine starts some gears too
    low, where the minimum time then holds it.
    """
    weight = weight[:, None] * node_weights(costs.torque, torques)
    pairs = costs.gears.shape[2] - 1
    up, down = np.zeros((2, max(pairs, 1), torques.size, 2))
    if pairs == 0:
        return up + vehicle.fastest[0], down
    speeds = np.arange(0.0, vehicle.fastest.max() + FINENESS, FINENESS)
    for state in range(2):
        cost, shift = costs.gears[:, state], SHIFT_WEIGHT * costs.shift[:, state]
        floors = np.zeros((2, torques.size))
        for g in range(pairs):
            low, high = vehicle.slowest[g + 1, state], vehicle.fastest[g]
            gain = _gain(cost, shift, g, slice(g + 1, None))
            tried = _costs(costs.speed, gain, weight, speeds)
            up[g, :, state] = _line(tried, torques, (floors[0], low), high, limits.rising)
            gain = -_gain(cost, shift, g + 1, slice(0, g + 1))
            tried = _costs(costs.speed, gain, weight, speeds)
            ceiling = up[g, :, state] - limits.hysteresis
            down[g, :, state] = _line(tried, torques, (floors[1], low), ceiling, limits.rising)
            if limits.ordered:
                floors = np.stack((up[g, :, state], down[g, :, state]))
    for lines in (up, down):
        lines[:, torques >= 0.0, 0] = lines[:, torques >= 0.0, 1]
    return up, down


def _gain(cost: np.ndarray, shift: np.ndarray, gear: int, others: slice) -> np.ndarray:
    """Cost of the best of some gears with its shift, less that of staying, (samples,)."""
    best = np.min(cost[:, others] + shift[:, gear, others], axis=1)
    with np.errstate(invalid="ignore"):
        return np.asarray(best - cost[:, gear])


def _costs(x: np.ndarray, gain: np.ndarray, weight: np.ndarray, speeds: np.ndarray) -> SpeedCosts:
    """Return what "yes from a speed on" costs, but for a constant, at each node and speed."""
    order = np.argsort(x, kind="stable")
    gained = weight[order] * capped(gain[order])[:, None]
    tail = np.concatenate((np.cumsum(gained[::-1], axis=0)[::-1], np.zeros((1, weight.shape[1]))))
    return SpeedCosts(speeds, tail[np.searchsorted(x[order], speeds)].T)


def _line(
    tried: SpeedCosts,
    torques: np.ndarray,
    floors: tuple[np.ndarray, float],
    high: np.ndarray | float,
    rising: bool,
) -> np.ndarray:
    """Return the line of least cost above floors, by node and for all, and below a ceiling."""
    low = np.maximum(*floors)
    room = 0.5 * FINENESS
    below = tried.speeds < low[:, None] - room
    above = tried.speeds > np.broadcast_to(high, low.shape)[:, None] + room
    total = np.where(below | above, np.inf, tried.total)
    chosen = _rising(total, int(np.argmin(np.abs(torques)))) if rising else total.argmin(axis=1)
    return np.asarray(np.clip(tried.speeds[chosen], low, np.maximum(high, low)))


def _rising(total: np.ndarray, valley: int) -> np.ndarray:
    """Return the entries of least sum that do not fall away from a node, to both sides.

    Dynamic programming: what the nodes beyond one cost at best depends on its entry alone.

    Parameters
    ----------
    total
        (nodes, entries), cost of each.
    valley
        Node from which on they do not fall.

    Returns
    -------
    ndarray, (nodes,)
        Entries; the lowest of equal ones.
    """
    nodes, entries = total.shape
    sums, beyond = total.copy(), np.empty(total.shape, dtype=int)
    inwards = [(n, n - 1) for n in range(nodes - 1, valley, -1)]
    inwards += [(n, n + 1) for n in range(valley)]
    for outer, inner in inwards:
        least = np.minimum.accumulate(sums[outer, ::-1])[::-1]  # of this entry and all above
        first = np.where(sums[outer] == least, np.arange(entries), entries)
        beyond[outer] = np.minimum.accumulate(first[::-1])[::-1]
        sums[inner] += least
    chosen = np.empty(nodes, dtype=int)
    chosen[valley] = sums[valley].argmin()
    for outer, inner in reversed(inwards):
        chosen[outer] = beyond[outer, chosen[inner]]
    return chosen
