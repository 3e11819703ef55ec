"""A study as its TOML file gives it, checked as far as that goes without building a vehicle."""

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..base.errors import InputError
from ..base.nomenclature import STEP_VARIABLES
from ..evaluation.case import OPTIMUM
from ..evaluation.sources import is_code
from ..files.csv_table import read_toml
from ..inputs.catalogue import cycle_names
from ..inputs.cycle import Cycle, read_cycle
from ..inputs.driveline_file import driveline_names
from ..inputs.fields import Place, refuse_unknown, shown
from ..problem.settings import Settings
from .parameters import MAX_VARIANTS, Parameter, is_number, read_parameter
from .settings_keys import settings_of

KEYS = {
    "driveline",
    "cycles",
    "runs",
    "bound",
    "traces",
    "settings",
    "parameters",
    "samples",
    "added_mass_kg",
    "tuning",
}
MAX_EVALUATIONS = 1_000_000


@dataclass(frozen=True, eq=False, kw_only=True)
class Study:
    """What a study asks for.

    Attributes
    ----------
    path : the study's file
    driveline : demo driveline or file that every variant begins from
    cycles : with different names
    runs : "optimum" and sources of controllers, see :mod:`hybridopt.evaluation.sources`
    bound : whether the optimum comes with its proved bound
    traces : variables that are kept for every step
    settings : values by key of :data:`.settings_keys.SETTING_KEYS`, for all variants
    parameters : what varies
    samples : sizes of the Latin hypercube designs
    seed : of their random numbers
    added_mass : kg per unit of a parameter above the driveline's own figure
    evaluations : parameter sets that the tuning of a named controller tries; 0 does not tune
    tuning_seed : of its random numbers
    """

    path: Path
    driveline: str
    cycles: tuple[Cycle, ...]
    runs: tuple[str, ...]
    bound: bool
    traces: tuple[str, ...]
    settings: Mapping[str, Any]
    parameters: tuple[Parameter, ...]
    samples: tuple[int, ...]
    seed: int
    added_mass: Mapping[str, float]
    evaluations: int
    tuning_seed: int

    @property
    def name(self) -> str:
        """Name of the study: its file's, without the suffix."""
        return self.path.stem

    def settings_with(self, values: Mapping[str, Any]) -> Settings:
        """Return the settings with some keys changed; errors name the study's file."""
        return settings_of({**self.settings, **values}, Place(self.path, "settings"))


def read_study(path: str | Path) -> Study:
    """Read a study file; cycles and drivelines it names stand beside it.

    Raises
    ------
    InputError
        The file, or one it names, is missing or wrong; the message says what and how to mend it.
    """
    path = Path(path)
    tables = read_toml(path)
    top = Place(path, "top level")
    refuse_unknown(tables, KEYS, top)
    parameters = _parameters(tables, path)
    samples, seed = _samples(tables, path, any(p.sampled for p in parameters))
    tuning = _table(tables, "tuning", {"evaluations", "seed"}, path)
    place = Place(path, "tuning")
    study = Study(
        path=path,
        driveline=beside(path, tables.get("driveline", "full"), driveline_names(), top),
        cycles=_cycles(tables, path, top),
        runs=_runs(tables, path, top),
        bound=_switch(tables, "bound", True, top),
        traces=_traces(tables, top),
        settings=_table(tables, "settings", None, path),
        parameters=parameters,
        samples=samples,
        seed=seed,
        added_mass=_added_mass(tables, path, parameters),
        evaluations=_whole(tuning, "evaluations", 100, MAX_EVALUATIONS, place),
        tuning_seed=_whole(tuning, "seed", 1, 2**31, place),
    )
    study.settings_with({})
    return study


def beside(path: Path, raw: Any, names: tuple[str, ...], place: Place) -> str:
    """Return a name as it is, or the path of a file beside the study's."""
    if not isinstance(raw, str):
        raise place.error("driveline", f"is {shown(raw)}; write a name or a file")
    return raw if raw in names else str(path.parent / raw)


def _texts(tables: dict[str, Any], key: str, default: list[str], place: Place) -> list[str]:
    """Return a list of different words."""
    raw = tables.get(key, default)
    if not isinstance(raw, list) or not all(isinstance(item, str) for item in raw):
        raise place.error(key, f'is {shown(raw)}; write a list such as ["one", "two"]')
    for item in raw:
        if raw.count(item) > 1:
            raise place.error(key, f"has {shown(item)} twice; list it once")
    return raw


