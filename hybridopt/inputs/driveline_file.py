"""Drivelines from TOML files with CSV maps beside them.

A file may name another as its `base` and give only what differs, so that a variant is a few
lines of data.
"""

import dataclasses
import warnings
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any

from xarray import DataArray

from ..base.faults import Faults
from ..base.nomenclature import SPECIES
from ..base.warning import InputWarning
from .auxiliary import Auxiliary
from .catalyst import Catalyst
from .comfort import Comfort
from .coverage import misfits
from .driveline import (
    Battery,
    Clutches,
    Driveline,
    Engine,
    Fuel,
    Functions,
    Gearbox,
    Motor,
    Vehicle,
)
from .fields import Place, read_values, refuse_unknown, shown
from .map_factors import with_factors
from .maps import (
    read_battery_table,
    read_curve,
    read_emission_map,
    read_fuel_map,
    read_load_table,
    read_loss_map,
)
from .merging import (
    DEMO_FOLDER,
    RIVALS,
    SECTIONS,
    MergedTables,
    driveline_names,
    driveline_tables,
    map_path,
)
from .models import PolynomialMotor, WillansEngine, engine_maps, motor_maps
from .plausibility import USUAL_HEATING_VALUE, impossible, unusual
from .shifts import Shifts
from .start import Start
from .warm_up import WarmUp

__all__ = [
    "DEMO_FOLDER",
    "RIVALS",
    "SECTIONS",
    "driveline_names",
    "driveline_tables",
    "read_driveline",
]
COMPONENTS = {
    "vehicle": Vehicle,
    "gearbox": Gearbox,
    "clutches": Clutches,
    "fuel": Fuel,
    "functions": Functions,
    "shifts": Shifts,
    "warm_up": WarmUp,
    "catalyst": Catalyst,
}
"""Components that have no maps, by table."""
NO_CHANGES: Mapping[str, Any] = MappingProxyType({})

Readers = Mapping[str, tuple[str, Callable[[Path], DataArray]]]
"""Key and reader of each map of a component, by field."""


def read_driveline(
    name_or_path: str | Path = "full", changes: Mapping[str, Any] = NO_CHANGES
) -> Driveline:
    """Read a driveline from a TOML file, or a demo driveline by name.

    Parameters
    ----------
    name_or_path
        One of :func:`driveline_names`, or the path of a TOML file.
    changes
        Values that stand for those of the file, by table and key: `{"vehicle.mass_kg": 1500}`.

    Returns
    -------
    Driveline
        In SI units, checked for completeness, map coverage and plausibility.

    Raises
    ------
    InputError
        The file, a field or a map is missing or wrong, or says what physics forbids; `sentences`
        has one sentence for each, which says how to mend it.

    Warns
    -----
    InputWarning
        A value is possible, but no real vehicle has it: one warning for each.
    """
    merged = MergedTables(name_or_path)
    merged.change(changes)
    parts, faults = _parts(merged), merged.faults
    faults.add(f"{merged.path}: {text}" for text in (*misfits(parts), *impossible(parts)))
    faults.raise_found()
    for text in unusual(parts):
        warnings.warn(f"{merged.path}: {text}", InputWarning, stacklevel=2)
    return Driveline(
        name=merged.tables.get("name", merged.path.stem),
        title=merged.tables.get("title", ""),
        sha256=merged.digest.hexdigest(),
        **parts,
    )


def _parts(merged: MergedTables) -> dict[str, Any]:
    """Return the components that have no fault, by table."""
    parts: dict[str, Any] = {}
    for name in SECTIONS:  # the fuel comes before the engine
        if name in merged.tables:
            with merged.faults.caught():
                parts[name] = _component(_Part(name, merged), parts.get("fuel"))
    return parts


def _component(part: "_Part", fuel: Fuel | None) -> Any:
    match part.name:
        case "start":
            return _read_start(part)
        case "comfort":
            line = part.map("lugging_torque_csv", read_curve)
            return part.read(Comfort, lugging_torque=line)
        case "engine":
            return _read_engine(part, fuel.heating_value if fuel else USUAL_HEATING_VALUE)
        case "motor":
            return _read_motor(part)
        case "auxiliary":
            return part.read(Auxiliary, table=part.map("table_csv", read_load_table))
        case "battery":
            battery: Battery = part.read(
                Battery, **part.maps({"table": ("table_csv", read_battery_table)})
            )
            return with_factors(battery)
    return part.read(COMPONENTS[part.name])


