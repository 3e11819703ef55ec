"""Which column of a log is which signal: by option, by mapping file, or by usual names."""

import difflib
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from ..base.errors import InputError
from ..base.warning import InputWarning
from ..files.csv_table import read_toml
from .column_names import from_scanner, suitability, word_set
from .log import Journal, Log, LogColumn, printable
from .units import SI, UNITS, Unit, find_unit

SIGNALS = ("time", "speed", "altitude", "grade")
EXAMPLES = {"time": "time or t or timestamp", "speed": "vehicle speed or speed or v"}
LEFT_OUT = "none"
"""The name by which the user leaves a signal out."""
USUAL, STANDARD = "usual name", "usual name, unit by ISO 15031-5"


@dataclass(frozen=True)
class ColumnRequest:
    """What the user says of one signal.

    Attributes
    ----------
    name : of the column
    unit : of its values, such as "km/h"; empty takes the one that the log names
    """

    name: str
    unit: str = ""


@dataclass(frozen=True)
class ChosenColumn:
    """The column taken for a signal, its unit, and who chose it (option, map, usual name)."""

    column: LogColumn
    unit: Unit | None
    by: str

    def text(self, signal: str) -> str:
        """Return the choice in words."""
        if signal == "time":
            return f"{self.column.name} (by {self.by})"
        sign = self.unit.sign if self.unit else "?"
        return f"{self.column.name} (by {self.by}), {sign} -> {SI[signal]}"


def read_option(text: str) -> tuple[str, ColumnRequest]:
    """Read `signal=NAME` or `signal=NAME:unit`.

    Raises
    ------
    InputError
        The signal is none of `SIGNALS`, or the name is blank.
    """
    signal, equals, rest = text.partition("=")
    if not equals or signal not in SIGNALS or not rest.strip():
        raise InputError(
            f"channel {text[:80]!r}: write SIGNAL=NAME or SIGNAL=NAME:UNIT, with a signal of "
            f"{', '.join(SIGNALS)}"
        )
    name, colon, unit = rest.rpartition(":")
    if colon and find_unit(signal, unit):
        return signal, ColumnRequest(name, unit)
    return signal, ColumnRequest(rest)


def read_map(path: Path) -> dict[str, ColumnRequest]:
    """Read a mapping file: a TOML table per signal, with `name` and, if wanted, `unit`.

    Raises
    ------
    InputError
        The file is no TOML, too long, or has a table or key of another kind.
    """
    tables = read_toml(path)
    for signal, table in tables.items():
        if signal not in SIGNALS:
            raise InputError(
                f"{path}: [{printable(signal)}]: is no signal; known are {', '.join(SIGNALS)}"
            )
        fits = isinstance(table, dict) and {"name"} <= table.keys() <= {"name", "unit"}
        if not fits or not all(isinstance(value, str) for value in table.values()):
            raise InputError(f"{path}: [{signal}]: give name and, if wanted, unit, both as text")
    return {signal: ColumnRequest(**table) for signal, table in tables.items()}


def map_text(choices: Mapping[str, ChosenColumn]) -> str:
    """Return a mapping file that makes the same choices again."""
    lines = []
    for signal, choice in choices.items():
        quoted = choice.column.name.replace("\\", "\\\\").replace('"', '\\"')
        lines += [f"[{signal}]", f'name = "{quoted}"']
        lines += [f'unit = "{choice.unit.sign}"', ""] if choice.unit else [""]
    return "\n".join(lines)


def choose_channels(
    log: Log, given: Mapping[str, tuple[ColumnRequest, str]], journal: Journal
) -> dict[str, ChosenColumn]:
    """Choose the column of each signal.

    Parameters
    ----------
    log
        The log.
    given
        By signal, what the user said and where (`option` or `map`).
    journal
        Takes what was found beside the columns chosen.

    Returns
    -------
    dict of ChosenColumn
        Of `time` (text logs), `speed`, and `altitude` and `grade` where the log has them.

    Raises
    ------
    InputError
        A column is not there, several fit equally, or a unit is missing or not one of the signal.

    Warns
    -----
    InputWarning
        A column of altitude or grade is there and cannot be used as it is.
    """
    chosen: dict[str, ChosenColumn] = {}
    for signal in SIGNALS:
        if signal == "time" and not log.needs_time:
            if signal in given:
                raise InputError(f"{log.path}: channel time: MDF channels have their own time base")
        elif signal in given:
            choice = _named(log, signal, *given[signal])
            if choice:
                chosen[signal] = choice
        elif signal in ("time", "speed"):
            chosen[signal] = _usual(log, signal, chosen, journal)
        else:
            try:
                chosen[signal] = _usual(log, signal, chosen, journal)
            except _NoColumn:
                pass
            except InputError as error:
                warnings.warn(f"{error}; without it the road is flat", InputWarning, stacklevel=3)
    return chosen


