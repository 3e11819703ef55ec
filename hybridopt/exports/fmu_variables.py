"""The variables of a co-simulation unit: of rule tables, and of a predictive controller."""

from collections.abc import Mapping
from typing import NamedTuple

from ..tables.contents import Made
from ..tables.rule_set import RuleSet
from .c_code import c_files
from .c_text import c_name
from .preview_c_code import preview_c_files

STEPPING = (
    "In each step set the inputs, which are those of the step that begins and what engine and gear "
    "really are, do the step, then get the outputs. Times in state are counted from one "
    "communication point to the next. Limits of engine, motor and battery come after the unit."
)


class Variable(NamedTuple):
    """A variable of the unit; its number in the list is its value reference.

    `place` is where the C code keeps it.
    """

    name: str
    causality: str
    kind: str
    unit: str
    start: str
    meaning: str
    place: str


class Layer(NamedTuple):
    """What a unit is made of, beside what all have in common.

    Attributes
    ----------
    name : of the C code
    files : header and source by name
    variables : inputs first
    noun : what the controller is
    resource : name of the file of tables inside
    naming : of the variables, as the standard calls it
    dt : what the code takes as its step, of `time` and `step` of a call
    stepping : how it is stepped, for people
    """

    name: str
    files: Mapping[str, str]
    variables: tuple[Variable, ...]
    noun: str
    resource: str
    naming: str
    dt: str
    stepping: str


def layer_of(content: Made) -> Layer:
    """Return what a unit of some content is made of."""
    title = content.origin.title
    if isinstance(content, RuleSet):
        return Layer(
            name=c_name(title),
            files=c_files(content),
            variables=(*_RULE_INPUTS, *_STATE, *_COMMAND, _FAULT),
            noun="Rule controller",
            resource="rules",
            naming="flat",
            dt="time - of->time",
            stepping=STEPPING,
        )
    intervals, step = content.preview.intervals, content.preview.step
    return Layer(
        name=c_name(title, "preview"),
        files=preview_c_files(content),
        variables=(*_preview_inputs(intervals, step), *_STATE, *_COMMAND, _RESTS, _FAULT),
        noun="Predictive controller",
        resource="preview",
        naming="structured",
        dt="step",
        stepping=STEPPING + f" Intervals of the preview follow the step, {step:g} s each.",
    )


def _input(name: str, unit: str, start: str, meaning: str, place: str = "") -> Variable:
    return Variable(name, "input", "Real", unit, start, meaning, f"inputs.{place or name}")


_RULE_INPUTS = (
    _input("speed", "m/s", "0", "vehicle speed, mean of the step"),
    _input("wheel_speed", "rad/s", "0", "speed of the wheels"),
    _input("wheel_torque", "N.m", "0", "torque wanted at the wheels"),
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
        *("motor_torque", "output", "Real", "N.m", "0"),
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
    """Return the inputs of a predictive controller; arrays are numbered from 1."""
    speeds = [
        _input(
            f"preview_speed[{i + 1}]",
            "m/s",
            "0",
            f"vehicle speed {i * step:g} s after the end of the step that begins",
            f"speed[{i + 1}]",
        )
        for i in range(intervals + 1)
    ]
    grades = [
        _input(
            f"preview_grade[{i + 1}]",
            "1",
            "0",
            f"rise over run, mean of interval {i + 1} after the step that begins",
            f"grade[{i + 1}]",
        )
        for i in range(intervals)
    ]
    count = Variable(
        *("preview_intervals", "input", "Integer", "", str(intervals)),
        f"how many intervals are foreseen, at most {intervals}",
        "inputs.intervals",
    )
    return (
        _input("speed", "m/s", "0", "vehicle speed as the step begins", "speed[0]"),
        _input("grade", "1", "0", "rise over run, mean of the step that begins", "grade[0]"),
        _input("soc", "1", "0.5", "state of charge, 0 to 1"),
        *speeds,
        *grades,
        _input("remaining", "s", "0", "time from the end of the step to that of the drive"),
        count,
    )
