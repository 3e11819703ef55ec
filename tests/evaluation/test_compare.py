"""Controllers against the optimum: equal final SoC, gaps, regret, tuning."""

import dataclasses
import functools

import numpy as np
import pytest
from case_counts import by_hand, some

from hybridopt import Cycle, Settings, read_cycle, read_driveline
from hybridopt.base.errors import InputError
from hybridopt.base.percent import percent_above
from hybridopt.controllers.builtin import (
    AdaptiveEquivalence,
    ElectricPower,
    Equivalence,
    Playback,
    PowerThresholds,
)
from hybridopt.controllers.controller import Command
from hybridopt.evaluation.case import Case, score
from hybridopt.evaluation.compare import OPTIMUM, compare
from hybridopt.evaluation.equal_soc import ChargeWorth
from hybridopt.evaluation.tuning import tune
from hybridopt.optimum.charge_balance import balance_share
from hybridopt.physics.modes import Mode
from hybridopt.pipeline import find_optimum

RULES = {
    "load": PowerThresholds(),
    "power": ElectricPower(),
    "constant": Equivalence(),
    "adaptive": AdaptiveEquivalence(),
}
LONG = ("wltc_class3b", "artemis_urban", "artemis_rural", "artemis_motorway130")


@functools.cache
def case(cycle="ece15", driveline="full", **options):
    problem = Settings(**{"soc_points": 501, "splits": 31} | options)
    return Case(find_optimum(read_cycle(cycle), read_driveline(driveline), problem))


def optimum_of(found):
    return Playback(schedule=found.optimum.solution.schedule)


# --- the optimum played back ---


@pytest.mark.parametrize("driveline", ["full", "mild", "micro"])
def test_optimum_played_back_is_the_optimum(driveline):
    """Through the closed loop, nothing is clipped and nothing changes."""
    found = case("wltc_class3b_low", driveline)
    row = score(found, OPTIMUM, optimum_of(found))
    assert row.clipped_steps == 0
    assert row.cost_g == pytest.approx(found.optimum_cost, rel=1e-12)
    assert row.cost_g == pytest.approx(found.optimum.solution.cost, rel=1e-5)
    assert row.soc_end == pytest.approx(found.optimum.trace.attrs["soc_end"], abs=1e-12)
    assert row.cost_above_optimum_percent == pytest.approx(0.0, abs=1e-6)
    assert 0.0 <= row.gap_percent <= found.bound.gap_percent + 0.01
    assert row.trace.drop_vars("costate").equals(found.optimum.trace.drop_vars("costate"))


# --- equal final SoC ---


def test_correction_by_hand():
    """Q U (x* - x) of a constant voltage: 36 000 C x 250 V x 0.02 = 180 kJ at 60 ug/J is 10.8 g."""
    from makers import constant_battery

    from hybridopt.physics.battery import pack_battery, stored_energy

    cell = pack_battery(constant_battery())
    worth = ChargeWorth(60e-6, 0.5, cell, lambda soc: 60e-6 * float(stored_energy(cell, soc)))
    assert worth.missing_energy(0.48) == pytest.approx(180e3)
    assert worth.correction(0.48) == pytest.approx(10.8)
    assert worth.correction(0.52) == pytest.approx(-10.8)


def test_balance_criterion_by_hand():
    """180 kJ over 100 g at 42 kJ/g: 4.29 %. Form of the criterion: UN GTR No. 15, from memory."""
    assert balance_share(-180e3, 100.0, 42e3) == pytest.approx(0.042857, rel=1e-4)


@pytest.mark.parametrize("cycle", ["eudc", "wltc_class3b_medium"])
@pytest.mark.parametrize("difference", [-0.01, 0.01])
def test_correction_agrees_with_the_optimum_at_the_other_final_soc(cycle, difference):
    """The optimum solved for another final SoC, corrected to the first, costs 0.2 % the same."""
    here = case(cycle)
    start = here.optimum.settings.socs[2]
    there = case(cycle, terminal="target", soc_target=start + difference)
    drive = here.drive(optimum_of(there))
    assert drive.soc_end == pytest.approx(start + difference, abs=1e-4)
    corrected = here.equal_cost(drive)
    assert corrected == pytest.approx(here.optimum.solution.cost, rel=2e-3)
    uncorrected = abs(drive.cost / here.optimum.solution.cost - 1.0)
    assert uncorrected > 5e-3, "the correction has something to do"
    assert here.bound.at(drive.soc_end) <= drive.cost


