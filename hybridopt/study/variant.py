"""The vehicle and settings of each variant, and the digests that tell variants apart."""

import dataclasses
import functools
import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from xarray import DataArray

from ..base.errors import InputError
from ..inputs.coverage import check_driveline
from ..inputs.driveline import Driveline
from ..inputs.driveline_file import (
    RIVALS,
    SECTIONS,
    driveline_names,
    driveline_tables,
    read_driveline,
)
from ..inputs.fields import Place, read_section
from ..problem.settings import Settings
from .parameters import Value, is_number
from .scaling import SCALED, scaled
from .study_file import Study, beside

OWN_BATTERY = ("capacity", "coulombic_efficiency", "soc_min", "soc_max", "soc_start")
"""Figures of the battery that operating points do not depend on."""
SCALE_LOW, SCALE_HIGH = 0.01, 100.0


@dataclass(frozen=True, eq=False)
class Variant:
    """One vehicle with settings, light enough to be sent to a worker.

    Attributes
    ----------
    parts : driveline with all changes of single figures, not yet scaled and checked
    scales : factor by part
    settings : not resolved
    digest : of all that the solve depends on but the cycle
    points_digest : of what operating points depend on but the cycle
    """

    parts: Driveline
    scales: Mapping[str, float]
    settings: Settings
    digest: bytes
    points_digest: bytes

    def driveline(self) -> Driveline:
        """Return the driveline of the variant.

        Raises
        ------
        InputError
            Its parts do not fit each other.
        """
        driveline = scaled(self.parts, self.scales)
        check_driveline(driveline)
        return driveline


class VariantBuilder:
    """Makes the variants of a study from the values of its parameters.

    Parameters
    ----------
    study
        From :func:`.study_file.read_study`.

    Raises
    ------
    InputError
        A parameter is unknown, or none of its values can be used.
    """

    def __init__(self, study: Study) -> None:
        self.study = study
        self._digests: dict[int, tuple[DataArray, str]] = {}
        self._base = functools.lru_cache(maxsize=64)(self._read_base)
        self._tables = functools.lru_cache(maxsize=64)(driveline_tables)
        self._component = functools.lru_cache(maxsize=4096)(self._read_component)
        self.variant = functools.lru_cache(maxsize=64)(self._variant)
        _, tables = self._base(study.driveline, ()), self._tables(study.driveline)
        for parameter in study.parameters:
            self._check(parameter.path, parameter.examples, tables)

    def _variant(self, values: tuple[Value, ...]) -> Variant:
        """Return the variant with these values of the parameters, in the study's order.

        Raises
        ------
        InputError
            A value is out of range together with the others.
        """
        given = {p.path: v for p, v in zip(self.study.parameters, values, strict=True)}
        scales = {
            path.partition(".")[2]: float(value)  # type: ignore[arg-type]
            for path, value in given.items()
            if path.startswith("scale.") and value != 1.0
        }
        settings = self.study.settings_with(
            {p.partition(".")[2]: v for p, v in given.items() if p.startswith("settings.")}
        )
        parts = self._parts(given)
        facts = {name: self._facts(getattr(parts, name)) for name in SECTIONS}
        battery = {k: v for k, v in facts["battery"].items() if k not in OWN_BATTERY}
        listed = {**facts, "battery": battery}
        return Variant(
            parts,
            scales,
            settings,
            _digest([facts, scales, dataclasses.asdict(settings)]),
            _digest([listed, scales, settings.splits, settings.memory_limit]),
        )

    def _parts(self, given: Mapping[str, Value]) -> Driveline:
        """Return the base driveline with the changes, and the mass that they add."""
        name = self._name(given.get("driveline", self.study.driveline))
        tables = self._tables(name)
        rebuilt: list[tuple[str, Value]] = []
        plain: dict[str, list[tuple[str, Value]]] = {}
        for path, value in given.items():
            section, _, key = path.partition(".")
            if section not in SECTIONS:
                continue
            if _needs_reading(section, key, tables):
                rebuilt.append((path, value))
            else:
                plain.setdefault(section, []).append((key, value))
        base = self._base(name, tuple(rebuilt))
        mass = self._added_mass(given, tables)
        if mass:
            own = tables["vehicle"]["mass_kg"]
            before = given.get("vehicle.mass_kg", own)
            others = [item for item in plain.get("vehicle", []) if item[0] != "mass_kg"]
            plain["vehicle"] = [*others, ("mass_kg", float(before) + mass)]
        changed = {
            section: self._component(name, tuple(rebuilt), section, tuple(items))
            for section, items in plain.items()
        }
        return dataclasses.replace(base, **changed)

    def _name(self, value: Value) -> str:
        place = Place(self.study.path, "parameters")
        if value == self.study.driveline:
            return self.study.driveline
        return beside(self.study.path, value, driveline_names(), place)

    def _read_base(self, name: str, changes: tuple[tuple[str, Value], ...]) -> Driveline:
        return read_driveline(name, {path: _raw(value) for path, value in changes})

    def _read_component(
        self,
        name: str,
        rebuilt: tuple[Any, ...],
        section: str,
        items: tuple[tuple[str, Value], ...],
    ) -> Any:
        """Return a component with some keys changed; its maps stay."""
        component = getattr(self._base(name, rebuilt), section)
        fields = dataclasses.fields(component)
        keys = {f.metadata["key"] for f in fields if "key" in f.metadata}
        maps = {f.name: getattr(component, f.name) for f in fields if "key" not in f.metadata}
        own = {k: v for k, v in self._tables(name)[section].items() if k in keys}
        changes = {key: _raw(value) for key, value in items}
        place = Place(self.study.path, section)
        return read_section(type(component), {**own, **changes}, place, **maps)

    def _added_mass(self, given: Mapping[str, Value], tables: Mapping[str, Any]) -> float:
        added = 0.0
        for path, per_unit in self.study.added_mass.items():
            value: Any = given[path]  # a number, as the study file was checked
            added += per_unit * (value - self._reference(path, tables))
        return added

    def _reference(self, path: str, tables: Mapping[str, Any]) -> float:
        section, _, key = path.partition(".")
        if section == "scale":
            return 1.0
        value = tables[section].get(key)
        if not is_number(value):
            raise InputError(
                f"{self.study.path}: [added_mass_kg] {path}: the driveline has no figure of its "
                "own to count from; add it to the driveline's file"
            )
        return float(value)

    def _facts(self, component: Any) -> dict[str, str]:
        """Return every field of a component as text, maps by their SHA-256."""
        return {
            field.name: self._fact(getattr(component, field.name))
            for field in dataclasses.fields(component)
        }

    def _fact(self, value: Any) -> str:
        if not isinstance(value, DataArray):
            return repr(value)
        if id(value) not in self._digests:
            self._digests[id(value)] = value, _array_digest(value)  # keeps it, and so its id
        return self._digests[id(value)][1]

    def _check(self, path: str, values: tuple[Value, ...], tables: Mapping[str, Any]) -> None:
        """Refuse a parameter that does not exist, or a value that can never be used."""
        place = Place(self.study.path, "parameters")
        section, _, key = path.partition(".")
        if path == "driveline":
            for value in values:
                self._base(self._name(value), ())
        elif section == "settings":
            for value in values:
                self.study.settings_with({key: value})
        elif section == "scale":
            _check_scale(path, key, values, place)
        elif section not in SECTIONS or not key:
            raise place.error(
                path,
                "is nothing that can be varied; write driveline, settings.KEY, "
                f"scale.{'|'.join(SCALED)} or table and key of a driveline, battery.capacity_Ah",
            )
        elif _needs_reading(section, key, tables):
            self._check_read(path, values)
        else:
            for value in values:
                self._component(self.study.driveline, (), section, ((key, value),))
        if path in self.study.added_mass:
            self._reference(path, tables)

    def _check_read(self, path: str, values: tuple[Value, ...]) -> None:
        """Refuse files that cannot be read, and a figure of which no value can be used alone."""
        errors = []
        for value in values:
            try:
                self._base(self.study.driveline, ((path, value),))
            except InputError as error:
                errors.append(error)
                if isinstance(value, str):
                    break
        if errors and (len(errors) == len(values) or isinstance(values[0], str)):
            raise InputError(f"{self.study.path}: [parameters] {path}: {errors[0]}")