def _cycles(tables: dict[str, Any], path: Path, place: Place) -> tuple[Cycle, ...]:
    named = _texts(tables, "cycles", [], place)
    if not named:
        raise place.error("cycles", 'is missing; write a list such as ["wltc_class3b"]')
    cycles = tuple(read_cycle(beside(path, item, cycle_names(), place)) for item in named)
    names = [cycle.name for cycle in cycles]
    for name in names:
        if names.count(name) > 1:
            raise place.error("cycles", f"has two named {shown(name)}; rename one of the files")
    return cycles


def _runs(tables: dict[str, Any], path: Path, place: Place) -> tuple[str, ...]:
    runs = _texts(tables, "runs", [OPTIMUM], place)
    if not runs:
        raise place.error("runs", f'is empty; write ["{OPTIMUM}"], or controllers as well')
    files = {run: path.parent / run for run in runs}
    return tuple(str(file) if _file(run, file).exists() else run for run, file in files.items())


def _file(run: str, path: Path) -> Path:
    """Return the file of a run, which for a user's code stands before the last colon."""
    return path.with_name(path.name.rpartition(":")[0]) if is_code(run) else path


def _traces(tables: dict[str, Any], place: Place) -> tuple[str, ...]:
    traces = _texts(tables, "traces", [], place)
    for name in traces:
        if name not in STEP_VARIABLES:
            close = difflib.get_close_matches(name, STEP_VARIABLES, n=1)
            hint = f"did you mean {close[0]}?" if close else f"known: {', '.join(STEP_VARIABLES)}"
            raise place.error("traces", f"{shown(name)} is no variable of a result; {hint}")
    return tuple(traces)


def _switch(tables: dict[str, Any], key: str, default: bool, place: Place) -> bool:
    raw = tables.get(key, default)
    if not isinstance(raw, bool):
        raise place.error(key, f"is {shown(raw)}; write true or false")
    return raw


def _table(tables: dict[str, Any], name: str, known: set[str] | None, path: Path) -> dict[str, Any]:
    raw = tables.get(name, {})
    if not isinstance(raw, dict):
        raise InputError(f"{path}: {name}: is no table; write [{name}] on its own line")
    if known is not None:
        refuse_unknown(raw, known, Place(path, name))
    return raw


def _whole(table: dict[str, Any], key: str, default: int, most: int, place: Place) -> int:
    raw = table.get(key, default)
    if isinstance(raw, bool) or not isinstance(raw, int) or not 0 <= raw <= most:
        raise place.error(key, f"is {shown(raw)}; write a whole number, 0 to {most}")
    return raw


def _parameters(tables: dict[str, Any], path: Path) -> tuple[Parameter, ...]:
    place = Place(path, "parameters")
    flat: dict[str, Any] = {}
    for key, raw in _table(tables, "parameters", None, path).items():
        nested = isinstance(raw, dict) and "." not in key
        for inner, value in raw.items() if nested else [("", raw)]:
            dotted = f"{key}.{inner}" if nested else key
            if dotted in flat:
                raise place.error(dotted, "is there twice; keep one")
            flat[dotted] = value
    return tuple(read_parameter(key, raw, place) for key, raw in flat.items())


def _samples(tables: dict[str, Any], path: Path, needed: bool) -> tuple[tuple[int, ...], int]:
    table = _table(tables, "samples", {"count", "seed"}, path)
    place = Place(path, "samples")
    raw = table.get("count")
    counts = raw if isinstance(raw, list) else [raw] if raw is not None else []
    for count in counts:
        if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= MAX_VARIANTS:
            raise place.error("count", f"is {shown(raw)}; write a whole number, or a list of them")
    if needed and not counts:
        raise place.error(
            "count",
            "is missing; a range without count is sampled, so say how often, "
            "or give the range a count",
        )
    if counts and not needed:
        raise place.error("count", "is there, but no parameter is a range without count")
    return tuple(counts), _whole(table, "seed", 1, 2**31, place)


def _added_mass(
    tables: dict[str, Any], path: Path, parameters: tuple[Parameter, ...]
) -> dict[str, float]:
    place = Place(path, "added_mass_kg")
    numeric = {p.path for p in parameters if p.numeric and not p.path.startswith("settings.")}
    table = _table(tables, "added_mass_kg", None, path)
    for key, raw in table.items():
        if key not in numeric:
            raise place.error(
                key,
                "is no parameter with numbers of this study; "
                f"parameters: {', '.join(sorted(numeric)) or 'none'}",
            )
        if not is_number(raw) or not abs(raw) < 1e6:
            raise place.error(key, f"is {shown(raw)}; write kg per unit of the parameter")
    return {key: float(raw) for key, raw in table.items()}
