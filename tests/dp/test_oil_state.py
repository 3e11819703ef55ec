"""The oil temperature as a state, against plain Python.

The sweep is compared with one in NumPy that shares no code with it: every split of every node at
every point of SoC, landing at its own temperature, on the flatter of two parabolas. The whole solve
is compared with an enumeration of all schedules of a few steps, on a problem without interpolation
error: a battery without losses and factors that are linear over temperature. How temperature moves
is restated here from the heat balance of one lumped capacity.
"""

import dataclasses
import itertools

import numpy as np
import pytest
from case_counts import cases
from exhaustive import battery_at, interpolated, landings, terminal_value, with_events

from hybridopt import Cycle, InputError, Settings, read_cycle, read_driveline
from hybridopt.controllers.builtin import Playback
from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.controllers.preview import Preview
from hybridopt.dp.forward import best_run
from hybridopt.dp.oil_bound import OilDual, OilEnds, oil_bound
from hybridopt.dp.oil_cost_to_go import OilCostToGo
from hybridopt.dp.oil_forward import OilRunner
from hybridopt.evaluation.case import Case, score
from hybridopt.foresight.held_price import held_price, training_optimum
from hybridopt.foresight.preview_maps import make_preview_maps
from hybridopt.inputs.warm_up import WarmUp
from hybridopt.pipeline import find_optimum
from hybridopt.problem.oil_nodes import list_oil_nodes
from hybridopt.problem.oil_peak import likely_peak, nodes_up_to
from hybridopt.problem.problem import make_problem

pytestmark = pytest.mark.long  # the kernels over temperature compile for long

SAME = 1e-9
WINTER = read_driveline("winter")
SPEEDS = np.array([0.0, 3.0, 7.0, 9.0, 9.5, 8.0, 4.0, 0.0, 0.0])
COLD = {"ambient_temperature": -5.0, "temperature_nodes": 3}


def few_gears(driveline, gears):
    """Return the driveline with its first gears only."""
    box = driveline.gearbox
    cut = {name: getattr(box, name)[:gears] for name in ("ratios", "efficiencies", "drag_torques")}
    return dataclasses.replace(driveline, gearbox=dataclasses.replace(box, **cut))


def oil_problem(driveline, cycle, **settings):
    """Return the problem over nodes of oil temperature."""
    known = Settings(**settings).resolved(driveline).for_cycle(cycle)
    nodes = list_oil_nodes(cycle, driveline, known)
    if nodes.oil.size > 3:
        nodes = nodes_up_to(nodes, likely_peak(nodes))  # unevenly spaced
    return make_problem(nodes, driveline.battery, known, known.penalty(driveline))


def next_oil(driveline, oil, ambient, speed, dt, fuel):
    """Heat balance of one lumped capacity: fuel heats, air and cabin cool, a thermostat keeps."""
    w = driveline.warm_up
    wanted = w.cabin_heat * max(w.cabin_temperature - ambient, 0.0)
    cabin = min(wanted, w.heater_core * max(oil - w.cabin_temperature, 0.0))
    air = (w.cooling + w.cooling_by_speed * speed) * (oil - ambient)
    heat = w.heat_share * driveline.fuel.heating_value * fuel
    return min(
        oil + (heat - dt * (air + cabin)) / w.heat_capacity, driveline.engine.warm_temperature
    )


def between(oil, value, i, share):
    """Values over SoC a share of the way from node i on: the flatter parabola of three nodes."""
    low, high, last = value[i], value[i + 1], oil.size - 2
    with np.errstate(invalid="ignore"):
        slopes = np.diff(value, axis=0) / np.diff(oil)[:, None]
        bends = (slopes[1:] - slopes[:-1]) / (oil[2:] - oil[:-2])[:, None]
        one, two = bends[max(i, 1) - 1], bends[min(i + 1, last) - 1]
        flatter = np.where(np.abs(one) < np.abs(two), one, two)
        usable = (one * two > 0.0) & np.isfinite(flatter)
    way = share * (oil[i + 1] - oil[i])
    curved = np.where(usable, way * (way - oil[i + 1] + oil[i]) * flatter, 0.0)
    return np.where(np.isfinite(low), low + share * (high - low) + curved, np.inf)