class _Part:
    """One merged TOML table with the file each key came from, and what is wrong with it."""

    def __init__(self, name: str, merged: MergedTables) -> None:
        self.name, self.merged, self.table = name, merged, dict(merged.tables[name])
        self.origin = {key: file for (table, key), file in merged.origin.items() if table == name}
        self.place = Place(self.origin[""], name, self.origin)
        self.taken: set[str] = set()
        self.faults = Faults()

    def take(self, key: str) -> Any:
        self.taken.add(key)
        return self.table.pop(key, None)

    def maps(self, readers: Readers) -> dict[str, Any]:
        """Read the maps that must be there, by field."""
        found = {}
        for field, (key, reader) in readers.items():
            given = key in self.table
            found[field] = self.map(key, reader)
            if not given:
                missing = self.place.error(key, "is missing; name the CSV file, or set model")
                self.faults.add(missing.sentences)
        return found

    def map(self, key: str, reader: Callable[[Path], DataArray]) -> DataArray | None:
        """Read a map that may be left out."""
        value = self.take(key)
        if value is not None:
            with self.faults.caught():
                return reader(map_path(self.place, key, value))
        return None

    def read(self, cls: type, **maps: Any) -> Any:
        """Return the component; maps are given by field.

        Raises
        ------
        InputError
            With all that is wrong with the part.
        """
        known = keys_of(cls)
        with self.faults.caught():
            refuse_unknown(self.table, known | self.taken, self.place)
        table = {key: value for key, value in self.table.items() if key in known}
        values: dict[str, Any] = {}
        with self.faults.caught():
            values = read_values(cls, table, self.place)
        self.faults.raise_found()
        return cls(**maps, **values)

    def modelled(
        self, model: str, cls: type, made: Callable[[Any], Mapping[str, Any]], readers: Readers
    ) -> Mapping[str, Any]:
        """Return the maps of the part, by field, made by its parametric model if it asks for one.

        Curves that the model does not make count where the same file gives them.
        """
        given = self.take("model")
        if given is not None and given not in (model, "maps"):
            raise self.place.error("model", f"is {shown(given)}; write {model!r} or 'maps'")
        if given != model:
            return self.maps(readers)
        replaced = [key for key, _ in readers.values()]
        file = self.place.file_of("model")
        for key in [key for key in self.table if key.endswith("_csv")]:
            own = self.place.file_of(key) == file
            if own and key in replaced:
                both = f"is given beside model = {model!r}, which stands for it; leave one out"
                self.faults.add(self.place.error(key, both).sentences)
            if key in replaced or not own:
                self.take(key)
        with self.faults.caught():
            return made(self._split(cls))
        return {}

    def _split(self, cls: type) -> Any:
        """Take the keys of a model out of the part and return the model."""
        keys = keys_of(cls)
        part = _Part(self.name, self.merged)
        part.table = {key: self.table[key] for key in keys & self.table.keys()}
        shared = ("idle_speed_rpm", "max_speed_rpm")
        self.table = {k: v for k, v in self.table.items() if k not in keys or k in shared}
        return part.read(cls)


def keys_of(cls: type) -> set[str]:
    """Return the keys that a component has in files."""
    return {f.metadata["key"] for f in dataclasses.fields(cls) if "key" in f.metadata}


def _read_start(part: _Part) -> Start:
    curve = part.map("torque_reserve_csv", read_curve)
    given = {"torque_reserve_Nm", "torque_reserve_csv"} & part.origin.keys()
    if not given and not part.table.get("starter", False):
        missing = part.place.error(
            "torque_reserve_Nm",
            "is missing; add it with its value in Nm, or torque_reserve_csv, or starter = true",
        )
        part.faults.add(missing.sentences)
    start: Start = part.read(Start, reserve_curve=curve)
    return start


def _read_engine(part: _Part, heating_value: float) -> Engine:
    readers: Readers = {
        "fuel_map": ("fuel_map_csv", lambda path: read_fuel_map(path, heating_value)),
        "full_load": ("full_load_csv", read_curve),
        "overrun": ("overrun_csv", read_curve),
    }
    maps = part.modelled(
        "willans", WillansEngine, lambda model: engine_maps(model, heating_value), readers
    )
    emissions = {
        name: part.map(f"{name}_csv", partial(read_emission_map, name=name)) for name in SPECIES
    }
    given = {name: one for name, one in emissions.items() if one is not None}
    engine: Engine = part.read(Engine, **maps, emissions=given)
    return with_factors(engine)


def _read_motor(part: _Part) -> Motor:
    readers: Readers = {
        "loss_map": ("loss_map_csv", read_loss_map),
        "peak_torque": ("peak_torque_csv", read_curve),
        "drag_torque": ("drag_torque_csv", read_curve),
    }
    maps = part.modelled("polynomial", PolynomialMotor, motor_maps, readers)
    curve = part.map("continuous_torque_csv", read_curve)
    motor: Motor = part.read(Motor, **maps, continuous_torque=curve)
    return with_factors(motor)
