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
from .units import SI, UNITS, Unit, find_unit, last_unit, stated_unit

SIGNALS = ("time", "speed", "altitude", "grade")
"""Signals that a cycle is made of."""
POWERTRAIN = tuple(signal for signal in UNITS if signal not in SIGNALS)
"""Signals that a recording holds beside them."""
PLAIN = {"gear": "1", "air_ratio": "1"}
"""Signals that have one unit only, so that it need not be stated, and that unit."""
SWITCHES = ("separating_clutch", "launch_clutch", "brake")
"""Signals that need no unit where they go from 0 to 1 or are words."""
BY_STANDARD = {
    "speed": "km/h",
    "engine_speed": "rpm",
    "air_flow": "g/s",
    "coolant_temperature": "degC",
    "oil_temperature": "degC",
    "ambient_temperature": "degC",
    "soc": "%",
}
"""Units that ISO 15031-5 gives these parameters in a scanner's log (from memory)."""
EXAMPLES = {"time": "time or t or timestamp", "speed": "vehicle speed or speed or v"}
SUMS = ("g", "kg", "mg", "l", "ml", "gal", "litre", "liter", "litres", "liters", "cm3", "ccm")
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


def read_option(text: str, signals: Sequence[str] = SIGNALS) -> tuple[str, ColumnRequest]:
    """Read `signal=NAME` or `signal=NAME:unit`.

    Raises
    ------
    InputError
        The signal is none of `signals`, or the name is blank.
    """
    signal, equals, rest = text.partition("=")
    if not equals or signal not in signals or not rest.strip():
        raise InputError(
            f"channel {text[:80]!r}: write SIGNAL=NAME or SIGNAL=NAME:UNIT, with a signal of "
            f"{', '.join(signals)}"
        )
    name, colon, unit = rest.rpartition(":")
    if colon and stated_unit(signal, unit):
        return signal, ColumnRequest(name, unit)
    return signal, ColumnRequest(rest)


def read_map(path: Path) -> dict[str, ColumnRequest]:
    """Read a mapping file: a TOML table per signal, with `name` and, if wanted, `unit`.

    Signals of the powertrain are taken too; an import of a cycle passes them over.

    Raises
    ------
    InputError
        The file is no TOML, too long, or has a table or key of another kind.
    """
    tables = read_toml(path)
    for signal, table in tables.items():
        if signal not in UNITS:
            raise InputError(
                f"{path}: [{printable(signal)}]: is no signal; known are "
                f"{', '.join((*SIGNALS, *POWERTRAIN))}"
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


def choose_powertrain(
    log: Log,
    given: Mapping[str, tuple[ColumnRequest, str]],
    taken: Mapping[str, ChosenColumn],
    journal: Journal,
) -> tuple[dict[str, ChosenColumn], dict[str, str]]:
    """Choose the column of each signal of the powertrain.

    Parameters
    ----------
    log, given, journal
        As in :func:`choose_channels`.
    taken
        The columns of the drive, which are not looked at again.

    Returns
    -------
    chosen : dict of ChosenColumn
        Of the signals that the log has.
    asked : dict of str
        By signal, one sentence on a column that may be meant and cannot be taken as it is.

    Raises
    ------
    InputError
        A column that the user names is not there or has no unit of its signal.
    """
    chosen, asked = dict(taken), {}
    for signal in POWERTRAIN:
        if signal in given:
            choice = _named(log, signal, *given[signal])
            if choice:
                chosen[signal] = choice
            continue
        try:
            chosen[signal] = _usual(log, signal, chosen, journal)
        except _NoColumn:
            pass
        except InputError as error:
            asked[signal] = str(error).removeprefix(f"{log.path}: ")
    return {signal: one for signal, one in chosen.items() if signal not in taken}, asked


class _NoColumn(InputError):
    """No column has a name that fits the signal."""


def _named(log: Log, signal: str, request: ColumnRequest, by: str) -> ChosenColumn | None:
    """Return the column that the user names, or None where it is to be left out."""
    for column in log.columns:
        if column.name == request.name:
            return ChosenColumn(column, _unit(log, signal, column, request.unit), by)
    if request.name == LEFT_OUT and signal not in ("time", "speed"):
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
    standard = _by_standard(log, signal, columns)
    if signal != "time":
        stated = {c: c.unit or last_unit(signal, c.words) for c in sound}
        sound = [c for c in sound if find_unit(signal, stated[c]) or c in standard] or (
            [c for c in sound if not stated[c]] or sound
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
        return ChosenColumn(best[0], find_unit(signal, BY_STANDARD[signal]), STANDARD)
    return ChosenColumn(best[0], _unit(log, signal, best[0], ""), USUAL)


def _by_standard(log: Log, signal: str, columns: Sequence[LogColumn]) -> frozenset[LogColumn]:
    """Return which columns without a unit may be the parameter of ISO 15031-5.

    A scanner asks for the speed as parameter 0D, one byte in km/h: whole numbers from 0 to 255 (as
    SAE J1979 has it too; from memory).
    """
    if signal not in BY_STANDARD:
        return frozenset()
    bare = [c for c in columns if not c.unit and not last_unit(signal, c.words)]
    bare = [c for c in bare if "gps" not in word_set(c)]
    if signal == "speed":
        bare = [c for c in bare if c.whole]
    return frozenset(bare if bare and from_scanner(log.columns) else ())


def _unit(log: Log, signal: str, column: LogColumn, stated: str) -> Unit | None:
    text = stated or column.unit or (column.words if find_unit(signal, column.words) else "")
    text = text or last_unit(signal, column.words) or PLAIN.get(signal, "")
    if not text and signal in ("time", *SWITCHES):
        return None
    unit = (stated_unit if stated else find_unit)(signal, text) if text else None
    if unit is None and not (signal == "time" and not stated):
        hint = _hint(signal, column.name, text)
        known = ", ".join(dict.fromkeys(unit.sign for unit in UNITS[signal].values()))
        state = f"has the unit {text[:40]!r}, which is none of {signal}" if text else "has no unit"
        say = f"say it with --channel {signal}={column.name}:{known.partition(',')[0]}"
        say = hint or f"{say} (known: {known})"
        raise InputError(f"{log.path}: channel {signal}: column {column.name} {state}; {say}")
    return unit


def _hint(signal: str, name: str, unit: str) -> str:
    """Return what to do about a unit that tells another kind of quantity, "" where it does not."""
    if signal.endswith("_torque") and find_unit("soc", unit):
        return (
            "a share of the reference torque, which the log does not hold, so state a hundredth "
            f"of it, such as --channel {signal}={name}:2.5*Nm where 100 % are 250 Nm"
        )
    if signal == "fuel_rate" and unit.strip().lower() in SUMS:
        return "a sum of fuel and no rate, so name a column that holds the rate"
    return ""


def _listed(columns: Sequence[LogColumn]) -> str:
    """Return the names of columns as messages show them: not too many."""
    names = [column.name for column in columns[:12]]
    more = len(columns) - len(names)
    return ", ".join(names) + (f" and {more} more" if more > 0 else "")
