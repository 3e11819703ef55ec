"""Reading and writing files of rule tables: which format a path means."""

from pathlib import Path

from ..base.errors import InputError
from ..files.writing import bytes_writer, write_atomically, write_together
from .quantities import check_rule_set
from .rule_set import RuleSet
from .table_csv import csv_writers, read_csv
from .table_json import json_text, read_json
from .table_netcdf import netcdf_bytes, read_netcdf


def read_rule_set(path: str | Path) -> RuleSet:
    """Read rule tables from JSON (.json), NetCDF (.nc) or a folder of CSV files.

    Parameters
    ----------
    path
        The file, or the folder.

    Returns
    -------
    RuleSet
        Its origin is marked as edited where values were changed since the file was written.

    Raises
    ------
    InputError
        The file, or something in it, is missing or wrong; the message says which.
    """
    path = Path(path)
    if path.is_dir():
        return read_csv(path)
    match path.suffix.lower():
        case ".json":
            return read_json(path)
        case ".nc":
            return read_netcdf(path)
    raise InputError(
        f"{path}: is no file of rule tables by its name; give a .json or .nc file, or the folder "
        "of an export as CSV"
    )


def write_json(rule_set: RuleSet, path: str | Path, *, overwrite: bool = False) -> None:
    """Write rule tables as JSON; an existing file stays unless `overwrite`.

    Raises
    ------
    InputError
        The file exists already, its folder does not, or a value is not fit for use.
    FailedError
        The system refused to write it.
    """
    check_rule_set(rule_set)
    write_atomically(Path(path), bytes_writer(json_text(rule_set).encode()), overwrite)


def write_netcdf(rule_set: RuleSet, path: str | Path, *, overwrite: bool = False) -> None:
    """Write rule tables as NetCDF; parameters and errors as :func:`write_json`."""
    check_rule_set(rule_set)
    write_atomically(Path(path), bytes_writer(netcdf_bytes(rule_set)), overwrite)


def write_csv(rule_set: RuleSet, folder: str | Path, *, overwrite: bool = False) -> list[Path]:
    """Write rule tables as CSV files into a folder that exists; errors as :func:`write_json`.

    Returns
    -------
    list of Path
        The files: one per table and coverage, and one for the constants.
    """
    check_rule_set(rule_set)
    targets = [(Path(folder) / name, write) for name, write in csv_writers(rule_set).items()]
    write_together(targets, overwrite)
    return [path for path, _ in targets]
