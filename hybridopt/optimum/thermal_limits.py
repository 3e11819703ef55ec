"""Continuous limits as a constraint of the optimum: solve, look, tighten the steps that led there.

Temperature and budgets are no states of the optimiser. Where one passes its limit, the steps that
led there lose choices (no slip, less than peak torque or power) and the cycle is solved again,
until all limits are kept. Taking choices away may lose much; `priced_limits.py` looks for better.
"""

import dataclasses
from collections.abc import Callable

import numpy as np

from ..base.errors import InfeasibleError
from ..base.intervals import intervals
from ..inputs.driveline import Driveline
from ..physics.demand import Demand
from ..physics.operating_points import drivable_steps
from ..physics.plant import pack
from ..physics.thermal import Overload, Strain, clutch_temperature, overload, strains
from .optimum import Optimum

ROUNDS = 60  # of tightening at most
RESTED = 0.5  # of a budget: from here on a stretch of overload is counted
SHRINK = 0.8  # a share that was lowered before and did not suffice goes down at least by this
RELEASES = 20  # launches that are tried with slip again, once all limits are kept
LEVELS = (0.0, 0.25, 0.5, 0.75, 1.0)  # shares at which it is asked whether steps can be driven
NAMES = {
    "clutch": "temperature limit of the launch clutch",
    "motor": "budget of the motor",
    "battery": "budget of the battery",
}


SolveAgain = Callable[[Demand], Optimum]


def respect_limits(first: Optimum, solve_again: SolveAgain) -> Optimum:
    """Tighten and solve again until temperature and budgets keep their limits.

    Parameters
    ----------
    first
        The optimum without these limits; only limits that its driveline gives values for count.
    solve_again
        Finds the optimum for a tightened demand.

    Returns
    -------
    Optimum
        One that keeps all limits, with the rounds of tightening that it took; 0 is `first`.

    Raises
    ------
    InfeasibleError
        A limit is passed and nothing that led there can be tightened.
    """
    driveline, best, rounds = first.driveline, first, 0
    spared = np.zeros(first.demand.steps, dtype=bool)
    while strain := _passed(driveline, best):
        if rounds == ROUNDS:
            raise _unkept(strain, f"is not kept after {ROUNDS} rounds")
        rounds += 1
        if strain.name == "clutch":
            best = _fewer_launches(driveline, best, strain, solve_again, spared)
        else:
            best = _lower_share(driveline, best, strain, solve_again)
    best = _with_launches_back(driveline, best, solve_again)
    return dataclasses.replace(best, rounds=rounds)


def _passed(driveline: Driveline, found: Optimum) -> Strain | None:
    """Return the first limit that is passed, if any."""
    over = (strain for strain in strains(driveline, found.trace) if strain.over.any())
    return next(over, None)


def _unkept(strain: Strain, why: str) -> InfeasibleError:
    """Return the error for a limit that cannot be kept."""
    time = float(np.cumsum(strain.dt)[int(np.argmax(strain.over))])
    return InfeasibleError(
        f"the {NAMES[strain.name]} ({strain.limit:g}) {why}: it is passed after {time:g} s and "
        f"reaches {strain.peak:.4g}; use a milder cycle or a stronger driveline, or solve without "
        "thermal limits"
    )


