"""The predictive controller in C: the same decisions as Python, safe, and as long as it says."""

import re
import shutil
import subprocess
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NamedTuple

import numpy as np
import pytest
from c_build import STRICT, build
from makers import plain_driveline
from preview_decision import PreviewDecision, Table, Want
from preview_tables import hand_made_preview
from rule_tables import TRAINING
from scipy.interpolate import RegularGridInterpolator

from hybridopt import Settings
from hybridopt.base.cautions import TABLES_CAUTION
from hybridopt.controllers import preview_kernels as kernels
from hybridopt.controllers.foreseen import F_ACCELERATION, F_SIZE, F_SPEED, F_SPEED_START, F_TORQUE
from hybridopt.controllers.preview import CLOSED
from hybridopt.controllers.preview_loop import _price
from hybridopt.controllers.shared_kernels import OWN, SOC_REFERENCE
from hybridopt.controllers.shortest_path import Locks, _first_move, make_path
from hybridopt.controllers.situation import SOC_ERROR
from hybridopt.exports.files import write_c
from hybridopt.exports.operation_count import count_operations
from hybridopt.exports.preview_c_code import preview_c_files
from hybridopt.physics.demand import step_demand
from hybridopt.physics.entries import R_SPEED
from hybridopt.problem.events import skipping_shifts

HERE = Path(__file__).parent
INHIBITED = Settings(
    stop_speed_max=22.0, brake_shift_speed=6.0, skip_shifts="up", stop_soc_min=0.4, start_cost=0.02
)
VARIANTS = {
    "usual": {},
    "inhibited": {
        "settings": INHIBITED,
        "seed": 2,
        "horizon": 4.0,
        "step": 0.5,
        "destination": False,
    },
    "present only": {"seed": 3, "horizon": 0.0},
}
ANSWERS = (
    *("engine_on", "gear", "torque", "rests", "fault", "engine_time", "gear_time"),
    "operations",
)
SPLIT_TIE = 3e-6  # g/s, the same for splits
TIE = 3e-5  # g, within which float32 cannot tell costs of some grams apart
needs_compiler = pytest.mark.skipif(shutil.which("cc") is None, reason="needs a C compiler")


def packed(records):
    """Return records as the driver reads them."""
    one = (
        "intervals",
        "soc",
        "dt",
        "on",
        "gear",
        "engine_time",
        "gear_time",
        "remaining",
        "torque",
    )
    columns = [records["speed"], records["grade"], *(records[name][:, None] for name in one)]
    return np.hstack(columns).astype(np.float32)


def runner(program, folder):
    def run(records, how="decide"):
        packed(records).tofile(folder / "in")
        done = subprocess.run([program, how, folder / "in", folder / "out"], capture_output=True)
        assert done.returncode == 0, done.stderr.decode()
        answers = np.fromfile(folder / "out", np.float32).reshape(-1, len(ANSWERS))
        return SimpleNamespace(**dict(zip(ANSWERS, answers.T, strict=True)))

    return run


@pytest.fixture(scope="module", params=list(VARIANTS))
def both(request, tmp_path_factory):
    """Return a controller, the program of its C code, and the folder."""
    if shutil.which("cc") is None:
        pytest.skip("needs a C compiler")
    made, folder = hand_made_preview(**VARIANTS[request.param]), tmp_path_factory.mktemp("code")
    files = write_c(made, folder)
    size = f"-DFORESEEN_MOST={made.preview.intervals}"
    program = build(folder, *files, HERE / "preview_driver.c", size)
    return SimpleNamespace(made=made, run=runner(program, folder), folder=folder, files=files)


