"""The files of a demo driveline to begin from: its TOML files with all the maps they name."""

import re

from ..base.errors import InputError
from ..files.csv_table import read_text, read_toml
from .fields import Place
from .merging import DEMO_FOLDER, base_chain, driveline_names, map_path

_BASE = re.compile(r"^(base\s*=\s*).*$", re.MULTILINE)


def demo_files(name: str) -> dict[str, str]:
    """Return the texts of all files that a demo driveline is read from, by file name.

    Parameters
    ----------
    name
        One of :func:`.merging.driveline_names`.

    Returns
    -------
    dict
        The file itself first. A base is named as the file beside it, so that a folder of these
        files stands alone.

    Raises
    ------
    InputError
        There is no demo driveline of this name.
    """
    if name not in driveline_names():
        known = ", ".join(driveline_names())
        raise InputError(f"there is no demo driveline {name!r}; demo drivelines: {known}")
    files: dict[str, str] = {}
    for path in base_chain(DEMO_FOLDER / f"{name}.toml"):
        tables = read_toml(path)
        base = rf'\g<1>"{tables.get("base")}.toml"'
        files[path.name] = _BASE.sub(base, read_text(path), count=1)
        for section, table in tables.items():
            for key, value in table.items() if isinstance(table, dict) else ():
                if key.endswith("_csv"):
                    files[value] = read_text(map_path(Place(path, section), key, value))
    return files
