"""Tiny random instances against the enumeration of every sequence of decisions in oracle.py.

Splits are kept apart by inadmissible ones, so that the package has no freedom to mix two of them
that the enumeration lacks. Two families:

* lattice: a battery without resistance and SoC moves of whole grid cells. Interpolation then adds
  nothing and the answer must be exact. The penalty is so steep that one cell below the window or
  the target costs more than anything else, so a schedule must be found exactly when one exists.
* lossy: voltage over SoC, resistance, any move. With N steps, spacing h and slopes of the
  cost-to-go in [-K', 0], cost - optimum <= N K' h / 2, as derived in test_milp.py. There slopes
  lie in [-K, 0]; here SoC after a step changes with SoC before it by a factor up to 1 + r, so
  K' = K (1 + r)^N, where r bounds |d fall / d SoC| and is computed from the instance.
"""

import numpy as np
import oracle
import pytest
from case_counts import cases
from hypothesis import HealthCheck, assume, given
from hypothesis import settings as examples
from hypothesis import strategies as st

from hybridopt.base.errors import InfeasibleError
from hybridopt.optimum.solve import solve
from hybridopt.physics.operating_points import OperatingPoints

ROUNDING = 1e-9  # relative; a few thousand roundings of 1e-16 and margin
SIZES = [(5, 1, 2), (5, 1, 3), (4, 1, 4), (4, 2, 2), (4, 2, 3), (3, 3, 2), (3, 3, 3), (3, 2, 4)]
QUICK = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
CELLS = 64  # grid cells of the lattice; one is 1 / 64 of SoC
NEAR = (-1, 1)  # SoC that allows a stop, in cells from the start: among the landings
LOSSY_PENALTY = 2e4  # g per unit of SoC
STEEP = 1e6  # g per unit of SoC: one cell costs 16 kg, all else below 0.2 kg


@st.composite
def instances(draw):
    """Arrays and settings of a tiny instance; powers in cells a step, positive discharges."""
    steps, gears, splits = draw(st.sampled_from(SIZES))
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    shape = (steps, gears, 3, splits)
    moves = random.integers(-4, 6, shape).astype(float)
    cost = random.choice([0.0, 0.5, 1.0, 2.0, 5.0], shape) + random.uniform(0, 1, shape)
    if draw(st.booleans()):  # ties
        cost = np.round(cost)
    if draw(st.booleans()):  # as in a driveline: engine off costs nothing and discharges
        cost[:, :, 0], moves[:, :, 0] = 0.0, np.abs(moves[:, :, 0])
    cost[random.uniform(size=shape) < draw(st.sampled_from([0.0, 0.2, 0.5]))] = np.inf
    shift = random.uniform(0, 2, (gears, gears)) * (1 - np.eye(gears)) * draw(st.integers(0, 1))
    dt = random.choice([0.5, 1.0, 2.0], steps)
    options = {
        "start_cost": draw(st.sampled_from([0.0, 0.3, 3.0])),
        "gear_start": draw(st.integers(1, gears)),
        "engine_on_start": draw(st.booleans()),
        "terminal": draw(st.sampled_from(["target", "sustain", "free"])),
        "two_sided": draw(st.booleans()),
        "min_on_time": draw(st.sampled_from([0.0, 0.0, 1.2, 2.5])),
        "min_off_time": draw(st.sampled_from([0.0, 0.0, 1.2, 2.5])),
        "min_gear_time": draw(st.sampled_from([0.0, 0.0, 1.7])),
        "min_reversal_time": draw(st.sampled_from([0.0, 0.0, 2.5])),
    }
    events = {
        "stop_costs": np.where(
            random.uniform(size=steps) < draw(st.sampled_from([0.0, 0.4])), np.inf, 0.0
        ),
        "start_steps": random.integers(1, draw(st.sampled_from([1, 1, 3])), steps, endpoint=True),
        "start_costs": np.where(
            random.uniform(size=steps) < draw(st.sampled_from([0.0, 0.0, 0.3])), np.inf, 0.0
        ),
    }
    shift[(random.uniform(size=shift.shape) < 0.2) & (np.eye(gears) == 0)] = np.inf
    # where too much SoC is penalised as well, the floor is kept out of reach (5 x 5 cells)
    below = 25 if options["two_sided"] else draw(st.integers(0, 8))
    aim = draw(st.integers(-6, 3))
    return dt, cost, moves, shift, options, below, max(aim, -below), events