def random_records(made, count, seed=1):
    """Return drives of all kinds: at rest, launching, braking, hills, also beyond what is able."""
    random = np.random.default_rng(seed)
    intervals, gears = made.preview.intervals, made.gears
    change = random.normal(0.0, random.choice([0.2, 1.0, 2.5], (count, 1)), (count, intervals + 2))
    change[:, 0] = random.choice([0.0, 3.0, 12.0, 25.0, 38.0], count)
    speed = np.maximum(np.cumsum(change, axis=1), 0.0)
    speed[random.random(count) < 0.1, :2] = 0.0
    times = [0.5, 1.0, 2.0, 5.0, 1e6]
    records = {
        "speed": speed,
        "grade": random.normal(0.0, 0.04, (count, intervals + 1)),
        "intervals": np.full(count, intervals),
        "soc": random.uniform(0.15, 0.85, count),
        "dt": random.choice([0.1, 0.5, 1.0, 1.3], count),
        "on": random.integers(0, 2, count),
        "gear": random.integers(1, gears + 1, count),
        "engine_time": random.choice(times, count),
        "gear_time": random.choice(times, count),
        "remaining": random.choice([0.0, 30.0, 900.0, 1e6], count),
        "torque": random.normal(300.0, 500.0, count),
    }
    return {name: np.float32(column).astype(float) for name, column in records.items()}


def described(decide, records, i):
    """Return the decision of a record by the description."""
    one = {name: column[i] for name, column in records.items()}
    return decide(
        one["speed"].tolist(),
        one["grade"].tolist(),
        one["soc"],
        one["dt"],
        one["on"] > 0.5,
        int(one["gear"]),
        (one["engine_time"], one["gear_time"]),
        one["remaining"],
        one["torque"],
    )


class Around(NamedTuple):
    """What the price of energy looks at of the surroundings of a drive."""

    low: float
    rows: Any


class At(NamedTuple):
    """What it looks at of the situation."""

    t: int
    soc: float
    memory: Any


