"""The best policy without foresight, against enumeration, a linear program and QuantEcon."""

import importlib.util

import numpy as np
import pytest
from scipy.optimize import linprog
from tiny import IMPOSSIBLE, best_of_all_policies, cost_of, moves, tiny_model, transitions

from hybridopt.base.errors import FailedError, InputError
from hybridopt.foresight import causal
from hybridopt.foresight.causal import causal_optimum, expected_cost


@pytest.mark.long
@pytest.mark.parametrize("seed", range(2))
def test_no_policy_of_all_does_better(seed):
    """Every policy that depends on the whole history, 4^7 of them, by summing over all drives."""
    chain, priced = tiny_model(np.random.default_rng(seed), states=2)
    found = expected_cost(chain, priced, 3)[(chain.rest, *priced.start)]
    assert found == pytest.approx(best_of_all_policies(chain, priced, 3), abs=1e-12)


def linear_program(chain, priced):
    """Least mean cost of a step by the linear program over shares of time, solved by HiGHS.

    Least sum of cost times share, where what flows into a state flows out of it (Puterman, Markov
    Decision Processes, 1994, section 8.8, from memory; all states can follow each other here).
    """
    state, _, cost, after = transitions(chain, priced)
    out = np.eye(after.shape[1])[state]
    balance = np.vstack(((out - after).T, np.ones(cost.size)))
    found = linprog(cost, A_eq=balance, b_eq=np.append(np.zeros(after.shape[1]), 1.0))
    assert found.status == 0
    return found.fun


@pytest.mark.parametrize("seed", range(20))
def test_mean_cost_is_that_of_the_linear_program(seed):
    random = np.random.default_rng(100 + seed)
    chain, priced = tiny_model(random, states=random.integers(2, 7), gears=random.integers(1, 4))
    best = causal_optimum(chain, priced, tolerance=1e-9)
    exact = linear_program(chain, priced)
    assert best.low - 1e-8 <= exact <= best.high + 1e-8
    assert best.high - best.low <= 1e-9 * max(abs(best.high), 1e-12) + 1e-15


@pytest.mark.long
@pytest.mark.skipif(importlib.util.find_spec("quantecon") is None, reason="quantecon is not there")
@pytest.mark.parametrize("seed", range(3))
def test_values_are_those_of_quantecon(seed):
    """Of exactly 40 steps by backward induction, and of very many by value iteration.

    The library discounts: (1 - discount) times its values is the mean cost, to within (1 -
    discount) times the span of relative values.
    """
    from quantecon.markov import DiscreteDP, backward_induction

    chain, priced = tiny_model(np.random.default_rng(seed), states=6, gears=3)
    state, action, cost, after = transitions(chain, priced)
    with pytest.warns(UserWarning, match="infinite horizon"):
        endless = DiscreteDP(-cost, after, 1.0, state, action)
    values, _ = backward_induction(endless, 40)
    np.testing.assert_allclose(
        -values[0].reshape(chain.states, 2, 3), expected_cost(chain, priced, 40), rtol=1e-12
    )
    best = causal_optimum(chain, priced, tolerance=1e-9)
    known = DiscreteDP(-cost, after, 0.999, state, action)
    found = known.solve(method="value_iteration", epsilon=1e-4, max_iter=100_000)
    close = 0.001 * np.ptp(best.value) + 1e-6
    assert -0.001 * found.v.mean() == pytest.approx(best.gain, abs=close)


def test_bounds_hold_the_mean_cost_of_a_long_run():
    """By simulation: the policy's mean cost lies between them, to within sampling error."""
    random = np.random.default_rng(5)
    chain, priced = tiny_model(random, states=4)
    best = causal_optimum(chain, priced)
    assert (best.high - best.low) <= 1e-6 * abs(best.high)
    costs = [
        priced.follow(best.ahead, drive, drive).cost / drive.size
        for drive in (chain.draw(2000, random) for _ in range(40))
    ]
    error = np.std(costs) / np.sqrt(40.0)
    assert abs(np.mean(costs) - best.gain) < 4.0 * error + 1e-3


