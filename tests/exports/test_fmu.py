"""Co-simulation units of FMI 2.0 and 3.0: valid by fmpy, the same as Python in closed loop."""

import re
import shutil
import subprocess
import zipfile
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from c_build import STRICT
from cases import bumpy, closed_loop
from fmu_slave import VERSIONS, Slave, make_unit
from makers import MOTOR, RADIUS, plain_driveline
from rule_tables import TRAINING, hand_made

from hybridopt import Settings, read_cycle
from hybridopt.base.cautions import TABLES_CAUTION
from hybridopt.base.errors import FailedError, InputError
from hybridopt.controllers.closed_loop import ClosedLoop
from hybridopt.controllers.controller import Command
from hybridopt.exports import fmu
from hybridopt.exports.files import write_fmu
from hybridopt.exports.fmu_description import base_unit
from hybridopt.physics.demand import wheel_demand
from hybridopt.tables.files import read_rule_set

fmpy = pytest.importorskip("fmpy", reason="needs fmpy")
pytestmark = pytest.mark.skipif(shutil.which("cc") is None, reason="needs a C compiler")
REALS = ("speed", "wheel_speed", "wheel_torque", "soc")


@pytest.fixture(scope="module", params=VERSIONS, ids=["2.0", "3.0"])
def unit(request, tmp_path_factory):
    return make_unit(hand_made(), tmp_path_factory.mktemp("unit"), request.param)


class Unit:
    """The unit as a controller of the closed loop, stepped by fmpy."""

    def __init__(self, unit):
        self.slave = Slave(unit)
        self.begun = False

    def reset(self):
        if self.begun:
            self.slave.fmu.reset()
        self.slave.begin()
        self.begun = True

    def decide(self, seen):
        reals = [seen.speed, seen.speed / RADIUS, seen.wheel_torque, seen.soc]
        self.slave.set_reals(dict(zip(REALS, reals, strict=True)))
        self.slave.set_state(seen.engine_on, seen.gear)
        self.slave.step(seen.time, seen.dt)
        return self.within_driveline(seen, *self.slave.answer())

    def within_driveline(self, seen, on, gear, torque):
        """Bring the command into the range of engine and motor, as rules in closed loop do."""
        shaft = seen.shaft(gear, on)
        if not on and shaft is not None:
            creeps = -50.0 <= seen.wheel_power <= 0.0 and shaft.torque <= -MOTOR.spin_drag
            rests = shaft.motor_speed == 0.0 or creeps
            return Command(False, gear, None if rests else -np.inf)
        shaft = seen.shaft(gear, True)
        if shaft is None:
            return Command(on, gear, torque)
        return Command(True, gear, min(max(torque, shaft.motor_low), shaft.motor_high))


def free(driveline, demand):
    return ClosedLoop(driveline, demand, Settings(terminal="free").resolved(driveline))


@pytest.mark.long
@pytest.mark.parametrize("cycle", ["wltc_class3b", "udds", "bumpy"])
def test_unit_and_python_agree_in_closed_loop(unit, cycle):
    """Same engine state, gear and mode in every step; torques and SoC to float32 rounding."""
    driveline = plain_driveline()
    if cycle == "bumpy":
        loop = closed_loop(bumpy(400), terminal="free")
    else:
        loop = free(driveline, wheel_demand(driveline.vehicle, read_cycle(cycle)))
    ours, theirs = loop.run(Unit(unit)), loop.run(hand_made().table)
    assert (ours.schedule.engine_class == theirs.schedule.engine_class).all()
    assert (ours.schedule.gear == theirs.schedule.gear).all()
    assert (ours.schedule.powered == theirs.schedule.powered).all()
    assert (ours.clipped == theirs.clipped).all()
    torque = abs(ours.schedule.motor_torque - theirs.schedule.motor_torque).max()
    fuel = abs(ours.fuel.sum() / theirs.fuel.sum() - 1.0)
    print(f"\n{cycle}: torque off by {torque:.1e} N m, fuel by {fuel:.1e}")
    assert torque < 1e-3 and fuel < 1e-6
    assert abs(ours.soc - theirs.soc).max() < 1e-7
    assert len(set(ours.schedule.gear)) == 3 and set(ours.schedule.engine_class) == {0, 1, 2}


