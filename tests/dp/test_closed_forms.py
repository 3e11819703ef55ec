"""The optimiser against problems whose answer is known in closed form.

Powers are whole numbers of grid cells of a battery without resistance, so that the grid adds no
error and answers must be exact to rounding. A scalar regulator with cost x^2 + u^2 cannot be
posed: a step's cost depends on the decision, never on SoC. The minimum-energy problem (cost u^2
alone, end fixed) can, and has the same Riccati equation without the state's weight.
"""

import itertools

import numpy as np
import oracle
import pytest

from hybridopt.dp.cost_to_go import CostToGo
from hybridopt.optimum.solve import solve
from hybridopt.physics.operating_points import OperatingPoints

OFF, RUNNING, STARTING = 0, 1, 2
ROUNDING = 1e-9
NO_SHIFT = np.zeros((1, 1))

# Willans engine: fuel energy = (P + P0) t / e while on; figures chosen so that the break-even
# equivalence factor is that of the project's check list, s = (1 + P0/Pmax)/e = 2.75 (closed form)
E, P0, PMAX = 0.4, 5, 50  # -, kW, kW; steps of 1 s, so that kW and kJ agree
CELL = 360  # kJ in the battery: 100 V x 3600 C
STEPS = 10


def willans(need, price=None):
    """Steady demand of need / STEPS kW over STEPS steps of 1 s; costs in kJ of fuel.

    With `price`, a second gear holds a source without idle loss: `price` kJ of fuel per kJ.
    """
    demand = need // STEPS
    generated = np.arange(PMAX + 1)
    cost = np.full((STEPS, 1 if price is None else 2, 3, PMAX + 2), np.inf)
    power = np.zeros(cost.shape)
    cost[:, 0, OFF, 1], power[:, 0, OFF, 1] = 0.0, 1e3 * demand
    for engine in (RUNNING, STARTING):
        cost[:, 0, engine, 1:] = (generated[::-1] + P0) / E
        power[:, 0, engine, 1:] = 1e3 * (demand - generated[::-1])
    if price is not None:
        cost[:, 1, OFF, 1:] = price * generated[::-1]
        power[:, 1, OFF, 1:] = 1e3 * (demand - generated[::-1])
    points = OperatingPoints.bare(np.ones(STEPS), cost, power)
    settings = oracle.settings(CELL + 1, 0.0, 1.0, 200 / CELL)
    shift = np.zeros((cost.shape[1], cost.shape[1]))
    solution = solve(points, oracle.linear_battery(100.0, 3600.0), settings, 1e5, shift)
    stored = solution.soc * CELL
    return solution, demand - (stored[:-1] - stored[1:])  # kW generated in each step


