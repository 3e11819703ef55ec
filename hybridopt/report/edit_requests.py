"""What the page of rule tables under edit asks for, and the answers to it, as JSON."""

import os.path
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import FailedError, InputError
from ..base.units import KM_PER_H, KW, PERCENT
from ..controllers.closed_loop import Drive
from ..files.writing import file_stem
from ..inputs.fields import shown
from ..physics.codes import EngineClass
from ..tables.cell_edits import Region
from ..tables.cell_relations import vehicle_range
from ..tables.files import write_csv, write_json
from ..tables.form import Form
from ..tables.rule_table import LAYOUT
from .broken_limits import BrokenLimit, broken_limits
from .edit_session import EditSession, EditState
from .edit_worth import WorthJob, nested, worth_message

DIGITS = 9  # of values behind the point, in the units of files
STALE = (
    "These tables were changed on another page since this one was drawn. "
    "Nothing was changed now; load them again to go on."
)
Message = dict[str, Any]


class Stale(Exception):
    """A request for a change of tables that are no longer there."""


class EditDesk:
    """Answers the requests of pages; all state is in the session.

    Parameters
    ----------
    session
        What is edited.
    folder
        Where tables are saved; requests name a file in it, never a path.
    steps
        By how much cells are moved for their worth, as :data:`hybridopt.distillation.cell_worth`.
    """

    def __init__(self, session: EditSession, folder: Path, steps: Mapping[str, float]) -> None:
        self.session, self.folder, self.steps = session, folder, steps
        known = next(iter(session.drives.cases.values())).optimum
        self._vehicle, self._settings = vehicle_range(known.driveline), known.settings
        self._looked_at: tuple[EditState | None, list[BrokenLimit]] = None, []
        self._worth: WorthJob | None = None
        self._asked: dict[str, Callable[[Mapping[str, Any]], Message]] = {
            "state": lambda asked: {},
            "trace": self._trace,
            "version": self._version,
            "worth": self._ask_worth,
            "save": self._save,
        }
        self._changes: dict[str, Callable[[Mapping[str, Any]], None]] = {
            "edit": self._edit,
            "undo": lambda asked: self.session.step(-1),
            "redo": lambda asked: self.session.step(1),
            "keep": lambda asked: self.session.keep(_text(asked, "name")),
            "take": lambda asked: self.session.take_version(_text(asked, "name")),
        }

    def answer(self, asked: Any) -> Message:
        """Return the answer to a request.

        Raises
        ------
        InputError
            The request, or something in it, is wrong, or cannot be done.
        FailedError
            A file could not be written.
        Stale
            The change is for tables that were changed since.
        """
        if not isinstance(asked, dict):
            raise InputError("the request is no object")
        what = _text(asked, "do")
        if "drive" in asked and _text(asked, "drive") not in self.session.drives.cases:
            raise InputError(f"there is no drive {shown(asked['drive'])}")
        if what in self._asked:
            return self._state(asked) | self._asked[what](asked)
        if what not in self._changes:
            raise InputError(f"{shown(what)} is nothing that can be asked for")
        if asked.get("revision") != self.session.revision:
            raise Stale
        self._changes[what](asked)
        if self._worth and not self._worth.found:
            self._worth.end()
        return self._state(asked)

    def tables(self) -> list[Message]:
        """Return what does not change while tables are edited: names, units and axes."""
        form, maps = self.session.opened.form, self.session.opened.maps
        return [_table(form, name, maps[name], self.steps[LAYOUT[name][-1]]) for name in LAYOUT]

    def _state(self, asked: Mapping[str, Any]) -> Message:
        """Return the tables as they are, what they come to, and the drive that is shown."""
        session = self.session
        message = {
            "revision": session.revision,
            "unsaved": session.unsaved,
            "undo": session.undone,
            "redo": session.redone,
            "values": self._values(session.now),
            "drives": _driven(session.now),
            "versions": [
                {"name": name, "drives": _driven(state)} for name, state in session.versions.items()
            ],
            "faults": [fault._asdict() for fault in self._faults()],
        }
        if "drive" in asked:
            message["now"] = _traces(self._drive(asked, session.now))
        return message

    def _faults(self) -> list[BrokenLimit]:
        """Return the limits that the tables break, worked out once for a state."""
        state = self.session.now
        if self._looked_at[0] is not state:
            faults = broken_limits(self.session.rules(), self._vehicle, self._settings)
            self._looked_at = state, faults
        return self._looked_at[1]

    def _values(self, state: EditState) -> Message:
        form = self.session.opened.form
        return {n: nested(v / form.value(n).factor, DIGITS) for n, v in state.values.items()}

    def _drive(self, asked: Mapping[str, Any], state: EditState) -> Drive:
        return self.session.drives.drive(_text(asked, "drive"), self.session.rules(state).table)

    def _trace(self, asked: Mapping[str, Any]) -> Message:
        """Return what a drive asks for, and how a version drives it."""
        drive = self._drive(asked, self.session.version(_text(asked, "version")))
        demand = self.session.drives.cases[_text(asked, "drive")].optimum.demand
        power = demand.wheel_torque * demand.wheel_speed / KW
        return {
            "asked": {
                "time": nested(np.append(demand.time, demand.time[-1] + demand.dt[-1]), 2),
                "speed": nested(demand.speed / KM_PER_H, 1),
                "torque": nested(demand.wheel_torque, 0),
                "power": nested(power, 2),
            },
            "then": _traces(drive),
        }

    def _version(self, asked: Mapping[str, Any]) -> Message:
        return {"then": self._values(self.session.version(_text(asked, "name")))}

    def _edit(self, asked: Mapping[str, Any]) -> None:
        table, operation = _text(asked, "table"), _text(asked, "operation")
        if table not in LAYOUT:
            raise InputError(f"there is no table {shown(table)}")
        layer = asked.get("layer")
        region = Region(
            _span(asked, "rows"),
            _span(asked, "columns"),
            None if layer is None else _count(layer, "layer"),
        )
        if operation == "back":
            self.session.take_back(table, region, _text(asked, "version"))
            return
        factor = self.session.opened.form.value(table).factor
        amount = _number(asked, "amount") if operation in ("set", "add", "scale") else 0.0
        self.session.change(
            table, region, operation, amount if operation == "scale" else amount * factor
        )

    def _ask_worth(self, asked: Mapping[str, Any]) -> Message:
        """Begin to work out what cells are worth, or say how far that is."""
        session, job = self.session, self._worth
        if asked.get("begin") and (job is None or job.revision != session.revision or job.fault):
            if job:
                job.end()
            cases = session.drives.cases
            job = self._worth = WorthJob(session.revision, session.rules(), cases, self.steps)
        return {"worth": worth_message(job) if job else None}

    def _save(self, asked: Mapping[str, Any]) -> Message:
        """Write the tables; what is there already stays unless it is to be replaced."""
        name, replace = _text(asked, "name").strip(), asked.get("replace") is True
        if asked.get("revision") != self.session.revision:
            raise Stale
        if not name or file_stem(name) != name:
            raise InputError(
                f"{shown(name)} is no name for a file; use up to 40 letters, digits and _ - ."
            )
        rules, csv = self.session.rules(), _text(asked, "kind") == "csv"
        path = self.folder / (name if csv else f"{name}.json")
        if os.path.lexists(path) and not replace:
            return {"exists": path.name}
        if csv:
            if os.path.islink(path) or (os.path.lexists(path) and not os.path.isdir(path)):
                raise InputError(f"{path.name}: is no folder; give another name")
            try:
                path.mkdir(exist_ok=True)
            except OSError as error:
                raise FailedError(f"{path.name}: {error.strerror or error}") from None
            write_csv(rules, path, overwrite=replace)
        else:
            write_json(rules, path, overwrite=replace)
        self.session.saved = self.session.now
        return {"saved": path.name, "unsaved": False}


