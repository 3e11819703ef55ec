"""The C code: compiled without a warning, run under the sanitizers, the same as Python."""

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from c_build import STRICT, build
from decision import ROUND, Decision, Table
from makers import plain_driveline
from numba import njit
from rule_tables import TRAINING, hand_made

from hybridopt import Settings, read_cycle
from hybridopt.base.cautions import TABLES_CAUTION
from hybridopt.base.errors import InputError
from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.controllers.maps import Map
from hybridopt.controllers.rule_kernels import PackedTable, TableInputs, _table_command
from hybridopt.exports.c_code import as_int16, c_files
from hybridopt.exports.c_text import NAME_LENGTH, c_name
from hybridopt.exports.files import write_c
from hybridopt.physics.demand import wheel_demand
from hybridopt.tables.rule_table import LAYOUT

FIELDS = (
    "speed",
    "wheel_speed",
    "wheel_torque",
    "soc",
    "dt",
    "engine_on",
    "gear",
    "engine_time",
    "gear_time",
)
INPUTS = tuple(name for name in FIELDS if name != "dt")  # of a decision, in their order
RECORDS = 1_000_000
needs_compiler = pytest.mark.skipif(shutil.which("cc") is None, reason="needs a C compiler")


def compiled(rule_set, folder, int16=False):
    """Compile the exported code with a driver; return a function from records to answers."""
    header, source = write_c(rule_set, folder, int16=int16)
    driver = Path(__file__).parent / "driver.c"
    program = build(folder, header, source, driver)

    def run(records, how="decide"):
        table = np.column_stack([records[name] for name in FIELDS]).astype(np.float32)
        table.tofile(folder / "in")
        done = subprocess.run([program, how, folder / "in", folder / "out"], capture_output=True)
        assert done.returncode == 0, done.stderr.decode()
        return np.fromfile(folder / "out", np.float32).reshape(-1, 6)

    return run


def random_records(count, rule_set, seed=1):
    """Return inputs over and beyond the axes; a tenth of the values are points of an axis."""
    random = np.random.default_rng(seed)
    table, gears = rule_set.table, rule_set.gearbox.ratios.size
    records = {
        "speed": random.uniform(-2.0, 40.0, count),
        "wheel_torque": random.uniform(-1500.0, 2500.0, count),
        "soc": random.uniform(0.2, 0.8, count),
        "dt": random.uniform(0.0, 2.0, count),
        "engine_on": random.integers(0, 2, count),
        "gear": random.integers(1, gears + 1, count),
        "engine_time": random.choice([0.5, 1.0, 2.0, 3.0, 5.0, 1e6], count),
        "gear_time": random.choice([0.5, 1.0, 1.5, 2.0, 1e6], count),
    }
    points = {
        "speed": table.engine_start.axes[0],
        "soc": table.engine_start.axes[1],
        "wheel_torque": table.shift_up.axes[1],
    }
    for name, axis in points.items():
        snapped = random.random(count) < 0.1
        records[name][snapped] = random.choice(axis, snapped.sum())
    lines = random.random(count) < 0.02  # on a gear line at a point of its axes
    records["speed"][lines] = random.choice(table.shift_up.values.ravel(), lines.sum())
    records["wheel_speed"] = np.maximum(records["speed"], 0.0) / 0.3
    return {name: np.float32(column).astype(float) for name, column in records.items()}


@njit
def _commands(gearbox, table, columns, out):
    for i in range(out.shape[0]):
        speed, wheel_speed, torque, soc, engine, gear, engine_time, gear_time = columns[i]
        before = int(engine), int(gear) - 1, engine_time, gear_time
        seen = TableInputs(speed, wheel_speed, torque, soc, *before)
        on, chosen, wanted = _table_command(gearbox, table, seen)
        out[i] = (1.0 if on else 0.0), chosen + 1.0, wanted


def in_python(rule_set, records):
    """Return engine on, gear (from 1) and torque of the package's own kernel, in float64."""
    table = rule_set.table
    own, maps = table.packed()
    columns = np.ascontiguousarray(np.column_stack([records[name] for name in INPUTS]))
    out = np.empty((columns.shape[0], 3))
    times = np.array([table.min_on, table.min_off, table.min_gear])
    _commands(rule_set.gearbox.packed(), PackedTable(own, times, maps), columns, out)
    return out