@pytest.mark.parametrize(
    ("need", "fuel"),
    [
        # closed form: n = ceil(need / Pmax) on-steps, fuel = (need + n P0) / e
        (90, 250.0),  # (90 + 2 x 5) / 0.4
        (100, 275.0),  # (100 + 2 x 5) / 0.4 = 2.75 x 100: both steps at full power
        (10, 37.5),
        (250, 687.5),
        (500, 1375.0),  # on all the time
    ],
)
def test_willans_engine_runs_in_the_fewest_steps(need, fuel):
    solution, generated = willans(need)
    on = solution.schedule.engine_class != OFF
    assert solution.cost == pytest.approx(fuel, abs=ROUNDING * fuel)
    assert solution.value_start == pytest.approx(fuel, abs=ROUNDING * fuel)
    assert np.count_nonzero(on) == -(-need // PMAX)
    assert generated.sum() == pytest.approx(need, abs=1e-6)
    if need % PMAX == 0:
        np.testing.assert_allclose(generated[on], PMAX, atol=1e-6)


def test_costate_is_constant_without_battery_losses():
    """One kJ more in the battery saves 1/e = 2.5 kJ of fuel as long as energy is missing.

    Exact for 90 kJ: with 1 kJ less to make there are still as many on-steps (closed form).
    """
    solution, generated = willans(90)
    missing = 90 - np.cumsum(generated)
    before = missing > 0.5
    assert np.count_nonzero(before) >= 1
    np.testing.assert_allclose(solution.costate[before] / CELL, 1.0 / E, rtol=1e-9)


@pytest.mark.parametrize("price", [2.0, 2.70, 2.74, 2.76, 2.80, 4.0])
def test_break_even_equivalence_factor(price):
    """Another source wins below 2.75 kJ of fuel per kJ; above it, the engine at full power."""
    solution, _ = willans(100, price)
    on = np.count_nonzero(solution.schedule.engine_class != OFF)
    assert solution.cost == pytest.approx(100 * min(price, 2.75), rel=1e-9)
    assert on == (0 if price < 2.75 else 2)


# Stagecoach problem, Hillier and Lieberman, Introduction to Operations Research, McGraw-Hill;
# answer computed (11, by three routes)
ROADS = {
    **{"AB": 2, "AC": 4, "AD": 3, "BE": 7, "BF": 4, "BG": 6, "CE": 3, "CF": 2, "CG": 4},
    **{"DE": 4, "DF": 1, "DG": 5, "EH": 1, "EI": 4, "FH": 6, "FI": 3, "GH": 3, "GI": 3},
    **{"HJ": 3, "IJ": 4},
}
STAGES = ("A", "BCD", "EFG", "HI", "J")
ROUTES = ("ACEHJ", "ADEHJ", "ADFIJ")
TOWNS = "ABCDEFGHIJ"


def travel(roads):
    """Towns are gears and roads are shifts; return the cost and the route."""
    cost = np.full((len(STAGES) - 1, len(TOWNS), 3, 2), np.inf)
    for step, towns in enumerate(STAGES[1:]):
        for town in towns:
            cost[step, TOWNS.index(town), OFF, 1] = 0.0
    shift = np.full((len(TOWNS), len(TOWNS)), 1e3)
    for (here, there), length in roads.items():
        shift[TOWNS.index(here), TOWNS.index(there)] = length
    points = OperatingPoints.bare(np.ones(len(STAGES) - 1), cost, np.zeros(cost.shape))
    settings = oracle.settings(3, 0.0, 1.0, 0.5)
    solution = solve(points, oracle.linear_battery(100.0, 3600.0), settings, 1e3, shift)
    return solution.cost, "A" + "".join(TOWNS[g] for g in solution.schedule.gear)


def test_stagecoach_finds_one_of_the_three_shortest_routes():
    cost, route = travel(ROADS)
    assert cost == 11.0
    assert route in ROUTES


@pytest.mark.parametrize(("road", "route"), [*zip(("CE", "DE", "DF"), ROUTES, strict=True)])
def test_stagecoach_with_one_road_shorter_has_one_answer(road, route):
    """Each of the three roads lies on one of the shortest routes only, so the answer is unique."""
    assert [road in r for r in ROUTES].count(True) == 1
    assert travel({**ROADS, road: ROADS[road] - 0.5}) == (10.5, route)


@pytest.mark.parametrize("seed", range(20))
def test_stagecoach_with_random_roads(seed):
    """Expected: the shortest of all 18 routes, listed one by one."""
    random = np.random.default_rng(seed)
    roads = {road: float(random.integers(1, 60)) for road in ROADS}
    lengths = {
        "".join(route): sum(roads[a + b] for a, b in itertools.pairwise(route))
        for route in itertools.product(*STAGES)
    }
    cost, route = travel(roads)
    assert cost == min(lengths.values())
    assert lengths[route] == cost


def test_resource_allocation():
    """Five medical teams for three countries, Hillier and Lieberman.

    Optimum 170 by (1, 3, 1), unique, computed. Countries are steps, the teams left are SoC, and
    the cost is 150 (the best single return) less the return.
    """
    gains = [[0, 45, 70, 90, 105, 120], [0, 20, 45, 75, 110, 150], [0, 50, 70, 80, 100, 130]]
    every = [a for a in itertools.product(range(6), repeat=3) if sum(a) <= 5]
    best = max(sum(gains[i][n] for i, n in enumerate(a)) for a in every)
    cost = np.full((3, 1, 3, 6), np.inf)
    cost[:, 0, OFF] = 150.0 - np.array(gains)
    power = np.broadcast_to(np.arange(6.0), cost.shape)  # W; 5 W s is the whole battery
    points = OperatingPoints.bare(np.ones(3), *oracle.gapped(cost, power))
    settings = oracle.settings(6, 0.0, 1.0, 1.0, terminal="free")
    solution = solve(points, oracle.linear_battery(1.0, 5.0), settings, 1e6, NO_SHIFT)
    assert 3 * 150.0 - solution.cost == pytest.approx(170.0, abs=ROUNDING) == best
    np.testing.assert_allclose(-np.diff(solution.soc) * 5, [1, 3, 1], atol=1e-9)


@pytest.mark.parametrize(("steps", "need"), [(5, 20), (6, 21), (7, 17)])
def test_minimum_energy_control(steps, need):
    """Charge `need` cells in n steps at cost u^2: the cost-to-go is need^2 / n, exact at multiples.

    Riccati without weight on the state, 1/P = 1/P' + 1/r: P = 1/n. Between multiples the best
    whole numbers are floor and ceil of need / n (closed form), and the mixed forward run gives
    the same. u = need / n is constant, and so is the costate, 2 need / n at multiples by symmetry.
    """
    cost = np.full((steps, 1, 3, 12), np.inf)
    charge = np.arange(10, -1, -1.0)
    cost[:, 0, OFF, 1:] = charge**2
    power = np.zeros(cost.shape)
    power[:, 0, OFF, 1:] = -charge
    points = OperatingPoints.bare(np.ones(steps), cost, power)
    cells = 40
    settings = oracle.settings(cells + 1, 0.0, 1.0, (30 - need) / cells, soc_target=30 / cells)
    battery = oracle.linear_battery(1.0, cells)
    solution = solve(points, battery, settings, 1e4 * cells, NO_SHIFT)

    def best(want, n):
        low, rest = divmod(want, n)
        return (n - rest) * low**2 + rest * (low + 1) ** 2

    # mixing is searched to 0.618^24 = 1e-5 of a cell, where the slope jumps by 2, in every step
    assert solution.cost == pytest.approx(best(need, steps), abs=2e-5 * steps)
    assert solution.value_start == pytest.approx(best(need, steps), abs=1e-6)
    value = CostToGo(solution.problem, whole=True)
    for t in range(steps):
        n = steps - t
        exact = [best(max(30 - x, 0), n) for x in range(cells + 1) if 30 - x <= 10 * n]
        known = value[t][0, 0, cells + 1 - len(exact) :]
        np.testing.assert_allclose(known, exact, rtol=1e-9, atol=1e-6)
    charged = np.diff(solution.soc) * cells
    assert np.all(charged > np.floor(need / steps) - 1e-3)
    assert np.all(charged < np.ceil(need / steps) + 1e-3)
    slope = solution.costate[:-1] / cells  # one charge more costs between 2u - 1 and 2u + 1
    assert np.all(np.abs(slope - 2 * need / steps) <= 2.0 + 1e-6)
