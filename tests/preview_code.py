"""The predictive controller's C code, called from Python and as a controller of the closed loop."""

import ctypes
import subprocess

import numpy as np

from hybridopt.controllers.controller import Command
from hybridopt.controllers.foreseen import exact
from hybridopt.exports.files import write_c


def structures(intervals, gears):
    """Return inputs, command and state as the header lays them out."""
    number, whole, switch = ctypes.c_float, ctypes.c_int, ctypes.c_bool

    class Inputs(ctypes.Structure):
        _fields_ = [
            ("speed", number * (intervals + 2)),
            ("grade", number * (intervals + 1)),
            ("intervals", whole),
            ("soc", number),
            ("remaining", number),
            ("dt", number),
            ("actual_engine_on", switch),
            ("actual_gear", whole),
        ]

    class Answer(ctypes.Structure):
        _fields_ = [
            ("engine_on", switch),
            ("gear", whole),
            ("motor_torque", number),
            ("motor_rests", switch),
            ("fault", switch),
        ]

    return Inputs(), Answer(), ctypes.create_string_buffer(4096 + 64 * (intervals + 1) * gears)


class PreviewCode:
    """The C code as a user's controller, told what comes as the Python one is."""

    def __init__(self, content, demand, folder):
        preview = content.preview
        self.demand, self.n = demand, preview.intervals
        _, source = write_c(content, folder, overwrite=True)
        library = folder / f"{source.stem}.so"
        command = ["cc", "-std=c99", "-O2", "-shared", "-fPIC", source, "-o", library]
        subprocess.run(command, check=True)
        loaded = ctypes.CDLL(str(library.resolve()))
        self.init, self.step = (getattr(loaded, f"{source.stem}_{x}") for x in ("init", "step"))
        self.init.argtypes = [ctypes.c_void_p, ctypes.c_bool, ctypes.c_int]
        self.inputs, self.answer, self.state = structures(self.n, content.gears)
        self.coming = exact(demand, preview.step, self.n)

    def reset(self):
        self.t = 0

    def ask(self, seen):
        """Return the answer of the code for a step."""
        inputs, demand, t = self.inputs, self.demand, self.t
        if t == 0:
            self.init(self.state, seen.engine_on, seen.gear)
        speeds = [demand.speed_start[t], *self.coming.speeds[t]]
        inputs.speed[:] = np.float32(speeds).tolist()
        inputs.grade[:] = np.float32([demand.grade[t], *self.coming.grades[t]]).tolist()
        inputs.intervals, inputs.soc, inputs.dt = self.n, seen.soc, seen.dt
        inputs.remaining = demand.time[-1] + demand.dt[-1] - seen.dt - demand.time[t]
        inputs.actual_engine_on, inputs.actual_gear = seen.engine_on, seen.gear
        self.step(self.state, ctypes.byref(inputs), ctypes.byref(self.answer))
        self.t += 1
        return self.answer

    def decide(self, seen):
        """Bring the answer into the range of engine and motor, as the closed loop's own do."""
        answer = self.ask(seen)
        assert not answer.fault
        if not answer.engine_on:
            return Command(False, answer.gear, None if answer.motor_rests else -np.inf)
        shaft = seen.shaft(answer.gear, True)
        if answer.motor_rests or shaft is None:
            return Command(True, answer.gear, None if answer.motor_rests else -np.inf)
        torque = min(max(answer.motor_torque, shaft.motor_low), shaft.motor_high)
        return Command(True, answer.gear, torque)
