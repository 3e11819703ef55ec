"""Co-simulation units: tables as tunable parameters, states, resets, a second importer, 1e6 steps.

Words and rules of the standards FMI 2.0 and 3.0 (fmi-standard.org) are those that fmpy checks.
"""

import ctypes
import os
import shutil
from dataclasses import replace

import numpy as np
import pytest
from fmu_slave import VERSIONS, Slave, make_unit
from preview_tables import hand_made_preview
from rule_tables import hand_made
from test_c_code import assert_same, in_python, random_records

from hybridopt.controllers.maps import Map
from hybridopt.exports.c_code import rule_arrays
from hybridopt.exports.fmu_variables import layer_of
from hybridopt.tables.rule_set import RuleSet

fmpy = pytest.importorskip("fmpy", reason="needs fmpy")
pytestmark = pytest.mark.skipif(shutil.which("cc") is None, reason="needs a C compiler")
REALS = ("speed", "wheel_speed", "wheel_torque", "soc")
UNIT_STEPS = "HYBRIDOPT_UNIT_STEPS"
"""Environment variable: how many steps the long test does."""
STEP = 0.125  # s, a power of two, so that times add up without rounding


@pytest.fixture(scope="module", params=VERSIONS, ids=["2.0", "3.0"])
def unit(request, tmp_path_factory):
    return make_unit(hand_made(), tmp_path_factory.mktemp("unit"), request.param)


def records_of(count, seed=1):
    """Return random steps; engine and gear stay for some of them, so that times matter."""
    records = random_records(count, hand_made(), seed)
    for name in ("engine_on", "gear"):
        records[name] = np.repeat(records[name][::7], 7)[:count]
    engine_time = gear_time = 1e6
    times = np.empty((2, count))
    for i in range(count):
        if i:
            kept = records["engine_on"][i] == records["engine_on"][i - 1]
            engine_time = min((engine_time if kept else 0.0) + STEP, 1e6)
            kept = records["gear"][i] == records["gear"][i - 1]
            gear_time = min((gear_time if kept else 0.0) + STEP, 1e6)
        times[:, i] = engine_time, gear_time
    return records | {"engine_time": times[0], "gear_time": times[1]}


def drive(slave, records, begin=0, end=None):
    """Do steps through fmpy; return engine on, gear and torque of each."""
    found = []
    for i in range(begin, len(records["soc"]) if end is None else end):
        slave.set_reals({name: records[name][i] for name in REALS})
        slave.set_state(records["engine_on"][i], records["gear"][i])
        slave.step(i * STEP, STEP)
        found.append(slave.answer())
    return np.array(found, dtype=float)


def edited_rules():
    """Return rule tables of which a cell, a constant and a line differ from those by hand."""
    made = hand_made()
    start = made.table.engine_start.values.copy()
    start[0, 1] = 1e3
    start[2] = [30e3, 40e3, 50e3]
    found = Map(made.table.engine_start.axes, start)
    table = replace(made.table, engine_start=found, min_gear=4.0, land_up=0.1)
    return replace(made, table=table)


def tune(slave):
    """Set the same in the unit."""
    values = np.float32(edited_rules().table.engine_start.values).astype(float)
    if slave.version == 2:
        cells = {f"tables.engine_start[3,{i + 1}]": values[2, i] for i in range(3)}
        slave.set_reals(cells | {"tables.engine_start[1,2]": values[0, 1]})
    else:
        slave.set_array("tables.engine_start", values)
    slave.set_reals({"tables.min_gear": 4.0, "tables.land_up": 0.1})


def test_every_table_is_a_parameter_with_its_values(unit):
    """Values in the unit and in its description are those of the tables in float32."""
    slave, made = Slave(unit), hand_made()
    slave.begin()
    arrays = rule_arrays(made)
    assert {of.label for of in arrays} >= {*made.form.constants, *made.maps}
    for of in arrays:
        shape = () if of.kind == "value" else of.shape
        wanted = np.float32(of.row.values).astype(float).reshape(shape)
        found = slave.get_array(f"tables.{of.label}", shape)
        assert np.array_equal(found, wanted), of.label
        first = f"tables.{of.label}"
        first += f"[{','.join('1' * len(shape))}]" if unit.version == 2 and shape else ""
        told = slave.variables[first]
        assert told.causality == "parameter" and told.description == of.meaning
        assert told.variability == ("fixed" if of.kind == "axis" else "tunable")
        assert float(str(told.start).split()[0]) == wanted.ravel()[0]
        assert float(told.min) <= wanted.min() and wanted.max() <= float(told.max)
    slave.end()