def test_levelling_changes_no_decision_and_is_exact():
    """T(V + f) = T V + P f for any f over drive states: the drive cannot be controlled."""
    random = np.random.default_rng(6)
    chain, priced = tiny_model(random, states=5, gears=3)
    expect, improve = causal._operators(chain, priced)
    value, f = random.normal(size=(5, 2, 3)), random.normal(size=5)
    both = improve(expect(value + f[:, None, None]))
    apart = improve(expect(value)) + (chain.links @ f)[:, None, None]
    np.testing.assert_allclose(both, apart, rtol=0, atol=1e-12)
    change = random.normal(size=5)
    level = causal.levelling(chain, change, 1e-12)
    rest = change + chain.links @ level - level
    assert np.ptp(rest) < 1e-10


def test_policies_that_take_turns_settle():
    """Up costs 1 g, down gives 3 g: the best takes turns, (1 - 3) / 2 g a step."""
    chain, priced = tiny_model(np.random.default_rng(3), states=2)
    priced.costs.stage[:] = [0.0, 5.0, 5.0]
    priced.costs.shift[:] = [[0.0, 1.0], [-3.0, 0.0]]
    assert causal_optimum(chain, priced, tolerance=1e-9).gain == pytest.approx(-1.0, abs=1e-8)


def random_policy(random, chain, priced):
    """A policy that looks at drive state, engine and gear, and picks among what is possible."""
    shape = (chain.states, 2, priced.gears)
    chosen = {}
    for x, e, g in np.ndindex(shape):
        open_ = [(engine, gear) for c, engine, gear in moves(priced, x, e, g) if c < IMPOSSIBLE]
        chosen[x, e, g] = open_[random.integers(len(open_))]
    return chosen


def driven(priced, drive, policy):
    (e, g), taken = priced.start, []
    for x in drive.tolist():
        e, g = policy[x, e, g]
        taken.append((e, g))
    return taken


@pytest.mark.long
def test_no_random_controller_beats_hindsight_or_the_causal_bound():
    """1,000 random policies: hindsight holds on every drive, the causal bound in the mean.

    The causal bound is compared by the differences to the best policy on the same drives, whose
    mean is known; 5 standard errors in 1,000 cases.
    """
    random, beaten = np.random.default_rng(7), 0
    for _ in range(100):
        chain, priced = tiny_model(random, states=3)
        best = causal_optimum(chain, priced)
        drives = [chain.draw(6, random) for _ in range(8)]
        least = [priced.cost_to_go(d, best.end)[(0, *priced.start)] for d in drives]
        known = [priced.cost_to_go(d, best.end, best.added(d))[0][priced.start] for d in drives]
        for d, value in zip(drives, known, strict=True):
            assert value == pytest.approx(best.limit(d.size), abs=1e-4)
        for _ in range(10):
            policy, lead = random_policy(random, chain, priced), []
            for d, low in zip(drives, least, strict=True):
                taken = driven(priced, d, policy)
                cost = cost_of(priced, d.tolist(), taken) + best.end[taken[-1]]
                assert cost >= low - 1e-9
                lead.append(cost - best.limit(d.size))
            error = np.std(lead, ddof=1) / np.sqrt(len(lead))
            beaten += np.mean(lead) < -5.0 * error - 1e-6
    assert beaten == 0


def test_costs_that_are_not_finite_are_refused():
    chain, priced = tiny_model(np.random.default_rng(8), states=3)
    priced.costs.stage[1] = np.inf
    with pytest.raises(InputError, match="not finite"):
        causal_optimum(chain, priced)


def test_bounds_that_do_not_close_are_told(monkeypatch):
    monkeypatch.setattr(causal, "MOST_SWEEPS", 3)
    chain, priced = tiny_model(np.random.default_rng(9), states=6)
    with pytest.raises(FailedError, match="after 3 sweeps the mean cost lies between"):
        causal_optimum(chain, priced, tolerance=1e-15)
