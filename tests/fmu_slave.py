"""A co-simulation unit of FMI 2.0 or 3.0 through fmpy, by names; and what is made for tests."""

from types import SimpleNamespace

import numpy as np

from hybridopt.exports.files import write_fmu

VERSIONS = (2, 3)


def make_unit(content, folder, version):
    """Return file, description, unzipped folder and version of a unit."""
    import fmpy

    path = folder / f"unit{version}.fmu"
    write_fmu(content, path, version=version)
    return SimpleNamespace(
        path=path,
        description=fmpy.read_model_description(path),
        folder=fmpy.extract(path, unzipdir=folder / f"unzipped{version}"),
        version=version,
    )


class Slave:
    """An instance; elements of arrays are named as in FMI 2.0 in both versions."""

    def __init__(self, unit):
        from fmpy.fmi2 import FMU2Slave
        from fmpy.fmi3 import FMU3Slave

        description = unit.description
        self.version = unit.version
        made = FMU2Slave if self.version == 2 else FMU3Slave
        self.fmu = made(
            guid=description.guid or description.instantiationToken,
            unzipDirectory=unit.folder,
            modelIdentifier=description.coSimulation.modelIdentifier,
            instanceName="unit",
        )
        self.fmu.instantiate()
        self.variables = {v.name: v for v in description.modelVariables}
        self.number = {name: v.valueReference for name, v in self.variables.items()}

    def begin(self, start=0.0):
        if self.version == 2:
            self.fmu.setupExperiment(startTime=start)
            self.fmu.enterInitializationMode()
        else:
            self.fmu.enterInitializationMode(startTime=start)
        self.fmu.exitInitializationMode()

    def set_reals(self, values):
        numbers = [self.number[name] for name in values]
        done = self.fmu.setReal if self.version == 2 else self.fmu.setFloat64
        done(numbers, list(values.values()))

    def set_array(self, name, values):
        """Set all elements of an array."""
        if self.version == 3:
            self.fmu.setFloat64([self.number[name]], np.ravel(values).tolist())
        else:
            for index, value in np.ndenumerate(values):
                self.set_reals({element(name, index): float(value)})

    def get_array(self, name, shape):
        if self.version == 3:
            found = self.fmu.getFloat64([self.number[name]], int(np.prod(shape)))
        else:
            numbers = [self.number[element(name, index)] for index in np.ndindex(shape)]
            found = self.fmu.getReal(numbers)
        return np.reshape(found, shape)

    def set_state(self, engine_on, gear):
        self.fmu.setBoolean([self.number["actual_engine_on"]], [bool(engine_on)])
        done = self.fmu.setInteger if self.version == 2 else self.fmu.setInt32
        done([self.number["actual_gear"]], [int(gear)])

    def step(self, time, length):
        self.fmu.doStep(currentCommunicationPoint=time, communicationStepSize=length)

    def get_real(self, name):
        done = self.fmu.getReal if self.version == 2 else self.fmu.getFloat64
        (value,) = done([self.number[name]])
        return value

    def get_integer(self, name):
        done = self.fmu.getInteger if self.version == 2 else self.fmu.getInt32
        (value,) = done([self.number[name]])
        return value

    def get_switch(self, name):
        (value,) = self.fmu.getBoolean([self.number[name]])
        return bool(value)

    def answer(self):
        """Return engine on, gear and motor torque."""
        engine_on, gear = self.get_switch("engine_on"), self.get_integer("gear")
        return engine_on, gear, self.get_real("motor_torque")

    def state(self, what, *args):
        """Call one of the functions of states: get, set, free, serialize, deserialize."""
        names = {
            "get": ("getFMUstate", "getFMUState"),
            "set": ("setFMUstate", "setFMUState"),
            "free": ("freeFMUstate", "freeFMUState"),
            "serialize": ("serializeFMUstate", "serializeFMUState"),
            "deserialize": ("deSerializeFMUstate", "deserializeFMUState"),
        }
        return getattr(self.fmu, names[what][self.version - 2])(*args)

    def end(self):
        self.fmu.terminate()
        self.fmu.freeInstance()


def element(name, index):
    return f"{name}[{','.join(str(i + 1) for i in index)}]" if index else name
