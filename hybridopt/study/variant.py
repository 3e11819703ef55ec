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
from .parameters import Parameter, Value, is_number
from .scaling import SCALED, scaled
from .study_file import Study, beside

OWN_BATTERY = ("capacity", "coulombic_efficiency", "soc_min", "soc_max", "soc_start")
"""Fields of the battery that operating points do not depend on."""
SCALE_LOW, SCALE_HIGH = 0.01, 100.0


@dataclass(frozen=True, eq=False)
class Variant:
    """One vehicle with settings, light enough to be sent to a worker.

    Attributes
    ----------
    parts : driveline with all changes of single values, not yet scaled and checked
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
        self._base(study.driveline, ())
        for parameter in study.parameters:
            self._check(parameter)

    def _variant(self, values: tuple[Value, ...]) -> Variant:
        """Return the variant with these values of the parameters, in the study's order.

        Raises
        ------
        InputError
            A value is out of range together with the others.
        """
        paths = (parameter.path for parameter in self.study.parameters)
        given = dict(zip(paths, values, strict=True))
        scales = {
            part: value for part, value in _of_section(given, "scale").items() if value != 1.0
        }
        settings = self.study.settings_with(_of_section(given, "settings"))
        parts = self._parts(given)
        facts = {name: self._facts(getattr(parts, name)) for name in SECTIONS}
        battery = {k: v for k, v in facts["battery"].items() if k not in OWN_BATTERY}
        shared = {**facts, "battery": battery}
        return Variant(
            parts,
            scales,
            settings,
            _digest([facts, scales, dataclasses.asdict(settings)]),
            _digest([shared, scales, settings.splits, settings.memory_limit, settings.emissions]),
        )

    def _parts(self, given: Mapping[str, Value]) -> Driveline:
        """Return the base driveline with the changes, and the mass that they add."""
        tables = self._tables(self._name(given))
        mass = self._added_mass(given, tables)
        if mass:
            own: Any = given.get("vehicle.mass_kg", tables["vehicle"]["mass_kg"])
            given = {**given, "vehicle.mass_kg": float(own) + mass}
        return self._changed(given)

    def _changed(self, given: Mapping[str, Value]) -> Driveline:
        """Return the base driveline with the changes."""
        name = self._name(given)
        read_again: dict[str, Value] = {}
        changes: dict[str, dict[str, Value]] = {}
        for path, value in given.items():
            section, _, key = path.partition(".")
            if section not in SECTIONS:
                continue
            if _needs_reading(section, key, self._tables(name)):
                read_again[path] = value
            else:
                changes.setdefault(section, {})[key] = value
        base = name, tuple(read_again.items())
        components = {
            section: self._component(*base, section, tuple(items.items()))
            for section, items in changes.items()
        }
        return dataclasses.replace(self._base(*base), **components)

    def _name(self, given: Mapping[str, Value]) -> str:
        """Return the driveline to begin from, a name or a file."""
        if given.get("driveline", self.study.driveline) == self.study.driveline:
            return self.study.driveline
        place = Place(self.study.path, "parameters")
        return beside(self.study.path, given["driveline"], driveline_names(), place)

    def _read_base(self, name: str, changes: tuple[tuple[str, Value], ...]) -> Driveline:
        return read_driveline(name, {path: _raw(value) for path, value in changes})

    def _read_component(
        self,
        name: str,
        read_again: tuple[tuple[str, Value], ...],
        section: str,
        items: tuple[tuple[str, Value], ...],
    ) -> Any:
        """Return a component with some keys changed; its maps stay."""
        component = getattr(self._base(name, read_again), section)
        fields = dataclasses.fields(component)
        keys = {f.metadata["key"] for f in fields if "key" in f.metadata}
        maps = {f.name: getattr(component, f.name) for f in fields if "key" not in f.metadata}
        own = {k: v for k, v in self._tables(name)[section].items() if k in keys}
        changes = {key: _raw(value) for key, value in items}
        place = Place(self.study.path, section)
        return read_section(type(component), {**own, **changes}, place, **maps)

    def _added_mass(self, given: Mapping[str, Value], tables: Mapping[str, Any]) -> float:
        """Return the mass that values add to the driveline's own, kg."""
        added = 0.0
        for path, per_unit in self.study.added_mass.items():
            if path not in given:
                continue
            section, _, key = path.partition(".")
            own = 1.0 if section == "scale" else tables[section].get(key)
            if not is_number(own):
                raise InputError(
                    f"{self.study.path}: [added_mass_kg] {path}: the driveline has no value of its "
                    "own to count from; add it to the driveline's file"
                )
            value: Any = given[path]  # a number, as the study file was checked
            added += per_unit * (value - own)
        return added

    def _facts(self, component: Any) -> dict[str, str]:
        """Return every field of a component as text, maps by their SHA-256."""
        return {
            field.name: self._fact(getattr(component, field.name))
            for field in dataclasses.fields(component)
        }

    def _fact(self, value: Any) -> str:
        if isinstance(value, dict):
            return repr({name: self._fact(one) for name, one in value.items()})
        if not isinstance(value, DataArray):
            return repr(value)
        if id(value) not in self._digests:
            self._digests[id(value)] = value, _array_digest(value)  # keeps it, and so its id
        return self._digests[id(value)][1]

    def _check(self, parameter: Parameter) -> None:
        """Refuse a parameter that does not exist, or a value that can never be used.

        Where the files are read again for a key, a number may be right together with others only,
        so it is enough if one of the numbers can be used alone.
        """
        path, values = parameter.path, parameter.examples
        place = Place(self.study.path, "parameters")
        section, _, key = path.partition(".")
        if section == "settings":
            for value in values:
                self.study.settings_with({key: value})
        elif section == "scale":
            _check_scale(path, key, values, place)
        elif path != "driveline" and (section not in SECTIONS or not key):
            raise place.error(
                path,
                "is nothing that can be varied; write driveline, settings.KEY, "
                f"scale.{'|'.join(SCALED)} or table and key of a driveline, battery.capacity_Ah",
            )
        tables = self._tables(self.study.driveline)
        self._added_mass({path: values[0]}, tables)
        errors = []
        for value in values:
            try:
                self._changed({path: value})
            except InputError as error:
                errors.append(error)
        reading = section in SECTIONS and _needs_reading(section, key, tables)
        if not errors or (reading and len(errors) < len(values) and not isinstance(values[0], str)):
            return
        raise place.error(path, str(errors[0])) if reading else errors[0]


def _of_section(given: Mapping[str, Value], section: str) -> dict[str, Any]:
    """Return the values of a section by their keys."""
    split = {path.partition(".")[::2]: value for path, value in given.items()}
    return {key: value for (table, key), value in split.items() if table == section}


def _check_scale(path: str, part: str, values: tuple[Value, ...], place: Place) -> None:
    if part not in SCALED:
        raise place.error(path, f"has no scale; scales: {', '.join(f'scale.{p}' for p in SCALED)}")
    for value in values:
        if not is_number(value) or not SCALE_LOW <= value <= SCALE_HIGH:  # type: ignore[operator]
            allowed = f"{SCALE_LOW:g} to {SCALE_HIGH:g}"
            raise place.error(path, f"holds {value!r}; allowed is {allowed}, 1 is as it is")


def _needs_reading(section: str, key: str, tables: Mapping[str, Any]) -> bool:
    """Return whether a changed key changes maps, so that the files must be read again."""
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