def described(decide, records, i):
    """Return engine on, gear (from 1) and torque of a record by the decision in plain Python."""
    *road, on, gear, engine_time, gear_time = (records[name][i] for name in INPUTS)
    return decide(*road, on > 0.5, int(gear), engine_time, gear_time)


def assert_same(rule_set, records, ours, theirs):
    """Compare C with Python; return how many decisions flipped, all within float32 rounding."""
    decide = Decision(rule_set)
    flipped = np.flatnonzero((ours[:, :2] != theirs[:, :2]).any(axis=1))
    for i in flipped:
        described(decide, records, i)
        assert min(decide.margins) < 1.0, {name: records[name][i] for name in INPUTS}
    same = np.ones(len(ours), dtype=bool)
    same[flipped] = False
    on, off = same & (ours[:, 0] > 0.5), same & (ours[:, 0] < 0.5)
    torque, other = ours[:, 2], theirs[:, 2]
    room = Table(rule_set.table.motor_torque).rounding
    assert abs(torque - other)[on].max() < room
    assert (abs(torque - other)[off] <= 8 * ROUND * (abs(other[off]) + 10.0)).all()
    return len(flipped), float(abs(torque - other)[on].max()), room


@pytest.fixture(scope="module", params=[False, True], ids=["float32", "int16"])
def both(request, tmp_path_factory):
    """Return what the C code holds as a rule set, and its program."""
    if shutil.which("cc") is None:
        pytest.skip("needs a C compiler")
    folder, made = tmp_path_factory.mktemp("code"), hand_made()
    run = compiled(made, folder, request.param)
    return as_int16(made) if request.param else made, run


@pytest.mark.long
def test_c_and_python_agree_on_a_million_inputs(both):
    """Same engine state, gear and torque but where Python is within rounding of a threshold."""
    held, run = both
    records = random_records(RECORDS, held)
    theirs, ours = in_python(held, records), run(records)
    assert not ours[:, 3].any()
    flips, worst, room = assert_same(held, records, ours, theirs)
    print(f"\n{flips} of {RECORDS} decisions flipped; torque off by {worst:.2e} of {room:.2e} N m")
    assert flips < 1e-3 * RECORDS
    assert len(set(theirs[:, 1])) == 3 and 0.2 < theirs[:, 0].mean() < 0.9, "all kinds occur"


@pytest.mark.long
def test_python_kernel_is_as_described():
    """The kernel against plain Python with scipy's interpolation; no rounding is allowed for."""
    made = hand_made()
    records = random_records(3000, made, seed=2)
    theirs, decide = in_python(made, records), Decision(made)
    for i in range(3000):
        on, gear, torque = described(decide, records, i)
        if min(decide.margins) > 1e-6:
            assert (on, gear) == tuple(theirs[i, :2]), {name: records[name][i] for name in INPUTS}
            assert torque == pytest.approx(theirs[i, 2], rel=1e-9, abs=1e-9)


def test_steps_count_the_times_as_the_closed_loop_does(both):
    """Time in state and gear of the engine and gear that really were, in steps of 1/8 s."""
    held, run = both
    count = 5000
    records = random_records(count, held, seed=3)
    random = np.random.default_rng(4)
    records["dt"] = random.integers(1, 9, count) / 8.0
    for name in ("engine_on", "gear"):
        records[name] = np.repeat(records[name][::5], 5)
    answers = run(records, "step")
    engine_time = gear_time = 1e6
    for i in range(1, count):
        dt = records["dt"][i]
        kept = records["engine_on"][i] == records["engine_on"][i - 1]
        engine_time = min((engine_time if kept else 0.0) + dt, 1e6)
        kept = records["gear"][i] == records["gear"][i - 1]
        gear_time = min((gear_time if kept else 0.0) + dt, 1e6)
        assert tuple(answers[i, 4:]) == (engine_time, gear_time)
    records["engine_time"], records["gear_time"] = (answers[:, i].astype(float) for i in (4, 5))
    assert_same(held, records, answers, in_python(held, records))