@pytest.mark.parametrize(("soc", "linear"), [(0.45, 0.5), (0.75, 0.4)])
def test_an_optimum_that_ends_far_away_costs_the_same_at_equal_soc(soc, linear):
    """The least cost is convex in the final energy, so a straight line charges both ends, in %.

    The optimum for another end loses nothing, by definition; what is left is the bound's gap.
    """
    here, there = case("artemis_urban"), case("artemis_urban", terminal="target", soc_target=soc)
    drive, worth = here.drive(optimum_of(there)), here.worth
    straight = drive.cost + worth.fuel_per_energy * worth.missing_energy(drive.soc_end)
    assert percent_above(straight, here.optimum_cost) > linear
    above = percent_above(here.equal_cost(drive), here.optimum_cost)
    assert abs(above) < 0.15 and abs(above) < linear / 3.0
    assert here.bound.at(drive.soc_end) <= drive.cost
    assert here.bound.at(drive.soc_end) > 0.997 * drive.cost


@pytest.mark.long
def test_correction_grows_with_missing_charge():
    """Over the whole window, in and between the nodes of the bound; none at the optimum's end."""
    worth = case("wltc_class3b_low").worth
    socs = np.linspace(0.41, 0.79, 77)
    assert (np.diff([worth.correction(soc) for soc in socs]) < 0.0).all()
    assert worth.correction(worth.soc_end) == 0.0


# --- regret ---


@pytest.mark.parametrize(
    "cycle", ["ece15", pytest.param("wltc_class3b_low", marks=pytest.mark.long)]
)
@pytest.mark.parametrize("name", RULES)
def test_regret_adds_up_to_the_loss(cycle, name):
    """By cause to the loss at equal SoC, by step to that against V_0 solved for the same end."""
    found = case(cycle, start_cost=0.2)
    drive = found.drive(RULES[name])
    regret = found.regret(drive)
    there = case(cycle, start_cost=0.2, terminal="target", soc_target=drive.soc_end)
    equal = found.equal_cost(drive)
    assert regret.total == pytest.approx(equal - found.optimum_cost, abs=1e-9 * equal)
    assert sum(regret.totals.values()) == pytest.approx(regret.total, abs=1e-9 * equal)
    loss = drive.cost - there.optimum.solution.value_start
    assert regret.step.sum() == pytest.approx(loss, abs=1e-6 * equal)
    assert sum(regret.causes.values()).sum() == pytest.approx(loss, abs=1e-6 * equal)
    for cause in ("engine", "gear", "split"):
        assert regret.causes[cause].min() >= 0.0
    assert abs(regret.totals["grid"]) < 0.01 * equal


@pytest.mark.long
@pytest.mark.parametrize("name", ["power", "constant", "never"])
def test_causes_mean_something_at_the_limits_of_the_window(name):
    """Penalties of the window's floor, some 50,000 g per unit of SoC, are no part of a cause.

    The drive touches limits; with the engine never asked for it lies on the floor for minutes.
    """
    found = case("artemis_urban", soc_min=0.58, soc_max=0.61)
    rule = (lambda seen: Command(False, 3)) if name == "never" else RULES[name]
    drive = found.drive(rule)
    low, high = found.optimum.settings.socs[:2]
    assert drive.soc.min() < low + 2e-3 or drive.soc.max() > high - 2e-3
    regret = found.regret(drive)
    assert sum(regret.totals.values()) == pytest.approx(regret.total, abs=1e-9 * drive.cost)
    assert regret.total == pytest.approx(found.equal_cost(drive) - found.optimum_cost)
    for cause in ("engine", "gear", "split"):
        assert 0.0 <= regret.totals[cause] <= 1.05 * regret.total + 0.005 * drive.cost, cause
    assert abs(regret.totals["grid"]) < 0.01 * drive.cost
    if name == "never":
        assert np.count_nonzero(drive.soc < low + 1e-4) > 100
        assert 0.0 < regret.totals["window"] < 0.1 * regret.total