def plain_oil_sweep(problem, driveline, ambient, stop=-np.inf):
    """Return the cost-to-go at the nodes, (nodes, states, gears, SoC points)."""
    nodes, grid = problem.points, problem.grid
    battery, graph = battery_at(problem), problem.events.graph
    value = np.repeat(terminal_value(problem)[None], nodes.oil.size, axis=0)
    parts = [points.part(0, nodes.steps) for points in nodes.each]
    arrivals = set(zip(graph.engine.tolist(), graph.target.tolist(), strict=True))
    for t in reversed(range(nodes.steps)):
        before = np.empty_like(value)
        for j, (oil, points) in enumerate(zip(nodes.oil, parts, strict=True)):
            best = {a: np.full((nodes.gears, grid.points), np.inf) for a in arrivals}
            for g, (c, state) in itertools.product(range(nodes.gears), arrivals):
                used = np.flatnonzero(np.isfinite(points.cost[t, g, c, : points.count[t, g, c]]))
                for k in used:
                    cost, power = points.cost[t, g, c, k], points.power[t, g, c, k : k + 1]
                    there = landings(problem.cell, grid, battery, power, nodes.dt[t])
                    speed, dt = nodes.demand.speed[t], nodes.dt[t]
                    warm = next_oil(driveline, oil, ambient, speed, dt, cost)
                    i = int(
                        np.clip(
                            np.searchsorted(nodes.oil, warm, "right") - 1, 0, nodes.oil.size - 2
                        )
                    )
                    share = (warm - nodes.oil[i]) / (nodes.oil[i + 1] - nodes.oil[i])
                    row = between(nodes.oil, value[:, state, g], i, share)
                    after = interpolated(row, there, grid)[0]
                    best[c, state][g] = np.minimum(best[c, state][g], cost + after)
            closed = problem
            if oil < stop:
                costs = problem.events.cost.copy()
                stops = (graph.engine == 0) & (graph.source >= graph.off_ages * graph.gear_ages)
                costs[:, stops] = np.inf
                closed = dataclasses.replace(problem, events=problem.events._replace(cost=costs))
            before[j] = with_events(closed, best, t)
        value = before
    return value


@pytest.mark.parametrize(
    "changes",
    [{}, {"stop_oil_temperature": 40.0}, {"min_on_time": 2.0, "temperature_nodes": 6}],
    ids=str,
)
def test_sweep_is_that_of_plain_python(changes):
    driveline = few_gears(WINTER, 3)
    warm_up = dataclasses.replace(driveline.warm_up, heat_capacity=8e3)  # so that it warms up
    driveline = dataclasses.replace(driveline, warm_up=warm_up)
    cycle = Cycle("short", np.arange(SPEEDS.size, dtype=float), SPEEDS)
    problem = oil_problem(driveline, cycle, soc_points=40, splits=5, **{**COLD, **changes})
    pruned = OilCostToGo(problem).start
    plain = plain_oil_sweep(problem, driveline, -5.0, changes.get("stop_oil_temperature", -np.inf))
    known = np.isfinite(pruned) & np.isfinite(plain)
    assert known.sum() > 100
    assert pruned[known] == pytest.approx(plain[known], rel=SAME, abs=1e-9)


def lossless(driveline):
    """Return a driveline of two gears whose least cost is linear over SoC and temperature."""
    battery = driveline.battery
    table = battery.table.copy()
    table.loc[{"quantity": "open_circuit_voltage"}] = 270.0
    for name in ("resistance_discharge", "resistance_charge"):
        table.loc[{"quantity": name}] = 0.0
    battery = dataclasses.replace(battery, table=table, coulombic_efficiency=1.0)
    warm_up = dataclasses.replace(
        driveline.warm_up, drag_factor=1.0, friction_factor=1.0, cabin_heat=0.0
    )
    return dataclasses.replace(few_gears(driveline, 2), battery=battery, warm_up=warm_up)


def enumerated(driveline, problem, ambient, meets=None):
    """Return the least cost over all schedules, each at the temperature it makes.

    Sums over the steps in front are shared; nothing is left out. With `meets`, of those alone that
    keep the window and end at one of these SoC or above, without a penalty; the least for each.
    """
    nodes, cell, grid = problem.points, problem.cell, problem.grid
    graph = problem.events.graph
    factor = driveline.engine.fuel_factor
    warm = nodes.each[-1].part(0, nodes.steps)  # at factor 1
    start_fuel = driveline.start.fuel
    front = [(0.0, problem.soc, nodes.start, problem.state, problem.gear)]
    for t in range(nodes.steps):
        behind = []
        for paid, soc, oil, state, gear in front:
            for m in np.flatnonzero(graph.source == state):
                c = int(graph.engine[m])
                for g in range(nodes.gears):
                    event = problem.shift[t, c, gear, g] + problem.events.cost[t, m]
                    for k in range(warm.count[t, g, c]):
                        cost = warm.cost[t, g, c, k]
                        if not np.isfinite(cost + event):
                            continue
                        begun = start_fuel if c == 2 else 0.0
                        fuel = (cost - begun) * float(factor(np.array(oil))) + begun
                        drop = warm.power[t, g, c, k] / 270.0 * nodes.dt[t] / cell.capacity
                        after = next_oil(
                            driveline, oil, ambient, nodes.demand.speed[t], nodes.dt[t], fuel
                        )
                        target = int(graph.target[m])
                        behind.append((paid + fuel + event, soc - drop, after, target, g))
        front = behind
    if meets:
        low, high = problem.settings.socs[:2]
        return [
            min((one[0] for one in front if max(low, end) <= one[1] <= high), default=np.inf)
            for end in meets
        ]
    missed = (max(grid.target - soc, 0.0) for _, soc, *_ in front)
    return min(one[0] + grid.penalty * miss for one, miss in zip(front, missed, strict=True))