def _check_scale(path: str, part: str, values: tuple[Value, ...], place: Place) -> None:
    if part not in SCALED:
        raise place.error(path, f"has no scale; scales: {', '.join(f'scale.{p}' for p in SCALED)}")
    for value in values:
        if not is_number(value) or not SCALE_LOW <= value <= SCALE_HIGH:  # type: ignore[operator]
            allowed = f"{SCALE_LOW:g} to {SCALE_HIGH:g}"
            raise place.error(path, f"holds {value!r}; allowed is {allowed}, 1 is as it is")


def _needs_reading(section: str, key: str, tables: Mapping[str, Any]) -> bool:
    """Tell whether a changed key changes maps, so that the files must be read again."""
    modelled = {name for name in ("engine", "motor") if tables[name].get("model", "maps") != "maps"}
    if section == "fuel" and "engine" in modelled:
        return True
    rival = key in RIVALS.get(section, ())
    return section in modelled or rival or key == "model" or key.endswith("_csv")


def _raw(value: Value) -> Any:
    return list(value) if isinstance(value, tuple) else value


def _array_digest(array: DataArray) -> str:
    digest = hashlib.sha256(repr(array.dims).encode())
    for name in array.dims:
        coordinate = array[name].values
        numeric = coordinate.dtype.kind in "fiu"
        digest.update(_bytes(coordinate) if numeric else repr(coordinate.tolist()).encode())
    digest.update(_bytes(array.values))
    return digest.hexdigest()


def _bytes(values: np.ndarray) -> bytes:
    return np.ascontiguousarray(values, dtype=np.float64).tobytes()


def _digest(content: Any) -> bytes:
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).digest()


def file_digest(path: Path) -> str:
    """Return the SHA-256 of a file, or of all files of a folder."""
    files = sorted(path.rglob("*")) if path.is_dir() else [path]
    digest = hashlib.sha256()
    for file in files:
        if file.is_file():
            digest.update(file.relative_to(path).as_posix().encode() + b"\0" + file.read_bytes())
    return digest.hexdigest()