def test_a_drive_that_lacks_power_has_causes_as_well():
    """A burst that only a running engine can drive, with the engine kept off until then.

    Nothing can drive on from there, so the cost-to-go is infinite; the step is told as a whole.
    """
    speeds = np.array((30, 31, 30, 30, 31, 49, 50, 48, 40, 30, 20, 10, 0)) / 3.6
    cycle = Cycle("burst", np.arange(13.0), speeds, np.full(13, -0.05))
    options = Settings(soc_points=201, splits=15, engine_on_start=True, terminal="free")
    found = Case(find_optimum(cycle, read_driveline("full"), options))
    drive = found.drive(lambda seen: Command(False, 4))
    regret = found.regret(drive)
    assert all(np.isfinite(values).all() for values in regret.causes.values())
    assert sum(regret.totals.values()) == pytest.approx(regret.total, abs=1e-9)
    assert np.count_nonzero(regret.causes["window"]) >= 1


def test_optimum_has_next_to_no_regret():
    found = case("wltc_class3b_low")
    regret = found.regret(found.drive(optimum_of(found)))
    decided = sum(regret.totals[name] for name in ("engine", "gear", "split"))
    assert 0.0 <= decided < 2e-3 * found.optimum.solution.cost


def spoiled(found, change):
    """Return a controller that does what the optimum does but for a change."""
    plan, step = found.optimum.solution.schedule, iter(range(10_000))

    def rule(observation):
        t = next(step)
        torque = plan.motor_torque[t] if plan.powered[t] else None
        return change(t, Command(bool(plan.engine_class[t]), int(plan.gear[t]) + 1, torque))

    return rule