def test_solve_is_the_least_of_all_schedules():
    driveline = lossless(WINTER)
    cycle = Cycle("two", np.arange(3.0), np.array([4.0, 6.0, 7.5]))
    settings = {"soc_points": 101, "splits": 3, "soc_start": 0.5, "terminal": "target"}
    # far below the target, energy has one price, the penalty: nothing bends over SoC
    problem = oil_problem(
        driveline, cycle, **COLD, **settings, soc_target=0.7, penalty_factor=1.3, shift_cost=0.01
    )
    value = OilCostToGo(problem)
    run = best_run(problem, value, OilRunner(problem, value))
    least = enumerated(driveline, problem, -5.0)
    assert run.cost == pytest.approx(least, rel=SAME)
    assert oil_bound(problem, run).bound <= least * (1.0 + SAME)


def test_bound_is_below_all_schedules_of_random_small_problems():
    count, random, close = cases(40), np.random.default_rng(5), []
    for _ in range(count):
        warm_up = dataclasses.replace(
            WINTER.warm_up, heat_capacity=float(10.0 ** random.uniform(3.0, 5.0)), heater_power=0.0
        )
        driveline = lossless(dataclasses.replace(WINTER, warm_up=warm_up))
        engine = dataclasses.replace(
            driveline.engine, cold_fuel_factor=float(random.uniform(1.0, 2.0))
        )
        driveline = dataclasses.replace(driveline, engine=engine)
        speeds = np.append(random.uniform(1.0, 4.0), random.uniform(2.0, 9.0, 3))
        cycle = Cycle("random", np.arange(4.0), speeds)
        start, ambient = float(random.uniform(0.45, 0.75)), float(random.uniform(-15.0, 20.0))
        problem = oil_problem(
            driveline,
            cycle,
            soc_points=101,
            splits=3,
            soc_start=start,
            terminal="target",
            soc_target=min(start + float(random.uniform(-2e-3, 2e-3)), 0.79),
            start_cost=float(random.choice([0.0, 0.2])),
            ambient_temperature=ambient,
            temperature_nodes=3,
        )
        ends = problem.grid.target, problem.grid.target - 2e-3
        least, lower = enumerated(driveline, problem, ambient, meets=ends)
        if not np.isfinite(least):
            continue
        for usual in random.uniform(3e-5, 2e-4, 2):
            found = OilDual(problem, usual, fine=float(random.uniform(0.5, 4.0)))
            proved = found.bound(problem.grid.target)[0]
            assert proved <= least * (1.0 + SAME)
            close += [proved / least] if least > 0.0 else []  # some drive on the motor alone
            limits = OilEnds(found)
            assert limits.at(ends[0]) <= least * (1.0 + SAME)
            assert limits.at(ends[1]) <= lower * (1.0 + SAME)
    assert len(close) > count and np.median(close) > 0.8


def test_whole_numbers_of_degrees_are_not_cut():
    cycle = Cycle("short", np.arange(SPEEDS.size, dtype=float), SPEEDS)
    problem = oil_problem(
        WINTER, cycle, ambient_temperature=-5, oil_temperature_start=20, soc_points=40, splits=5
    )
    run = best_run(problem, value := OilCostToGo(problem), OilRunner(problem, value))
    assert run.oil[0] == 20.0 and 0.0 < abs(run.oil[1] - 20.0) < 0.5


def test_bound_of_a_short_drive():
    driveline = few_gears(WINTER, 2)  # with drag, friction, cabin, losses of the battery
    heavy = dataclasses.replace(driveline.warm_up, heat_capacity=3e4)
    driveline = dataclasses.replace(driveline, warm_up=heavy)
    cycle = Cycle("short", np.arange(SPEEDS.size, dtype=float), SPEEDS)
    problem = oil_problem(driveline, cycle, soc_points=101, splits=9, shift_cost=0.01, **COLD)
    value = OilCostToGo(problem)
    run = best_run(problem, value, OilRunner(problem, value))
    proved = oil_bound(problem, run)
    assert 0.8 * run.cost < proved.bound <= run.cost
    ends = [proved.at(float(run.soc[-1]) + change) for change in (-1e-3, 0.0, 1e-3)]
    assert ends[0] < ends[1] < ends[2]


