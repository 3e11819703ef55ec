"""Rule tables as NetCDF: lossless, in SI units, with units and meanings as attributes."""

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
from .origin import KIND, origin_record, read_origin
from .quantities import (
    CONSTANTS,
    MEANINGS,
    TableQuantity,
    axis_quantities,
    check_axis,
    check_constants,
    digest,
    fault,
    named_arrays,
    value_quantity,
)
from .rule_set import BY_GEAR, Coverage, RuleSet, make_rule_set
from .rule_table import LAYOUT

COVERAGE_UNITS = {"visits": "s", "regret": "g", "filled": "1"}


def netcdf_bytes(rule_set: RuleSet) -> bytes:
    """Return a rule set as a sealed NetCDF file."""
    variables: dict[str, Any] = {}
    for name, quantity in CONSTANTS.items():
        values, attrs = rule_set.constants[name], {"units": quantity.unit}
        attrs["long_name"] = MEANINGS[name]
        variables[name] = ("gear", values, attrs) if name in BY_GEAR else ((), values[0], attrs)
    for name, found in rule_set.maps.items():
        *axes, (_, quantity, values) = named_arrays(name, found)
        dims = tuple(dim for dim, _, _ in axes)
        for dim, of_axis, axis in axes:
            variables[dim] = (dim, axis, {"units": of_axis.unit, "long_name": of_axis.name})
        variables[name] = (dims, values, {"units": quantity.unit, "long_name": MEANINGS[name]})
        if coverage := rule_set.coverage.get(name):
            for part, unit in COVERAGE_UNITS.items():
                values = np.asarray(getattr(coverage, part))
                values = values.astype(np.int8) if part == "filled" else values
                variables[f"{name}_{part}"] = (dims, values, {"units": unit})
    dataset = xr.Dataset(variables)
    record = origin_record(rule_set, _digest(dataset))
    record |= {"cycles": json.dumps(record["cycles"]), "edited": int(record["edited"])}
    return sealed(dataset.assign_attrs(record))


def read_netcdf(path: Path) -> RuleSet:
    """Read a rule set from NetCDF.

    Raises
    ------
    InputError
        The file is absent, damaged or holds something else.

    Warns
    -----
    InputWarning
        The file was changed since it was written.
    """
    dataset, notice = read_sealed(path, "NetCDF file of rule tables", "export again")
    missing = [name for name in (*CONSTANTS, *LAYOUT) if name not in dataset]
    if missing:
        raise InputError(f"{path}: holds no rule tables ({missing[0]} is missing); export again")
    constants = {
        name: _values(dataset, name, quantity, path) for name, quantity in CONSTANTS.items()
    }
    check_constants(constants, str(path))
    maps = {name: _read_map(dataset, name, path) for name in LAYOUT}
    coverage = {
        name: _read_coverage(dataset, name) for name in LAYOUT if f"{name}_filled" in dataset
    }
    origin = read_origin(_record(dataset.attrs), _digest(dataset), str(path))
    rule_set = make_rule_set(origin, constants, maps, coverage)
    if notice:
        warnings.warn(notice, InputWarning, stacklevel=3)
    return rule_set


def holds_rules(path: Path) -> bool:
    """Return whether a NetCDF file of this package holds rule tables, not a solved schedule.

    Raises
    ------
    InputError
        The file is absent or damaged.
    """
    dataset, _ = read_sealed(path, "NetCDF file", "solve or export again")
    return bool(dataset.attrs.get("kind") == KIND)


def _digest(dataset: xr.Dataset) -> str:
    names = [name for table in LAYOUT for name in (*_axis_names(table), table)]
    return digest(dataset[name].values for name in (*names, *CONSTANTS))


def _axis_names(table: str) -> tuple[str, ...]:
    return tuple(f"{table}_{quantity.name}" for quantity in axis_quantities(table))


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


def _read_map(dataset: xr.Dataset, name: str, path: Path) -> Map:
    dims = _axis_names(name)
    if dataset[name].dims != dims or not set(dims) <= set(dataset.variables):
        raise InputError(f"{path}: {name} has other axes than {', '.join(dims)}; export again")
    axes = [_values(dataset, d, q, path) for d, q in zip(dims, axis_quantities(name), strict=True)]
    for dim, axis in zip(dims, axes, strict=True):
        check_axis(axis, [f"{path}: {dim}[{i}]" for i in range(axis.size)])
    return Map(tuple(axes), _values(dataset, name, value_quantity(name), path))


def _read_coverage(dataset: xr.Dataset, name: str) -> Coverage:
    visits, regret, filled = (dataset[f"{name}_{part}"].values for part in COVERAGE_UNITS)
    return Coverage(visits, regret, filled > 0)