@pytest.mark.parametrize("how", ["decide", "step"])
def test_no_input_does_harm(both, how):
    """Not finite: a fault, engine and gear as they are, no torque. Huge ones: no harm."""
    held, run = both
    random = np.random.default_rng(5)
    count = 20_000
    bad = np.array([np.nan, np.inf, -np.inf])
    wild = np.array([3.4e38, -3.4e38, 1e30, -1e30, 1e-45, -0.0, 0.0, 1.0])
    records = random_records(count, held, seed=6)
    for name in ("speed", "wheel_speed", "wheel_torque", "soc", "engine_time", "gear_time", "dt"):
        replaced = random.random(count) < 0.2
        records[name][replaced] = random.choice(wild, replaced.sum())
    broken = random.random(count) < 0.5
    which = random.integers(0, 4, count)
    for i, name in enumerate(("speed", "wheel_speed", "wheel_torque", "soc")):
        records[name][broken & (which == i)] = random.choice(bad, (broken & (which == i)).sum())
    records["gear"] = random.choice([-(2**31), -5, 0, 1, 2, 3, 4, 99, 2e9], count)
    answers = run(records, how)
    assert (answers[broken, 3] == 1).all() and not answers[~broken, 3].any()
    assert np.isfinite(answers[:, :4]).all()
    assert ((answers[:, 1] >= 1) & (answers[:, 1] <= 3)).all()
    assert (answers[broken, 2] == 0).all()
    assert (answers[broken, 0] == records["engine_on"][broken]).all()
    assert (answers[broken, 1] == np.clip(records["gear"][broken], 1, 3)).all()


def test_a_step_that_is_not_finite_is_a_fault(both):
    held, run = both
    records = random_records(6, held, seed=7)
    records["dt"][3:] = [np.nan, np.inf, -np.inf]
    answers = run(records, "step")
    assert list(answers[:, 3]) == [0, 0, 0, 1, 1, 1] and np.isfinite(answers).all()


# --- what the code looks like ---


@needs_compiler
@pytest.mark.parametrize("int16", [False, True])
def test_code_uses_nothing_it_should_not(tmp_path, int16):
    """No symbols of a library, no memory that is not constant, no double, no recursion."""
    _, source = write_c(hand_made(), tmp_path, int16=int16)
    subprocess.run(
        ["cc", "-std=c99", "-O2", "-fno-pic", "-c", source, "-o", tmp_path / "a.o"], check=True
    )
    if shutil.which("nm"):
        listed = subprocess.run(
            ["nm", tmp_path / "a.o"], capture_output=True, text=True, check=True
        ).stdout
        kinds = {line.split()[-1]: line.split()[-2] for line in listed.splitlines()}
        assert not {"U", "D", "d", "B", "b", "C"} & set(kinds.values()), listed
        assert {name for name, kind in kinds.items() if kind == "T"} == {
            "rules_made_by_hand_" + name for name in ("init", "step", "decide")
        }
    text = source.read_text() + (tmp_path / "rules_made_by_hand.h").read_text()
    code = re.sub(r"/\*.*?\*/", "", text, flags=re.DOTALL)
    assert "double" not in code and "alloc" not in code
    bodies = re.findall(
        r"^[\w ]+ \*?(\w+)\([^)]*\)\n\{(.*?)^\}", code, flags=re.DOTALL | re.MULTILINE
    )
    assert len(bodies) == 15
    done = set()
    for name, body in bodies:  # each calls only what stands above it
        called = {word for word in re.findall(r"(\w+)\(", body) if word in dict(bodies)}
        assert called <= done, name
        done.add(name)


@pytest.mark.parametrize("int16", [False, True])
def test_header_names_quantities_units_axes_hash_and_caution(int16):
    files = c_files(hand_made(), int16)
    for text in files.values():
        flat = re.sub(r"[\s*]+", " ", text)
        assert TABLES_CAUTION in flat and TRAINING in flat
        for name, keys in LAYOUT.items():
            assert f" {name}: " in flat and len(keys) > 1
        assert "axis wheel_torque, N m, 3 from -500 to 1000" in flat
        assert "values, W, 9 from 1001 to 20020" in flat
        assert ("10510.5 + 0.5 times the entry" in flat) == int16


