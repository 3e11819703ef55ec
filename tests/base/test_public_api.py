"""The public names: one list, imported on first use, each documented as numpydoc wants it."""

import ast
import enum
import inspect
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

import hybridopt
from hybridopt.base import errors
from hybridopt.cli.api_reference import TITLES, api_reference, documentation, public_thing

DOCUMENT = Path(hybridopt.__file__).parent / "guide" / "api.md"
ERRORS = {n for n, e in vars(errors).items() if inspect.isclass(e) and issubclass(e, Exception)}
NAMES = list(hybridopt._HOMES)


def test_names_are_listed_once():
    assert sorted(hybridopt.__all__) == dir(hybridopt) == sorted({*NAMES, "__version__"})
    assert hybridopt.__version__[0].isdigit()
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        _ = hybridopt.nothing


def test_type_checkers_see_the_same_names_at_the_same_homes():
    """In a stub file `import X as X` makes X public to them (PEP 484, stub files)."""
    stub = Path(hybridopt.__file__).with_suffix(".pyi").read_text(encoding="utf-8")
    homes, modules = {}, {}
    for node in ast.parse(stub).body:
        if isinstance(node, ast.ImportFrom):
            for one in node.names:
                if one.asname == one.name:
                    homes[one.name] = node.module
                else:
                    modules[one.asname] = f"{node.module}.{one.name}"
        elif isinstance(node, ast.Assign):
            inner = node.value
            homes[node.targets[0].id] = f"{modules[inner.value.id]}:{inner.attr}"
    assert homes == hybridopt._HOMES


def source():
    return Path(hybridopt.__file__).read_text(encoding="utf-8")


FIRST = """
import importlib, sys, types
for first in ((), ("pipeline",), ("physics.demand",)):
    for name in [name for name in sys.modules if name.split(".")[0] == "hybridopt"]:
        del sys.modules[name]
    import hybridopt
    for name in first:
        importlib.import_module("hybridopt." + name)
    modules = [n for n in hybridopt.__all__ for _ in range(2)
               if isinstance(getattr(hybridopt, n), types.ModuleType)]
    assert not modules, (first, modules)
"""


@pytest.mark.long
def test_names_are_no_modules_whatever_was_imported_before():
    done = subprocess.run([sys.executable, "-c", FIRST], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", NAMES)
def test_name_is_documented(name):
    """Each parameter of a call, what it returns, and the errors of the package it raises."""
    thing, text = public_thing(name)
    assert text, "no docstring"
    known = documentation(thing, text)
    assert known.text.split("\n")[0].endswith((".", ":"))
    exception = inspect.isclass(thing) and issubclass(thing, Exception | enum.Enum)
    if not callable(thing) or exception:
        return
    call = inspect.signature(thing)
    named = known.named("Parameters", "Attributes")
    assert set(call.parameters) - set(named) == set(), "parameters without a word"
    assert set(known.named("Parameters")) <= set(call.parameters), "words without a parameter"
    if inspect.isclass(thing):
        return
    if call.return_annotation not in (None, "None"):
        assert "Returns" in known.entries
    raised = {
        name
        for node in ast.walk(ast.parse(textwrap.dedent(inspect.getsource(thing))))
        if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call)
        for name in [getattr(node.exc.func, "id", "")]
    }
    assert raised & ERRORS <= set(known.named("Raises"))


def test_every_name_has_a_section():
    rooms = " ".join(TITLES).split()
    homes = {home.replace(":", ".").split(".")[0] for home in hybridopt._HOMES.values()}
    assert homes == set(rooms)


def test_reference_is_up_to_date():
    """When it is not: python -m hybridopt.cli.api_reference > hybridopt/guide/api.md."""
    assert DOCUMENT.read_text(encoding="utf-8") == api_reference()
