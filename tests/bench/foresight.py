"""What foresight is worth: how much is lost by expecting what usually follows.

    python tests/bench/foresight.py

Prices of stored energy are held, so each cycle is a shortest path over engine state and gear. It is
compared with a policy that takes, at the same price and with the best split, the decision with the
least cost and expected cost-to-go, where the expectation is the mean of what followed in the
training at about the same speed and acceleration (`foresight/expected_cost.py`). It is a
yardstick for rule tables, which look at speed, wheel power and charge, and no bound: another
grouping of what was seen may lose less, and tables tuned to a cycle may know it by heart.
"""

import sys
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from hybridopt import read_cycle, read_driveline
from hybridopt.foresight.expected_cost import _best, make_expected_cost
from hybridopt.foresight.stage_costs import stage_costs
from hybridopt.optimum.optimum import Optimum
from hybridopt.physics.codes import OFF, RUNNING, STARTING
from hybridopt.physics.demand import Demand
from hybridopt.pipeline import find_optimum
from hybridopt.problem.settings import Settings

TRAINING = ("wltc_class3b", "artemis_urban", "artemis_rural", "artemis_motorway130")
UNSEEN = ("udds", "hwfet", "nedc", "wltc_class2")


class Road(NamedTuple):
    """A cycle at a held price of stored energy.

    Attributes
    ----------
    stage : g, (steps, gears, 3 engine classes), least cost of a step
    shift : g, (steps, 3 engine classes, gears, gears)
    gear : from 0, before the first step; the engine is off
    demand : at the wheels
    cost : g, of the replayed optimum, whose charge is free
    """

    stage: np.ndarray
    shift: np.ndarray
    gear: int
    demand: Demand
    cost: float


def road(known: Optimum) -> Road:
    """Hold the price of stored energy of a solved cycle at its median."""
    problem, bound = known.solution.problem, known.bound
    assert bound is not None
    price = np.array([np.median(bound.multipliers[1:])])
    costs = stage_costs(problem.points, problem.cell, problem.soc, price)
    stage = np.ascontiguousarray(costs[:, 0])
    stage[..., STARTING] += problem.start_cost
    return Road(stage, problem.shift, problem.gear, known.demand, known.solution.cost)


def step_costs(on: Road, t: int, engine: int, gear: int) -> np.ndarray:
    """Cost of each decision in a step, (engine off or on, gears), from engine state and gear."""
    classes = [OFF, RUNNING if engine else STARTING]
    return np.stack([on.stage[t, :, c] + on.shift[t, c, gear] for c in classes])


def cost_to_go(on: Road) -> np.ndarray:
    """Least cost from each step on, (steps + 1, 2 engine states, gears), g."""
    steps, gears = on.stage.shape[:2]
    value = np.zeros((steps + 1, 2, gears))
    for t in range(steps - 1, -1, -1):
        now, after = slice(t, t + 1), slice(t + 1, t + 2)
        _best(on.stage[now], on.shift[now], value[after], value[now])
    return value


def driven(on: Road, ahead: np.ndarray) -> float:
    """Cost of always deciding for the least of step and what is ahead, g.

    Parameters
    ----------
    on
        The road.
    ahead
        g, (steps, 2 engine states, gears), cost expected after each step.
    """
    engine, gear, total = 0, on.gear, 0.0
    for t in range(on.stage.shape[0]):
        now = step_costs(on, t, engine, gear)
        engine, gear = np.unravel_index(np.argmin(now + ahead[t]), now.shape)
        total += float(now[engine, gear])
    return total


def losses(training: Sequence[Optimum], tried: Sequence[Optimum]) -> list[float]:
    """Loss on each tried cycle of what the training leads one to expect, % of its optimum."""
    multipliers = [known.bound.multipliers[1:] for known in training if known.bound]
    price = np.array([np.median(np.concatenate(multipliers))])
    expected_cost, found = make_expected_cost(training, price), []
    for on in map(road, tried):
        least = cost_to_go(on)[0, 0, on.gear]
        cost = driven(on, expected_cost.after(on.demand)[:, 0])
        found.append(100.0 * (cost - least) / on.cost)
    return found


def main() -> None:
    """Print the losses on training, unseen and left-out cycles."""
    driveline = read_driveline("full")
    settings = Settings().resolved(driveline)
    known = {
        name: find_optimum(read_cycle(name), driveline, settings) for name in (*TRAINING, *UNSEEN)
    }
    training, unseen = ([known[name] for name in names] for names in (TRAINING, UNSEEN))
    left = [losses([b for b in training if b is not out], [out])[0] for out in training]
    for words, names, found in (
        ("training", TRAINING, losses(training, training)),
        ("left out in turn", TRAINING, left),
        ("unseen", UNSEEN, losses(training, unseen)),
    ):
        each = ", ".join(f"{name} {loss:.2f}" for name, loss in zip(names, found, strict=True))
        sys.stdout.write(f"{words}: {each}; mean {np.mean(found):.2f} %\n")


if __name__ == "__main__":
    main()
