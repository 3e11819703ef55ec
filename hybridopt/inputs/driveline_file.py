"""Drivelines from TOML files with CSV maps beside them.

A file may name another as its `base` and give only what differs, so that a variant is a few
lines of data.
"""

import dataclasses
import hashlib
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from xarray import DataArray

from ..base.errors import InputError
from ..files.csv_table import MAX_TOML, read_text, read_toml
from .coverage import check_driveline
from .driveline import (
    Auxiliary,
    Battery,
    Clutches,
    Driveline,
    Engine,
    Fuel,
    Functions,
    Gearbox,
    Motor,
    Start,
    Vehicle,
)
from .fields import Place, read_section, refuse_unknown, shown
from .maps import read_battery_table, read_curve, read_fuel_map, read_loss_map
from .models import PolynomialMotor, WillansEngine, engine_maps, motor_maps

DEMO_FOLDER = Path(__file__).parents[1] / "drivelines"
PLAIN_SECTIONS = {
    "vehicle": Vehicle,
    "gearbox": Gearbox,
    "clutches": Clutches,
    "fuel": Fuel,
    "auxiliary": Auxiliary,
    "functions": Functions,
}
SECTIONS = (*PLAIN_SECTIONS, "start", "engine", "motor", "battery")
OPTIONAL = ("functions",)  # tables that may be left out
MOVED = {("clutches", "can_drive_electric"): "functions"}
RIVALS = {
    "start": ("torque_reserve_Nm", "torque_reserve_csv"),
    "motor": ("continuous_torque_Nm", "continuous_torque_csv"),
}
"""Keys of a table of which a file gives one at most; it takes the place of a base's other one."""
MAX_BASES = 8
NO_CHANGES: Mapping[str, Any] = MappingProxyType({})


