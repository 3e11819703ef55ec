"""Boundaries and surfaces over a grid of nodes, fitted to scattered decisions and torques."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy.ndimage import distance_transform_edt
from scipy.optimize import minimize

from ..foresight.nodes import node_weights
from .regression import TO_SIGMA

STIFFNESS = 0.002  # weight of the bend of a boundary, against decisions
HUBER = 1.5  # times the usual residual, from which one counts less
ROUNDS = 6
LEAST_SPREAD = 0.01  # of the range of what is compared, the narrowest spread of a boundary
BEYOND = 2.0  # of the range of what is compared, how far beyond it a threshold may lie
FAR = 8.0  # spreads away from a boundary, from which decisions say no more


class Boundary(NamedTuple):
    """A threshold over nodes.

    Attributes
    ----------
    values : at the nodes, of the shape of the grid
    spread : scatter: about a quarter of the decisions are taken a spread before or after
    """

    values: np.ndarray
    spread: float


def grid_weights(places: Sequence[np.ndarray], axes: Sequence[np.ndarray]) -> np.ndarray:
    """Return the weight of each sample at each node of a grid, linear in each axis, clamped.

    Parameters
    ----------
    places, axes
        Of each axis: where the samples are, (samples,), and its nodes.

    Returns
    -------
    ndarray, (samples, nodes of all axes together)
    """
    parts = [node_weights(x, axis) for x, axis in zip(places, axes, strict=True)]
    made = parts[0]
    for part in parts[1:]:
        made = (made[:, :, None] * part[:, None, :]).reshape(len(part), -1)
    return np.asarray(made)


def bends(shape: Sequence[int], slopes: Sequence[bool]) -> np.ndarray:
    """Return rows that take the differences of neighbours on a grid, to be kept small.

    Parameters
    ----------
    shape
        Of the grid.
    slopes
        By axis: keep its slope small, else its bend.
    """
    rows, count = [], int(np.prod(shape))
    index = np.arange(count).reshape(shape)
    for axis, slope in enumerate(slopes):
        order = 1 if slope or shape[axis] < 3 else 2
        step = np.diff(np.eye(shape[axis]), order, axis=0)
        for line in np.moveaxis(index, axis, -1).reshape(-1, shape[axis]):
            full = np.zeros((step.shape[0], count))
            full[:, line] = step
            rows.append(full)
    return np.concatenate(rows)


def fit_boundary(
    x: np.ndarray,
    yes: np.ndarray,
    places: Sequence[np.ndarray],
    axes: Sequence[np.ndarray],
    slopes: Sequence[bool],
) -> Boundary:
    """Fit the threshold of x from which on a decision is yes.

    Parameters
    ----------
    x, yes
        What is compared, and what was decided, (samples,).
    places, axes
        Where on the grid the samples are, and its nodes.
    slopes
        By axis: between nodes without data the threshold stays, else goes straight on.

    Notes
    -----
    Logistic regression of the decision on the distance of x from a threshold that is linear
    between the nodes (Hastie, Tibshirani, Friedman, *The Elements of Statistical Learning*, 2nd
    ed., section 4.4, from memory), its spread fitted too; bends are charged a little, so that
    nodes without data follow their neighbours. What nobody decided otherwise gives a threshold at
    the edge of the data. No threshold lies further beyond them than twice their range, and a
    spread is at most about that range: decisions that hardly depend on x have no threshold in it,
    and an unbounded fit of them runs away.
    """
    shape = [axis.size for axis in axes]
    weights, bend = grid_weights(places, axes), bends(shape, slopes)
    scale = float(np.ptp(x)) if x.size > 1 else 1.0
    scale = max(scale, 1e-9)
    begin = _first_guess(x, yes, scale) / scale
    sign, level = np.where(yes, 1.0, -1.0), x / scale
    share = np.where(yes, 0.5 / max(yes.sum(), 1), 0.5 / max((~yes).sum(), 1))
    share = 0.5 * (share / share.sum() + 1.0 / x.size) * x.size  # rare decisions count more

    def loss(parameters: np.ndarray) -> tuple[float, np.ndarray]:
        values, width = parameters[:-1], LEAST_SPREAD + np.exp(parameters[-1])
        ahead = sign * (level - weights @ values) / width
        clipped = np.clip(ahead, -FAR, None)
        cost = np.logaddexp(0.0, -clipped)
        slope = np.where(ahead > -FAR, -1.0 / (1.0 + np.exp(np.minimum(clipped, 50.0))), 0.0)
        slope *= share
        bent = bend @ values
        total = float(share @ cost) + STIFFNESS * x.size * float(bent @ bent)
        by_value = -(weights.T @ (slope * sign)) / width
        by_value += 2.0 * STIFFNESS * x.size * (bend.T @ bent)
        by_width = -float(slope @ ahead) / width * np.exp(parameters[-1])
        return total, np.append(by_value, by_width)

    first = np.append(np.full(weights.shape[1], begin), np.log(0.05))
    reach = (float(x.min()) / scale - BEYOND, float(x.max()) / scale + BEYOND)
    limits = [reach] * weights.shape[1] + [(None, 0.0)]  # the last is the spread's logarithm
    options = {"maxiter": 400}
    found = minimize(loss, first, jac=True, method="L-BFGS-B", bounds=limits, options=options).x
    spread = (LEAST_SPREAD + float(np.exp(found[-1]))) * scale
    return Boundary((found[:-1] * scale).reshape(shape), spread)


def _first_guess(x: np.ndarray, yes: np.ndarray, scale: float) -> float:
    if not yes.any():
        return float(x.max()) + 0.05 * scale
    if yes.all():
        return float(x.min()) - 0.05 * scale
    return 0.5 * float(np.median(x[yes]) + np.median(x[~yes]))


def fit_surface(
    y: np.ndarray,
    places: Sequence[np.ndarray],
    axes: Sequence[np.ndarray],
    slopes: Sequence[bool],
    stiffness: float,
) -> Boundary:
    """Fit values at nodes, linear in between, to scattered ones; far ones count less.

    Parameters
    ----------
    y, places, axes, slopes
        Values, and as for :func:`fit_boundary`.
    stiffness
        Weight of bends.

    Notes
    -----
    Huber's regression by weighted least squares (Huber, *Robust Statistics*, 1981, chapter 7, from
    memory); `spread` is the median distance of the values from the surface.
    """
    shape = [axis.size for axis in axes]
    weights, bend = grid_weights(places, axes), bends(shape, slopes)
    held = stiffness * bend.T @ bend + 1e-9 * np.eye(weights.shape[1])
    trust, values, spread = np.ones(y.size), np.zeros(weights.shape[1]), 0.0
    for _ in range(ROUNDS):
        weighted = weights * trust[:, None]
        values = np.linalg.solve(weighted.T @ weights + held, weighted.T @ y)
        off = np.abs(weights @ values - y)
        spread = float(np.median(off))
        limit = HUBER * max(TO_SIGMA * spread, 1e-9)
        trust = np.minimum(1.0, limit / np.maximum(off, 1e-12))
    return Boundary(values.reshape(shape), spread)


def nearest_known(values: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Return values with each unknown entry replaced by the nearest known one, counted in nodes."""
    if not known.any():
        return values
    places = distance_transform_edt(~known, return_distances=False, return_indices=True)
    return np.asarray(values[tuple(places)])