def test_a_second_drive_after_a_reset_is_the_same(unit):
    loop, controller = closed_loop(bumpy(100), terminal="free"), Unit(unit)
    first, second = loop.run(controller), loop.run(controller)
    assert (first.soc == second.soc).all()


def test_two_instances_do_not_share_a_state(unit):
    loop = closed_loop(bumpy(60), terminal="free")
    alone = loop.run(Unit(unit))
    other = Unit(unit)
    other.reset()
    other.slave.set_state(True, 1)
    other.slave.step(0.0, 1.0)
    assert (loop.run(Unit(unit)).soc == alone.soc).all()


@pytest.mark.long
def test_unit_is_valid(unit):
    """By fmpy: schema of the standard, variables, units, model structure."""
    from fmpy.validation import validate_fmu

    assert validate_fmu(str(unit.path)) == []
    assert unit.description.fmiVersion == f"{unit.version}.0"
    assert unit.description.modelExchange is None
    assert fmpy.supported_platforms(unit.path)


def test_fmpy_simulates_it(unit):
    """At 15 m/s and 40 kW at the wheels (start at most at 20 kW) the engine runs at once."""
    dtype = [("time", float), *[(name, float) for name in REALS]]
    given = np.array([(0.0, 15.0, 50.0, 800.0, 0.5), (5.0, 15.0, 50.0, 800.0, 0.5)], dtype)
    seen = fmpy.simulate_fmu(
        unit.path,
        stop_time=5.0,
        output_interval=1.0,
        input=given,
        fmi_type="CoSimulation",
        output=["engine_on", "gear", "fault"],
        start_values={"actual_gear": 2},
    )
    assert list(seen["engine_on"]) == [0, 1, 1, 1, 1, 1] and not seen["fault"].any()


def test_what_is_wrong_is_refused_by_the_unit(unit):
    """Wrong variables are errors, faults are warnings; a wrong unit is not instantiated."""
    from fmpy.fmi1 import FMICallException

    made = Slave(unit)
    made.begin()
    real, integer = ("Real", "Integer") if unit.version == 2 else ("Float64", "Int32")
    number = made.number
    for name, *args in (
        (f"set{real}", [number["motor_torque"]], [1.0]),
        (f"set{real}", [9999], [1.0]),
        (f"get{real}", [9999]),
        (f"get{real}", [number["gear"]]),
        (f"set{integer}", [number["gear"]], [1]),
        (f"get{integer}", [number["speed"]]),
        ("setBoolean", [number["fault"]], [True]),
        ("getString", [number["speed"]]),
    ):
        with pytest.raises(FMICallException):
            getattr(made.fmu, name)(*args)
    for bad in (np.nan, np.inf, 1e300):
        made.set_reals({"speed": bad})
        made.step(0.0, 1.0)
        assert made.get_switch("fault")
    made.end()


def exported(version):
    """Return the functions of the standard's own header; some importers look for all of them."""
    header = (Path(fmpy.__file__).parent / f"c-code/fmi{version}Functions.h").read_text()
    return set(re.findall(rf"FMI{version}_Export \w+\s+(fmi{version}\w+);", header))