def solve_lossy(instance, soc_points, share=1.0):
    """Solve an instance with a lossy battery, costs times a share; return what is given, and how.

    The window reaches from 30 to 60 % of SoC. An instance that no schedule drives is passed over.

    Returns
    -------
    points, battery, settings, shift costs, events, solution
    """
    dt, cost, moves, shift, options, below, aim, events = instance
    options["start_cost"] *= share
    battery = oracle.resistive_battery((220.0, 280.0), 2e4, (0.2, 0.15), 0.95)
    power = 24e3 * moves / dt[:, None, None, None]
    points = oracle.numbered(OperatingPoints.bare(dt, *oracle.gapped(share * cost, power)))
    start = 0.3 + 0.006 * below + 1e-4
    settings = oracle.settings(
        soc_points, 0.3, 0.6, start, soc_target=max(0.3, start + 0.006 * aim), **options
    )
    given = points, battery, settings, share * shift
    try:
        solution = solve(*given[:3], LOSSY_PENALTY, given[3], **events)
    except InfeasibleError:
        assume(False)
    return *given, events, solution


def check_lattice(instance, efficiency, stop):
    """The cheapest schedule that ends at the target or above it is found wherever there is one.

    A two-sided penalty makes a difference between that schedule and the cheapest of all: where
    whole cells jump over the target, ending below it may cost less, or as much as ending above it.
    The cost-to-go is that of the cheapest of all; the schedule that comes back must meet the
    target, and only where none does is the problem refused. The forward run gets there by
    shifting the cost-to-go over SoC, which shifts the SoC that allows a stop as well; so where it
    jumps over the target and that SoC lies among the landings, what comes back need not be the
    cheapest, and may be a refusal.
    """
    dt, cost, moves, shift, options, depth, aim, events = instance
    power = np.where(moves < 0.0, moves / efficiency, moves) / dt[:, None, None, None]
    points = oracle.numbered(OperatingPoints.bare(dt, *oracle.gapped(cost, power)))
    # the window begins `depth` cells under the start; its top is out of reach of 5 x 4 cells
    settings = oracle.settings(
        CELLS + 1 - 10,
        10 / CELLS,
        1.0,
        (10 + depth) / CELLS,
        soc_target=(10 + depth + aim) / CELLS,
        stop_soc_min=(10 + depth + stop) / CELLS,
        **options,
    )
    battery = oracle.linear_battery(1.0, CELLS, efficiency)
    given = points, battery, settings, STEEP, shift
    best = oracle.brute_force(*given, **events)
    meeting = oracle.brute_force(*given, meeting_target=True, **events)
    # rounding of SoC by 1e-15 costs STEEP x 1e-15 in every step
    rounding = ROUNDING * (1.0 + best.cost) + 1e-7
    if not np.isfinite(meeting.cost):
        with pytest.raises(InfeasibleError):
            solve(*given, **events)
        return
    below = best.soc_end < settings.soc_target - 1e-9
    bound = settings.terminal != "free"
    jumps = bound and settings.two_sided and (below or meeting.cost > best.cost + rounding)
    try:
        solution = solve(*given, **events)
    except InfeasibleError:
        assert jumps and stop in NEAR
        return
    check, path = oracle.rerun(*given, solution, **events)
    assert check == pytest.approx(solution.cost, abs=ROUNDING * (1.0 + meeting.cost))
    np.testing.assert_allclose(solution.soc, path, rtol=0, atol=1e-12)
    assert path.min() >= settings.soc_min - 1e-12
    assert solution.value_start == pytest.approx(best.cost, abs=rounding)
    if jumps and stop in NEAR:
        assert path[-1] >= settings.soc_target - 1e-9
        assert solution.cost >= meeting.cost - rounding
    else:
        assert solution.cost == pytest.approx(meeting.cost, abs=rounding)


LATTICE = given(instances(), st.sampled_from([1.0, 0.8, 0.5]), st.sampled_from([-9, -9, *NEAR]))


@examples(max_examples=50, **QUICK)
@LATTICE
def test_exact_on_a_lattice(instance, efficiency, stop):
    check_lattice(instance, efficiency, stop)


@pytest.mark.long
@examples(max_examples=cases(1000), **QUICK)
@LATTICE
def test_exact_on_a_lattice_in_many_cases(instance, efficiency, stop):
    check_lattice(instance, efficiency, stop)


def test_a_target_that_splits_jump_over_is_met_from_above():
    """By hand: one step ends 2 cells below the target for 1.0 g, or 2 above it for 1.5 g."""
    cost = np.full((1, 1, 3, 5), np.inf)
    power = np.zeros(cost.shape)
    cost[0, 0, 0, [2, 4]], power[0, 0, 0, [2, 4]] = (1.0, 1.5), (2.0, -2.0)
    settings = oracle.settings(CELLS + 1, 0.0, 1.0, 0.5, two_sided=True)
    points = OperatingPoints.bare([1.0], cost, power)
    found = solve(points, oracle.linear_battery(1.0, CELLS), settings, STEEP, np.zeros((1, 1)))
    assert found.soc[-1] == 0.5 + 2 / CELLS
    assert found.cost == pytest.approx(1.5 + STEEP * 2 / CELLS, rel=ROUNDING)


