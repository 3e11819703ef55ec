"""Numba kernels: decisions of engine and gear at a held price of stored energy.

A step has costs `stage` (gears, 3 engine classes), `shift` (3 engine classes, gears, gears) and
`stop`, what stopping a running engine costs. What follows it, `ahead`, is over the engine state
after it (0 off, 1 on) and the gear.
"""

# mypy: allow-untyped-defs, allow-untyped-calls, allow-untyped-decorators

from typing import Any, NamedTuple

import numpy as np

from ..base.compiled import kernel
from ..physics.codes import OFF, RUNNING, STARTING


class Costs(NamedTuple):
    """Costs of steps at a held price, g.

    Attributes
    ----------
    stage : (steps, gears, 3 engine classes), least of fuel and priced energy; starts included
    shift : (steps, 3 engine classes, gears, gears), from and to
    stop : (steps,), of stopping a running engine; infinite where that is forbidden
    """

    stage: Any
    shift: Any
    stop: Any


@kernel(inline="always")
def _least(costs, t, ahead, best):
    """Least of a step and what is ahead, from every engine state and gear."""
    stage, shift, stop = costs.stage[t], costs.shift[t], costs.stop[t]
    gears = stage.shape[0]
    for g in range(gears):
        off, running, starting = np.inf, np.inf, np.inf
        for k in range(gears):
            off = min(off, stage[k, OFF] + shift[OFF, g, k] + ahead[0, k])
            running = min(running, stage[k, RUNNING] + shift[RUNNING, g, k] + ahead[1, k])
            starting = min(starting, stage[k, STARTING] + shift[STARTING, g, k] + ahead[1, k])
        best[0, g] = min(off, starting)
        best[1, g] = min(off + stop, running)


@kernel(nogil=True)
def _expect(first, target, chance, value, states, ahead):
    """Mean of what follows the states of a range, (states, 2, gears)."""
    gears = value.shape[2]
    for x in range(states[0], states[1]):
        for e in range(2):
            for g in range(gears):
                ahead[x, e, g] = 0.0
        for i in range(first[x], first[x + 1]):
            for e in range(2):
                for g in range(gears):
                    ahead[x, e, g] += chance[i] * value[target[i], e, g]


@kernel(nogil=True)
def _improve(costs, step, ahead, states, best):
    """Least of step and what is ahead for the states of a range; `step` is that of each state."""
    for x in range(states[0], states[1]):
        _least(costs, step[x], ahead[x], best[x])


@kernel(nogil=True)
def _backward(costs, step, added, value):
    """Shortest paths to the end of a drive; value[steps] is given, the others are filled.

    `added` (steps, 2, gears) is what the engine state and gear after each step cost besides.
    """
    gears = costs.stage.shape[1]
    ahead = np.empty((2, gears))
    for back in range(step.size):
        t = step.size - 1 - back
        for e in range(2):
            for g in range(gears):
                ahead[e, g] = value[t + 1, e, g] + added[t, e, g]
        _least(costs, step[t], ahead, value[t])


@kernel
def _decide(costs, t, ahead, engine, gear):
    """Best engine class and gear of a step, and what the step costs."""
    stage, shift = costs.stage[t], costs.shift[t]
    best, chosen, chosen_gear, cost = np.inf, OFF, gear, np.inf
    for c in (OFF, RUNNING if engine == 1 else STARTING):
        stops = costs.stop[t] if engine == 1 and c == OFF else 0.0
        for k in range(stage.shape[0]):
            now = stage[k, c] + shift[c, gear, k] + stops
            total = now + ahead[0 if c == OFF else 1, k]
            if total < best:
                best, chosen, chosen_gear, cost = total, c, k, now
    return chosen, chosen_gear, cost


@kernel(nogil=True)
def _follow(costs, step, ahead, place, start, engines, gears):
    """Take the least of step and ahead[place] always; fill engine classes and gears, return cost.

    `start` is engine state and gear before the drive.
    """
    engine, gear, total = start[0], start[1], 0.0
    for t in range(step.size):
        c, gear, cost = _decide(costs, step[t], ahead[place[t]], engine, gear)
        engines[t], gears[t] = c, gear
        engine = 0 if c == OFF else 1
        total += cost
    return total
