"""Tiny random models of driving with made-up costs, small enough to enumerate everything."""

import itertools

import numpy as np
from scipy.sparse import csr_matrix

from hybridopt.foresight.chain import DriveChain
from hybridopt.foresight.held_price import Priced
from hybridopt.foresight.kernels import Costs

OFF, RUNNING, STARTING = 0, 1, 2
IMPOSSIBLE = 50.0  # g, charged for what cannot be done


def tiny_model(random, states=3, gears=2, closed=0.15):
    """Return a chain whose states all follow each other, and costs of its steps.

    Speeds are made up: only links and costs count.
    """
    chance = random.uniform(0.05, 1.0, (states, states))
    links = csr_matrix(chance / chance.sum(axis=1, keepdims=True))
    speed = np.arange(states, dtype=np.int64)
    chain = DriveChain(0.1, speed, speed, 0 * speed, links, 0)
    stage = random.uniform(-1.0, 2.0, (states, gears, 3))
    stage[..., STARTING] += random.uniform(0.0, 2.0)
    stage[:, 1:][random.uniform(size=stage[:, 1:].shape) < closed] = IMPOSSIBLE
    shift = random.uniform(0.0, 0.5, (states, 3, gears, gears)) * (1.0 - np.eye(gears))
    stop = random.choice([0.0, 0.0, 0.3, IMPOSSIBLE], states)
    return chain, Priced(1e-4, Costs(stage, shift, stop), (0, 0))


def moves(priced, x, e, g):
    """Yield cost, engine state and gear after of all decisions of a state, in plain Python."""
    stage, shift, stop = priced.costs
    for k in range(priced.gears):
        off = stage[x, k, OFF] + shift[x, OFF, g, k] + (stop[x] if e else 0.0)
        engine = RUNNING if e else STARTING
        on = stage[x, k, engine] + shift[x, engine, g, k]
        yield from ((off, 0, k), (on, 1, k))


def best_of_all_policies(chain, priced, steps):
    """Return the least mean cost of so many steps from rest, over every policy one by one.

    A policy says what to do in each step for each history of drive states; it is evaluated by
    summing over all drives. Nothing here is dynamic programming.
    """
    chance, rest = chain.links.toarray(), chain.rest
    histories = [
        history
        for t in range(steps)
        for history in itertools.product(range(chain.states), repeat=t + 1)
        if history[0] == rest
    ]
    place = {history: i for i, history in enumerate(histories)}
    decisions = list(itertools.product((0, 1), range(priced.gears)))
    drives = [h for h in histories if len(h) == steps]
    probability = [np.prod([chance[a, b] for a, b in itertools.pairwise(h)]) for h in drives]
    return min(
        sum(
            p * cost_of(priced, h, [policy[place[h[: t + 1]]] for t in range(steps)])
            for p, h in zip(probability, drives, strict=True)
        )
        for policy in itertools.product(decisions, repeat=len(histories))
    )


def cost_of(priced, drive, decisions):
    """Return what decisions (engine state, gear) cost on a drive."""
    (e, g), total = priced.start, 0.0
    for x, (engine, gear) in zip(drive, decisions, strict=True):
        total += next(c for c, on, k in moves(priced, x, e, g) if (on, k) == (engine, gear))
        e, g = engine, gear
    return total


def transitions(chain, priced):
    """Return the model as a Markov decision process: pairs, rewards, probabilities.

    States are (x, e, g), numbered in this order.
    """
    shape = (chain.states, 2, priced.gears)
    chance, rows = chain.links.toarray(), []
    for x, e, g in np.ndindex(shape):
        for number, (cost, engine, gear) in enumerate(moves(priced, x, e, g)):
            after = np.zeros(shape)
            after[:, engine, gear] = chance[x]
            rows.append((np.ravel_multi_index((x, e, g), shape), number, cost, after.ravel()))
    state, action, cost, after = zip(*rows, strict=True)
    return np.array(state), np.array(action), np.array(cost), np.array(after)
