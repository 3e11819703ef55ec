"""The expected cost-to-go: mean cost of what follows a step, over speed and acceleration.

The optimum knows what comes and stops the engine in time; a rule does not. Here the future is the
mean of what followed in the training at about the same speed and acceleration.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from ..optimum.optimum import Optimum
from ..physics.codes import STARTING
from ..physics.demand import Demand
from .kernels import Costs, _improve
from .nodes import node_weights, nodes
from .stage_costs import stage_costs

SPEEDS = 15  # nodes
ACCELERATIONS = np.array(
    [-1.5, -1.0, -0.6, -0.3, -0.15, -0.05, 0.0, 0.05, 0.15, 0.3, 0.6, 1.0, 1.5]
)  # m/s2, nodes
HORIZON = 200.0  # s, in which what is to come fades to 1 / e
IMPOSSIBLE = 50.0  # g, stands for what is impossible in a step
CONVERGED = 1e-3  # g, change at which the iteration ends
MAX_ITERATIONS = 400
MIXED_IN = 0.01  # s of the mean of all nodes, mixed in where a node is hardly visited


@dataclass(frozen=True, eq=False)
class ExpectedCost:
    """Expected cost-to-go after a step.

    Attributes
    ----------
    speeds, accelerations : nodes, m/s and m/s2
    values : g, (factors, speeds x accelerations, 2 engine states, gears)
    """

    speeds: np.ndarray
    accelerations: np.ndarray
    values: np.ndarray

    def after(self, demand: Demand) -> np.ndarray:
        """Return cost-to-go less the lowest, g, (steps, factors, 2 engine states, gears)."""
        weight = _weights(demand, self.speeds, self.accelerations)
        found = np.tensordot(weight, self.values, axes=(1, 1))
        return np.asarray(found - found.min(axis=(2, 3), keepdims=True))


def make_expected_cost(
    optima: Sequence[Optimum], factors: np.ndarray, speeds: int = SPEEDS
) -> ExpectedCost:
    """Return the cost-to-go to be expected from the training cycles.

    Parameters
    ----------
    optima
        The solved cycles; minimum times that their settings ask for are left aside.
    factors
        Equivalence factors, g/J.
    speeds
        Most nodes of speed.

    Notes
    -----
    The fixed point of W(node) = mean of min(stage cost + shift + W after the next step) over the
    steps before which the vehicle was near the node: value iteration of a Markov chain whose
    probabilities are those of the training, at a constant equivalence factor and with every gear
    and engine state; after Bellman, *A Markovian decision process*, Journal of Mathematics and
    Mechanics 6(5), 1957, DOI 10.1512/iumj.1957.6.56038.
    """
    demands = [known.demand for known in optima]
    speed, dt = (np.concatenate([getattr(d, name) for d in demands]) for name in ("speed", "dt"))
    places = nodes(speed, dt, speeds, (0.0,))
    weight = np.concatenate([_weights(d, places, ACCELERATIONS) for d in demands])
    weight *= np.exp(-dt / HORIZON)[:, None]
    follows = np.concatenate([np.arange(d.steps) > 0 for d in demands])
    problems = [known.solution.problem for known in optima]
    costs = [stage_costs(p.points, p.cell, p.soc, factors) for p in problems]
    shift = np.minimum(np.concatenate([p.shift for p in problems]), IMPOSSIBLE)
    value = np.zeros((weight.shape[1], 2, shift.shape[-1]))
    values = []
    for i in range(factors.size):
        stage = np.minimum(np.concatenate([cost[:, i] for cost in costs]), IMPOSSIBLE)
        stage[..., STARTING] += problems[0].start_cost
        value = expect(np.ascontiguousarray(stage), shift, weight, follows, value)
        values.append(value)
    return ExpectedCost(places, ACCELERATIONS, np.array(values))


def _weights(demand: Demand, speeds: np.ndarray, accelerations: np.ndarray) -> np.ndarray:
    """Weight of each step at each node, (steps, nodes)."""
    by_speed = node_weights(demand.speed, speeds)
    by_rate = node_weights(demand.acceleration, accelerations)
    return np.asarray((by_speed[:, :, None] * by_rate[:, None, :]).reshape(demand.steps, -1))


def expect(
    stage: np.ndarray, shift: np.ndarray, weight: np.ndarray, follows: np.ndarray, begin: np.ndarray
) -> np.ndarray:
    """Iterate the expected cost-to-go until it changes no more.

    Parameters
    ----------
    stage
        (steps, gears, 3 engine classes), g.
    shift
        (steps, 3 engine classes, gears, gears), g.
    weight
        (steps, nodes), weight of each step at each node, times what the future counts there.
    follows
        (steps,), whether the step before is that of the same drive.
    begin
        (nodes, 2 engine states, gears), g, a first guess.

    Returns
    -------
    ndarray, (nodes, 2 engine states, gears)
        g, less the lowest of all.
    """
    value, nodes_of = begin, csr_array(weight)  # a step is near few of the nodes
    before = csr_array(csr_array(weight[:-1] * follows[1:, None]).T)
    seconds, steps = before.sum(axis=1), np.arange(stage.shape[0])
    costs = Costs(stage, shift, np.zeros(steps.size))
    for _ in range(MAX_ITERATIONS):
        ahead = (nodes_of @ value.reshape(len(value), -1)).reshape(-1, *value.shape[1:])
        best = np.empty_like(ahead)
        _improve(costs, steps, ahead, (0, steps.size), best)
        total = (before @ best[1:].reshape(len(best) - 1, -1)).reshape(value.shape)
        mean = total.sum(axis=0) / seconds.sum()
        new = (total + MIXED_IN * mean) / (seconds + MIXED_IN)[:, None, None]
        change = float(np.abs(_relative(new) - _relative(value)).max())
        value = new - new.min()
        if change < CONVERGED:
            break
    return np.asarray(value)


def _relative(value: np.ndarray) -> np.ndarray:
    """Cost-to-go of each node less its lowest: all that decisions depend on."""
    return np.asarray(value - value.min(axis=(1, 2), keepdims=True))