def test_cells_changed_before_the_first_step_are_those_of_edited_tables(unit):
    """In the instance alone: another one of the same process keeps its own."""
    records = records_of(1500)
    slave, other = Slave(unit), Slave(unit)
    tune(slave)
    slave.begin(), other.begin()
    ours, plain = drive(slave, records), drive(other, records)
    assert_same(edited_rules(), records, ours, in_python(edited_rules(), records))
    assert_same(hand_made(), records, plain, in_python(hand_made(), records))
    assert (ours != plain).any(axis=1).mean() > 0.02, "the edits matter"
    slave.end(), other.end()


def test_cells_changed_between_steps_count_from_then_on(unit):
    records, half = records_of(1400, seed=2), 700
    slave = Slave(unit)
    slave.begin()
    first = drive(slave, records, 0, half)
    tune(slave)
    second = drive(slave, records, half)
    assert_same(hand_made(), part(records, 0, half), first, in_python(hand_made(), records)[:half])
    wanted = in_python(edited_rules(), records)[half:]
    assert_same(edited_rules(), part(records, half, None), second, wanted)
    slave.end()


def part(records, begin, end):
    return {name: column[begin:end] for name, column in records.items()}


def test_reset_brings_tables_and_times_back(unit):
    records = records_of(200, seed=3)
    slave = Slave(unit)
    slave.begin()
    plain = drive(slave, records)
    tune(slave)
    assert (drive(slave, records) != plain).any()
    slave.fmu.reset()
    slave.begin()
    assert np.array_equal(drive(slave, records), plain)
    slave.end()


def test_a_state_is_taken_up_where_it_was_saved(unit):
    """With its tables, inputs and times; in the same instance, and as bytes in another one."""
    records = records_of(300, seed=4)
    slave = Slave(unit)
    slave.begin()
    drive(slave, records, 0, 100)
    tune(slave)
    saved = slave.state("get")
    after = drive(slave, records, 100)
    slave.fmu.reset()
    slave.state("set", saved)
    assert np.array_equal(drive(slave, records, 100), after)
    text = slave.state("serialize", saved)
    slave.state("free", saved)
    other = Slave(unit)
    again = other.state("deserialize", text)
    other.state("set", again)
    assert np.array_equal(drive(other, records, 100), after)
    other.state("free", again)
    slave.end(), other.end()


def test_what_is_no_state_is_refused(unit):
    from fmpy.fmi1 import FMICallException

    slave = Slave(unit)
    slave.begin()
    saved = slave.state("get")
    text = slave.state("serialize", saved)
    for wrong in (text[:-1], text + b"a", b"x" + text[1:], b""):
        with pytest.raises(FMICallException):
            slave.state("deserialize", wrong)
    slave.state("free", saved)
    slave.end()


def test_what_parameters_may_not_be_is_refused(unit):
    """Beyond the range, not finite; an axis once steps are done; an axis that does not increase."""
    from fmpy.fmi1 import FMICallException

    points = np.array([0.0, 10.0, 20.0])
    for name, value in (
        ("tables.min_on", -1.0),
        ("tables.min_on", 1001.0),
        ("tables.land_up", np.nan),
        ("tables.motion_charge", np.inf),
    ):
        slave = Slave(unit)
        with pytest.raises(FMICallException):
            slave.set_reals({name: value})
        slave.end()
    slave = Slave(unit)
    slave.set_array("tables.engine_start_speed", points)
    slave.begin()
    assert np.array_equal(slave.get_array("tables.engine_start_speed", (3,)), points)
    with pytest.raises(FMICallException):
        slave.set_array("tables.engine_start_speed", points * 2.0)
    slave.end()
    slave = Slave(unit)
    slave.set_array("tables.engine_start_speed", points[[0, 2, 1]])
    with pytest.raises(FMICallException):
        slave.begin()
    slave.end()


