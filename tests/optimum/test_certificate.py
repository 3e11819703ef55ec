"""Certificates: proved again by NumPy alone, never above exact answers, and not to be forged.

References: enumeration of all schedules in plain Python, and the schedule's own cost from above
(weak duality: Geoffrion, Lagrangean relaxation for integer programming, Math. Prog. Study 2, 1974,
DOI 10.1007/BFb0120690).
"""

import functools
import json

import numpy as np
import oracle
import pytest
from case_counts import cases
from click.testing import CliRunner
from hypothesis import HealthCheck, assume, given
from hypothesis import settings as examples
from test_brute_force import LOSSY_PENALTY, instances, solve_lossy

from hybridopt import Settings, read_cycle, read_driveline
from hybridopt.base.errors import FailedError, HybridoptError, InputError
from hybridopt.cli.main import main
from hybridopt.dp.bound import lower_bound
from hybridopt.inputs.cycle import cycle_names
from hybridopt.optimum import certificate as made_by
from hybridopt.optimum import proof
from hybridopt.pipeline import find_optimum

QUICK = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
SHARE = 1e-6  # of the cost: most that rounding may take off


@functools.cache
def known(cycle="ece15", driveline="mild"):
    """Solve once; return the optimum and its certificate."""
    settings = Settings(soc_points=501, splits=21)
    best = find_optimum(read_cycle(cycle), read_driveline(driveline), settings, keep_value=False)
    return best, made_by.make_certificate(best)


@pytest.fixture
def file(tmp_path):
    made_by.write_arrays(tmp_path / "c.npz", known()[1])
    return tmp_path / "c.npz"


# --- soundness ---


def check_against_enumeration(instance):
    """The checker's own bound, for good and poor multipliers, lies below the best of all."""
    points, battery, settings, shift, events, solution = solve_lossy(instance, 201, 0.3)
    best = oracle.brute_force(points, battery, settings, LOSSY_PENALTY, shift, **events)
    met = settings.terminal == "free" or best.soc_end >= settings.soc_target - 1e-12
    assume(np.isfinite(best.cost) and met)
    bound = lower_bound(solution.problem, solution.run, solution.costate)
    stated = made_by.problem_arrays(solution.problem) | {"soc_end": bound.end, "boxes": 16}
    for multipliers in (bound.plain, 0.5 * bound.plain, np.full(points.steps + 1, 1e-4)):
        limit, slack = proof.lower_limit(stated | {"multipliers": multipliers})
        assert limit - slack <= best.cost + 1e-9 * (1.0 + abs(best.cost))
        assert 0.0 <= slack <= SHARE * (1.0 + abs(best.cost))


@examples(max_examples=30, **QUICK)
@given(instances())
def test_never_above_the_enumerated_optimum(instance):
    check_against_enumeration(instance)


@pytest.mark.long
@examples(max_examples=cases(200), **QUICK)
@given(instances())
def test_never_above_hundreds_of_enumerated_optima(instance):
    check_against_enumeration(instance)