class InPython:
    """The kernels of the package, asked for records one by one."""

    def __init__(self, made):
        driveline = plain_driveline()
        settings = Settings().resolved(driveline)
        self.made, self.decide = made, PreviewDecision(made)
        known, terms, gears = made.known, made.terms, made.gears
        skips = {(1, 1): "both", (1, 0): "up", (0, 1): "down", (0, 0): "none"}
        closed = skipping_shifts(gears, skips[int(terms.skip_up), int(terms.skip_down)])
        constants = known.constants.copy()
        constants[kernels.STOP_SPEED] = terms.stop_speed
        constants[kernels.BRAKE_SHIFT] = terms.brake_shift_speed
        constants[kernels.START_EXTRA] = terms.start_charge
        self.vehicle = kernels.PreviewVehicle(
            known.ratio,
            known.efficiency,
            known.gear_drag,
            known.shift_fuel + CLOSED * closed,
            terms.shift_charge * (1.0 - np.eye(gears)),
            constants,
            *known.packed(),
        )
        self.path = make_path(
            made.preview.intervals + 1, self.vehicle.shift_fuel, self.vehicle.shift_cost
        )
        own, _ = made.preview._own(driveline, settings)
        shared = np.zeros(OWN)
        shared[SOC_REFERENCE] = made.preview.soc_reference
        self.params = np.array([*shared, *own])

    def wants(self, records):
        """Return what the wheels want, (records, intervals + 1, F_SIZE)."""
        speed, grade = records["speed"], records["grade"]
        dt = np.full(grade.shape, self.made.preview.step)
        dt[:, 0] = records["dt"]
        flat = [x.ravel() for x in (dt, speed[:, :-1], speed[:, 1:], grade)]
        coming = step_demand(self.made.known.vehicle, np.zeros(flat[0].size), *flat)
        wants = np.empty((*grade.shape, F_SIZE))
        wants[..., F_SPEED] = coming.wheel_speed.reshape(grade.shape)
        radius = self.made.known.vehicle.wheel_radius
        wants[..., F_SPEED_START] = (coming.speed_start / radius).reshape(grade.shape)
        wants[..., F_ACCELERATION] = coming.wheel_acceleration.reshape(grade.shape)
        wants[..., F_TORQUE] = coming.wheel_torque.reshape(grade.shape)
        return wants

    def __call__(self, records, i, wants):
        """Return engine on, gear (from 1), motor torque with the engine on, whether it has one."""
        one = {name: float(records[name][i]) for name in records if records[name].ndim == 1}
        preview, dt, radius = self.made.preview, one["dt"], self.made.known.vehicle.wheel_radius
        speed = wants[0, F_SPEED] * radius
        rows = np.zeros((1, R_SPEED + 1))
        rows[0, R_SPEED] = speed
        around = Around(self.made.terms.soc_low, rows)
        at = At(0, one["soc"], np.zeros(SOC_ERROR + 1))
        remaining = one["remaining"] if preview.destination else np.inf
        factor = _price(around, at, self.params, remaining, dt)
        kernels._fill_path(self.vehicle, self.path, wants, dt, preview.step, factor)
        on, gear = one["on"] > 0.5, int(one["gear"]) - 1
        allowed = np.zeros((2, self.made.gears))
        for state, g in self.open(records, i, factor):
            allowed[int(state), g] = 1.0
        times = one["engine_time"] + dt, one["gear_time"] + dt
        least = preview.min_on, preview.min_off, preview.min_gear
        locks = Locks(*least, *times, dt, preview.step)
        state, g = _first_move(self.path, allowed, int(on), gear, locks)
        torque, (shaft, _) = np.nan, kernels._running_point(self.vehicle, wants[0], g)
        self.factor = factor
        if state == 1 and not np.isnan(shaft):
            torque = self.torque(records, i, wants[0], g, factor)
        return state, g + 1, torque, state == 1 and not np.isnan(shaft)

    def torque(self, records, i, want, g, factor):
        """Return the motor torque of the best split; 0 is the unpowered motor."""
        shaft, wanted = kernels._running_point(self.vehicle, want, g)
        works = kernels._works(self.vehicle, records["on"][i] < 0.5, records["dt"][i])
        seen = SimpleNamespace(torque=want[F_TORQUE])
        low, high = self.decide.split_range(seen, shaft, wanted, works)
        return kernels._best_split(self.vehicle, shaft, wanted, works, factor, low, high)

    def dearer(self, records, i, want, g, torque):
        """Return by how much a motor torque costs more than the best, g/s."""
        shaft, wanted = kernels._running_point(self.vehicle, want, g)
        works = kernels._works(self.vehicle, records["on"][i] < 0.5, records["dt"][i])
        point = self.vehicle, shaft, wanted, works, self.factor
        best = self.torque(records, i, want, g, self.factor)
        return kernels._split_cost(*point, torque) - kernels._split_cost(*point, best)

    def open(self, records, i, factor):
        """Return what is open by the limits of the maps, which kernels do not say."""
        one = {name: records[name][i] for name in records}
        now = Want(self.decide.c, *one["speed"][:2], one["grade"][0], one["dt"])
        on, gear = one["on"] > 0.5, int(one["gear"]) - 1
        times = one["engine_time"], one["gear_time"]
        return self.decide.allowed(
            now, one["dt"], one["soc"], on, gear, *times, one["torque"], factor
        )


def told_apart(decide, records, i, engine_on, gear):
    """Return by how much a choice is dearer than the best, or None at a threshold."""
    described(decide, records, i)
    if min(decide.margins) < 2e-6:
        return None
    chosen = bool(engine_on), int(gear) - 1
    assert chosen in decide.totals, f"{chosen} is not open in record {i}"
    cheapest = min(decide.totals.values())
    scale = max(1.0, 1e-6 * abs(cheapest) / TIE)
    return (decide.totals[chosen] - cheapest) / scale


def split_gap(decide, rests, torque):
    """Return by how much a split is dearer than the best, g/s; infinite if it was not tried."""
    tried = [x for x in decide.splits if (x is None) == (rests > 0.5)]
    tried = [x for x in tried if x is None or abs(x - torque) < 2e-3]
    least = min(decide.splits.values())
    return min((decide.splits[x] - least for x in tried), default=np.inf)


