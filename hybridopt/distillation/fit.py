"""Thresholds that lose least: cuts fitted to the cost of wrong decisions, not to their labels."""

import numpy as np

from .decision_costs import DecisionCosts

NEVER = 1e3  # m/s, a line that no vehicle crosses
DEAREST = 2.0  # g, a decision that is impossible counts as this much worse in a step


def best_cuts(x: np.ndarray, gain: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return the cuts that make "yes from the cut on" cheapest.

    Parameters
    ----------
    x
        What is compared with the cut, (samples,).
    gain
        Cost of yes less cost of no, (samples, columns); infinite where one is impossible.
    weight
        Of every sample at every node, (samples, nodes).

    Returns
    -------
    ndarray, (nodes, columns)
        Between the last sample of no and the first of yes; beyond the samples where all say the
        same.

    Notes
    -----
    The total cost of a cut is a constant plus the sum of weight times gain from the cut on, so the
    best one is found among all by one cumulative sum over the sorted samples.
    """
    order = np.argsort(x, kind="stable")
    x, weight = x[order], weight[order]
    gain = np.clip(np.nan_to_num(gain[order], nan=0.0), -DEAREST, DEAREST)
    margin = 0.05 * max(float(x[-1] - x[0]), 1e-9)
    edges = np.concatenate(([x[0] - margin], 0.5 * (x[1:] + x[:-1]), [x[-1] + margin]))
    cuts = np.empty((weight.shape[1], gain.shape[1]))
    for node in range(weight.shape[1]):
        tail = np.cumsum((weight[:, node, None] * gain)[::-1], axis=0)[::-1]
        total = np.concatenate((tail, np.zeros((1, gain.shape[1]))))
        cuts[node] = edges[np.argmin(total, axis=0)]
    return cuts


def shares(x: np.ndarray, axis: np.ndarray) -> np.ndarray:
    """Share of each sample at each node of an axis, as in linear interpolation, clamped."""
    inside = np.clip(x, axis[0], axis[-1])
    i = np.clip(np.searchsorted(axis, inside, side="right") - 1, 0, axis.size - 2)
    place = (inside - axis[i]) / (axis[i + 1] - axis[i])
    out = np.zeros((x.size, axis.size))
    rows = np.arange(x.size)
    out[rows, i] = 1.0 - place
    out[rows, i + 1] = place
    return out


def engine_cuts(
    decision_costs: DecisionCosts, steady: DecisionCosts, speeds: np.ndarray, doubt: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Fit wheel power at which the engine starts and stops, for every speed node and price.

    Parameters
    ----------
    decision_costs, steady
        Of the training, and of physics alone.
    speeds
        Nodes, m/s.
    doubt
        Weight of all steady decision_costs over that of all of the training.

    Returns
    -------
    start, stop : ndarray, (speeds, prices)
        W at the wheels.
    visits : ndarray, (speeds,)
        s of training around each node.
    """
    both = DecisionCosts.joined([decision_costs, steady])
    weight = _weight(decision_costs, steady, doubt)
    weight = weight[:, None] * shares(both.speed, speeds)
    start, stop = (best_cuts(both.power, gain, weight) for gain in (both.start, both.stay))
    visits = decision_costs.dt @ shares(decision_costs.speed, speeds)
    return start, np.minimum(start, stop), visits


def _weight(decision_costs: DecisionCosts, steady: DecisionCosts, doubt: float) -> np.ndarray:
    """Weight of every sample, a second of driving counting the same in both kinds."""
    share = doubt * decision_costs.dt.size / steady.dt.size
    return np.concatenate((np.ones(decision_costs.dt.size), share / steady.dt))


def gear_cuts(
    decision_costs: DecisionCosts, steady: DecisionCosts, torques: np.ndarray, doubt: float
) -> tuple[np.ndarray, np.ndarray]:
    """Fit vehicle speeds at which gears are left, for every gear, torque node and engine state.

    Returns
    -------
    up, down : ndarray, (gears, torques, 2)
        m/s, not falling with the gear; `NEVER` for up from the highest gear, and less than 0 for
        down from the lowest.

    Notes
    -----
    The gain of leaving a gear is that of the best gear above (or below) with its shift, against
    staying, so the distance between both lines follows from what shifts cost.
    """
    both = DecisionCosts.joined([decision_costs, steady])
    weight = _weight(decision_costs, steady, doubt)[:, None] * shares(both.torque, torques)
    gears = both.gears.shape[2]
    up, down = np.full((2, gears, torques.size, 2), NEVER)
    down[0] = -NEVER
    for state in range(2):
        cost, shift = both.gears[:, state], both.shift[:, state]
        for g in range(gears):
            if g + 1 < gears:
                gain = _gain(cost, shift, g, slice(g + 1, None))
                up[g, :, state] = best_cuts(both.speed, gain[:, None], weight)[:, 0]
            if g > 0:
                gain = -_gain(cost, shift, g, slice(0, g))
                down[g, :, state] = best_cuts(both.speed, gain[:, None], weight)[:, 0]
    up = np.maximum.accumulate(up, axis=0)
    down[1:] = np.minimum(np.maximum.accumulate(down[1:], axis=0), up[:-1])
    return up, down


def _gain(cost: np.ndarray, shift: np.ndarray, gear: int, others: slice) -> np.ndarray:
    """Cost of the best of some gears with its shift, less that of staying, (samples,)."""
    best = np.min(cost[:, others] + shift[:, gear, others], axis=1)
    with np.errstate(invalid="ignore"):
        return np.asarray(best - cost[:, gear])


def nodes(
    values: np.ndarray, weight: np.ndarray, count: int, fixed: tuple[float, ...]
) -> np.ndarray:
    """Return breakpoints chosen by data: half by equal weight, half by equal distance.

    Parameters
    ----------
    values, weight
        Samples.
    count
        At most so many nodes.
    fixed
        Nodes that must be there; the least and largest value are as well.
    """
    order = np.argsort(values)
    cumulated = np.cumsum(weight[order])
    asked = np.linspace(0.0, 1.0, count) * cumulated[-1]
    by_weight = np.interp(asked, cumulated, values[order])
    by_distance = np.linspace(values.min(), values.max(), count)
    wanted = np.sort(np.concatenate((0.5 * (by_weight + by_distance), fixed)))
    while wanted.size > count or np.diff(wanted).min() < 1e-6 * np.ptp(wanted):
        gaps = np.diff(wanted)
        i = int(np.argmin(gaps))
        drop = i + 1 if wanted[i] in fixed or i == 0 else i
        wanted = np.delete(wanted, drop if drop < wanted.size - 1 else i)
    return wanted