class _NoColumn(InputError):
    """No column has a name that fits the signal."""


def _named(log: Log, signal: str, request: ColumnRequest, by: str) -> ChosenColumn | None:
    """Return the column that the user names, or None where it is to be left out."""
    for column in log.columns:
        if column.name == request.name:
            return ChosenColumn(column, _unit(log, signal, column, request.unit), by)
    if request.name == LEFT_OUT and signal in ("altitude", "grade"):
        return None
    near = difflib.get_close_matches(request.name, [c.name for c in log.columns], n=3, cutoff=0.5)
    hint = f"near to it: {', '.join(near)}" if near else f"columns: {_listed(log.columns)}"
    raise InputError(
        f"{log.path}: channel {signal}: there is no column {request.name[:80]!r}; {hint}"
    )


def _usual(
    log: Log, signal: str, chosen: Mapping[str, ChosenColumn], journal: Journal
) -> ChosenColumn:
    """Return the column whose name fits a signal best."""
    taken = [choice.column for choice in chosen.values()]
    scores = {c: suitability(signal, c) for c in log.columns if c not in taken}
    fits = sorted((score, c.place, c) for c, score in scores.items() if score is not None)
    columns = [column for _, _, column in fits]
    if not columns:
        raise _NoColumn(
            f"{log.path}: no column is called {EXAMPLES.get(signal, signal)}; say which it is with "
            f"--channel {signal}=NAME; columns: {_listed(log.columns)}"
        )
    sound = [c for c in columns if not c.empty] or columns
    standard = _by_standard(log, columns) if signal == "speed" else frozenset()
    if signal != "time":
        sound = [c for c in sound if find_unit(signal, c.unit) or c in standard] or (
            [c for c in sound if not c.unit] or sound
        )
    best = [c for c in sound if scores[c] == scores[sound[0]]]
    if len(best) > 1 and not log.alike(best):
        raise InputError(
            f"{log.path}: {len(best)} columns may be the {signal}: {_listed(best)}; "
            f"choose one with --channel {signal}=NAME"
        )
    if best[0].empty and signal in ("altitude", "grade"):
        raise InputError(
            f"{log.path}: channel {signal}: column {best[0].name} holds no number in its first "
            f"lines; if it does later, say --channel {signal}={best[0].name}"
        )
    alike = frozenset(best)
    others = [c for c in columns if c not in alike]
    if others:
        text = f"{signal}: not taken: {_listed(others)}; choose with --channel {signal}=NAME"
        journal.note(f"other_{signal}", len(others), text)
    if best[0] in standard:
        return ChosenColumn(best[0], find_unit("speed", "km/h"), STANDARD)
    return ChosenColumn(best[0], _unit(log, signal, best[0], ""), USUAL)


def _by_standard(log: Log, columns: Sequence[LogColumn]) -> frozenset[LogColumn]:
    """Return which columns of speed without a unit may be the speed of ISO 15031-5.

    A scanner asks for it as parameter 0D, one byte in km/h: whole numbers from 0 to 255 (as SAE
    J1979 has it too; from memory).
    """
    bare = [c for c in columns if not c.unit and c.whole and "gps" not in word_set(c)]
    return frozenset(bare if bare and from_scanner(log.columns) else ())


def _unit(log: Log, signal: str, column: LogColumn, stated: str) -> Unit | None:
    text = stated or column.unit or (column.words if find_unit(signal, column.words) else "")
    if signal == "time" and not text:
        return None
    unit = find_unit(signal, text) if text else None
    if unit is None and not (signal == "time" and not stated):
        known = ", ".join(dict.fromkeys(unit.sign for unit in UNITS[signal].values()))
        state = f"has the unit {text[:40]!r}, which is none of {signal}" if text else "has no unit"
        raise InputError(
            f"{log.path}: channel {signal}: column {column.name} {state}; say it with "
            f"--channel {signal}={column.name}:{known.partition(',')[0]} (known: {known})"
        )
    return unit


def _listed(columns: Sequence[LogColumn]) -> str:
    """Return the names of columns as messages show them: not too many."""
    names = [column.name for column in columns[:12]]
    more = len(columns) - len(names)
    return ", ".join(names) + (f" and {more} more" if more > 0 else "")