def check_against_kernels(both, count):
    """See that decisions that differ are ties for float32, and that torques are the same."""
    made, records = both.made, random_records(both.made, count)
    python, decide = InPython(made), PreviewDecision(made)
    wants = python.wants(records)
    found = np.array([python(records, i, wants[i]) for i in range(count)])
    state, gear, torque, feasible = found[:, 0], found[:, 1], found[:, 2], found[:, 3] > 0.5
    ours = both.run(records)
    assert not ours.fault.any()
    same = (ours.engine_on == state) & (ours.gear == gear)
    flips = np.flatnonzero(~same)
    dearer = [told_apart(decide, records, i, ours.engine_on[i], ours.gear[i]) for i in flips]
    gaps = [x for x in dearer if x is not None]
    assert max(gaps, default=0.0) < TIE, f"{max(gaps):.2e} g dearer"
    rounded = len(flips) - sum(gap < 1e-9 for gap in gaps)
    print(f"\n{len(flips)} of {count} differ, {rounded} by rounding", end="; ")
    assert rounded <= 2e-3 * count, "all others cost exactly the same: at rest, any gear does"
    assert set(gear) == {1.0, 2.0, 3.0} and 0.1 < state.mean() < 0.95
    on = same & (state > 0.5) & feasible
    ours.torque[ours.rests > 0.5] = np.nan
    off = abs(ours.torque - torque)
    (other,) = np.nonzero(on & ~((off < 2e-3) | (np.isnan(torque) & (ours.rests > 0.5))))
    print(f"{len(other)} of {on.sum()} splits")
    assert len(other) <= 3e-3 * on.sum()
    for i in other:
        python(records, i, wants[i])
        gap = python.dearer(records, i, wants[i, 0], int(gear[i]) - 1, float(ours.torque[i]))
        assert gap < SPLIT_TIE, f"{gap:.2e} g/s dearer"


@pytest.mark.long
def test_c_and_the_kernels_agree(both):
    """Engine, gear and torque on thousands of inputs, but where float32 cannot tell costs apart."""
    check_against_kernels(both, 4000)


@pytest.mark.long
def test_c_and_the_kernels_agree_on_many_inputs(both):
    check_against_kernels(both, 30_000)


@pytest.mark.long
def test_c_is_as_described(both):
    """Against plain Python that looks at every move: decision, torque, rest, memory."""
    count = 250
    records, decide = random_records(both.made, count, seed=5), PreviewDecision(both.made)
    ours, rounded = both.run(records), 0
    for i in range(count):
        on, gear, torque, rests = described(decide, records, i)
        if (on, gear) != (bool(ours.engine_on[i]), int(ours.gear[i])):
            dearer = told_apart(decide, records, i, ours.engine_on[i], ours.gear[i])
            assert dearer is None or dearer < TIE, (i, dearer)
            rounded += dearer is None or dearer > 1e-9
        elif torque is not None:
            if on and split_gap(decide, ours.rests[i], ours.torque[i]) < SPLIT_TIE:
                continue
            assert ours.torque[i] == pytest.approx(torque, rel=1e-4, abs=2e-3), i
            assert rests == bool(ours.rests[i])
    assert rounded <= 2


def test_the_table_of_the_description_is_scipy_s():
    found = hand_made_preview().known.running_cost
    random = np.random.default_rng(1)
    inside = np.array([random.uniform(axis[0], axis[-1], 50) for axis in found.axes]).T
    ours = [Table(found.axes, found.values)(*x) for x in inside]
    np.testing.assert_allclose(ours, RegularGridInterpolator(found.axes, found.values)(inside))


def test_steps_count_times(both):
    """Times of the engine and gear that really were; the first step knows none before."""
    count = 400
    records = random_records(both.made, count, seed=3)
    random = np.random.default_rng(4)
    records["dt"] = random.integers(1, 9, count) / 8.0
    for name in ("on", "gear"):
        records[name] = np.repeat(records[name][::5], 5)
    answers = both.run(records, "step")
    engine_time, gear_time = 1e6, 1e6
    for i in range(count):
        if i:
            kept = records["on"][i] == records["on"][i - 1]
            engine_time = min((engine_time if kept else 0.0) + records["dt"][i - 1], 1e6)
            kept = records["gear"][i] == records["gear"][i - 1]
            gear_time = min((gear_time if kept else 0.0) + records["dt"][i - 1], 1e6)
        assert (answers.engine_time[i], answers.gear_time[i]) == (engine_time, gear_time)


