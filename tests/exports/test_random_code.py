"""Random rule sets as C code, A2L and description of a unit: float32 to the bit, int16 as scaled.

The values are read out of the texts, the A2L by a reader of its own.
"""

import re
from xml.etree import ElementTree

import numpy as np
import pytest
from a2l_reader import described
from random_rules import random_rules

from hybridopt.base.errors import InputError
from hybridopt.exports.a2l import a2l_text
from hybridopt.exports.c_code import as_int16, c_files
from hybridopt.exports.fmu_description import description
from hybridopt.exports.fmu_variables import layer_of

ARRAY = re.compile(
    r"^static KEPT (?!char)(\w+) (\w+)(?:\[\w+\] = \{([^}]*)\}| = ([^;]*));", re.MULTILINE
)


def values_of(made, int16):
    """Return type and numbers of each array of the C code, by its name there."""
    (text,) = (x for name, x in c_files(made, int16).items() if name.endswith(".c"))
    return {
        name: (kind, np.array([float(x.rstrip("F")) for x in re.findall(r"[-\w.+]+", many or one)]))
        for kind, name, many, one in ARRAY.findall(text)
    }


def arrays(made):
    """Return all values by the names that A2L has for them; axes once."""
    shared = made.form.shared_axes(made.maps)
    found = dict(made.constants)
    for name, table in made.maps.items():
        found[name] = table.values
        for axis, points in zip(made.form.axis_names(name), table.axes, strict=True):
            if shared[axis] == axis:
                found[axis] = points
    return found


def check(seed):
    """Send a rule set through all three; return whether it fits int16."""
    made = random_rules(seed)
    wanted = arrays(made)
    code, told = values_of(made, False), described(a2l_text(made))
    assert told.keys() == wanted.keys() and len(code) == len(told)
    for name, values in wanted.items():
        kind, numbers = code[told[name].symbol]
        assert kind == "float" and told[name].dtype == "f4"
        assert np.array_equal(np.float32(numbers), np.float32(values.ravel())), (seed, name)
        assert told[name].shape == values.shape and told[name].slope == 1.0
        assert told[name].low <= values.min() * (1 + 1e-9) and values.max() <= told[name].high
    check_unit(made, wanted)
    try:
        held = arrays(as_int16(made))
    except InputError as refused:
        assert "as int16: is" in str(refused), "two points of an axis fall together"
        return False
    code, told = values_of(made, True), described(a2l_text(made, int16=True))
    for name, values in held.items():
        of, (kind, numbers) = told[name], code[told[name].symbol]
        if kind == "float":
            assert np.array_equal(np.float32(numbers), np.float32(values)), (seed, name)
            continue
        assert kind == "int16_t" and of.dtype == "i2" and abs(numbers).max() <= 32767
        assert np.array_equal(of.values(numbers), values), (seed, name)
        step = 0.51 * of.slope + 1e-6 * abs(values).max()
        assert abs(values - wanted[name]).max() <= step, (seed, name)
    return True


def check_unit(made, wanted):
    """Compare the start values of parameters in the description of FMI 3.0."""
    root = ElementTree.fromstring(description(made, layer_of(made), "{a}", 3))
    found = {v.get("name"): v for v in root.find("ModelVariables")}
    for name, values in wanted.items():
        start = [float(x) for x in found[f"tables.{name}"].get("start").split()]
        assert np.array_equal(start, np.float32(values.ravel()).astype(float)), name


def test_some_are_as_they_were():
    assert sum(check(seed) for seed in range(12)) > 6


@pytest.mark.long
def test_two_hundred_are_as_they_were():
    fit = sum(check(seed) for seed in range(200))
    print(f"\n{fit} of 200 fit int16")
    assert fit > 150
