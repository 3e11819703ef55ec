"""Reading and writing files of tables: which format a path means."""

import os.path
from pathlib import Path

from ..base.errors import InputError
from ..files.writing import bytes_writer, write_atomically, write_together
from .contents import Made
from .form import check_content
from .preview_set import PreviewSet
from .rule_set import RuleSet
from .table_cdf import cdf_text, read_cdf
from .table_csv import csv_writers, read_csv
from .table_json import json_text, read_json
from .table_netcdf import netcdf_bytes, read_netcdf


def read_tables(path: str | Path) -> Made:
    """Read rule tables or preview maps: JSON (.json), NetCDF (.nc), CDF (.cdfx), CSV (a folder).

    Parameters
    ----------
    path
        The file, or the folder.

    Returns
    -------
    RuleSet or PreviewSet
        What the file holds. Its origin is marked as edited where values were changed since the file
        was written.

    Raises
    ------
    InputError
        The file, or something in it, is missing or wrong; the message says which.
    """
    path = Path(path)
    if os.path.isdir(path):
        return read_csv(path)
    match path.suffix.lower():
        case ".json":
            return read_json(path)
        case ".nc":
            return read_netcdf(path)
        case ".cdfx":
            return read_cdf(path)
    raise InputError(
        f"{path}: is no file of tables by its name; give a .json, .nc or .cdfx file, or "
        "the folder of an export as CSV"
    )


def read_rule_set(path: str | Path) -> RuleSet:
    """Read rule tables from JSON (.json), NetCDF (.nc), CDF 2.0 (.cdfx) or a folder of CSV.

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
        The file, or something in it, is missing or wrong, or it does not hold rule tables; the
        message says which.
    """
    found = read_tables(path)
    if isinstance(found, RuleSet):
        return found
    raise InputError(f"{path}: holds {found.form.noun}; give rule tables")


def read_preview(path: str | Path) -> PreviewSet:
    """Read a predictive controller: JSON (.json), NetCDF (.nc), CDF 2.0 (.cdfx), CSV (a folder).

    Parameters
    ----------
    path
        The file, or the folder.

    Returns
    -------
    PreviewSet
        Its origin is marked as edited where values were changed since the file was written.

    Raises
    ------
    InputError
        The file, or something in it, is missing or wrong, or it does not hold preview maps; the
        message says which.
    """
    found = read_tables(path)
    if isinstance(found, PreviewSet):
        return found
    raise InputError(f"{path}: holds {found.form.noun}; give preview maps")


def write_json(content: Made, path: str | Path, *, overwrite: bool = False) -> None:
    """Write tables as JSON; an existing file stays unless `overwrite`.

    Raises
    ------
    InputError
        The file exists already, its folder does not, or a value is not fit for use.
    FailedError
        The system refused to write it.
    """
    check_content(content)
    write_atomically(Path(path), bytes_writer(json_text(content).encode()), overwrite)


def write_netcdf(content: Made, path: str | Path, *, overwrite: bool = False) -> None:
    """Write tables as NetCDF; parameters and errors as :func:`write_json`."""
    check_content(content)
    write_atomically(Path(path), bytes_writer(netcdf_bytes(content)), overwrite)


def write_cdf(content: Made, path: str | Path, *, overwrite: bool = False) -> None:
    """Write tables as ASAM CDF 2.0; parameters and errors as :func:`write_json`."""
    check_content(content)
    write_atomically(Path(path), bytes_writer(cdf_text(content).encode()), overwrite)


def write_csv(content: Made, folder: str | Path, *, overwrite: bool = False) -> list[Path]:
    """Write tables as CSV files into a folder that exists; errors as :func:`write_json`.

    Returns
    -------
    list of Path
        The files: one per table and coverage, and one for the constants.
    """
    check_content(content)
    targets = [(Path(folder) / name, write) for name, write in csv_writers(content).items()]
    write_together(targets, overwrite)
    return [path for path, _ in targets]
