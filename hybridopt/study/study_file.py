"""A study as its TOML file gives it, checked as far as that goes without building a vehicle."""

import os.path
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
    *("driveline", "cycles", "runs", "bound", "traces", "settings", "parameters", "samples"),
    *("added_mass_kg", "tuning"),
}
MAX_EVALUATIONS, MAX_SEED = 1_000_000, 2**31


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
    added_mass : kg per unit of a parameter above the driveline's own value
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
    samples = _table(tables, "samples", {"count", "seed"}, path)
    tuning = _table(tables, "tuning", {"evaluations", "seed"}, path)
    added_mass = _table(tables, "added_mass_kg", None, path)
    of = {name: Place(path, name) for name in ("samples", "tuning", "added_mass_kg")}
    sampled = any(parameter.sampled for parameter in parameters)
    evaluations = tuning.get("evaluations", 100)
    study = Study(
        path=path,
        driveline=beside(path, tables.get("driveline", "full"), driveline_names(), top),
        cycles=_cycles(tables, path, top),
        runs=_runs(tables, path, top),
        bound=_switch(tables, "bound", True, top),
        traces=_traces(tables, top),
        settings=_table(tables, "settings", None, path),
        parameters=parameters,
        samples=_samples(samples, sampled, of["samples"]),
        seed=_whole(samples.get("seed", 1), "seed", 0, MAX_SEED, of["samples"]),
        added_mass=_added_mass(added_mass, parameters, of["added_mass_kg"]),
        evaluations=_whole(evaluations, "evaluations", 0, MAX_EVALUATIONS, of["tuning"]),
        tuning_seed=_whole(tuning.get("seed", 1), "seed", 0, MAX_SEED, of["tuning"]),
    )
    study.settings_with({})
    return study


def beside(path: Path, raw: Any, names: tuple[str, ...], place: Place) -> str:
    """Return a name as it is, or the path of a file beside the study's."""
    if not isinstance(raw, str):
        raise place.error("driveline", f"is {shown(raw)}; write a name or a file")
    return raw if raw in names else str(path.parent / raw)


def _table(tables: dict[str, Any], name: str, known: set[str] | None, path: Path) -> dict[str, Any]:
    raw = tables.get(name, {})
    if not isinstance(raw, dict):
        raise InputError(f"{path}: {name}: is no table; write [{name}] on its own line")
    if known is not None:
        refuse_unknown(raw, known, Place(path, name))
    return raw


def _switch(tables: dict[str, Any], key: str, default: bool, place: Place) -> bool:
    raw = tables.get(key, default)
    if not isinstance(raw, bool):
        raise place.error(key, f"is {shown(raw)}; write true or false")
    return raw


def _whole(raw: Any, key: str, low: int, high: int, place: Place) -> int:
    if isinstance(raw, bool) or not isinstance(raw, int) or not low <= raw <= high:
        raise place.error(key, f"is {shown(raw)}; write a whole number, {low} to {high}")
    return raw


def _words(tables: dict[str, Any], key: str, default: list[str], place: Place) -> list[str]:
    """Return a list of different words."""
    raw = tables.get(key, default)
    if not isinstance(raw, list) or not all(isinstance(item, str) for item in raw):
        raise place.error(key, f'is {shown(raw)}; write a list such as ["one", "two"]')
    if twice := _twice(raw):
        raise place.error(key, f"has {shown(twice)} twice; list it once")
    return raw


def _twice(names: list[str]) -> str | None:
    """Return a name that is there more than once."""
    return next((name for name in names if names.count(name) > 1), None)


def _cycles(tables: dict[str, Any], path: Path, place: Place) -> tuple[Cycle, ...]:
    named = _words(tables, "cycles", [], place)
    if not named:
        raise place.error("cycles", 'is missing; write a list such as ["wltc_class3b"]')
    cycles = tuple(read_cycle(beside(path, item, cycle_names(), place)) for item in named)
    if twice := _twice([cycle.name for cycle in cycles]):
        raise place.error("cycles", f"has two named {shown(twice)}; rename one of the files")
    return cycles


def _runs(tables: dict[str, Any], path: Path, place: Place) -> tuple[str, ...]:
    """Return the runs; those that are files beside the study's as paths."""
    runs = _words(tables, "runs", [OPTIMUM], place)
    if not runs:
        raise place.error("runs", f'is empty; write ["{OPTIMUM}"], or controllers as well')
    files = {run: run.rpartition(":")[0] if is_code(run) else run for run in runs}
    return tuple(
        str(path.parent / run) if os.path.exists(path.parent / file) else run
        for run, file in files.items()
    )


def _traces(tables: dict[str, Any], place: Place) -> tuple[str, ...]:
    traces = _words(tables, "traces", [], place)
    refuse_unknown(dict.fromkeys(traces), set(STEP_VARIABLES), Place(place.file, "traces"))
    return tuple(traces)


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


def _samples(table: dict[str, Any], needed: bool, place: Place) -> tuple[int, ...]:
    raw = table.get("count", [])
    counts = raw if isinstance(raw, list) else [raw]
    if needed and not counts:
        raise place.error(
            "count",
            "is missing; a range without count is sampled, so say how often, "
            "or give the range a count",
        )
    if counts and not needed:
        raise place.error("count", "is there, but no parameter is a range without count")
    return tuple(_whole(count, "count", 1, MAX_VARIANTS, place) for count in counts)


def _added_mass(
    table: dict[str, Any], parameters: tuple[Parameter, ...], place: Place
) -> dict[str, float]:
    numeric = {p.path for p in parameters if p.numeric and not p.path.startswith("settings.")}
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