def _table(form: Form, name: str, found: Any, step: float) -> Message:
    axes = [
        {"name": quantity.name, "unit": quantity.file_unit, "values": nested(axis, DIGITS)}
        for quantity, axis in zip(
            form.axes(name),
            (x / q.factor for x, q in zip(found.axes, form.axes(name), strict=True)),
            strict=True,
        )
    ]
    unit = form.value(name).file_unit
    return {"name": name, "meaning": form.meanings[name], "unit": unit, "axes": axes, "step": step}


def _driven(state: EditState) -> list[Message]:
    return [
        {
            "name": name,
            "fuel": found.figures.fuel_g,
            "cost": found.figures.cost_equal_g,
            "gap": found.gap_percent,
            "lacking": found.lacking,
            "starts": int(found.figures.starts),
            "shifts": int(found.figures.shifts),
            "soc": found.figures.soc_end / PERCENT,
            **found.comfort,
        }
        for name, found in state.driven.items()
    ]


def _traces(drive: Drive) -> Message:
    done = drive.schedule
    return {
        "gear": (done.gear + 1).tolist(),
        "on": (done.engine_class != EngineClass.OFF).astype(int).tolist(),
        "motor": nested(done.motor_torque, 1),
        "soc": nested(drive.soc / PERCENT, 3),
    }


def _text(asked: Mapping[str, Any], key: str) -> str:
    text = asked.get(key)
    if not isinstance(text, str):
        raise InputError(f"{key} is {shown(text)}; a text is wanted")
    return text


def _number(asked: Mapping[str, Any], key: str) -> float:
    value = asked.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e12:
        raise InputError(f"{shown(value)} is no number; write one with a point")
    return float(value)


def _span(asked: Mapping[str, Any], key: str) -> tuple[int, int]:
    ends = asked.get(key)
    if not isinstance(ends, list) or len(ends) != 2:
        raise InputError(f"{key} is {shown(ends)}; first and last are wanted")
    return _count(ends[0], key), _count(ends[1], key)


def _count(value: Any, key: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise InputError(f"{key} is {shown(value)}; a whole number is wanted")
    return value
