"""A model of driving with the best policy in it: what the limit of foresight is worked out in."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..base.progress import Progress, part_of, silent
from ..controllers.builtin import Equivalence
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..pipeline import refuse_warming
from ..problem.settings import Settings
from .causal import CausalOptimum, causal_optimum
from .chain import DriveChain, DriveStatistics, drive_statistics
from .held_price import price_steps
from .training import drive_chain, second_by_second

APART, MOST_MOVES, ROUGH = 0.12, 8, 1e-5  # of prices and mean costs while the balance is sought


@dataclass(frozen=True, eq=False)
class DriveModel:
    """A model of driving, and the best policy of a vehicle in it.

    Attributes
    ----------
    driveline, settings : the vehicle; resolved settings
    optimum : the chain and its best policy at a held price
    left_out : states that the driveline cannot drive, left out
    trained : statistics of the training
    """

    driveline: Driveline
    settings: Settings
    optimum: CausalOptimum
    left_out: int
    trained: DriveStatistics

    @property
    def chain(self) -> DriveChain:
        """The chain of speeds and accelerations."""
        return self.optimum.chain


def drive_model(
    training: Sequence[Cycle],
    driveline: Driveline,
    settings: Settings | None = None,
    memory: str = "none",
    price: float | None = None,
    progress: Progress = silent,
) -> DriveModel:
    """Estimate a model of driving and find the best policy without foresight in it.

    Parameters
    ----------
    training
        Drives that the model is estimated from, taken on a level road; several, of all kinds that
        count. At least one must come from rest to rest.
    driveline, settings
        The vehicle; as for :func:`hybridopt.solve_cycle`. At the held price minimum times are left
        aside.
    memory
        What the model remembers beside speed and acceleration: "none", or "jerk", whether the
        acceleration fell, stayed or rose.
    price
        Of stored energy, g/J; None is the one at which the best policy's charge stays in the mean,
        see :func:`balanced_price`.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    DriveModel
        With the best policy and what it knows of each state.

    Raises
    ------
    InputError
        The training gives no model.
    FailedError
        The best policy is not found.
    """
    settings = (settings or Settings()).resolved(driveline)
    refuse_warming(settings)
    chain = drive_chain(training, memory)
    guess = Equivalence.factor / driveline.fuel.heating_value if price is None else price
    drivable = price_steps(driveline, chain.demand(driveline.vehicle), settings, guess).drivable
    kept, begin = chain.within(drivable), None
    if price is None:
        price, begin = balanced_price(kept, driveline, settings, guess, part_of(progress, 0.0, 0.7))
    priced = price_steps(driveline, kept.demand(driveline.vehicle), settings, price)
    best = causal_optimum(kept, priced, progress=part_of(progress, 0.7, 1.0), begin=begin)
    trained = drive_statistics([second_by_second(cycle) for cycle in training])
    return DriveModel(driveline, settings, best, int(np.count_nonzero(~drivable)), trained)


def balanced_price(
    chain: DriveChain,
    driveline: Driveline,
    settings: Settings,
    guess: float,
    progress: Progress = silent,
) -> tuple[float, np.ndarray]:
    """Return the price of stored energy at which the best policy's charge stays, and its value.

    Parameters
    ----------
    chain, driveline, settings
        Model of driving, vehicle, resolved settings.
    guess
        g/J, where to begin.
    progress
        Called with the share done, 0 to 1.

    Returns
    -------
    price, value : float, ndarray
        g/J; g, (states, 2 engine states, gears), of a policy near it.

    Notes
    -----
    The least mean cost is a concave function of the price, as it is the least of straight lines,
    one for each policy, whose slope is the energy that the policy takes from the store. Where it is
    highest, the best policy takes none in the mean. It is found by parabolas over three prices, to
    some 1 %; what follows holds at any price.
    """
    demand, value = chain.demand(driveline.vehicle), None
    gains: dict[int, float] = {}
    middle, ratio = 0, 1.0 + APART
    for _ in range(MOST_MOVES):
        for step in (middle - 1, middle, middle + 1):
            if step not in gains:
                priced = price_steps(driveline, demand, settings, guess * ratio**step)
                best = causal_optimum(chain, priced, ROUGH, begin=value)
                value, gains[step] = best.value, best.gain
                progress(1.0 - 0.8 ** len(gains))
        low, here, high = (gains[step] for step in (middle - 1, middle, middle + 1))
        if here >= max(low, high):
            break
        middle += 1 if high > low else -1
    bend = low - 2.0 * here + high
    place = float(np.clip(0.5 * (low - high) / bend, -1.0, 1.0)) if bend < 0.0 else 0.0
    assert value is not None
    return guess * ratio ** (middle + place), value
