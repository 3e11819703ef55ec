"""Where controllers come from: a name, a rule table, a solved schedule, or a user's Python file."""

import dataclasses
import difflib
import importlib.util
import inspect
import os.path
import sys
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import InputError
from ..controllers.builtin import BuiltIn, Playback
from ..controllers.controller import Controller
from ..controllers.preview import Preview
from ..controllers.standard import names
from ..controllers.user_code import call_user
from ..optimum.result import Result
from ..physics.codes import EngineClass
from ..physics.schedule import Schedule
from ..tables.files import read_tables
from ..tables.table_netcdf import holds_tables

ALLOWED = (
    "a name ({names}), rule tables or preview maps (.json, .nc, .cdfx or a folder of CSV files), a "
    "solved schedule (.nc), or your own as FILE.py:FUNCTION"
)


def is_code(source: str) -> bool:
    """Return whether reading a source runs code of a file."""
    return ".py:" in source


def read_controller(source: str, gears: str | None = None) -> Any:
    """Return the controller that a source names.

    Parameters
    ----------
    source
        A name, the path of rule tables (.json, .nc, .cdfx or a folder of CSV files) or of a solved
        schedule (.nc), or FILE.py:FUNCTION, where FUNCTION may also be a class with `reset` and
        `decide`.
    gears
        How a named controller chooses gears ("lines", "follow", "best"); None is its own way.

    Returns
    -------
    BuiltIn, Controller or function
        What :meth:`hybridopt.controllers.closed_loop.ClosedLoop.run` takes.

    Raises
    ------
    InputError
        The source is unknown, its file is wrong, or code of the file raised an exception or
        took too long.

    Notes
    -----
    A Python file is executed as it is, with the rights of the user.
    """
    known = names()
    if source in known:
        controller: BuiltIn = known[source]()
        if gears is None or isinstance(controller, Preview):  # which weighs gears itself
            return controller
        return dataclasses.replace(controller, gears=gears)
    if is_code(source):
        return _from_code(source)
    if is_table_file(source):
        return read_tables(source).controller
    if source.endswith(".nc"):
        return Playback(schedule=read_schedule(source))
    close = difflib.get_close_matches(source, known, n=1)
    hint = f"; did you mean {close[0]}?" if close else ""
    raise InputError(
        f"--controller {source}: is unknown{hint}; give {ALLOWED.format(names=', '.join(known))}"
    )


def is_table_file(source: str) -> bool:
    """Return whether a source is a file, or a folder of files, of rule tables or preview maps.

    Raises
    ------
    InputError
        It is a NetCDF file that is absent or damaged.
    """
    if source.endswith(".nc"):
        return holds_tables(Path(source))
    return source.endswith((".json", ".cdfx")) or os.path.isdir(source)


def read_schedule(path: str | Path) -> Schedule:
    """Return the schedule of a solved cycle's NetCDF file.

    Raises
    ------
    InputError
        The file is no result of this package.
    """
    trace = Result.read(path).dataset
    on, start = trace["engine_on"].values, trace["engine_start"].values
    running = np.where(start > 0, int(EngineClass.STARTING), int(EngineClass.RUNNING))
    return Schedule(
        gear=trace["gear"].values.astype(np.int64) - 1,
        engine_class=np.where(on > 0, running, int(EngineClass.OFF)).astype(np.int64),
        motor_torque=trace["motor_torque"].values.astype(np.float64),
        powered=trace["motor_powered"].values > 0,
    )


def _from_code(source: str) -> Any:
    place, _, name = source.rpartition(":")
    path = Path(place)
    if not os.path.isfile(path):
        raise InputError(f"--controller {source}: the file {path} does not exist")
    module = _run_file(path)
    found: Any = call_user(f"--controller {source}: finding it", getattr, module, name, None)
    if not callable(found):
        raise InputError(f"--controller {source}: {path} has no function or class {name!r}")
    if not inspect.isclass(found):
        return found
    made = call_user(f"--controller {source}: making a {name}", found)
    if not isinstance(made, Controller):
        raise InputError(f"--controller {source}: the class needs the methods reset and decide")
    return made


def _run_file(path: Path) -> Any:
    specification = importlib.util.spec_from_file_location(f"controller_{path.stem}", path)
    if specification is None or specification.loader is None:
        raise InputError(f"--controller {path}: is no Python file")
    module = importlib.util.module_from_spec(specification)
    sys.modules[module.__name__] = module  # dataclasses of the file look themselves up there
    call_user(f"--controller {path}: running it", specification.loader.exec_module, module)
    return module