@pytest.mark.parametrize("version", VERSIONS)
def test_declarations_are_those_of_the_standard(tmp_path, version):
    """The layer compiles, strictly, with the standard's own headers (of fmpy) in place of ours."""
    headers = Path(fmpy.__file__).parent / "c-code"
    for name, text in fmu.fmu_sources(hand_made(), version).items():
        (tmp_path / name).write_text(text)
    command = ["cc", *STRICT, "-c", "fmu.c", "-o", "fmu.o"]
    subprocess.run(command, cwd=tmp_path, check=True)
    (tmp_path / f"fmi{version}.h").write_text(f'#include "fmi{version}Functions.h"\n')
    subprocess.run([*command, f"-isystem{headers}"], cwd=tmp_path, check=True)
    listed = subprocess.run(
        ["nm", "fmu.o"], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    ours = set(re.findall(rf" T (fmi{version}\w+)", listed.stdout))
    assert ours == exported(version)
    assert len(ours) == {2: 44, 3: 75}[version]


def test_sanitizers_find_nothing_in_the_layer(tmp_path):
    """A drive through the layer from C, under the sanitizers, with leaks looked for."""
    for name, text in fmu.fmu_sources(hand_made()).items():
        (tmp_path / name).write_text(text)
    guid = fmu.identity_of(hand_made())
    (tmp_path / "main.c").write_text(
        f"""
        #include <stdlib.h>
        #include "fmi2.h"
        int main(void) {{
            const fmi2ValueReference vr[4] = {{0, 1, 2, 3}};
            fmi2Component c;
            fmi2FMUstate saved = 0, other = 0, wrong = 0;
            fmi2Byte *bytes;
            size_t size;
            int i;
            if (fmi2Instantiate("a", fmi2CoSimulation, "other", "", 0, 0, 0) != 0) return 2;
            if (fmi2Instantiate("a", fmi2ModelExchange, "{guid}", "", 0, 0, 0) != 0) return 3;
            c = fmi2Instantiate("a", fmi2CoSimulation, "{guid}", "", 0, 0, 0);
            for (i = -5; i < 1000; ++i) {{
                const fmi2Real x[4] = {{0.03 * i, 0.1 * i, i == 7 ? 1e300 : 900.0 - i, 0.5}};
                if (fmi2SetReal(c, vr, 4, x) != fmi2OK) return 4;
                if (fmi2DoStep(c, i, 1.0, 0) != (i == 7 ? fmi2Warning : fmi2OK)) return 5;
            }}
            if (fmi2GetFMUstate(c, &saved) != fmi2OK) return 6;
            if (fmi2SetFMUstate(c, saved) != fmi2OK) return 6;
            fmi2SerializedFMUstateSize(c, saved, &size);
            bytes = malloc(size);
            if (fmi2SerializeFMUstate(c, saved, bytes, size) != fmi2OK) return 7;
            if (fmi2DeSerializeFMUstate(c, bytes, size, &other) != fmi2OK) return 8;
            if (fmi2DeSerializeFMUstate(c, bytes, size - 1, &wrong) != fmi2Error) return 9;
            bytes[3] = 'x';
            if (fmi2DeSerializeFMUstate(c, bytes, size, &wrong) != fmi2Error) return 10;
            for (i = 0; i < 400; ++i) {{
                const fmi2ValueReference all = (fmi2ValueReference)i;
                fmi2Real x;
                if (fmi2GetReal(c, &all, 1, &x) == fmi2OK) (void)fmi2SetReal(c, &all, 1, &x);
            }}
            free(bytes);
            fmi2FreeFMUstate(c, &saved);
            fmi2FreeFMUstate(c, &other);
            fmi2Reset(c);
            fmi2FreeInstance(c);
            fmi2FreeInstance(0);
            return 0;
        }}"""
    )
    sanitize = "-fsanitize=address,undefined,float-cast-overflow"
    command = ["cc", "-std=c99", "-g", sanitize, "-fno-sanitize-recover=all", "main.c", "fmu.c"]
    subprocess.run([*command, "-o", "main"], cwd=tmp_path, check=True)
    done = subprocess.run([tmp_path / "main"], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


# --- the file ---


def test_unit_carries_tables_origin_and_caution(unit, tmp_path):
    with zipfile.ZipFile(unit.path) as archive:
        names = archive.namelist()
        rules = archive.read("resources/rules.json")
        page = archive.read("documentation/index.html").decode()
    (tmp_path / "rules.json").write_bytes(rules)
    assert read_rule_set(tmp_path / "rules.json").origin == hand_made().origin
    assert TABLES_CAUTION in page and TRAINING in page
    assert (
        TABLES_CAUTION in unit.description.description and TRAINING in unit.description.description
    )
    assert all(variable.description for variable in unit.description.modelVariables)
    units = {
        v.name: v.unit
        for v in unit.description.modelVariables
        if v.type in ("Real", "Float64") and v.causality in ("input", "output")
    }
    assert units == {
        "speed": "m/s",
        "wheel_speed": "rad/s",
        "wheel_torque": "N.m",
        "soc": "1",
        "motor_torque": "N.m",
    }
    assert {Path(name).parts[0] for name in names} == {
        "modelDescription.xml",
        "binaries",
        "resources",
        "documentation",
        "sources",
    }


@pytest.mark.long
@pytest.mark.parametrize("version", VERSIONS)
def test_the_same_tables_give_the_same_unit(version):
    assert fmu.fmu_bytes(hand_made(), version) == fmu.fmu_bytes(hand_made(), version)
    assert fmu.identity_of(hand_made()) != fmu.identity_of(hand_made("other"))


@pytest.mark.long
@pytest.mark.parametrize(
    ("version", "title"),
    [(2, '<a b="&">]]>'), (2, "../../x"), (2, ""), (3, "a\ufffe\ud800b"), (3, "\x1b[31m")],
)
def test_any_title_gives_a_valid_unit(tmp_path, title, version):
    from fmpy.validation import validate_fmu

    path = tmp_path / "rules.fmu"
    write_fmu(hand_made(title), path, version=version)
    assert validate_fmu(str(path)) == []
    with zipfile.ZipFile(path) as archive:
        assert not any(".." in name or name.startswith("/") for name in archive.namelist())
        ElementTree.fromstring(archive.read("documentation/index.html"))


@pytest.mark.parametrize(
    ("unit", "factor", "exponents"),
    [
        ("1", 1.0, {}),
        ("N m", 1.0, {"kg": 1, "m": 2, "s": -2}),
        ("g s2/rad2", 1e-3, {"kg": 1, "s": 2, "rad": -2}),
        ("J/g", 1e3, {"m": 2, "s": -2}),
        ("kg/m3", 1.0, {"kg": 1, "m": -3}),
    ],
)
def test_units_are_told_in_base_units(unit, factor, exponents):
    """By hand: a newton is a kg m/s2, a joule a N m, a gram 1e-3 kg."""
    found, powers = base_unit(unit)
    assert found == pytest.approx(factor) and {k: v for k, v in powers.items() if v} == exponents


# --- compilers ---


def test_no_compiler_is_one_sentence(tmp_path, monkeypatch):
    monkeypatch.delenv("CC", raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(FailedError, match=r"no C compiler is found \(tried cc, gcc, clang\); inst"):
        write_fmu(hand_made(), tmp_path / "rules.fmu")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("script", "words"),
    [
        ("exit 1", "failed and said: nothing"),
        ("echo rules.c:1: error: bad >&2; exit 1", "failed and said: rules.c:1: error: bad"),
        ("exit 0", "gave no library"),
        ("sleep 5", "TimeoutExpired"),
    ],
)
def test_a_failing_compiler_is_one_sentence(tmp_path, monkeypatch, script, words):
    compiler = tmp_path / "compiler"
    compiler.write_text(f"#!/bin/sh\n{script}\n")
    compiler.chmod(0o755)
    monkeypatch.setenv("CC", str(compiler))
    monkeypatch.setattr(fmu, "PATIENCE", 0.5)
    with pytest.raises(FailedError, match=words):
        write_fmu(hand_made(), tmp_path / "rules.fmu")
    assert [path.name for path in tmp_path.iterdir()] == ["compiler"]


def test_an_existing_unit_stays(tmp_path):
    (tmp_path / "rules.fmu").write_text("mine")
    with pytest.raises(InputError, match="exists already"):
        write_fmu(hand_made(), tmp_path / "rules.fmu")
    assert (tmp_path / "rules.fmu").read_text() == "mine"
