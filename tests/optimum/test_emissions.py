"""Emissions at a price and within limits, against interpolation by scipy and enumeration.

Grams of a choice come from its replay, whose rates are compared with scipy on the map itself.
"""

import dataclasses

import numpy as np
import pytest
from cases import PLAIN
from makers import replayed, schedule, varied, wanted
from oracle import schedules
from scipy.interpolate import RegularGridInterpolator
from xarray import DataArray

from hybridopt import InputError, Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.base.errors import InfeasibleError
from hybridopt.base.units import RPM
from hybridopt.controllers.builtin import Equivalence, Playback
from hybridopt.dp.bound import lower_bound
from hybridopt.evaluation.case import Case
from hybridopt.inputs.catalyst import EmissionPrice
from hybridopt.inputs.models import PolynomialMotor, motor_maps
from hybridopt.optimum.emission_limits import keep_limits
from hybridopt.optimum.solve import solve
from hybridopt.physics.operating_points import list_operating_points
from hybridopt.physics.plant import pack
from hybridopt.physics.replay import replay_schedule
from hybridopt.pipeline import find_optimum
from hybridopt.problem.emission_prices import with_prices

OFF, RUNNING, STARTING = range(3)
PRICE = 30.0
CLEAN, ECE = read_driveline("clean"), read_cycle("ece15")
FEW = {"soc_points": 301, "splits": 15}


def emission_map(speeds=(500.0, 1700.0, 4000.0, 6000.0), torques=(0.0, 70.0, 120.0, 200.0)):
    """Return an invented map, g/s, on a grid that is not that of the fuel."""
    speed, torque = np.meshgrid(np.array(speeds) * RPM, torques, indexing="ij")
    values = 1e-5 * speed * (0.2 + 0.001 * torque**2)
    axes = {"speed": np.array(speeds) * RPM, "torque": np.array(torques)}
    return DataArray(values, axes, ("speed", "torque"))


def emitting(driveline=PLAIN, **prices):
    """Return the driveline with a map of NOx, and prices of it while cold and lit."""
    engine = dataclasses.replace(driveline.engine, emissions={"nox": emission_map()})
    given = {name: EmissionPrice(*pair) for name, pair in prices.items()}
    return dataclasses.replace(driveline, engine=dataclasses.replace(engine, emission_prices=given))


def tiny():
    """Return a driveline with one gear and few splits, and what it does in five steps."""
    model = PolynomialMotor(
        loss_constant=100.0,
        loss_per_speed=1.0,
        loss_per_torque2=0.05,
        max_torque=100.0,
        max_power=1e6,
        max_speed=7000 * RPM,
        spin_drag=2.0,
    )
    maps = motor_maps(model)
    maps["loss_map"] = maps["loss_map"].interp(torque=[-100.0, 0.0, 100.0])
    box = {"ratios": (2.0,), "efficiencies": (0.96,), "drag_torques": (2.0,)}
    driveline = varied(PLAIN, gearbox=box, motor=maps, battery={"capacity": 1500.0})
    return driveline, wanted(np.full(5, 14.0), np.array([250.0, 420.0, 90.0, -150.0, 340.0]))


# --- rates ---


def test_rates_are_those_of_the_map():
    """scipy, bilinear on the map; below 0 N m in a straight line to nothing at the overrun."""
    demand = wanted(np.linspace(8.0, 30.0, 40), np.linspace(-60.0, 500.0, 40))
    trace = replayed(emitting(), demand, 3, RUNNING, 5.0)
    speed, torque = trace.engine_speed.values, trace.engine_torque.values
    there = RegularGridInterpolator(
        (emission_map()["speed"], emission_map()["torque"]), emission_map().values
    )
    overrun = np.interp(speed, PLAIN.engine.overrun["speed"], PLAIN.engine.overrun.values)
    below = there((speed, 0.0)) * (1.0 - np.minimum(torque, 0.0) / overrun)
    known = np.where(torque < 0.0, below, there((speed, np.maximum(torque, 0.0))))
    assert torque.min() < 0.0 < torque.max()
    np.testing.assert_allclose(trace.nox_rate, np.maximum(known, 0.0), rtol=1e-9, atol=1e-15)


def choice_grams(driveline, demand, points):
    """Return fuel and NOx of every choice, g, from a replay of each; NaN where there is none."""
    fuel, nox = np.full((2, *points.cost.shape), np.nan)
    for t, g, c, k in np.argwhere(np.isfinite(points.cost)):
        torque = points.motor_torque[t, g, c, k] if k else None
        trace = replay_schedule(
            driveline, demand.part(t, t + 1), schedule(g + 1, c, torque), 0.5, int(g + 1)
        )
        fuel[t, g, c, k], nox[t, g, c, k] = (
            float(trace[name] @ trace.dt) for name in ("fuel_rate", "nox_rate")
        )
    return fuel, nox


