"""The tables of a driveline file, merged over those of its bases."""

import hashlib
import os.path
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from ..base.errors import InputError
from ..base.faults import Faults
from ..files.csv_table import MAX_TOML, read_text, read_toml
from .fields import Place, refuse_unknown, shown

DEMO_FOLDER = Path(__file__).parents[1] / "drivelines"
SECTIONS = (
    "vehicle",
    "gearbox",
    "clutches",
    "fuel",
    "auxiliary",
    "functions",
    "shifts",
    "start",
    "engine",
    "motor",
    "battery",
    "comfort",
    "warm_up",
    "catalyst",
)
OPTIONAL = ("functions", "comfort", "shifts", "warm_up", "catalyst")  # tables that may be left out
MOVED = {("clutches", "can_drive_electric"): "functions"}
RIVALS = {
    "start": ("torque_reserve_Nm", "torque_reserve_csv"),
    "motor": ("continuous_torque_Nm", "continuous_torque_csv"),
}
"""Keys of a table of which a file gives one at most; it takes the place of a base's other one."""
MAX_BASES = 8


def driveline_names() -> tuple[str, ...]:
    """Return the names of the demo drivelines that ship with the package.

    Returns
    -------
    tuple of str
        For :func:`read_driveline`.
    """
    return tuple(sorted(path.stem for path in DEMO_FOLDER.glob("*.toml")))


class MergedTables:
    """A driveline file with what its bases give where it gives nothing.

    Attributes
    ----------
    path : the file
    tables : by name, as TOML gives them, and the texts `name` and `title`
    origin : file that each key came from, by table and key
    digest : SHA-256 over all files read, maps included
    faults : what is wrong with them so far
    """

    def __init__(self, name_or_path: str | Path) -> None:
        """Merge a file, or a demo driveline by its name; faults are gathered.

        Raises
        ------
        InputError
            A file is missing or is no TOML, or bases name each other in a circle.
        """
        self.path = _locate(name_or_path)
        self.tables: dict[str, Any] = {}
        self.origin: dict[tuple[str, str], Path] = {}
        self.digest = hashlib.sha256()
        self.faults = Faults()
        for file in reversed([*base_chain(self.path)]):
            self._add(file)
        for name in SECTIONS:
            self.origin[name, ""] = self.path
            if name in OPTIONAL:
                self.tables.setdefault(name, {})
            elif name not in self.tables:
                missing = f"{self.path}: table [{name}] is missing; "
                self.faults.add([f"{missing}add it or name a base that has it"])

    def change(self, changes: Mapping[str, Any]) -> None:
        """Put changed values, by table and key, as if the file gave them."""
        for dotted, value in changes.items():
            name, _, key = dotted.partition(".")
            if name not in SECTIONS or not key:
                known = f"tables: {', '.join(SECTIONS)}"
                self.faults.add(
                    [f"{self.path}: {dotted}: is no table and key of a driveline; {known}"]
                )
                continue
            self._put(self.path, name, {key: value})
        self.digest.update(repr(sorted(changes.items())).encode())

    def _add(self, file: Path) -> None:
        """Add the tables of a file over what was there."""
        tables = read_toml(file)
        self.digest.update(read_text(file, MAX_TOML).encode())
        with self.faults.caught():
            refuse_unknown(tables, {*SECTIONS, "name", "title", "base"}, Place(file, "top level"))
        for name, table in tables.items():
            if name in SECTIONS:
                if isinstance(table, dict):
                    self._put(file, name, table)
                else:
                    self.tables.setdefault(name, {})
                    self.faults.add(
                        [f"{file}: {name}: is no table; write [{name}] on its own line"]
                    )
            elif name in ("name", "title"):
                self.tables[name] = table
                if not (isinstance(table, str) and table.isprintable()):
                    self.faults.add([f"{file}: {name}: is {shown(table)}; write one line of text"])

    def _put(self, file: Path, name: str, table: Mapping[str, Any]) -> None:
        """Put a table of a file over what the bases gave."""
        place, rivals = Place(file, name), RIVALS.get(name, ())
        target = self.tables.setdefault(name, {})
        if rivals and table.keys() >= set(rivals):
            both = place.error(rivals[1], f"is given beside {rivals[0]}; leave one of them out")
            self.faults.add(both.sentences)
        for key, value in table.items():
            if (name, key) in MOVED:
                moved = place.error(key, f"has moved; write it in table [{MOVED[name, key]}]")
                self.faults.add(moved.sentences)
                continue
            if key.endswith("_csv"):
                with self.faults.caught():
                    self.digest.update(read_text(map_path(place, key, value)).encode())
            for rival in rivals if key in rivals else ():
                target.pop(rival, None)
                self.origin.pop((name, rival), None)
            target[key] = value
            self.origin[name, key] = file


def driveline_tables(name_or_path: str | Path) -> dict[str, Any]:
    """Return the tables of a driveline as its file and the bases of it give them.

    Raises
    ------
    InputError
        A file is missing or is no TOML of a driveline.
    """
    merged = MergedTables(name_or_path)
    merged.faults.raise_found()
    return merged.tables


def map_path(place: Place, key: str, value: Any) -> Path:
    """Return the map that a key of a table names.

    Raises
    ------
    InputError
        There is none beside the file.
    """
    folder = place.file_of(key).parent
    path = folder / value if isinstance(value, str) else folder
    if not os.path.isfile(path):
        raise place.error(key, f"the file {shown(value)} does not exist beside it")
    return path


def base_chain(path: Path) -> Iterator[Path]:
    """Yield a file, its base, the base of that and so on.

    Raises
    ------
    InputError
        A file is no TOML, a base is missing, or bases name each other in a circle.
    """
    seen: list[Path] = []
    while True:
        yield path
        seen.append(path)
        tables = read_toml(path)
        if "base" not in tables:
            return
        named = tables["base"] if isinstance(tables["base"], str) else ""
        base = path.parent / named
        if named in driveline_names():
            base = DEMO_FOLDER / f"{named}.toml"
        if len(seen) > MAX_BASES or base in seen:
            raise InputError(f"{seen[0]}: base: the files name each other in a circle; cut it")
        if not os.path.isfile(base):
            raise InputError(f"{path}: base: {shown(tables['base'])} does not exist beside it")
        path = base


def _locate(name_or_path: str | Path) -> Path:
    path = Path(name_or_path)
    if str(name_or_path) in driveline_names():
        return DEMO_FOLDER / f"{name_or_path}.toml"
    if not os.path.isfile(path):
        raise InputError(
            f"driveline {str(name_or_path)!r} is neither a file nor a demo driveline; "
            f"demo drivelines: {', '.join(driveline_names())}"
        )
    return path
