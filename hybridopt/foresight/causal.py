"""The least mean cost without foresight, in a model of driving, at a held price.

Stochastic dynamic programming over drive state, engine state and gear. A step's drive state is
known when its engine state and gear are chosen, the next one is not: V(x, e, g) is the least of
step, shift and A(x, e', g'), where A(x, e', g') is the mean of V(x', e', g') over the x' that
may follow x.

Relative value iteration: with T the right-hand side and any V, the mean cost of a step of the best
policy lies between the lowest and the highest of T V - V (Odoni, Operations Research 17(5), 1969,
857-860, and Puterman, Markov Decision Processes, Wiley, 1994, section 8.5, both from memory).
They close slowly, because a drive takes long from town to
motorway. But the drive cannot be controlled, so for any f(x), T(V + f) = T V + P f exactly, and
the slow part of the difference is levelled by a linear equation over drive states alone.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ..base.errors import FailedError, InputError
from ..base.progress import Progress, silent
from ..base.threads import in_threads
from .chain import DriveChain
from .held_price import Priced
from .kernels import _expect, _improve

TOLERANCE = 1e-6  # of the mean cost: width of its bounds at which the iteration ends
MOST_SWEEPS = 2000
STEP = 0.9  # of the way to the next value: policies that take turns would never settle at 1
LEVELLED = 20  # sweeps, after which the slow part is levelled again
CLOSE = 0.01  # of the bounds' width: how far the slow part is levelled
MOST_LEVELLING = 20_000  # iterations over drive states


@dataclass(frozen=True, eq=False)
class CausalOptimum:
    """The best policy without foresight, in a model of driving, at a held price.

    Attributes
    ----------
    chain : the model
    priced : what the step of each state costs
    value : g, (states, 2 engine states, gears), relative cost before each state's step
    ahead : g, likewise, its mean after the step: what the policy adds to the step's cost
    low, high : g, bounds of the mean cost of a step of the best policy
    sweeps : of the iteration
    """

    chain: DriveChain
    priced: Priced
    value: np.ndarray
    ahead: np.ndarray
    low: float
    high: float
    sweeps: int

    @property
    def gain(self) -> float:
        """Mean cost of a step, g, middle of the bounds."""
        return 0.5 * (self.low + self.high)

    def limit(self, steps: np.ndarray | float) -> np.ndarray | float:
        """Return the least mean cost of drives with so many steps on average, g.

        Drives begin at rest and end with a rest, which stands behind their last step; see
        :meth:`end`. No policy without foresight has a lower mean.
        """
        begin = self.value[(self.chain.rest, *self.priced.start)]
        return steps * self.low + float(begin - self.value[self.chain.rest].min())

    @property
    def end(self) -> np.ndarray:
        """What engine state and gear at the end of a drive cost, g, (2 engine states, gears).

        It is what they would cost more than the best ones if the drive went on.
        """
        value = self.value[self.chain.rest]
        return np.asarray(value - value.min())

    def added(self, drive: np.ndarray) -> np.ndarray:
        """Return what takes the worth of foresight from a known drive, g.

        Parameters
        ----------
        drive
            int64, (n,), states of a drive; rest follows.

        Returns
        -------
        ndarray, (n, 2 engine states, gears)
            Expected value after each step less the real one. Its mean is 0 for any policy without
            foresight, so the least cost of known drives with it is in the mean a lower bound of
            theirs.
        """
        after = np.append(drive[1:], self.chain.rest)
        return np.asarray(self.ahead[drive] - self.value[after])


def causal_optimum(
    chain: DriveChain,
    priced: Priced,
    tolerance: float = TOLERANCE,
    progress: Progress = silent,
    begin: np.ndarray | None = None,
) -> CausalOptimum:
    """Find the best policy without foresight in a model of driving.

    Parameters
    ----------
    chain
        The model.
    priced
        What the step of each of its states costs, at a held price.
    tolerance
        Relative width of the bounds of the mean cost.
    progress
        Called with the share done, 0 to 1.
    begin
        g, (states, 2 engine states, gears), value to begin with, such as that at a near price.

    Raises
    ------
    InputError
        A cost is not finite; what is impossible is charged, see :func:`price_steps`.
    FailedError
        The bounds do not close.
    """
    if not all(np.isfinite(cost).all() for cost in priced.costs):
        raise InputError(
            "drive model: costs of its steps are not finite; charge what is impossible"
        )
    expect, improve = _operators(chain, priced)
    value = np.zeros((chain.states, 2, priced.gears)) if begin is None else begin.copy()
    for sweep in range(1, MOST_SWEEPS + 1):
        ahead = expect(value)
        change = improve(ahead) - value
        low, high = float(change.min()), float(change.max())
        width = (high - low) / max(abs(high), 1e-12)
        if width <= tolerance:
            return CausalOptimum(chain, priced, value, ahead, low, high, sweep)
        progress(float(np.clip(np.log(width) / np.log(tolerance), 0.0, 0.99)))
        value = value + STEP * change
        if sweep % LEVELLED == 0:
            slow = change.mean(axis=(1, 2))
            value += levelling(chain, slow, CLOSE * (high - low))[:, None, None]
        value -= value[chain.rest].min()
    raise FailedError(
        f"drive model: after {MOST_SWEEPS} sweeps the mean cost lies between {low:.8g} and "
        f"{high:.8g} g a step; give a wider tolerance than {tolerance:g}"
    )


def levelling(chain: DriveChain, change: np.ndarray, close: float) -> np.ndarray:
    """Return f with f = change - mean + P f to within a width: what levels a change over states."""
    value = np.zeros(chain.states)
    for _ in range(MOST_LEVELLING):
        new = change + chain.links @ value
        step = new - value
        if step.max() - step.min() <= close:
            break
        value = new - new[chain.rest]
    return value


def expected_cost(chain: DriveChain, priced: Priced, steps: int) -> np.ndarray:
    """Return the least mean cost of exactly so many steps, (states, 2 engine states, gears), g.

    By backward recursion, without any approximation; engine state and gear at the end cost nothing.
    """
    expect, improve = _operators(chain, priced)
    value = np.zeros((chain.states, 2, priced.gears))
    for _ in range(steps):
        value = improve(expect(value))
    return value


Operator = Callable[[np.ndarray], np.ndarray]


def _operators(chain: DriveChain, priced: Priced) -> tuple[Operator, Operator]:
    """Return the mean of what follows, and the least of step and what is ahead, of all states."""
    links, step = chain.links, np.arange(chain.states)
    first, target = links.indptr.astype(np.int64), links.indices.astype(np.int64)
    chance = links.data.astype(np.float64)

    def expect(value: np.ndarray) -> np.ndarray:
        ahead = np.empty_like(value)
        in_threads(lambda a, b: _expect(first, target, chance, value, (a, b), ahead), step.size)
        return ahead

    def improve(ahead: np.ndarray) -> np.ndarray:
        best = np.empty_like(ahead)
        in_threads(lambda a, b: _improve(priced.costs, step, ahead, (a, b), best), step.size)
        return best

    return expect, improve