@pytest.mark.parametrize(("phase", "price"), [(0, 3.0), (1, PRICE)])
def test_cost_of_every_choice_is_fuel_and_price_times_grams(phase, price):
    """Also at the kinks of both maps; in the heating phase by the price of a cold catalyst."""
    driveline, demand = tiny()
    demand = dataclasses.replace(demand, catalyst_phase=np.full(demand.steps, phase))
    car = emitting(driveline, nox=(PRICE, 3.0))
    points = list_operating_points(car, demand, 9)
    fuel, nox = choice_grams(car, demand, points)
    able = np.isfinite(points.cost)
    np.testing.assert_allclose(points.cost[able], (fuel + price * nox)[able], rtol=1e-12)
    torques = points.total[0, 0, RUNNING] - points.motor_torque[0, 0, RUNNING]
    assert all(np.isclose(torques, kink).any() for kink in (70.0, 120.0))
    assert bool((able[:, :, OFF]).any()) == (phase == 0)  # the engine must run while it heats


# --- optimum and bound against enumeration ---


@pytest.mark.long
def test_price_limit_and_bounds_by_enumeration():
    """All sequences of listed choices: none below the bounds, and the limit's price is right."""
    driveline, demand = tiny()
    given = Settings(splits=3, soc_points=2001, engine_on_start=True, shift_cost=0.0)
    known = given.resolved(driveline)

    def solve_at(prices, keep_value=False):
        car = with_prices(emitting(driveline), known.at_prices(prices))
        points = list_operating_points(car, demand, 3)
        found = solve(points, car.battery, known, known.penalty(car))
        trace = replay_schedule(car, demand, found.schedule, 0.5)
        return _optimum(car, known.at_prices(prices), demand, found, trace)

    car = emitting(driveline, nox=(PRICE, PRICE))
    points = list_operating_points(car, demand, 3)
    fuel, nox = choice_grams(car, demand, points)
    plain = dataclasses.replace(points, cost=np.where(np.isnan(fuel), np.inf, fuel))
    _, least = _ends(plain, driveline, known, [(nox, np.ones(demand.steps), np.inf)])
    free = solve_at({})
    assert free.bound.bound <= least + 1e-9 and free.solution.cost <= least + 1e-3
    dear = solve_at({"nox": PRICE})
    _, priced = _ends(points, driveline, known, [])
    assert dear.bound.bound <= priced + 1e-9 and dear.solution.cost <= priced + 1e-3
    assert dear.charged_grams["nox"] < free.charged_grams["nox"]
    grams = 0.5 * (dear.charged_grams["nox"] + free.charged_grams["nox"])
    limited = dataclasses.replace(known, nox_limit=grams / demand.distance)
    kept = keep_limits(limited, solve_at)
    _, within = _ends(plain, driveline, known, [(nox, np.ones(demand.steps), grams)])
    assert kept.charged_grams["nox"] <= grams and least < within < np.inf
    assert kept.limits_bound <= within + 1e-9
    assert kept.limits_bound <= kept.cost_without(["nox"]) + 1e-9
    assert kept.limits_bound > free.bound.bound  # the limit costs something, and that is proved


def _optimum(car, settings, demand, found, trace):
    from hybridopt.optimum.optimum import Optimum

    bound = lower_bound(found.problem, found.run, found.costate)
    return Optimum(ECE, car, settings, demand, found, trace, bound)


def _ends(points, driveline, settings, budgets):
    """Return SoC paths and the least cost of the sequences that end at the start's SoC or above."""
    path, cost = schedules(points, driveline.battery, settings, np.zeros((1, 1)), budgets=budgets)
    kept = path[:, -1] >= settings.soc_start - 1e-12
    return path[kept], float(cost[kept].min())


# --- whole solves ---


def test_maps_alone_change_nothing():
    full, clean = (
        find_optimum(ECE, car, Settings(**FEW)).result() for car in (read_driveline("full"), CLEAN)
    )
    for name in ("fuel_g", "cost_g", "bound_g", "starts", "soc_end"):
        assert clean.dataset.attrs[name] == full.dataset.attrs[name]
    assert with_prices(CLEAN, Settings()) is CLEAN and "nox_g" not in full.dataset.attrs
    free, own = pack(CLEAN), pack(read_driveline("full"))
    assert all(np.array_equal(a, b) for a, b in zip(free, own, strict=True))