@pytest.mark.long
def test_fewer_intervals_are_as_good_as_a_shorter_horizon(both, tmp_path):
    """A code for 6 intervals that is given 2 decides as one that was made for 2."""
    if both.made.preview.intervals < 3:
        pytest.skip("nothing is shorter")
    short = hand_made_preview(**(VARIANTS["usual"] | {"horizon": 2.0, "step": 1.0}))
    made = hand_made_preview(horizon=6.0)
    driver = HERE / "preview_driver.c"
    answers = []
    for found, name in ((made, "long"), (short, "short")):
        folder = tmp_path / name
        folder.mkdir()
        size = f"-DFORESEEN_MOST={found.preview.intervals}"
        run = runner(build(folder, *write_c(found, folder), driver, size), folder)
        records = random_records(made, 300)
        wanted = found.preview.intervals
        records |= {"intervals": np.full(300, 2.0), "speed": records["speed"][:, : wanted + 2]}
        answers.append(run(records | {"grade": records["grade"][:, : wanted + 1]}))
    for name in ANSWERS[:-1]:
        assert np.array_equal(*(getattr(answer, name) for answer in answers)), name


def test_no_input_does_harm(both):
    """Not finite: a fault, engine and gear as they are, no torque. Huge ones: no harm."""
    random = np.random.default_rng(6)
    count = 3000
    bad = np.array([np.nan, np.inf, -np.inf])
    wild = np.array([3.4e38, -3.4e38, 1e30, -1e30, 1e-45, -0.0, 0.0, 1.0])
    for how in ("decide", "step"):
        records = random_records(both.made, count, seed=7)
        for name in ("soc", "dt", "engine_time", "gear_time", "remaining", "torque"):
            replaced = random.random(count) < 0.15
            records[name][replaced] = random.choice(wild, replaced.sum())
        records["dt"][records["dt"] <= 0.0] = 1e-30
        for name in ("speed", "grade"):
            replaced = random.random(records[name].shape) < 0.1
            records[name][replaced] = random.choice(wild, replaced.sum())
        broken = random.random(count) < 0.4
        which = random.integers(0, 4, count)
        for i, name in enumerate(("speed", "grade", "soc", "dt")):
            hit = broken & (which == i)
            column = records[name] if records[name].ndim == 1 else records[name][:, -1]
            column[hit] = random.choice([*bad, 0.0] if name == "dt" else bad, hit.sum())
        records["gear"] = random.choice([-(2.0**31), -5.0, 0.0, 1.0, 3.0, 99.0, 2e9], count)
        records["intervals"] = random.choice([99.0, float(both.made.preview.intervals)], count)
        ours = both.run(records, how)
        for name in ANSWERS:
            assert np.isfinite(getattr(ours, name)).all(), name
        assert ((ours.gear >= 1) & (ours.gear <= 3)).all()
        assert ours.fault[broken].all() and not ours.fault[~broken].any()
        assert (ours.torque[broken] == 0).all()
        assert (ours.engine_on[broken] == records["on"][broken]).all()


# --- how long it takes ---


@pytest.mark.long
@pytest.mark.skipif(shutil.which("g++") is None, reason="needs a C++ compiler")
def test_no_decision_takes_more_operations_than_stated(both):
    """Compiled as C++ with a float and an int that count, over drives that lock and free all."""
    made, folder = both.made, both.folder
    source = next(path for path in both.files if path.suffix == ".c")
    whole = f'#include "{source.name}"\n#include "{HERE / "preview_driver.c"}"\n'
    (folder / "whole.cpp").write_text(f"#define FORESEEN_MOST {made.preview.intervals}\n{whole}")
    names = ("-DCOUNTING", f"-DNAME={source.stem}", f'-DNAME_H="{source.stem}.h"', f"-I{folder}")
    counting = ("-include", str(HERE / "counting.hpp"))
    command = ["g++", "-std=c++17", "-O1", "-w", *counting, *names, folder / "whole.cpp"]
    subprocess.run([*command, "-o", folder / "counting"], check=True)
    run, records = runner(folder / "counting", folder), random_records(made, 4000, seed=8)
    ours, plain = run(records, "step"), both.run(records, "step")
    for name in ANSWERS[:-1]:
        assert np.array_equal(getattr(ours, name), getattr(plain, name)), name
    header = (folder / f"{source.stem}.h").read_text()
    stated = int(re.search(r"_OPERATIONS (\d+)", header)[1])
    share = ours.operations.max() / stated
    print(f"\nat most {stated} operations, {ours.operations.max():.0f} were taken: {share:.0%}")
    assert 0.5 < share <= 1.0


