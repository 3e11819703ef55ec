"""The house: rooms in one order, no import climbs, short files, few parameters, one name one class.

House rules of this package; common practice, no source.
"""

import ast
import subprocess
import sys
from collections import defaultdict
from collections.abc import Iterator
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

from hybridopt.base.compiled import MARK

PACKAGE = Path(__file__).parents[2] / "hybridopt"
ORDER = (
    "base",
    "files",
    "inputs",
    "physics",
    "problem",
    "dp",
    "optimum",
    "pipeline",  # a module between the rooms
    "controllers",
    "tables",
    "foresight",
    "evaluation",
    "exports",
    "distillation",
    "measurements",
    "measured_car",
    "study",
    "plots",
    "text",
    "report",
    "__init__",  # the public names, which only the commands use
    "cli",
)
LOOSE = {"__init__", "__main__", "pipeline"}
MAX_ROOMS, MAX_LINES, MAX_PARAMETERS, MAX_SKIPS = 20, 400, 10, 20


@cache
def trees() -> dict[tuple[str, ...], ast.Module]:
    """Syntax tree of every module, or of its stub, by the parts of its name: (room, module)."""
    return {
        path.relative_to(PACKAGE).with_suffix("").parts: ast.parse(path.read_text(encoding="utf-8"))
        for kind in ("*.py", "*.pyi")
        for path in sorted(PACKAGE.rglob(kind))
    }


@cache
def imports() -> dict[tuple[str, ...], set[tuple[str, ...]]]:
    """Modules of the package that each one imports."""
    return {module: set(imported(module)) for module in trees()}


def imported(module: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """Yield the modules of the package that a module imports anywhere, lazily or for types too."""
    for node in ast.walk(trees()[module]):
        if isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name.partition(".")[0] == PACKAGE.name:
                    yield from known(tuple(alias.name.split(".")[1:]), ())
        elif isinstance(node, ast.ImportFrom):
            named = tuple((node.module or "").split(".")) if node.module else ()
            if node.level:
                place = module[: len(module) - node.level] + named
            elif named[0] == PACKAGE.name:
                place = named[1:]
            else:
                continue
            for alias in node.names:
                yield from known(place, (alias.name,))


def known(place: tuple[str, ...], name: tuple[str, ...]) -> Iterator[tuple[str, ...]]:
    """Yield the module that a name in a place is, or else the module that holds it."""
    for candidate in (place + name, place, (*place, "__init__")):
        if candidate in trees():
            yield candidate
            return
    raise AssertionError(f"{'.'.join(place + name)} is no module of the package")


def test_the_list_of_rooms_is_that_of_the_folders():
    rooms = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    assert rooms == set(ORDER) - LOOSE
    assert len(rooms) <= MAX_ROOMS
    assert {module[0] for module in trees() if len(module) == 1} == LOOSE
    assert all(len(module) <= 2 for module in trees()), "rooms have no rooms"
    assert {module[0] for module in trees() if len(module) == 2} == rooms


@pytest.mark.parametrize("room", ORDER)
def test_no_import_climbs(room):
    place = ORDER.index(room)
    climbs = {
        (".".join(module), ".".join(target))
        for module, targets in imports().items()
        for target in targets
        if module[0] == room and (target[0] not in ORDER or ORDER.index(target[0]) > place)
    }
    assert not climbs


def test_no_modules_import_each_other_in_a_circle():
    try:
        TopologicalSorter(imports()).prepare()
    except CycleError as error:
        pytest.fail(" <- ".join(".".join(module) for module in error.args[1]))


def test_imports_are_found_wherever_they_stand():
    """Lazy imports in functions, under TYPE_CHECKING and in the stub of public names count."""
    assert ("inputs", "cycle") in imports()["__init__",]
    assert ("physics", "launches") in imports()["cli", "launch"]
    assert ("base", "compiled") in imports()["physics", "step"]


def test_files_are_short_as_the_formatter_lays_them_out():
    lengths = {
        str(path.relative_to(PACKAGE)): len(path.read_text(encoding="utf-8").splitlines())
        for path in PACKAGE.rglob("*.py")
    }
    assert {name: lines for name, lines in lengths.items() if lines > MAX_LINES} == {}
    command = [sys.executable, "-m", "ruff", "format", "--check", str(PACKAGE)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=PACKAGE.parent)
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_formatter_is_seldom_switched_off():
    texts = [path.read_text(encoding="utf-8") for path in PACKAGE.rglob("*.py")]
    words = ("fmt: skip", "fmt: off", "yapf: disable")
    assert sum(text.count(word) for text in texts for word in words) <= MAX_SKIPS


def parameters(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Count the parameters of a function, `self` and `cls` left aside."""
    given = function.args
    names = [a.arg for a in (*given.posonlyargs, *given.args)]
    own = bool(names) and names[0] in ("self", "cls")
    more = len(given.kwonlyargs) + (given.vararg is not None) + (given.kwarg is not None)
    return len(names) - own + more


def test_functions_take_few_parameters():
    many = {
        f"{'.'.join(module)}.{node.name}": parameters(node)
        for module, tree in trees().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and parameters(node) > MAX_PARAMETERS
    }
    assert many == {}


def test_each_class_name_has_one_meaning():
    homes = defaultdict(list)
    for module, tree in trees().items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                homes[node.name].append(".".join(module))
    assert {name: places for name, places in homes.items() if len(places) > 1} == {}


def test_kernel_files_are_read_as_such():
    """The stamp of the kernels' cache knows files with kernels by a line that each must have."""
    users = [module for module, targets in imports().items() if ("base", "compiled") in targets]
    assert len(users) > 10
    for module in users:
        assert MARK in PACKAGE.joinpath(*module).with_suffix(".py").read_bytes(), module
