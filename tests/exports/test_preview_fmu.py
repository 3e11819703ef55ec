"""The co-simulation unit of the predictive controller: valid by fmpy, the same as the C code."""

import shutil
import zipfile
from types import SimpleNamespace

import numpy as np
import pytest
from fmu_slave import VERSIONS, Slave, make_unit
from makers import plain_driveline
from preview_code import PreviewCode
from preview_tables import hand_made_preview
from rule_tables import TRAINING

from hybridopt import read_cycle
from hybridopt.base.cautions import TABLES_CAUTION
from hybridopt.exports import fmu
from hybridopt.physics.demand import wheel_demand
from hybridopt.tables.files import read_preview

fmpy = pytest.importorskip("fmpy", reason="needs fmpy")
pytestmark = pytest.mark.skipif(shutil.which("cc") is None, reason="needs a C compiler")


@pytest.fixture(scope="module", params=VERSIONS, ids=["2.0", "3.0"])
def unit(request, tmp_path_factory):
    return make_unit(hand_made_preview(), tmp_path_factory.mktemp("unit"), request.param)


@pytest.mark.long
def test_unit_is_valid_and_says_what_it_is(unit, tmp_path):
    """By fmpy: schema of the standard, variables, units, model structure; what is inside."""
    from fmpy.validation import validate_fmu

    assert validate_fmu(str(unit.path)) == []
    assert unit.description.fmiVersion == f"{unit.version}.0"
    assert unit.description.modelExchange is None
    with zipfile.ZipFile(unit.path) as archive:
        (tmp_path / "preview.json").write_bytes(archive.read("resources/preview.json"))
        page = archive.read("documentation/index.html").decode()
    assert read_preview(tmp_path / "preview.json").origin == hand_made_preview().origin
    assert TABLES_CAUTION in page and TRAINING in page and "1 s each" in page
    for name, count in (("preview_speed", 7), ("preview_grade", 6)):
        found = [v for v in unit.description.modelVariables if v.name.startswith(name)]
        if unit.version == 2:
            assert [v.name for v in found] == [f"{name}[{i}]" for i in range(1, count + 1)]
        else:
            assert [v.name for v in found] == [name]
            assert [int(d.start) for d in found[0].dimensions] == [count]
    outputs = {v.name for v in unit.description.modelVariables if v.causality == "output"}
    assert outputs == {"engine_on", "gear", "motor_torque", "motor_rests", "fault"}


@pytest.mark.long
def test_unit_and_c_code_agree_on_a_drive(unit, tmp_path):
    """Same answers, told the same; the gear is what was asked, the engine runs by turns."""
    demand = wheel_demand(plain_driveline().vehicle, read_cycle("ece15"))
    code = PreviewCode(hand_made_preview(), demand, tmp_path)
    slave = Slave(unit)
    slave.begin()
    seen = SimpleNamespace(engine_on=False, gear=1, soc=0.5, dt=1.0)
    code.reset()
    kinds = set()
    for t in range(demand.steps):
        seen.soc = 0.5 + 0.25 * np.sin(t / 9.0)
        answer = code.ask(seen)
        inputs = code.inputs
        slave.set_reals({"speed": inputs.speed[0], "grade": inputs.grade[0]})
        slave.set_reals({"soc": inputs.soc, "remaining": inputs.remaining})
        slave.set_array("preview_speed", list(inputs.speed)[1:])
        slave.set_array("preview_grade", list(inputs.grade)[1:])
        slave.set_state(seen.engine_on, seen.gear)
        slave.step(float(t), 1.0)
        assert slave.answer() == (answer.engine_on, answer.gear, answer.motor_torque), t
        assert slave.get_switch("motor_rests") == answer.motor_rests, t
        assert slave.get_switch("fault") == answer.fault, t
        seen.engine_on, seen.gear = t // 20 % 2 == 1, int(answer.gear)
        kinds.add((answer.engine_on, answer.gear))
    slave.end()
    assert len(kinds) > 3


def test_an_input_that_is_not_finite_is_a_fault(unit):
    slave = Slave(unit)
    slave.begin()
    speeds = np.full(7, 10.0)
    speeds[2] = 1e300
    slave.set_array("preview_speed", speeds)
    slave.step(0.0, 1.0)
    assert slave.get_switch("fault")
    slave.end()


@pytest.mark.long
@pytest.mark.parametrize("version", VERSIONS)
def test_the_same_maps_give_the_same_unit(version):
    made = fmu.fmu_bytes(hand_made_preview(), version)
    assert made == fmu.fmu_bytes(hand_made_preview(), version)
    assert fmu.identity_of(hand_made_preview()) != fmu.identity_of(hand_made_preview("other"))