@pytest.mark.parametrize("driveline", ["full", "mild"])
def test_stages_lie_below_every_mixture_of_two_neighbours(driveline):
    """Brute force over 41 mixtures of neighbours and 21 states of charge of each box."""
    c = known("ece15", driveline)[1]
    random = np.random.default_rng(3)
    low = random.uniform(0.41, 0.75, 40)
    box = proof.boxes(c, low, low + random.uniform(1e-4, 0.05, 40))
    lists = random.choice(np.flatnonzero(c["count"].ravel() > 1), 40)
    t = lists // (c["count"][0].size)
    weight = random.uniform(0.0, 2e-4, 40)
    change = random.normal(0.0, 1e-7, 40)
    for i, row in enumerate(lists):
        place = c["first"].ravel()[row] + np.arange(c["count"].ravel()[row])
        place = place[np.isfinite(c["cost"][place])]
        if place.size < 2:
            continue
        power, cost = c["power"][place], c["cost"][place]
        terms = weight[i : i + 1], change[i : i + 1], c["dt"][t[i : i + 1]]
        least = proof.stage(c, (power[None], cost[None]), terms, box[:, i : i + 1])[0]
        share = np.linspace(0.0, 1.0, 41)
        mixed = power[:-1, None] + share * np.diff(power)[:, None]
        paid = cost[:-1, None] + share * np.diff(cost)[:, None]
        for soc in np.linspace(*np.interp(box[:2, i], proof.energy(c, GRID), GRID), 21):
            z = proof.energy(c, np.array([soc]))[0]
            u = proof.battery(c, "voltage", soc)
            r = np.where(mixed > 0, *(proof.battery(c, n, soc) for n in ("discharge", "charge")))
            inside = u * u - 4.0 * r * mixed
            current = 2.0 * mixed / (u + np.sqrt(np.maximum(inside, 0.0)))
            after = (
                soc
                - current
                * np.where(mixed < 0, c["efficiency"], 1.0)
                * c["dt"][t[i]]
                / c["capacity"]
            )
            drain = z - proof.energy(c, after.ravel()).reshape(after.shape)
            true = np.where(inside >= 0.0, paid + weight[i] * drain + change[i] * z, np.inf)
            assert least <= true.min() + 1e-9


GRID = np.linspace(0.0, 1.0, 20001)


def test_the_checker_agrees_with_solver_and_trace():
    best, made = known()
    found = made_by.check_certificate(made)
    assert found.cost == pytest.approx(best.solution.cost, rel=1e-9)
    assert found.bound <= found.cost
    # no mixtures of distant splits, which the solver allows, but no corridor either
    assert found.bound >= best.bound.bound * (1.0 - 2e-4)
    assert found.slack < SHARE * found.cost
    assert found.soc_end == pytest.approx(best.solution.soc[-1], abs=1e-9)


@pytest.mark.parametrize(
    "options",
    [
        {"terminal": "target", "soc_target": 0.55},
        {"terminal": "deplete"},
        {"min_on_time": 3.0, "min_off_time": 2.0, "min_gear_time": 2.0},
        {"stop_soc_min": 0.6, "skip_shifts": "none"},
        {"thermal_limits": True},
    ],
)
def test_other_settings_are_certified_too(options):
    settings = Settings(soc_points=501, splits=11, **options)
    best = find_optimum(read_cycle("ece15"), read_driveline("full"), settings, keep_value=False)
    found = made_by.check_certificate(made_by.make_certificate(best))
    assert found.bound <= best.solution.cost
    assert found.cost == pytest.approx(best.solution.cost, rel=1e-6)


@pytest.mark.long
@pytest.mark.parametrize("driveline", ["full", "mild", "micro"])
@pytest.mark.parametrize(
    "cycle", [n for n in cycle_names("schedule") if not n.startswith("wltc_class3b_")]
)
def test_every_shipped_cycle_is_certified(driveline, cycle):
    best = find_optimum(read_cycle(cycle), read_driveline(driveline), keep_value=False)
    found = made_by.check_certificate(made_by.make_certificate(best))
    assert found.slack < SHARE * found.cost
    assert 0.0 <= found.cost - found.bound <= 1e-3 * found.cost


# --- damage and forgery ---


def test_a_round_trip_keeps_every_bit(file):
    made, read = known()[1], made_by.read_certificate(file)
    assert read["about"] == made["about"]
    assert all(np.array_equal(read[name], made[name]) for name in made_by.SHAPES)
    assert made_by.problem_differs(read, known()[0].solution.problem) == ""


@pytest.mark.parametrize(
    ("name", "change", "words"),
    [("bound_g", 1e-3, "it proves"), ("cost_g", -1e-3, "its schedule costs")],
)
def test_claims_beyond_the_proof_are_refused(name, change, words):
    made = known()[1]
    about = made["about"] | {name: made["about"][name] + change}
    with pytest.raises(FailedError, match=words):
        made_by.check_certificate(made | {"about": about})