def test_fmpy_changes_a_cell_while_it_simulates(unit):
    """At 4 kW the engine is off below 9 kW; a start line lowered to 1 kW makes it run."""
    name = "tables.engine_start[1,2]" if unit.version == 2 else "tables.engine_start"
    low = hand_made().table.engine_start.values.copy()
    low[:, :] = 1e3
    given = {"speed": 0.0, "wheel_speed": 10.0, "wheel_torque": 400.0, "soc": 0.5}
    seen = []
    for value in (None, 1e3 if unit.version == 2 else low.ravel()):
        start = given | {"actual_gear": 1} | ({} if value is None else {name: value})
        found = fmpy.simulate_fmu(
            unit.path, stop_time=3.0, output_interval=1.0, start_values=start, output=["engine_on"]
        )
        seen.append(list(found["engine_on"]))
    assert seen == [[0, 0, 0, 0], [0, 1, 1, 1]]


# --- a second importer ---


def test_a_second_importer_steps_it_the_same(unit):
    """By fmuloader, which shares no code with fmpy: answers, a tuned cell, states."""
    pytest.importorskip("fmuloader", reason="needs fmuloader")
    records = records_of(300, seed=5)
    slave = Slave(unit)
    slave.begin()
    plain = drive(slave, records)
    slave.fmu.reset()
    slave.set_reals({"tables.min_gear": 4.0, "tables.land_up": 0.1})
    slave.begin()
    tuned = drive(slave, records)
    assert (plain != tuned).any()
    loaded, get, put, step = imported(unit)
    number = slave.number
    for changed, wanted in (({}, plain), ({"tables.min_gear": 4.0, "tables.land_up": 0.1}, tuned)):
        for name, value in changed.items():
            put(float, [number[name]], [value])
        if loaded.begin:
            loaded.begin()
        found = []
        for i in range(300):
            put(float, [number[name] for name in REALS], [records[name][i] for name in REALS])
            put(bool, [number["actual_engine_on"]], [bool(records["engine_on"][i])])
            put(int, [number["actual_gear"]], [int(records["gear"][i])])
            step(i * STEP, STEP)
            (on,), (gear,) = get(bool, [number["engine_on"]]), get(int, [number["gear"]])
            found.append((on, gear, *get(float, [number["motor_torque"]])))
        assert np.array_equal(np.array(found, dtype=float), wanted)
        loaded.reset()
    state = loaded.get_fmu_state()
    text = loaded.serialize_fmu_state(state)
    back = loaded.deserialize_fmu_state(text)
    loaded.set_fmu_state(back)
    loaded.free_fmu_state(state), loaded.free_fmu_state(back)
    slave.end()
    loaded.free_instance()


def imported(unit):
    """Return an instance of the second importer, and functions to get, set and step by type."""
    from fmuloader import fmi2, fmi3

    name = unit.description.coSimulation.modelIdentifier
    if unit.version == 2:
        made = fmi2.Fmi2Slave(unit.folder, model_identifier=name)
        made.instantiate("a", fmi2.Fmi2Type.CO_SIMULATION, guid=unit.description.guid)
        kinds = {float: "real", int: "integer", bool: "boolean"}
    else:
        made = fmi3.Fmi3Slave(unit.folder, model_identifier=name)
        token = unit.description.guid or unit.description.instantiationToken
        made.instantiate_co_simulation("a", instantiation_token=token)
        kinds = {float: "float64", int: "int32", bool: "boolean"}

    def begin():
        if unit.version == 2:
            made.setup_experiment(start_time=0.0)
        made.enter_initialization_mode()
        made.exit_initialization_mode()

    made.begin = begin
    return (
        made,
        lambda kind, numbers: getattr(made, f"get_{kinds[kind]}")(numbers),
        lambda kind, numbers, values: getattr(made, f"set_{kinds[kind]}")(numbers, values),
        made.do_step,
    )


# --- a million steps ---


