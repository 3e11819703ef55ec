"""The co-simulation unit of the predictive controller: valid by fmpy, the same as the C code."""

import shutil
import zipfile
from types import SimpleNamespace

import numpy as np
import pytest
from makers import plain_driveline
from preview_code import PreviewCode
from preview_tables import hand_made_preview
from rule_tables import TRAINING

from hybridopt import read_cycle
from hybridopt.base.cautions import TABLES_CAUTION
from hybridopt.exports import fmu
from hybridopt.exports.files import write_fmu
from hybridopt.physics.demand import wheel_demand
from hybridopt.tables.files import read_preview

fmpy = pytest.importorskip("fmpy", reason="needs fmpy")
pytestmark = pytest.mark.skipif(shutil.which("cc") is None, reason="needs a C compiler")


@pytest.fixture(scope="module")
def unit(tmp_path_factory):
    """Return file, description and unzipped folder of a unit."""
    folder = tmp_path_factory.mktemp("unit")
    write_fmu(hand_made_preview(), folder / "preview.fmu")
    described = fmpy.read_model_description(folder / "preview.fmu")
    unzipped = fmpy.extract(folder / "preview.fmu", unzipdir=folder / "unzipped")
    return SimpleNamespace(path=folder / "preview.fmu", description=described, folder=unzipped)


def test_unit_is_valid_and_says_what_it_is(unit, tmp_path):
    """By fmpy: schema of the standard, variables, units, model structure; what is inside."""
    from fmpy.validation import validate_fmu

    assert validate_fmu(str(unit.path)) == []
    assert unit.description.fmiVersion == "2.0" and unit.description.modelExchange is None
    with zipfile.ZipFile(unit.path) as archive:
        (tmp_path / "preview.json").write_bytes(archive.read("resources/preview.json"))
        page = archive.read("documentation/index.html").decode()
    assert read_preview(tmp_path / "preview.json").origin == hand_made_preview().origin
    assert TABLES_CAUTION in page and TRAINING in page and "1 s each" in page
    names = [v.name for v in unit.description.modelVariables]
    assert [name for name in names if name.startswith("preview_speed")] == [
        f"preview_speed[{i}]" for i in range(1, 8)
    ]
    assert [name for name in names if name.startswith("preview_grade")] == [
        f"preview_grade[{i}]" for i in range(1, 7)
    ]
    outputs = {v.name for v in unit.description.modelVariables if v.causality == "output"}
    assert outputs == {"engine_on", "gear", "motor_torque", "motor_rests", "fault"}


def test_unit_and_c_code_agree_on_a_drive(unit, tmp_path):
    """Same answers, told the same; the gear is what was asked, the engine runs by turns."""
    from fmpy.fmi2 import FMU2Slave

    demand = wheel_demand(plain_driveline().vehicle, read_cycle("ece15"))
    code = PreviewCode(hand_made_preview(), demand, tmp_path)
    slave = FMU2Slave(
        guid=unit.description.guid,
        unzipDirectory=unit.folder,
        modelIdentifier=unit.description.coSimulation.modelIdentifier,
        instanceName="preview",
    )
    slave.instantiate()
    slave.setupExperiment(startTime=0.0)
    slave.enterInitializationMode()
    slave.exitInitializationMode()
    number = {v.name: v.valueReference for v in unit.description.modelVariables}
    reals = ["speed", *(f"preview_speed[{i}]" for i in range(1, 8)), "grade"]
    reals += [f"preview_grade[{i}]" for i in range(1, 7)] + ["soc"]
    reals.append("remaining")
    seen = SimpleNamespace(engine_on=False, gear=1, soc=0.5, dt=1.0)
    code.reset()
    kinds = set()
    for t in range(demand.steps):
        seen.soc = 0.5 + 0.25 * np.sin(t / 9.0)
        answer = code.ask(seen)
        inputs = code.inputs
        values = [*inputs.speed, *inputs.grade, inputs.soc, inputs.remaining]
        slave.setReal([number[name] for name in reals], values)
        slave.setBoolean([number["actual_engine_on"]], [seen.engine_on])
        slave.setInteger([number["actual_gear"]], [seen.gear])
        slave.doStep(currentCommunicationPoint=float(t), communicationStepSize=1.0)
        switches = [number[name] for name in ("engine_on", "motor_rests", "fault")]
        assert [bool(x) for x in slave.getBoolean(switches)] == [
            answer.engine_on,
            answer.motor_rests,
            answer.fault,
        ], t
        assert slave.getInteger([number["gear"]]) == [answer.gear], t
        assert slave.getReal([number["motor_torque"]]) == [answer.motor_torque], t
        seen.engine_on, seen.gear = t // 20 % 2 == 1, int(answer.gear)
        kinds.add((answer.engine_on, answer.gear))
    slave.terminate()
    slave.freeInstance()
    assert len(kinds) > 3


def test_what_is_wrong_is_refused_by_the_unit(unit):
    from fmpy.fmi1 import FMICallException
    from fmpy.fmi2 import FMU2Slave

    slave = FMU2Slave(
        guid=unit.description.guid,
        unzipDirectory=unit.folder,
        modelIdentifier=unit.description.coSimulation.modelIdentifier,
        instanceName="preview",
    )
    slave.instantiate()
    number = {v.name: v.valueReference for v in unit.description.modelVariables}
    for wrong in (
        lambda: slave.setReal([number["motor_torque"]], [1.0]),
        lambda: slave.setReal([999], [1.0]),
        lambda: slave.setBoolean([number["motor_rests"]], [True]),
        lambda: slave.setInteger([number["gear"]], [1]),
        lambda: slave.getReal([number["gear"]]),
    ):
        with pytest.raises(FMICallException):
            wrong()
    slave.setReal([number["preview_speed[3]"]], [1e300])
    slave.doStep(currentCommunicationPoint=0.0, communicationStepSize=1.0)
    assert slave.getBoolean([number["fault"]]) == [True]
    slave.freeInstance()


def test_the_same_maps_give_the_same_unit():
    assert fmu.fmu_bytes(hand_made_preview()) == fmu.fmu_bytes(hand_made_preview())
    assert fmu._guid(hand_made_preview()) != fmu._guid(hand_made_preview("other"))