@pytest.fixture(scope="module")
def heated():
    settings = Settings(heating_start=20.0, nox_price=PRICE, shift_cost=0.0)
    return find_optimum(ECE, CLEAN, settings)


def test_heating_phase_and_what_leaves_the_catalyst(heated):
    """By hand from the trace: off, on for 30 s from 20 s on, then lit; the price is of the rest."""
    trace, totals = heated.trace, heated.result().dataset.attrs
    time, on = trace.time.values, trace.engine_on.values > 0
    assert not on[time < 20.0].any() and on[(time >= 20.0) & (time < 50.0)].all()
    grams = trace.nox_rate.values * trace.dt.values
    left = grams[time < 50.0].sum() + 0.03 * grams[time >= 50.0].sum()
    assert totals["nox_tailpipe_g"] == pytest.approx(left, rel=1e-12)
    assert totals["nox_g"] == pytest.approx(grams.sum(), rel=1e-12)
    assert totals["catalyst_lit_s"] == 50.0
    assert totals["emission_cost_g"] == pytest.approx(PRICE * left, rel=1e-12)
    paid = totals["fuel_g"] + PRICE * left
    assert totals["cost_g"] == pytest.approx(paid, rel=1e-6) and totals["gap_percent"] < 0.2


def test_controllers_obey_the_heating_phase_and_pay_the_price(heated):
    case = Case(heated)
    for rule in (Playback(schedule=heated.solution.schedule), Equivalence()):
        drive = case.drive(rule)
        trace = case.loop.replay(drive)
        time, on = trace.time.values, trace.engine_on.values > 0
        assert not on[time < 20.0].any() and on[(time >= 20.0) & (time < 50.0)].all()
        left = trace.nox_rate.values * np.where(time < 50.0, 1.0, 0.03) @ trace.dt.values
        fuel = float(trace.fuel_rate @ trace.dt)
        assert drive.cost == pytest.approx(fuel + PRICE * left, rel=1e-9)
        assert case.equal_cost(drive) >= case.bound.bound - 1e-9


def check_limits(**shares):
    """Solve within shares of what the free optimum emits; return free and limited totals."""
    free = solve_cycle(ECE, CLEAN, Settings(**FEW)).dataset.attrs
    most = {name: share * free[f"{name}_g"] for name, share in shares.items()}
    length = 1e3 * free["distance_km"]
    limits = {f"{name}_limit": grams / length for name, grams in most.items()}
    kept = solve_cycle(ECE, CLEAN, Settings(**FEW, **limits)).dataset.attrs
    assert all(kept[f"{name}_g"] <= grams * (1.0 + 1e-12) for name, grams in most.items())
    assert free["bound_g"] < kept["limits_bound_g"] < kept["cost_g"]
    assert kept["limits_gap_percent"] >= 0.0
    return limits, kept


@pytest.mark.long
def test_a_limit_is_kept_at_what_is_proved():
    limits, kept = check_limits(nox=0.85)
    assert kept["limits_gap_percent"] < 1.5
    again = Settings(**FEW, **limits, nox_price=kept["nox_price"])  # kept at once at this price
    assert solve_cycle(ECE, CLEAN, again).cost_g == kept["cost_g"]


@pytest.mark.long
def test_two_limits_are_kept():
    check_limits(nox=0.9, hc=1.0)


@pytest.mark.long
def test_a_limit_out_of_reach():
    with pytest.raises(InfeasibleError, match=r"nox_limit: 0\.001 g/km .* fewest .* \(proved\)"):
        solve_cycle(ECE, CLEAN, Settings(**FEW, nox_limit=1e-6))


@pytest.mark.parametrize(
    ("car", "settings", "words"),
    [
        ("full", {"nox_price": 1.0}, r"nox_price: driveline full .* nox_csv"),
        ("full", {"co_limit": 1e-3}, r"co_limit: driveline full .* co_csv"),
        ("full", {"heating_start": 0.0}, r"heating_time_s in a table \[catalyst\]"),
        ("clean", {"heating_start": 5.0, "engine_on_start": True}, "set it to 0"),
        ("clean", {"hc_price": 1.0, "ambient_temperature": 20.0}, "hc_price or _limit: cannot be"),
        ("clean", {"heating_start": 0.0, "ambient_temperature": 20.0}, "heating_start: cannot be"),
    ],
)
def test_refusals(car, settings, words):
    with pytest.raises(InputError, match=words):
        solve_cycle(ECE, read_driveline(car), Settings(**settings))
