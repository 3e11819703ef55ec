"""The variables of a co-simulation unit: of rule tables, and of a predictive controller."""

from collections.abc import Iterable, Mapping
from typing import NamedTuple

import numpy as np

from ..tables.contents import Made
from ..tables.rule_set import RuleSet
from .c_arrays import CArray
from .c_code import c_files, rule_arrays
from .c_text import c_name
from .preview_c_code import preview_arrays, preview_c_files

STEPPING = (
    "In each step set the inputs, which are those of the step that begins and what engine and gear "
    "really are, do the step, then get the outputs. Times in state are counted from one "
    "communication point to the next. Limits of engine, motor and battery come after the unit. "
    "Values of tables and constants are tunable: they may be changed before and between steps. "
    "Axes of tables may be changed before the first step, and must increase then."
)


class Variable(NamedTuple):
    """A variable of the unit; it may be an array.

    Attributes
    ----------
    name, causality, kind, unit, meaning : as in the description of the unit
    start : value, or that of each element of an array
    place : where the C code keeps it; of an array its first element
    shape : of an array; empty for one value
    variability : of a parameter
    range : lowest and highest value of a parameter
    """

    name: str
    causality: str
    kind: str
    unit: str
    start: str | np.ndarray
    meaning: str
    place: str = ""
    shape: tuple[int, ...] = ()
    variability: str = ""
    range: tuple[float, float] | None = None

    @property
    def size(self) -> int:
        """How many elements it has."""
        return int(np.prod(self.shape))

    def element(self, index: tuple[int, ...]) -> str:
        """Return the name of an element; indices count from 0 here and from 1 in names."""
        return f"{self.name}[{','.join(str(i + 1) for i in index)}]" if index else self.name


class Layer(NamedTuple):
    """What a unit is made of, beside what all have in common.

    Attributes
    ----------
    name : of the C code
    files : header and source by name
    variables : inputs first, then outputs
    arrays : what can be calibrated in the C code
    parameters : the same as variables
    noun : what the controller is
    resource : name of the file of tables inside
    dt : what the code takes as its step, of `time` and `length` of a call
    stepping : how it is stepped, for people
    """

    name: str
    files: Mapping[str, str]
    variables: tuple[Variable, ...]
    arrays: list[CArray]
    parameters: tuple[Variable, ...]
    noun: str
    resource: str
    dt: str
    stepping: str


def layer_of(content: Made) -> Layer:
    """Return what a unit of some content is made of."""
    title = content.origin.title
    if isinstance(content, RuleSet):
        arrays = rule_arrays(content)
        return Layer(
            name=c_name(title),
            files=c_files(content),
            variables=(*_RULE_INPUTS, *_STATE, *_COMMAND, _FAULT),
            arrays=arrays,
            parameters=_parameters(arrays),
            noun="Rule controller",
            resource="rules",
            dt="time - of->now.time",
            stepping=STEPPING,
        )
    intervals, step = content.preview.intervals, content.preview.step
    arrays = [of for of in preview_arrays(content) if not of.derived]
    return Layer(
        name=c_name(title, "preview"),
        files=preview_c_files(content),
        variables=(*_preview_inputs(intervals, step), *_STATE, *_COMMAND, _RESTS, _FAULT),
        arrays=arrays,
        parameters=_parameters(arrays),
        noun="Predictive controller",
        resource="preview",
        dt="length",
        stepping=STEPPING + f" Intervals of the preview follow the step, {step:g} s each.",
    )


def _parameters(arrays: Iterable[CArray]) -> tuple[Variable, ...]:
    """Return what can be calibrated as parameters: axes fixed, all others tunable."""
    found = []
    for of in arrays:
        quantity = of.row.quantity
        low, high = (float(np.float32(x * quantity.factor)) for x in (quantity.low, quantity.high))
        found.append(
            Variable(
                name=f"tables.{of.label}",
                causality="parameter",
                kind="Real",
                unit=quantity.unit,
                start=of.row.kept,
                meaning=of.meaning,
                shape=() if of.kind == "value" else of.shape,
                variability="fixed" if of.kind == "axis" else "tunable",
                range=(low, high),
            )
        )
    return tuple(found)


def _input(
    name: str, unit: str, start: str, meaning: str, place: str = "", shape: tuple[int, ...] = ()
) -> Variable:
    place = f"inputs.{place or name}"
    return Variable(name, "input", "Real", unit, start, meaning, place, shape)


_RULE_INPUTS = (
    _input("speed", "m/s", "0", "vehicle speed, mean of the step"),
    _input("wheel_speed", "rad/s", "0", "speed of the wheels"),
    _input("wheel_torque", "N m", "0", "torque wanted at the wheels"),
    _input("soc", "1", "0.5", "state of charge, 0 to 1"),
)
_STATE = (
    Variable(
        *("actual_engine_on", "input", "Boolean", "", "false", "whether the engine runs"),
        "inputs.actual_engine_on",
    ),
    Variable(
        *("actual_gear", "input", "Integer", "", "1", "gear engaged, 1 is first"),
        "inputs.actual_gear",
    ),
)
_COMMAND = (
    Variable(
        *("engine_on", "output", "Boolean", "", "false", "whether the engine shall run"),
        "command.engine_on",
    ),
    Variable(*("gear", "output", "Integer", "", "1", "gear wanted, 1 is first"), "command.gear"),
    Variable(
        *("motor_torque", "output", "Real", "N m", "0"),
        "motor torque at the gearbox input; all that is wanted there with the engine off",
        "command.motor_torque",
    ),
)
_RESTS = Variable(
    *("motor_rests", "output", "Boolean", "", "false", "the motor had better be unpowered"),
    "command.motor_rests",
)
_FAULT = Variable(
    *("fault", "output", "Boolean", "", "false", "an input was not finite"), "command.fault"
)


def _preview_inputs(intervals: int, step: float) -> tuple[Variable, ...]:
    """Return the inputs of a predictive controller."""
    count = Variable(
        *("preview_intervals", "input", "Integer", "", str(intervals)),
        f"how many intervals are foreseen, at most {intervals}",
        "inputs.intervals",
    )
    found = (
        _input("speed", "m/s", "0", "vehicle speed as the step begins", "speed[0]"),
        _input("grade", "1", "0", "rise over run, mean of the step that begins", "grade[0]"),
        _input("soc", "1", "0.5", "state of charge, 0 to 1"),
        _input(
            *("preview_speed", "m/s", "0"),
            f"vehicle speed at the end of the step that begins, then every {step:g} s",
            "speed[1]",
            (intervals + 1,),
        ),
        _input(
            *("preview_grade", "1", "0"),
            "rise over run, mean of each interval after the step that begins",
            "grade[1]",
            (intervals,),
        ),
        _input("remaining", "s", "0", "time from the end of the step to that of the drive"),
        count,
    )
    return tuple(variable for variable in found if variable.size)