def _fewer_launches(
    driveline: Driveline, best: Optimum, strain: Strain, solve_again: SolveAgain, spared: np.ndarray
) -> Optimum:
    """Forbid slip in the launches that heated the clutch most before it was too hot.

    Where the whole choice leaves no schedule, fewer launches are tried; a single one that is
    needed is marked in `spared`, and the optimum comes back as it was.
    """
    demand = best.demand
    slipless = dataclasses.replace(demand, slip_allowed=np.zeros(demand.steps, dtype=bool))
    can = drivable_steps(driveline, slipless) & ~spared
    loss = np.where(can, best.trace.clutch_loss.values, 0.0)
    chosen = hottest_launches(driveline, demand, best.trace.clutch_loss.values, loss)
    if not chosen:
        raise _unkept(strain, "cannot be kept, for the launches before it cannot do without slip")
    while chosen:
        forbidden = np.zeros(demand.steps, dtype=bool)
        for first, last in chosen:
            forbidden[first:last] = can[first:last]
        try:
            return solve_again(
                dataclasses.replace(demand, slip_allowed=demand.slip_allowed & ~forbidden)
            )
        except InfeasibleError:
            chosen = chosen[: len(chosen) // 2]
    spared |= forbidden
    return best


def _with_launches_back(driveline: Driveline, best: Optimum, solve_again: SolveAgain) -> Optimum:
    """Allow slip again in each launch where that costs less and all limits are still kept."""
    for first, last in intervals(~best.demand.slip_allowed)[:RELEASES]:
        allowed = best.demand.slip_allowed.copy()
        allowed[first:last] = True
        trial = solve_again(dataclasses.replace(best.demand, slip_allowed=allowed))
        if trial.solution.cost < best.solution.cost and _passed(driveline, trial) is None:
            best = trial
    return best


def hottest_launches(
    driveline: Driveline, demand: Demand, loss: np.ndarray, avoidable: np.ndarray
) -> list[tuple[int, int]]:
    """Choose launches without whose slip the clutch would keep its limit, the hottest first.

    Parameters
    ----------
    driveline, demand
        Vehicle and what the wheels want.
    loss
        Slip loss of each step, W, (steps,).
    avoidable
        The part of it in steps that can be driven without slip, W, (steps,).

    Returns
    -------
    list of (int, int)
        First and one-past-last step of each; as many as it takes, or all that help.
    """
    clutches, dt = driveline.clutches, demand.dt
    assert clutches.heat_capacity is not None  # looked at only where it is given
    decay, end = clutches.oil_cooling / clutches.heat_capacity, np.cumsum(dt)
    left, waiting = loss.copy(), launch_stretches(driveline, demand)
    chosen: list[tuple[int, int]] = []
    while True:
        over = Strain(
            "clutch", clutch_temperature(clutches, left, dt), clutches.max_temperature, dt
        ).over
        if not over.any():
            return chosen
        k = int(np.argmax(over))
        left_at_k = np.exp(decay * np.minimum(end - end[k], 0.0))
        heat = np.where(end <= end[k], avoidable * dt * left_at_k, 0.0)
        shares = [float(heat[first:last].sum()) for first, last in waiting]
        if max(shares, default=0.0) <= 0.0:
            return chosen
        first, last = waiting.pop(int(np.argmax(shares)))
        left[first:last] -= avoidable[first:last]
        chosen.append((first, last))


def launch_stretches(driveline: Driveline, demand: Demand) -> list[tuple[int, int]]:
    """Return the stretches between standstill and the speed from which no launch gear slips."""
    gears = int(min(driveline.clutches.launch_gears, driveline.gearbox.gears))
    tallest = float(pack(driveline).ratio[:gears].min())
    slow = demand.wheel_speed * tallest < driveline.engine.idle_speed
    return intervals((demand.wheel_speed > 0.0) & slow)


def _lower_share(
    driveline: Driveline, best: Optimum, strain: Strain, solve_again: SolveAgain
) -> Optimum:
    """Lower the share of peak torque or power in the stretches in which a budget is passed."""
    demand, name = best.demand, f"{strain.name}_share"
    before = getattr(demand, name)
    load = overload(driveline, best.trace, strain.name)
    after = lowered_shares(load, before, _floor(driveline, demand, name), strain.dt)
    if (after >= before).all():
        raise _unkept(strain, "cannot be kept, for the steps before it need that much")
    try:
        return solve_again(dataclasses.replace(demand, **{name: after}))
    except InfeasibleError as error:
        raise _unkept(strain, f"cannot be kept ({error})") from None


def _floor(driveline: Driveline, demand: Demand, name: str) -> np.ndarray:
    """Return the lowest share of `LEVELS` at which each step can still be driven, (steps,)."""
    floor = np.full(demand.steps, LEVELS[-1])
    for level in reversed(LEVELS[:-1]):
        share = np.minimum(getattr(demand, name), level)
        can = drivable_steps(driveline, dataclasses.replace(demand, **{name: share}))
        floor = np.where(can, level, floor)
    return floor


def lowered_shares(
    load: Overload, share: np.ndarray, floor: np.ndarray, dt: np.ndarray
) -> np.ndarray:
    """Lower shares in the stretches around each excess until the clipped load keeps the budget.

    Parameters
    ----------
    load
        What was done, with its continuous and highest limits.
    share, floor
        Shares so far, and those below which steps cannot be driven, (steps,).
    dt
        s, (steps,).

    Returns
    -------
    ndarray
        Shares, (steps,); with all at 0 the budget is kept whatever is done.

    Notes
    -----
    A stretch reaches from where the budget was last rested to where it is rested again, or to
    one time constant after the excess; one share is found for it by bisection.
    """
    share, since, end = share.copy(), 0, np.cumsum(dt)
    while True:
        budget = load.clipped(share).budget(dt)
        over = Strain("", budget, 1.0, dt).over
        over[:since] = False
        if not over.any():
            return share
        k = int(np.argmax(over))
        first, last = next((a, b) for a, b in intervals(budget[1:] > RESTED) if a <= k < b)
        soon = int(np.searchsorted(end, end[k] + load.time_constant)) + 1
        last = min(last, soon)
        stretch = slice(max(first, since), last)

        def kept(level: float, stretch: slice = stretch) -> bool:
            trial = share.copy()
            trial[stretch] = _cut(share, floor, level)[stretch]
            peak = load.clipped(trial).budget(dt)[1:][stretch].max()
            return bool(peak <= 1.0)

        top = float(share[stretch].max())
        level = _largest(kept, top if top >= 1.0 else SHRINK * top)
        share[stretch] = _cut(share, floor, level)[stretch]
        since = last


def _cut(share: np.ndarray, floor: np.ndarray, level: float) -> np.ndarray:
    return np.asarray(np.minimum(share, np.maximum(floor, level)))


def _largest(kept: Callable[[float], bool], top: float) -> float:
    """Largest level from 0 to `top` that keeps the budget, by bisection; 0 where it is small."""
    low, high = 0.0, top
    if kept(top):
        return top
    for _ in range(12):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if kept(middle) else (low, middle)
    return low if low > 0.02 else 0.0