def test_what_does_not_depend_on_temperature_costs_what_it_did():
    engine = dataclasses.replace(WINTER.engine, cold_fuel_factor=1.0)
    even = dataclasses.replace(WINTER.warm_up, drag_factor=1.0, friction_factor=1.0, cabin_heat=0.0)
    driveline = dataclasses.replace(WINTER, engine=engine, warm_up=even)
    cycle, points = read_cycle("ece15"), {"soc_points": 501}
    without = find_optimum(cycle, driveline, Settings(**points), bound=False)
    with_oil = find_optimum(cycle, driveline, Settings(**points, **COLD), bound=False)
    assert with_oil.solution.cost == pytest.approx(without.solution.cost, rel=1e-7)


def test_nodes_that_end_too_low_are_left(monkeypatch):
    settings, costs = Settings(soc_points=201, **COLD), []
    for peak in (np.inf, -2.0):  # the oil gets up to 2 C
        monkeypatch.setattr("hybridopt.optimum.solve.likely_peak", lambda _, peak=peak: peak)
        known = find_optimum(read_cycle("ece15"), WINTER, settings, bound=False, keep_value=False)
        costs.append(known.solution.cost)
        assert not known.solution.value.parts  # no cost-to-go where none is to be kept
    assert known.demand.oil_temperature.max() > -2.0 and costs[0] == costs[1]


def test_maps_learn_from_the_oil_of_a_training_without_a_bound():
    """Fuel of the maps: that of the warm engine times the mean factor of the temperatures made.

    That `preview` comes within 10 % with them is regression only.
    """
    cold = Settings(ambient_temperature=-7.0, temperature_nodes=3, soc_points=201)
    settings = cold.resolved(WINTER)
    known = training_optimum(read_cycle("ece15"), WINTER, settings)
    assert known.bound is None
    maps, oil = make_preview_maps([known]), known.demand.oil_temperature
    factor = 1.0 + 0.35 * (90.0 - oil) / 110.0  # `winter`: 1.35 at -20 C, 1 at 90 C
    mean = np.average(factor, weights=known.demand.dt)
    warm = WINTER.engine.fuel_map.transpose("speed", "torque").values
    assert maps.fuel.values == pytest.approx(mean * warm, rel=SAME)
    case = Case.solved(read_cycle("ece15"), WINTER, settings)
    held = held_price([case.optimum])
    assert maps.factor == pytest.approx(held, rel=0.05)
    assert score(case, "preview", Preview(maps=maps), None).cost_above_optimum_percent < 10.0


def test_closed_loop_makes_the_temperature_of_the_optimum():
    settings = Settings(stop_oil_temperature=0.0, soc_points=501, **COLD)
    known = find_optimum(read_cycle("ece15"), WINTER, settings)
    loop = ClosedLoop(WINTER, known.demand, known.settings)
    drive = loop.run(Playback(schedule=known.solution.schedule))
    assert drive.clipped.max() == 0
    assert drive.demand.oil_temperature == pytest.approx(known.demand.oil_temperature, abs=1e-9)
    assert drive.cost == pytest.approx(known.solution.cost, rel=SAME)
    on, cold = known.trace.engine_on.values, known.demand.oil_temperature < 0.0
    assert not ((np.diff(on) < 0) & cold[1:]).any()  # no stop of a cold engine
    # heat balance in closed form over the drive: what went in is stored or went out
    fuel = float(
        ((known.trace.fuel_rate - known.trace.shift_power / 42900.0) * known.trace.dt).sum()
    )
    w, oil = WINTER.warm_up, known.demand.oil_temperature
    air = (w.cooling + w.cooling_by_speed * known.demand.speed) * (oil + 5.0)
    kept = w.heat_share * 42900.0 * fuel - float((air * known.demand.dt).sum())
    end = known.result().dataset.attrs["oil_end_C"]
    assert (end + 5.0) * w.heat_capacity == pytest.approx(kept, rel=1e-9)  # never above the cabin


def test_a_driveline_that_cannot_warm_up_is_refused():
    bare = dataclasses.replace(WINTER, warm_up=WarmUp())
    with pytest.raises(InputError, match="heat_capacity_kJ_per_K"):
        find_optimum(read_cycle("ece15"), bare, Settings(**COLD))
    with pytest.raises(InputError, match="oil_temperature_start"):
        find_optimum(read_cycle("ece15"), WINTER, Settings(oil_temperature_start=95.0, **COLD))