def test_a_spoiled_split_is_found_at_its_moment():
    """A motor torque of 40 N m at one engine-on step: regret of that step, by the split."""
    found = case("wltc_class3b_low")
    on = np.flatnonzero(found.optimum.solution.schedule.engine_class == 1)
    at = int(on[on.size // 2])
    rule = spoiled(found, lambda t, c: c._replace(motor_torque=40.0) if t == at else c)
    regret = found.regret(found.drive(rule))
    moment = regret.moments[0]
    assert moment.cause == "split" and moment.time == found.optimum.demand.time[at]
    assert moment.start <= moment.time < moment.stop
    assert moment.done.motor_torque == pytest.approx(40.0)
    assert moment.done.gear == moment.best.gear and moment.best.engine_on
    assert regret.causes["split"][at] == pytest.approx(moment.loss, rel=0.2)


def test_a_spoiled_gear_is_found_at_its_moment():
    found = case("wltc_class3b_low")
    gear = found.optimum.solution.schedule.gear
    at = int(np.flatnonzero((gear == 5) & (found.optimum.demand.speed > 10))[3])
    rule = spoiled(found, lambda t, c: c._replace(gear=c.gear - 3) if t == at else c)
    regret = found.regret(found.drive(rule))
    costliest = max(regret.moments, key=lambda m: m.loss if m.cause == "gear" else 0.0)
    assert costliest is regret.moments[0]
    assert costliest.time == found.optimum.demand.time[at] and costliest.done.gear == 3


def test_moments_are_the_costliest_first_and_do_not_overlap():
    found = case("wltc_class3b_low")
    regret = found.regret(found.drive(RULES["power"]), most=10)
    losses = [m.loss for m in regret.moments]
    assert len(losses) == 10 and losses == sorted(losses, reverse=True)
    spans = sorted((m.start, m.stop) for m in regret.moments)
    assert all(a[1] <= b[0] for a, b in zip(spans[:-1], spans[1:], strict=True))


# --- tuning ---


@pytest.mark.parametrize("name", RULES)
def test_tuning_keeps_its_bounds_and_never_makes_worse(name):
    found = case()
    bounds = RULES[name].bounds(found.optimum.driveline)
    outcome = tune(RULES[name], [found], evaluations=60)
    assert outcome.after_percent <= outcome.before_percent
    assert set(outcome.parameters) == set(bounds)
    for key, value in outcome.parameters.items():
        assert bounds[key][0] <= value <= bounds[key][1]
    again = tune(RULES[name], [found], evaluations=60)
    assert again.parameters == outcome.parameters


def test_tuning_on_more_cases_is_their_mean():
    """By hand: cost at equal final SoC and 0.2 of the worth of the energy off balance."""
    two = [case(), case("eudc")]
    outcome = tune(RULES["constant"], two, evaluations=30)
    percents = []
    for one in two:
        drive = one.drive(outcome.controller)
        cost = one.equal_cost(drive) + 0.2 * abs(one.worth.correction(drive.soc_end))
        percents.append(100.0 * (cost / one.optimum_cost - 1.0))
    assert outcome.after_percent == pytest.approx(np.mean(percents))


# --- the table ---


@pytest.mark.long
def test_comparison_has_a_row_per_cycle_and_controller():
    cycles = [read_cycle("ece15"), read_cycle("eudc")]
    shares = []
    found = compare(
        cycles,
        read_driveline("full"),
        RULES | {"own": lambda o: Command(True, 3)},
        Settings(soc_points=201, splits=15),
        evaluations=10,
        progress=shares.append,
    )
    names = [OPTIMUM, *RULES, "own"]
    assert [(s.cycle, s.controller) for s in found.scores] == [
        (cycle, name) for cycle in ("ece15", "eudc") for name in names
    ]
    assert set(found.tuned) == {(name, "") for name in RULES}
    assert shares == sorted(shares) and shares[-1] == pytest.approx(1.0)
    for row in found.scores:
        assert row.cost_equal_g >= row.bound_g * (1 - 1e-9)
        assert sum(row.shares.values()) == pytest.approx(1.0)
        assert row.fuel_equal_g - row.fuel_g == pytest.approx(row.cost_equal_g - row.cost_g)
    own = found.of_cycle("ece15")[-1]
    assert own.clipped["gear"] > 10 and own.clipped_steps >= own.clipped["gear"]
    assert own.shares[Mode.ELECTRIC] == 0.0 and own.starts == 1


def test_each_cycle_may_have_its_own_tuning():
    cycles = [read_cycle("ece15"), read_cycle("eudc")]
    found = compare(
        cycles,
        read_driveline("full"),
        {"constant": Equivalence()},
        Settings(soc_points=101, splits=9),
        tuning="each",
        evaluations=10,
    )
    assert set(found.tuned) == {("constant", "ece15"), ("constant", "eudc")}


@pytest.mark.parametrize(
    ("cycles", "options", "words"),
    [
        ([], {}, "needs a cycle"),
        (["ece15", "ece15"], {}, "ece15 is given twice"),
        (["ece15"], {"controllers": {OPTIMUM: Equivalence()}}, "cannot be named 'optimum'"),
        (["ece15"], {"tuning": "some"}, "allowed is all or each or none"),
        (["ece15"], {"tuning": "each", "train": [read_cycle("eudc")]}, "leave one of the two out"),
    ],
)
def test_a_bad_comparison_is_refused(cycles, options, words):
    options = {"controllers": {}} | options
    with pytest.raises(InputError, match=words):
        compare([read_cycle(c) for c in cycles], read_driveline("full"), **options)


def broken(observation):
    raise ValueError("no idea")


def test_what_fails_is_named_and_the_rest_goes_on():
    """A climb that no driveline drives, and a rule that raises."""
    steep = Cycle("steep", np.arange(10) * 1.0, np.linspace(0, 60, 10), np.full(10, 0.39))
    rules = {"constant": Equivalence(), "broken": broken}
    settings = Settings(soc_points=101, splits=9)
    found = compare(
        [steep, read_cycle("ece15")], read_driveline("micro"), rules, settings, evaluations=5
    )
    assert [(s.cycle, s.controller) for s in found.scores] == [
        ("ece15", OPTIMUM),
        ("ece15", "constant"),
    ]
    assert [(f.cycle, f.controller) for f in found.failures] == [
        ("steep", OPTIMUM),
        ("ece15", "broken"),
    ]
    assert "cannot be driven" in found.failures[0].reason
    assert "no idea" in found.failures[1].reason


@pytest.mark.long
def test_training_cycles_are_all_that_a_rule_is_tuned_on():
    """Its parameters are those of a tuning on the training cycle; only the other is compared."""
    settings = Settings(soc_points=501, splits=31)
    found = compare(
        [read_cycle("ece15")],
        read_driveline("full"),
        {"constant": Equivalence()},
        settings,
        evaluations=30,
        train=[read_cycle("eudc")],
    )
    alone = tune(Equivalence(), [case("eudc")], evaluations=30)
    assert found.tuned["constant", ""].parameters == alone.parameters
    assert found.trained == ["eudc"] and found.cycles == ["ece15"]
    row = score(case("ece15"), "constant", alone.controller)
    assert found.scores[1].cost_g == pytest.approx(row.cost_g, rel=1e-12)


# --- how good tuned rules are ---


def without_events(driveline):
    """Return a driveline whose starts and shifts take nothing: the classical setting."""
    changed = {
        "start": {"fuel": 0.0, "duration": 0.01},
        "engine": {"inertia": 0.0},
        "motor": {"inertia": 0.0},
    }
    parts = {k: dataclasses.replace(getattr(driveline, k), **v) for k, v in changed.items()}
    return dataclasses.replace(driveline, **parts)


@pytest.mark.long
@pytest.mark.parametrize("cycle", ["wltc_class3b_low", *by_hand(LONG)])
def test_constant_factor_is_near_optimal_where_events_are_free(cycle):
    """Literature: tuned equivalence factor within 0.5 to 1 % of DP, from memory (no events).

    Pontryagin's principle: with the battery far from its limits the costate is nearly constant, so
    one factor serves the whole cycle. Here only the factor is tuned.
    """
    found = Case(
        find_optimum(
            read_cycle(cycle), without_events(read_driveline("full")), Settings(shift_cost=0.0)
        )
    )
    free = {"min_on": 0.0, "min_off": 0.0, "min_gear": 0.0}
    rule = Equivalence(start_share=1.0, stop_charge=0.0, shift_share=1.0, **free)
    heat = found.optimum.driveline.fuel.heating_value
    worth = found.worth.fuel_per_energy * heat
    rows = [
        score(found, "constant", rule.varied({"factor": factor}))
        for factor in np.linspace(0.97, 1.03, 13) * worth
    ]
    near = [row for row in rows if row.balance_percent < 3.0]
    assert near and min(row.gap_percent for row in near) < 0.5


@functools.cache
def tuned_constant(cycle):
    """Return a case and the score of the constant factor that is tuned for it."""
    found = case(cycle, soc_points=1001, splits=61)
    return found, score(found, "constant", tune(Equivalence(), [found], 800).controller)


@pytest.mark.long
def test_constant_factor_tuned_on_wltc_is_within_one_and_a_half_percent():
    """With starts and shifts at their price; literature 0.5 to 1 % (from memory) without them."""
    _, row = tuned_constant("wltc_class3b")
    assert 0.0 < row.gap_percent < 1.5 and row.balance_percent < 1.0


@pytest.mark.long
@pytest.mark.parametrize(
    ("cycle", "percent"),
    by_hand([("artemis_urban", 6.0), ("artemis_rural", 4.0), ("artemis_motorway130", 2.5)]),
)
def test_constant_factor_tuned_on_artemis_pays_for_starts_it_cannot_foresee(cycle, percent):
    """Regression only. Above 1.5 %: the loss is in engine and gear decisions, not in the split.

    The same rule is within 0.5 % where events are free (see above).
    """
    _, row = tuned_constant(cycle)
    lost = row.regret.totals
    assert row.gap_percent < percent
    assert lost["engine"] + lost["gear"] > 5.0 * lost["split"]


@pytest.mark.long
@pytest.mark.parametrize("cycle", some(LONG))
def test_tuned_thresholds_lie_between_the_equivalence_factor_and_fifteen_percent(cycle):
    """Literature: 5 to 15 % for hand-tuned thresholds (from memory); a search may do better."""
    found, constant = tuned_constant(cycle)
    load = score(found, "load", tune(PowerThresholds(), [found], 800).controller)
    assert constant.gap_percent < load.gap_percent < 15.0
