"""One list of names, and a package whose public names and files keep to the house's habits."""

from pathlib import Path

import pytest
from makers import RUNNING, plain_driveline, replayed, wanted

import hybridopt
from hybridopt.base.nomenclature import SINKS, SOURCES, STEP_VARIABLES, TOTALS

PACKAGE = Path(hybridopt.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))
UNITS = {"s", "m/s", "m/s2", "rad/s", "N m", "1", "g/s", "W", "A", "V", "g"}
UNITS |= {"l/100 km", "g/km", "km", "kJ", "kWh"}


def test_variables_of_a_run_are_the_listed_ones():
    run = replayed(plain_driveline(), wanted(15, 480), 2, RUNNING)
    assert list(run.data_vars) == list(STEP_VARIABLES)
    for name, variable in run.data_vars.items():
        assert variable.dims == ("time",)
        assert variable.attrs["units"] == STEP_VARIABLES[name].unit
        assert variable.attrs["long_name"] == STEP_VARIABLES[name].meaning
    modes = {mode.name.lower() for mode in hybridopt.Mode}
    assert set(run["mode"].attrs["flag_meanings"].split()) == modes


def test_every_name_has_unit_and_meaning():
    for names in (STEP_VARIABLES, TOTALS):
        for quantity in names.values():
            assert quantity.unit in UNITS and quantity.meaning
    assert not set(STEP_VARIABLES) & set(TOTALS)


def test_powers_are_all_in_the_balance():
    """Every power and loss is a source, a sink, or the battery's terminal power between both."""
    watts = {name for name, quantity in STEP_VARIABLES.items() if quantity.unit == "W"}
    assert watts == {*SOURCES, *SINKS, "battery_power"}


@pytest.mark.parametrize("path", MODULES, ids=[str(p.relative_to(PACKAGE)) for p in MODULES])
def test_files_say_what_they_are(path):
    text = path.read_text(encoding="utf-8")
    assert text.startswith(('"""', "#!")), "a docstring opens every module"