def test_operations_are_counted_by_hand():
    """One sum of 3 in a loop of 4, the dearer of two branches, and a call."""
    text = """#define GEARS 4
static float twice(float a)
{
    return a * 2.0F;
}

void f(float *x, int n)
{
    int g;
    for (g = 0; g < GEARS; ++g) {
        x[g] += x[g + 1] / -2.0F;
    }
    if (n > 2) {
        *x = twice(x[0]) - 1.0F;
    } else {
        x[0] = 1.0F;
    }
    while (n > 0) { /* at most GEARS + 1 times */
        --n;
    }
}
"""
    # loop: 5 tests, 4 of ++ and of (+=, +, /); if: 1 test and * -; while: 6 tests and 5 of --
    assert count_operations(text, "f") == (5 + 4 + 12 + 1 + 2 + 6 + 5, 4)
    with pytest.raises(ValueError, match="a loop does not state how often it runs"):
        count_operations(text.replace("/* at most GEARS + 1 times */", ""), "f")


# --- what the code looks like ---


@pytest.mark.long
@needs_compiler
def test_code_uses_nothing_it_should_not(both):
    """No symbols of a library, no memory that is not constant, no double, no recursion."""
    header, source = both.files
    out = both.folder / "a.o"
    subprocess.run(["cc", "-std=c99", "-O2", "-fno-pic", "-c", source, "-o", out], check=True)
    if shutil.which("nm"):
        listed = subprocess.run(["nm", out], capture_output=True, text=True, check=True).stdout
        kinds = {line.split()[-1]: line.split()[-2] for line in listed.splitlines()}
        assert not {"U", "D", "d", "B", "b", "C"} & set(kinds.values()), listed
        assert {name for name, kind in kinds.items() if kind == "T"} == {
            "preview_made_by_hand_" + name for name in ("init", "step", "decide")
        }
    code = re.sub(r"/\*.*?\*/", "", source.read_text() + header.read_text(), flags=re.DOTALL)
    assert "double" not in code and "alloc" not in code
    assert not re.search(r"\d\.\d+(?![\deF])", code), "every constant is a float"
    bodies = re.findall(
        r"^[\w ]+ \*?(\w+)\([^)]*\)\n\{(.*?)^\}", code, flags=re.DOTALL | re.MULTILINE
    )
    done = set()
    for name, body in bodies:  # each calls only what stands above it
        called = {word for word in re.findall(r"(\w+)\(", body) if word in dict(bodies)}
        assert called <= done, name
        done.add(name)
    assert len(bodies) > 30


def test_header_names_units_hash_caution_and_what_it_does_not_know():
    for text in preview_c_files(hand_made_preview()).values():
        flat = re.sub(r"[\s*]+", " ", text)
        assert TABLES_CAUTION in flat and TRAINING in flat
        assert "axis input_torque, N m, 9 from -150 to 400" in flat
        assert "mass: of the vehicle, kg" in flat
    header = preview_c_files(hand_made_preview())["preview_made_by_hand.h"]
    flat = re.sub(r"[\s*]+", " ", header)
    assert "Limits of the battery, temperatures and requests of heat are not known" in flat


@needs_compiler
@pytest.mark.parametrize("title", ["*/ int x = 1; /*", "??/", "${name}", "a\nb", "", "int"])
def test_no_title_gets_into_code_or_path(tmp_path, title):
    for path in write_c(hand_made_preview(title), tmp_path):
        assert path.parent == tmp_path and path.stem.startswith("preview")
        text = path.read_text(encoding="ascii")
        assert len(re.findall(r"/\*", text)) == len(re.findall(r"\*/", text))
        if path.suffix == ".c":
            command = ["cc", *STRICT, "-Wcomment", "-c", path, "-o", tmp_path / "a.o"]
            subprocess.run(command, check=True)