def fast_drive(slave, records):
    """Do steps through the functions of the library, with arguments made once."""
    count, library = len(records["soc"]), ctypes.CDLL(slave.fmu.dll._name)
    component = slave.fmu.component
    c = ctypes.c_void_p(getattr(component, "value", component))
    two = slave.version == 2
    pre = f"fmi{slave.version}"
    reals = np.column_stack([records[name] for name in REALS]).astype(float)
    numbers = (ctypes.c_uint * 4)(*(slave.number[name] for name in REALS))
    one = {name: (ctypes.c_uint * 1)(slave.number[name]) for name in slave.number}
    n1, n4 = ctypes.c_size_t(1), ctypes.c_size_t(4)
    switch = (ctypes.c_int if two else ctypes.c_bool)()
    whole, real = ctypes.c_int(), ctypes.c_double()
    more = () if two else (n1,)
    functions = {
        name: getattr(library, pre + name)
        for name in (
            *(("SetReal", "GetReal", "SetInteger", "GetInteger") if two else ()),
            *(() if two else ("SetFloat64", "GetFloat64", "SetInt32", "GetInt32")),
            *("SetBoolean", "GetBoolean", "DoStep"),
        )
    }
    real_name, whole_name = ("Real", "Integer") if two else ("Float64", "Int32")
    step, length = functions["DoStep"], ctypes.c_double(STEP)
    flags = [ctypes.byref(x) for x in (ctypes.c_bool(), ctypes.c_bool(), ctypes.c_bool())]
    tail = (1,) if two else (ctypes.c_bool(True), *flags, ctypes.byref(ctypes.c_double()))
    found = np.empty((count, 3))
    at, width = reals.ctypes.data, reals.strides[0]
    for i in range(count):
        row = ctypes.c_void_p(at + i * width)
        functions[f"Set{real_name}"](c, numbers, n4, row, *(() if two else (n4,)))
        switch.value, whole.value = int(records["engine_on"][i]), int(records["gear"][i])
        functions["SetBoolean"](c, one["actual_engine_on"], n1, ctypes.byref(switch), *more)
        functions[f"Set{whole_name}"](c, one["actual_gear"], n1, ctypes.byref(whole), *more)
        assert step(c, ctypes.c_double(i * STEP), length, *tail) == 0
        functions["GetBoolean"](c, one["engine_on"], n1, ctypes.byref(switch), *more)
        functions[f"Get{whole_name}"](c, one["gear"], n1, ctypes.byref(whole), *more)
        functions[f"Get{real_name}"](c, one["motor_torque"], n1, ctypes.byref(real), *more)
        found[i] = switch.value, whole.value, real.value
    return found


def check_steps(unit, count):
    """Compare a drive with Python; only decisions within float32 rounding may differ."""
    records = records_of(count, seed=6)
    slave = Slave(unit)
    slave.begin()
    ours = fast_drive(slave, records)
    slave.end()
    flips, worst, room = assert_same(hand_made(), records, ours, in_python(hand_made(), records))
    print(f"\n{flips} of {count} decisions flipped; torque off by {worst:.1e} of {room:.1e} N m")
    assert flips < 1e-3 * count and len(set(ours[:, 1])) == 3


def test_steps_are_those_of_python(unit):
    check_steps(unit, 10_000)


@pytest.mark.long
def test_many_steps_are_those_of_python(unit):
    """The million is run by hand, with UNIT_STEPS set."""
    check_steps(unit, int(os.environ.get(UNIT_STEPS, 200_000)))


# --- preview maps ---


@pytest.mark.long
@pytest.mark.parametrize("version", VERSIONS)
def test_preview_maps_are_parameters_too(tmp_path, version):
    """A dear start keeps the engine off where it would run; time goes by in both versions."""
    made = hand_made_preview()
    unit = make_unit(made, tmp_path, version)
    layer = layer_of(made)
    names = {variable.name for variable in layer.parameters}
    assert {f"tables.{name}" for name in made.maps} <= names
    found = []
    for charge in (0.02, 1e5):
        slave = Slave(unit)
        slave.set_reals({"tables.start_charge": charge})
        slave.begin()
        for of in (of for of in layer.arrays if of.label in ("expected", "shift_fuel")):
            values = slave.get_array(f"tables.{of.label}", of.shape)
            assert np.array_equal(values, np.float32(of.row.values).reshape(of.shape))
        slave.set_reals({"speed": 20.0, "grade": 0.0, "soc": 0.3, "remaining": 100.0})
        slave.set_array("preview_speed", np.full(made.preview.intervals + 1, 22.0))
        slave.set_state(False, 3)
        slave.step(0.0, 1.0)
        found.append(slave.answer()[0])
        slave.end()
    assert found == [True, False] and not isinstance(made, RuleSet)