WIDE = 0.3  # the lossy window; 25 x 0.5 % below the start, and charge of 5 x 4 x 0.6 % above
FINE = 20_001
SLOPE = 2e4  # g per unit of SoC; see test


def check_lossy(instance, efficiency, rise):
    """The penalty is so steep that no dip or miss beyond the package's tolerance pays.

    Running costs, start and shifts are below 5 x 0.3 x (6 + 3 + 2) g = 16.5 g, and 1e-3 of SoC
    below the floor or the target costs SLOPE x 1e-3 = 20 g. So where the enumeration keeps the
    window and meets the target the package must find a schedule; it may lie in the window
    lowered by 1e-3, where the enumeration gives the lower limit of the cost.
    """
    dt, cost, moves, shift, options, below, aim, events = instance
    cost, shift = 0.3 * cost, 0.3 * shift
    options["start_cost"] *= 0.3
    battery = oracle.resistive_battery((220.0, 220.0 + rise), 2e4, (0.2, 0.15), efficiency)
    jitter = np.random.default_rng(int(1e6 * dt.sum() + 1e3 * below)).uniform(0.8, 1.2, moves.shape)
    # a move of one is about 0.5 % of SoC: 240 V x 2e4 C x 0.005 = 24 kJ
    power = 24e3 * moves * jitter / dt[:, None, None, None]
    points = oracle.numbered(OperatingPoints.bare(dt, *oracle.gapped(cost, power)))
    low, start = 0.3, 0.3 + 0.006 * below + 1e-4
    settings = oracle.settings(
        FINE, low, low + WIDE, start, soc_target=max(low, start + 0.006 * aim), **options
    )
    best = oracle.brute_force(points, battery, settings, SLOPE, shift, **events)
    met = settings.terminal == "free" or best.soc_end >= settings.soc_target
    if not np.isfinite(best.cost) or not met:
        return  # the lattice says when schedules must exist
    solution = solve(points, battery, settings, SLOPE, shift, **events)
    check, path = oracle.rerun(points, battery, settings, SLOPE, shift, solution, **events)
    assert check == pytest.approx(solution.cost, abs=1e-8)
    np.testing.assert_allclose(solution.soc, path, rtol=0, atol=1e-12)
    loose = oracle.brute_force(points, battery, settings, SLOPE, shift, slack=1e-3, **events)
    assert solution.cost >= loose.cost - 1e-8
    assert solution.cost - best.cost <= grid_error(points, battery, settings)


LOSSY = given(instances(), st.sampled_from([1.0, 0.9]), st.sampled_from([40.0, 80.0]))


@examples(max_examples=20, **QUICK)
@LOSSY
def test_within_the_grid_error_with_a_lossy_battery(instance, efficiency, rise):
    check_lossy(instance, efficiency, rise)


@pytest.mark.long
@examples(max_examples=cases(500), **QUICK)
@LOSSY
def test_within_the_grid_error_in_many_cases(instance, efficiency, rise):
    check_lossy(instance, efficiency, rise)


def grid_error(points, battery, settings):
    """N K' h / 2, with r from the falls at the ends of small intervals over the whole window."""
    soc = np.linspace(settings.soc_min - 1e-3, settings.soc_max, 12)
    power = points.power[np.isfinite(points.cost)]
    rate = 0.0
    for dt in set(points.dt.tolist()):
        falls = oracle.soc_fall(battery, soc[:, None], power[None, :], dt)
        rate = max(rate, float(np.nanmax(np.abs(np.diff(falls, axis=0)))) / (soc[1] - soc[0]))
    spacing = (settings.soc_max - settings.soc_min) / (settings.soc_points - 1)
    return points.steps * SLOPE * (1.0 + rate) ** points.steps * spacing / 2.0


def test_battery_limits_are_kept():
    """A split beyond the power limit at low SoC is passed over, whatever it saves."""
    cost = np.full((1, 1, 3, 4), np.inf)
    cost[0, 0, 0, 1], cost[0, 0, 0, 3] = 5.0, 1.0
    power = np.zeros(cost.shape)
    power[0, 0, 0, 3] = 1001.0
    settings = oracle.settings(101, 0.0, 1.0, 0.5, terminal="free")
    for limit, expected in ((1000.0, 5.0), (1002.0, 1.0)):
        battery = oracle.resistive_battery((100.0, 100.0), 3600.0, (0.1, 0.1), power=limit)
        points = OperatingPoints.bare([1.0], cost, power)
        assert solve(points, battery, settings, 10.0, np.zeros((1, 1))).cost == expected