def test_scales_hold_round_values_exactly():
    """Scales are 1, 2 or 5 times a power of ten: gears, states and 0.5 steps stay what they are."""
    held = as_int16(hand_made())
    assert held.table.shift_up.axes[0] == pytest.approx([1.0, 2.0], abs=2e-7)
    assert held.table.shift_down.axes[0] == pytest.approx([2.0, 3.0], abs=2e-7)
    assert held.table.engine_start.axes[1] == pytest.approx([0.4, 0.5, 0.6], abs=5e-8)
    for name, found in hand_made().maps.items():
        span = np.ptp(found.values)
        assert abs(held.map(name).values - found.values).max() <= 2.5 * span / 65534, name


@pytest.mark.long
@needs_compiler
@pytest.mark.parametrize(
    "title",
    [
        "*/ int x = 1; /*",
        "??/",
        'a"b\\',
        "../../etc/passwd",
        "int",
        "9 lives",
        "ü",
        "",
        "a" * 300,
        "${name}",
        "%s%n",
        "a\nb",
        "\u202e",
        "// \\",
        "#define int char",
    ],
)
def test_no_title_gets_into_code_or_path(tmp_path, title):
    name = c_name(title)
    assert re.fullmatch(r"rules[a-z0-9_]*", name) and len(name) <= NAME_LENGTH
    for path in write_c(hand_made(title), tmp_path):
        assert path.parent == tmp_path and path.stem == name
        text = path.read_text(encoding="ascii")
        assert len(re.findall(r"/\*", text)) == len(re.findall(r"\*/", text))
        if path.suffix == ".c":
            plain = c_files(hand_made("x"))["rules_x.c"].replace("rules_x", name)
            code, other = (re.sub(r"/\*.*?\*/", "", t, flags=re.DOTALL) for t in (text, plain))
            assert code == other.replace("RULES_X", name.upper())
            command = ["cc", *STRICT, "-Wcomment", "-c", path, "-o", tmp_path / "a.o"]
            subprocess.run(command, check=True)


def test_axes_that_fall_together_when_rounded_are_refused():
    """Two points 1e-9 apart are one in float32; 1 in 1e6 apart are one in int16."""
    made = hand_made()

    def with_axis(axis):
        limit = Map((np.array(axis),), made.table.electric_limit.values)
        return replace(made, table=replace(made.table, electric_limit=limit))

    with pytest.raises(InputError, match="electric_limit_input_speed as float32: is 100 after 100"):
        c_files(with_axis([100.0, 100.0 + 1e-9, 500.0]))
    c_files(with_axis([100.0, 100.001, 500.0]))
    with pytest.raises(InputError, match="as int16"):
        c_files(with_axis([100.0, 100.001, 500.0]), int16=True)


# --- what int16 costs ---


def fuel_at_equal_soc(rule_set, cycle, driveline):
    """Return the fuel of a closed loop, with what its battery lacks at 55 g per MJ.

    That is the Willans slope of a petrol engine, 0.0733 l/MJ (Decision (EU) 2020/728), at 750 g/l.
    """
    settings = Settings(terminal="free").resolved(driveline)
    loop = ClosedLoop(driveline, wheel_demand(driveline.vehicle, read_cycle(cycle)), settings)
    drive = loop.run(rule_set.table)
    stored = 250.0 * driveline.battery.capacity * (settings.socs[2] - drive.soc_end)
    return drive.fuel.sum() + 55e-6 * stored


@pytest.mark.parametrize("cycle", ["wltc_class3b", "udds"])
def test_int16_tables_cost_next_to_nothing(cycle):
    made, driveline = hand_made(), plain_driveline()
    full = fuel_at_equal_soc(made, cycle, driveline)
    rounded = fuel_at_equal_soc(as_int16(made), cycle, driveline)
    print(f"\n{cycle}: {full:.3f} g, with int16 tables {rounded:.3f} g: {rounded / full - 1:+.2e}")
    assert abs(rounded / full - 1.0) < 1e-4
