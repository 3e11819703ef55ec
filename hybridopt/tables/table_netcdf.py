"""Tables as NetCDF: lossless, in SI units, with units and meanings as attributes."""

import json
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..base.errors import InputError
from ..base.warning import InputWarning
from ..controllers.maps import Map
from ..files.sealed_netcdf import read_sealed, sealed
from .contents import KINDS, Made, kind_of
from .form import Content, Form
from .origin import origin_record, read_origin
from .quantities import TableQuantity, check_axis, fault
from .rule_set import Coverage

COVERAGE_UNITS = {"visits": "s", "regret": "g", "filled": "1"}


def netcdf_bytes(content: Content) -> bytes:
    """Return a content as a sealed NetCDF file."""
    variables: dict[str, Any] = {}
    form, constants, maps = content.form, content.constants, content.maps
    for name, quantity in form.constants.items():
        values, attrs = constants[name], {"units": quantity.unit}
        attrs["long_name"] = form.meanings[name]
        by_gear = name in form.by_gear
        variables[name] = ("gear", values, attrs) if by_gear else ((), values[0], attrs)
    for name, found in maps.items():
        *axes, (_, quantity, values) = form.arrays(name, found)
        dims = tuple(dim for dim, _, _ in axes)
        for dim, of_axis, axis in axes:
            variables[dim] = (dim, axis, {"units": of_axis.unit, "long_name": of_axis.name})
        variables[name] = (dims, values, {"units": quantity.unit, "long_name": form.meanings[name]})
        if coverage := content.coverage.get(name):
            for part, unit in COVERAGE_UNITS.items():
                values = np.asarray(getattr(coverage, part))
                values = values.astype(np.int8) if part == "filled" else values
                variables[f"{name}_{part}"] = (dims, values, {"units": unit})
    dataset = xr.Dataset(variables)
    record = origin_record(content, form.digest(constants, maps))
    record |= {"cycles": json.dumps(record["cycles"]), "edited": int(record["edited"])}
    return sealed(dataset.assign_attrs(record))


def read_netcdf(path: Path) -> Made:
    """Read tables from NetCDF.

    Raises
    ------
    InputError
        The file is absent, damaged or holds something else.

    Warns
    -----
    InputWarning
        The file was changed since it was written.
    """
    dataset, notice = read_sealed(path, "NetCDF file of tables", "export again")
    record = _record(dataset.attrs)
    kind = kind_of(record, str(path))
    form = kind.form
    missing = [name for name in (*form.constants, *form.layout) if name not in dataset]
    if missing:
        raise InputError(f"{path}: holds no {form.noun} ({missing[0]} is missing); export again")
    constants = {
        name: _values(dataset, name, quantity, path) for name, quantity in form.constants.items()
    }
    maps = {name: _read_map(form, dataset, name, path) for name in form.layout}
    form.check_parts(constants, maps, str(path))
    coverage = {
        name: _read_coverage(dataset, name) for name in form.layout if f"{name}_filled" in dataset
    }
    origin = read_origin(record, form.digest(constants, maps), str(path))
    content = kind.made(origin, constants, maps, coverage)
    if notice:
        warnings.warn(notice, InputWarning, stacklevel=3)
    return content


def holds_tables(path: Path) -> bool:
    """Return whether a NetCDF file of this package holds tables, not a solved schedule.

    Raises
    ------
    InputError
        The file is absent or damaged.
    """
    dataset, _ = read_sealed(path, "NetCDF file", "solve or export again")
    return dataset.attrs.get("kind") in KINDS


def _record(attrs: Mapping[str, Any]) -> dict[str, Any]:
    """Return attributes as :func:`read_origin` wants them."""
    record = dict(attrs)
    try:
        record["cycles"] = json.loads(record.get("cycles", ""))
    except (TypeError, ValueError, RecursionError):
        record["cycles"] = None
    record["edited"] = bool(record.get("edited", True))
    return record


def _values(dataset: xr.Dataset, name: str, quantity: TableQuantity, path: Path) -> np.ndarray:
    array = dataset[name]
    if array.dtype.kind not in "fiu" or array.attrs.get("units") != quantity.unit:
        raise InputError(f"{path}: {name} holds no values in {quantity.unit}; export again")
    values: np.ndarray = np.atleast_1d(array.values.astype(np.float64))
    for index, value in np.ndenumerate(values):
        if wrong := fault(value, quantity, quantity.factor):
            raise InputError(f"{path}: {name}{list(index)}: {wrong}; export again")
    return values


def _read_map(form: Form, dataset: xr.Dataset, name: str, path: Path) -> Map:
    dims = form.axis_names(name)
    if dataset[name].dims != dims or not set(dims) <= set(dataset.variables):
        raise InputError(f"{path}: {name} has other axes than {', '.join(dims)}; export again")
    axes = [_values(dataset, d, q, path) for d, q in zip(dims, form.axes(name), strict=True)]
    for dim, axis in zip(dims, axes, strict=True):
        check_axis(axis, [f"{path}: {dim}[{i}]" for i in range(axis.size)])
    return Map(tuple(axes), _values(dataset, name, form.value(name), path))


def _read_coverage(dataset: xr.Dataset, name: str) -> Coverage:
    visits, regret, filled = (dataset[f"{name}_{part}"].values for part in COVERAGE_UNITS)
    return Coverage(visits, regret, filled > 0)