def refused_or_harmless(path, problem, optimum):
    """Return whether a file is refused; what is accepted claims nothing false of the problem."""
    try:
        found = made_by.read_certificate(path)
        made_by.check_certificate(found)
    except HybridoptError as error:
        assert error.exit_code in (1, 2)
        assert "\n" not in str(error)
        return True
    true = found["about"]["bound_g"] <= optimum * (1.0 + 1e-9)
    assert true or made_by.problem_differs(found, problem)
    return False


def mutate(seed, file, out):
    """Damage bytes of a file, or change numbers and make the archive and its digest anew."""
    random = np.random.default_rng(seed)
    if seed % 2:
        content = bytearray(file.read_bytes())
        for _ in range(random.integers(1, 4)):
            content[random.integers(len(content))] ^= 1 << random.integers(8)
        if random.random() < 0.1:
            content = content[: random.integers(len(content))]
        out.write_bytes(content)
        return
    made = {k: v if k == "about" else v.copy() for k, v in known()[1].items()}
    for _ in range(random.integers(1, 4)):
        name = random.choice(list(made_by.SHAPES))
        flat = made[name].reshape(-1)
        i = random.integers(flat.size)
        if made_by._kind(name) == "<i8":
            flat[i] += random.choice([-1, 1, 1000, -(2**40)])
        else:
            wrong = [-flat[i], flat[i] * random.choice([0.5, 0.999, 1.01, 2.0, 1e9])]
            flat[i] = random.choice([*wrong, random.choice([0.0, np.inf, np.nan])])
    about = dict(made["about"])
    if random.random() < 0.3:
        about["bound_g"] *= random.choice([1.0001, 1.01, 0.9])
    about["problem_sha256"] = made_by.problem_digest(made)
    made_by.write_arrays(out, made | {"about": about})


def check_mutations(count, file, tmp_path):
    best = known()[0]
    out, refused = tmp_path / "m.npz", 0
    for seed in range(count):
        mutate(seed, file, out)
        refused += refused_or_harmless(out, best.solution.problem, best.solution.cost)
    return refused


def test_mutated_certificates_are_refused_or_harmless(file, tmp_path):
    assert check_mutations(30, file, tmp_path) >= 15


@pytest.mark.long
def test_a_thousand_mutated_certificates_are_refused_or_harmless(file, tmp_path):
    assert check_mutations(1000, file, tmp_path) >= 500


# --- as a user types it ---


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def test_solve_writes_what_audit_checks(tmp_path):
    path, quick = tmp_path / "a.npz", ("--soc-points", 301, "--splits", 11)
    written = run("solve", "ece15", "--certificate", path, "--json", *quick)
    assert written.exit_code == 0, written.output
    assert json.loads(written.output)["files"] == [str(path)]
    shown = run("audit", path, "--cycle", "ece15", "--json", *quick)
    assert shown.exit_code == 0, shown.output
    record = json.loads(shown.output)
    assert record["ok"] and record["bound_g"] <= record["cost_g"]
    assert record["rounding_g"] < SHARE * record["cost_g"]
    assert "the certificate holds" in run("audit", path).output
    other = run("audit", path, "--cycle", "ece15", "--soc-max-percent", 70, *quick)
    assert other.exit_code == 1 and "window differs" in other.output
    again = run("solve", "ece15", "--certificate", path, *quick)
    assert again.exit_code == 2 and "exists already" in again.output


def test_damage_is_told_in_one_sentence(file):
    file.write_bytes(file.read_bytes()[:5000])
    shown = run("audit", file)
    assert shown.exit_code == 2 and shown.output.count("\n") == 1
    with pytest.raises(InputError, match="damaged"):
        made_by.read_certificate(file)
    idle = run("audit", file, "--driveline", "mild")
    assert idle.exit_code == 2 and "leave it out" in idle.output
