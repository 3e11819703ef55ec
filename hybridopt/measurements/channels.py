"""Which column of a log is which signal: by option, by mapping file, or by usual names."""

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from ..base.errors import InputError
from ..files.csv_table import read_toml
from .log import Log, LogColumn, printable
from .units import SI, UNITS, Unit, find_unit

SIGNALS = ("time", "speed", "altitude", "grade")
USUAL_NAMES = {
    "time": (
        "time, t, timestamp, time stamp, test time, elapsed time, date time, datetime, utc, "
        "utc time, zeit, seconds, sec"
    ).split(", "),
    "speed": (
        "vehicle speed, speed, v, vehicle velocity, velocity, actual speed, gps speed, "
        "ground speed, target speed, speed over ground, geschwindigkeit"
    ).split(", "),
    "altitude": "altitude, elevation, height, gps altitude, alt, altitude msl".split(", "),
    "grade": "grade, slope, road grade, road slope, gradient, road gradient, steigung".split(", "),
}
"""Words of the trade, the most telling first; units are taken off before they are compared."""


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
    log: Log, given: Mapping[str, tuple[ColumnRequest, str]]
) -> dict[str, ChosenColumn]:
    """Choose the column of each signal.

    Parameters
    ----------
    log
        The log.
    given
        By signal, what the user said and where (`option` or `map`).

    Returns
    -------
    dict of ChosenColumn
        Of `time` (text logs), `speed`, and `altitude` or `grade` where the log has them; grade
        wins over altitude.

    Raises
    ------
    InputError
        A column is not there, several fit equally, or a unit is missing or not one of the signal.
    """
    chosen: dict[str, ChosenColumn] = {}
    for signal in SIGNALS:
        if signal == "time" and not log.needs_time:
            if signal in given:
                raise InputError(f"{log.path}: channel time: MDF channels have their own time base")
            continue
        if signal in given:
            request, by = given[signal]
            column: LogColumn | None = _named(log, signal, request.name)
        else:
            request, by = ColumnRequest(""), "usual name"
            column = _usual(log, signal, [choice.column for choice in chosen.values()])
        if column is not None:
            chosen[signal] = ChosenColumn(column, _unit(log, signal, column, request.unit), by)
        elif signal in ("time", "speed"):
            raise InputError(
                f"{log.path}: no column is called {' or '.join(USUAL_NAMES[signal][:3])}; say "
                f"which it is with --channel {signal}=NAME; columns: {_listed(log.columns)}"
            )
    if "grade" in chosen and "altitude" in chosen:
        del chosen["altitude"]
    return chosen


def _named(log: Log, signal: str, name: str) -> LogColumn:
    for column in log.columns:
        if column.name == name:
            return column
    near = difflib.get_close_matches(name, [c.name for c in log.columns], n=3, cutoff=0.5)
    hint = f"near to it: {', '.join(near)}" if near else f"columns: {_listed(log.columns)}"
    raise InputError(f"{log.path}: channel {signal}: there is no column {name[:80]!r}; {hint}")


def _usual(log: Log, signal: str, taken: Sequence[LogColumn]) -> LogColumn | None:
    for words in USUAL_NAMES[signal]:
        fits = [c for c in log.columns if c.words == words and c not in taken]
        if len(fits) > 1:
            raise InputError(
                f"{log.path}: {len(fits)} columns may be the {signal}: {_listed(fits)}; "
                f"choose one with --channel {signal}=NAME"
            )
        if fits:
            return fits[0]
    return None


def _unit(log: Log, signal: str, column: LogColumn, stated: str) -> Unit | None:
    text = stated or column.unit
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
    names = [column.name for column in columns[:12]]
    more = len(columns) - len(names)
    return ", ".join(names) + (f" and {more} more" if more > 0 else "")
