"""Thresholds that cost least: fitted to what wrong decisions cost, not to what was decided."""

import numpy as np

from ..foresight.nodes import node_weights
from .decision_costs import DecisionCosts

MAX_GAIN = 2.0  # g in a step, where one decision is impossible as well


def best_thresholds(x: np.ndarray, gain: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Return the thresholds that make "yes from the threshold on" cheapest.

    Parameters
    ----------
    x
        What is compared with the threshold, (samples,).
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
    The total cost of a threshold is a constant plus the sum of weight times gain from there on, so
    the best of all is found by one cumulative sum over the sorted samples.
    """
    order = np.argsort(x, kind="stable")
    x, weight = x[order], weight[order]
    gain = capped(gain[order])
    margin = 0.05 * max(float(x[-1] - x[0]), 1e-9)
    edges = np.concatenate(([x[0] - margin], 0.5 * (x[1:] + x[:-1]), [x[-1] + margin]))
    thresholds = np.empty((weight.shape[1], gain.shape[1]))
    for node in range(weight.shape[1]):
        tail = np.cumsum((weight[:, node, None] * gain)[::-1], axis=0)[::-1]
        total = np.concatenate((tail, np.zeros((1, gain.shape[1]))))
        thresholds[node] = edges[np.argmin(total, axis=0)]
    return thresholds


def capped(gain: np.ndarray) -> np.ndarray:
    """Return gains of which none counts more than `MAX_GAIN`; nothing where both are impossible."""
    return np.asarray(np.clip(np.nan_to_num(gain, nan=0.0), -MAX_GAIN, MAX_GAIN))


def engine_thresholds(
    costs: DecisionCosts, weight: np.ndarray, speeds: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Fit wheel power at which the engine starts and stops, for each speed node and factor.

    Parameters
    ----------
    costs, weight
        Decision costs, and how much each sample counts.
    speeds
        Nodes, m/s.

    Returns
    -------
    start, stop : ndarray, (speeds, factors)
        W at the wheels.
    """
    weight = weight[:, None] * node_weights(costs.speed, speeds)
    start, stop = (best_thresholds(costs.power, gain, weight) for gain in (costs.start, costs.stay))
    return start, np.minimum(start, stop)


def sample_weight(
    training: DecisionCosts, steady: DecisionCosts, steady_weight: float
) -> np.ndarray:
    """Weight of each sample, training first; all steady driving has a share of the training's.

    A second of driving counts the same within steady driving.
    """
    share = steady_weight * training.dt.size / steady.dt.size
    return np.concatenate((np.ones(training.dt.size), share / steady.dt))


def falling(thresholds: np.ndarray) -> np.ndarray:
    """Make thresholds fall as the equivalence factor rises: the engine then starts sooner."""
    from_left = np.minimum.accumulate(thresholds, axis=-1)
    from_right = np.maximum.accumulate(thresholds[..., ::-1], axis=-1)[..., ::-1]
    return np.asarray(0.5 * (from_left + from_right))


def smooth(thresholds: np.ndarray, visits: np.ndarray, seconds: float) -> np.ndarray:
    """Pull each node of the first axis to the mean of its neighbours, the more the fewer visits.

    A node visited for `seconds` is moved halfway.
    """
    padded = np.concatenate((thresholds[:1], thresholds, thresholds[-1:]))
    weight = np.concatenate((visits[:1], visits, visits[-1:])) + 1e-3
    shape = (-1,) + (1,) * (thresholds.ndim - 1)
    near = weight[:-2].reshape(shape) * padded[:-2] + weight[2:].reshape(shape) * padded[2:]
    near = near / (weight[:-2] + weight[2:]).reshape(shape)
    own = (visits / (visits + seconds)).reshape(shape)
    return np.asarray(own * thresholds + (1.0 - own) * near)