def driveline_names() -> tuple[str, ...]:
    """Return the names of the demo drivelines that ship with the package.

    Returns
    -------
    tuple of str
        For :func:`read_driveline`.
    """
    return tuple(sorted(path.stem for path in DEMO_FOLDER.glob("*.toml")))


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
        In SI units, checked for completeness and map coverage.

    Raises
    ------
    InputError
        The file, a field or a map is missing or wrong; the message says which and how to mend it.
    """
    path = _locate(name_or_path)
    tables, origin, digest = _merged_tables(path)
    if changes:
        _change(changes, path, tables, origin, digest)
    parts = {name: _read_part(name, tables, origin) for name in PLAIN_SECTIONS}
    fuel: Fuel = parts["fuel"]
    parts["engine"] = _read_engine(tables, origin, fuel)
    parts["start"] = _read_start(tables, origin)
    parts["motor"] = _read_motor(tables, origin)
    parts["battery"] = _read_battery(tables, origin)
    driveline = Driveline(
        name=tables.get("name", path.stem),
        title=tables.get("title", ""),
        sha256=digest.hexdigest(),
        **parts,
    )
    try:
        check_driveline(driveline)
    except InputError as error:
        raise InputError(f"{path}: {error}") from None
    return driveline


def driveline_tables(name_or_path: str | Path) -> dict[str, Any]:
    """Return the tables of a driveline as its file and the bases of it give them.

    Raises
    ------
    InputError
        A file is missing or is no TOML of a driveline.
    """
    return _merged_tables(_locate(name_or_path))[0]


def _change(
    changes: Mapping[str, Any],
    path: Path,
    tables: dict[str, Any],
    origin: dict[tuple[str, str], Path],
    digest: Any,
) -> None:
    """Put changed values into merged tables, as if `path` gave them."""
    for dotted, value in changes.items():
        name, _, key = dotted.partition(".")
        if name not in SECTIONS or not key:
            raise InputError(
                f"{path}: {dotted}: is no table and key of a driveline; "
                f"tables: {', '.join(SECTIONS)}"
            )
        _put(path, name, {key: value}, tables, origin)
        _hash_maps(path, {key: value}, digest)
    digest.update(repr(sorted(changes.items())).encode())


def _locate(name_or_path: str | Path) -> Path:
    path = Path(name_or_path)
    if str(name_or_path) in driveline_names():
        return DEMO_FOLDER / f"{name_or_path}.toml"
    if not _is_file(path):
        raise InputError(
            f"driveline {str(name_or_path)!r} is neither a file nor a demo driveline; "
            f"demo drivelines: {', '.join(driveline_names())}"
        )
    return path


def _merged_tables(path: Path) -> tuple[dict[str, Any], dict[tuple[str, str], Path], Any]:
    """Merge a file over its bases; `origin` says for each key which file it came from."""
    merged: dict[str, Any] = {}
    origin: dict[tuple[str, str], Path] = {}
    digest = hashlib.sha256()
    for file in reversed(_base_chain(path)):
        tables = _read_toml(file)
        digest.update(read_text(file, MAX_TOML).encode())
        for name, table in tables.items():
            if name in SECTIONS:
                if not isinstance(table, dict):
                    raise InputError(f"{file}: {name}: is no table; write [{name}] on its own line")
                _put(file, name, table, merged, origin)
                _hash_maps(file, table, digest)
            elif name in ("name", "title"):
                if not (isinstance(table, str) and table.isprintable()):
                    raise InputError(f"{file}: {name}: is {shown(table)}; write one line of text")
                merged[name] = table
    for name in SECTIONS:
        if name in OPTIONAL:
            merged.setdefault(name, {})
        elif name not in merged:
            raise InputError(
                f"{path}: table [{name}] is missing; add it or name a base that has it"
            )
        origin[name, ""] = path
    return merged, origin, digest


def _put(
    file: Path,
    name: str,
    table: Mapping[str, Any],
    merged: dict[str, Any],
    origin: dict[tuple[str, str], Path],
) -> None:
    """Put a table of a file over what the bases gave."""
    place, rivals = Place(file, name), RIVALS.get(name, ())
    for key in table:
        if (name, key) in MOVED:
            raise place.error(key, f"has moved; write it in table [{MOVED[name, key]}]")
    if rivals and table.keys() >= set(rivals):
        raise place.error(rivals[1], f"is given beside {rivals[0]}; leave one of them out")
    target = merged.setdefault(name, {})
    for key, value in table.items():
        for rival in rivals if key in rivals else ():
            target.pop(rival, None)
            origin.pop((name, rival), None)
        target[key] = value
        origin[name, key] = file


def _hash_maps(file: Path, table: dict[str, Any], digest: Any) -> None:
    for key, value in table.items():
        if key.endswith("_csv"):
            digest.update(read_text(_map_path(file, key, value)).encode())


def _map_path(file: Path, key: str, value: Any) -> Path:
    path = file.parent / value if isinstance(value, str) else file.parent
    if not _is_file(path):
        raise InputError(f"{file}: {key}: the file {shown(value)} does not exist beside it")
    return path


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # a name too long, a folder that may not be entered
        return False


def _base_chain(path: Path) -> list[Path]:
    chain = [path]
    while "base" in (tables := _read_toml(chain[-1])):
        named = tables["base"] if isinstance(tables["base"], str) else ""
        base = chain[-1].parent / named
        if named in driveline_names():
            base = DEMO_FOLDER / f"{named}.toml"
        if len(chain) > MAX_BASES or base in chain:
            raise InputError(f"{path}: base: the files name each other in a circle; cut it")
        if not _is_file(base):
            raise InputError(f"{chain[-1]}: base: {shown(tables['base'])} does not exist beside it")
        chain.append(base)
    return chain


def _read_toml(path: Path) -> dict[str, Any]:
    tables = read_toml(path)
    refuse_unknown(tables, {*SECTIONS, "name", "title", "base"}, Place(path, "top level"))
    return tables


class _Part:
    """One merged TOML table with the file each key came from."""

    def __init__(self, name: str, tables: dict[str, Any], origin: dict[tuple[str, str], Path]):
        self.name, self.table, self.origin = name, dict(tables[name]), origin
        files = {key: file for (table, key), file in origin.items() if table == name}
        self.place = Place(files[""], name, files)
        self.taken: set[str] = set()

    def take(self, key: str) -> Any:
        self.taken.add(key)
        return self.table.pop(key, None)

    def take_curve(self, key: str) -> DataArray | None:
        """Take a torque curve that may be left out."""
        value = self.take(key)
        if value is None:
            return None
        return read_curve(_map_path(self.place.file_of(key), key, value))

    def take_map(self, key: str) -> Path:
        value = self.take(key)
        if value is None:
            raise self.place.error(key, "is missing; name the CSV file, or set model")
        return _map_path(self.place.file_of(key), key, value)

    def read(self, cls: type, **given: Any) -> Any:
        refuse_unknown(self.table, _keys(cls) | self.taken, self.place)
        return read_section(cls, self.table, self.place, **given)

    def split(self, cls: type) -> "_Part":
        """Take the keys of `cls` (a model) out into a part of their own."""
        keys = _keys(cls)
        taken = {key: self.table[key] for key in keys & self.table.keys()}
        part = _Part(self.name, {self.name: taken}, self.origin)
        shared = ("idle_speed_rpm", "max_speed_rpm")
        self.table = {k: v for k, v in self.table.items() if k not in keys or k in shared}
        return part


def _keys(cls: type) -> set[str]:
    return {f.metadata["key"] for f in dataclasses.fields(cls) if "key" in f.metadata}


def _read_part(name: str, tables: dict[str, Any], origin: dict[tuple[str, str], Path]) -> Any:
    return _Part(name, tables, origin).read(PLAIN_SECTIONS[name])


def _read_start(tables: dict[str, Any], origin: dict[tuple[str, str], Path]) -> Start:
    part = _Part("start", tables, origin)
    curve = part.take_curve("torque_reserve_csv")
    start: Start = part.read(Start, reserve_curve=curve)
    if curve is None and not start.starter and "torque_reserve_Nm" not in part.table:
        raise part.place.error(
            "torque_reserve_Nm",
            "is missing; add it with its value in Nm, or torque_reserve_csv, or starter = true",
        )
    return start


def _read_engine(tables: dict[str, Any], origin: dict[tuple[str, str], Path], fuel: Fuel) -> Engine:
    part = _Part("engine", tables, origin)
    maps: dict[str, DataArray]
    if _model(part, "willans"):
        maps = engine_maps(part.split(WillansEngine).read(WillansEngine), fuel.heating_value)
    else:
        maps = {
            "fuel_map": read_fuel_map(part.take_map("fuel_map_csv"), fuel.heating_value),
            "full_load": read_curve(part.take_map("full_load_csv")),
            "overrun": read_curve(part.take_map("overrun_csv")),
        }
    engine: Engine = part.read(Engine, **maps)
    return engine


def _read_motor(tables: dict[str, Any], origin: dict[tuple[str, str], Path]) -> Motor:
    part = _Part("motor", tables, origin)
    maps: dict[str, DataArray | None]
    if _model(part, "polynomial"):
        maps = {**motor_maps(part.split(PolynomialMotor).read(PolynomialMotor))}
    else:
        maps = {
            "loss_map": read_loss_map(part.take_map("loss_map_csv")),
            "peak_torque": read_curve(part.take_map("peak_torque_csv")),
            "drag_torque": read_curve(part.take_map("drag_torque_csv")),
        }
    maps["continuous_torque"] = part.take_curve("continuous_torque_csv")
    motor: Motor = part.read(Motor, **maps)
    return motor


def _read_battery(tables: dict[str, Any], origin: dict[tuple[str, str], Path]) -> Battery:
    part = _Part("battery", tables, origin)
    battery: Battery = part.read(Battery, table=read_battery_table(part.take_map("table_csv")))
    return battery


def _model(part: _Part, known: str) -> bool:
    """Return whether the part asks for its parametric model instead of maps."""
    model = part.take("model")
    if model is not None and model not in (known, "maps"):
        raise part.place.error("model", f"is {shown(model)}; write {known!r} or 'maps'")
    if model == known:
        part.table = {k: v for k, v in part.table.items() if not k.endswith("_csv")}
        return True
    return False
