"""The result of a solve: a documented object around one xarray Dataset, with its files."""

import dataclasses
import json
import platform
import warnings
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache
from html import escape
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..base.cautions import CAUTION
from ..base.errors import HybridoptError, InputError
from ..base.nomenclature import (
    BOUND_TOTALS,
    CHARGE_TOTALS,
    COMFORT_TOTALS,
    EMISSION_TOTALS,
    EQUAL_TOTALS,
    OIL_TOTALS,
    OIL_VARIABLES,
    ROTOR_TOTALS,
    SINKS,
    SOURCES,
    STEP_VARIABLES,
    THERMAL_TOTALS,
    TOTALS,
)
from ..base.warning import InputWarning
from ..base.words import in_air
from ..files.sealed_netcdf import read_sealed, sealed
from ..files.writing import write_atomically
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..physics.comfort import LOOKED_AT, comfort_totals
from ..physics.demand import Demand
from ..physics.emissions import emission_totals
from ..physics.energy_balance import energies, energy_residual, rotor_totals
from ..physics.modes import Mode
from ..physics.starts import start_totals
from ..physics.thermal import thermal_totals
from ..problem.settings import Settings
from .charge_balance import charge_totals
from .oil_totals import oil_totals
from .result_csv import write_result_csv

SHARES = tuple(f"share_{mode.name.lower()}" for mode in Mode)
ENERGIES = tuple(f"energy_{name.removesuffix('_power')}_kJ" for name in (*SOURCES, *SINKS))
NUMBERS = (*TOTALS, "solve_s", *SHARES, *ENERGIES)
"""Attrs that every result of a solve or drive has; those below may be absent."""
MORE_NUMBERS = {*EQUAL_TOTALS, *CHARGE_TOTALS, *THERMAL_TOTALS, *COMFORT_TOTALS, *ROTOR_TOTALS}
MORE_NUMBERS |= {*OIL_TOTALS, *EMISSION_TOTALS, *BOUND_TOTALS} - {"gap_cause"}
KNOWN = {*NUMBERS, *MORE_NUMBERS, "gap_cause"}
"""Attrs that can be asked for as attributes of a result."""
OIL_ATTRS = {
    "units": OIL_VARIABLES["oil_temperature"].unit,
    "long_name": OIL_VARIABLES["oil_temperature"].meaning,
}
TEXTS = ("cycle", "driveline", "settings")
MORE_TEXTS = ("driveline_title", "controller", "gap_cause", "cycle_sha256", "driveline_sha256")


@dataclass(frozen=True, eq=False, repr=False)
class Result:
    """Schedule, traces and totals of one solve.

    Totals are attributes, such as `result.fuel_g`; `dir(result)` lists them.

    Parameters
    ----------
    dataset : xarray Dataset
        Over dim `time`, the variables of :data:`hybridopt.base.nomenclature.STEP_VARIABLES`. Its
        attrs hold the totals of :data:`hybridopt.base.nomenclature.TOTALS`, `share_<mode>` (share
        of time), `energy_<name>_kJ` of every source and sink, names and hashes of the inputs, the
        settings as JSON, versions, and the caution.
    """

    dataset: xr.Dataset

    def __getattr__(self, name: str) -> Any:
        """Return a total by name, such as `result.fuel_g`."""
        if name.startswith("_") or name == "dataset":  # not yet made, as while it is copied
            raise AttributeError(name)
        if name in self._present():
            return self.dataset.attrs[name]
        if name in KNOWN:
            raise AttributeError(f"this result holds no {name}")
        near = get_close_matches(name, dir(self))
        hint = f"did you mean {' or '.join(near)}?" if near else "dir(result) lists its totals"
        raise AttributeError(f"a result has no {name!r}; {hint}")

    def __dir__(self) -> list[str]:
        return sorted({*object.__dir__(self), *self._present()})

    def __repr__(self) -> str:
        lines = (f"  {name:<14}{text}" for name, text in self._key_rows())
        return "\n".join(["hybridopt.Result", *lines])

    def _repr_html_(self) -> str:
        rows = (
            f"<tr><th>{escape(name)}</th><td>{escape(text)}</td></tr>"
            for name, text in self._key_rows()
        )
        return f"<table><caption>hybridopt.Result</caption>{''.join(rows)}</table>"

    def _present(self) -> list[str]:
        """Return the names of the totals that this result holds."""
        return [name for name in self.dataset.attrs if name in KNOWN]

    def _key_rows(self) -> list[tuple[str, str]]:
        """Return label and text of what to know first, as far as it is there."""
        attrs, rows = self.dataset.attrs, []
        percent = {name: 100.0 * attrs[name] for name in ("soc_start", "soc_end") if name in attrs}
        for name, text in {
            "cycle": "{cycle}, {distance_km:.3f} km in {duration_s:.0f} s",
            "driveline": "{driveline}",
            "driven by": "{controller}",
            "fuel": "{fuel_g:.2f} g, {fuel_l_per_100km:.3f} l/100 km",
            "cost": "{cost_g:.2f} g",
            "at equal SoC": "fuel {fuel_equal_g:.2f} g, cost {cost_equal_g:.2f} g",
            "bound": "{bound_g:.2f} g, gap {gap_percent:.3f} %",
            "SoC": "{soc_start:.2f} % -> {soc_end:.2f} %",
            "starts": "{starts}",
        }.items():
            try:
                rows.append((name, text.format(**attrs | percent)))
            except (KeyError, TypeError, ValueError):
                continue  # not in this result
        return rows

    @property
    def settings(self) -> Settings:
        """Settings of the solve, resolved."""
        return Settings(**json.loads(self.dataset.attrs["settings"]))

    @property
    def heading(self) -> str:
        """Cycle, driveline, controller, if one drove, and temperature, if it counts, in words."""
        attrs = self.dataset.attrs
        driver = f", driven by {attrs['controller']}" if "controller" in attrs else ""
        return f"{attrs['cycle']}, driveline {attrs['driveline']}{driver}{in_air(attrs)}"

    def to_netcdf(self, path: str | Path, *, overwrite: bool = False) -> None:
        """Write a NetCDF file; an existing file stays unless `overwrite`.

        Raises
        ------
        InputError
            The file exists already, or its folder does not.
        """
        write_atomically(Path(path), self.write_netcdf, overwrite)

    def to_csv(self, path: str | Path, *, overwrite: bool = False) -> None:
        """Write the traces as CSV: `#` lines with totals, then one row per step, mode by name.

        Column names end in their units: rpm, km/h, kW, and % of state of charge.

        Raises
        ------
        InputError
            The file exists already, or its folder does not.
        """
        write_atomically(Path(path), self.write_csv, overwrite)

    def write_netcdf(self, path: Path) -> None:
        """Write a NetCDF file over whatever is there, for :func:`.files.write_together`.

        Behind the end of the NetCDF data stands a seal, the SHA-256 of all before it, which
        other readers pass over.
        """
        path.write_bytes(sealed(self.dataset))

    def write_csv(self, path: Path) -> None:
        """Write a CSV file over whatever is there, for :func:`.files.write_together`."""
        write_result_csv(self.dataset, path)

    @classmethod
    def read(cls, path: str | Path) -> "Result":
        """Read a NetCDF file that :meth:`to_netcdf` wrote; the same object comes back.

        Parameters
        ----------
        path
            The file. It may have been changed since, by xarray or another program.

        Returns
        -------
        Result
            With the traces and attrs of the file.

        Raises
        ------
        InputError
            The file is absent, damaged, no NetCDF, or not a result of this package.

        Warns
        -----
        InputWarning
            The file was changed since it was written.
        """
        path = Path(path)
        dataset, notice = read_sealed(path, "NetCDF result", "solve again")
        dataset.attrs = {key: _plain(value) for key, value in dataset.attrs.items()}
        if fault := _fault_of_traces(dataset) or _fault_of_attrs(dataset.attrs):
            raise InputError(f"{path}: {fault}")
        result = cls(dataset)
        try:
            result.settings.socs  # noqa: B018  they must be readable
        except (ValueError, TypeError, RecursionError, HybridoptError):
            raise InputError(f"{path}: its settings cannot be read; solve again") from None
        if notice:
            warnings.warn(notice, InputWarning, stacklevel=2)
        return result


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else value


def _fault_of_traces(dataset: xr.Dataset) -> str:
    """Return what is wrong with the variables of a file; empty where nothing is."""
    if missing := [name for name in ("time", *STEP_VARIABLES) if name not in dataset]:
        return f"is no result of this package; it lacks {', '.join(missing[:3])}"
    for name in ("time", *STEP_VARIABLES):
        values = dataset[name]
        if values.dims != ("time",) or values.dtype.kind not in "fiu" or not values.size:
            return f"variable {name} is no row of numbers over time; solve again"
        if "units" not in values.attrs:
            return f"variable {name} has no units; solve again"
        if name != "costate" and not np.isfinite(values).all():
            return f"variable {name} holds values that are no numbers; solve again"
    if not dataset["mode"].isin(list(Mode)).all():
        return "variable mode holds codes that are no modes; solve again"
    if (dataset["dt"] <= 0.0).any() or (np.diff(dataset["time"]) <= 0.0).any():
        return "its time does not increase; solve again"
    if (dataset["gear"] < 1).any():
        return "variable gear holds gears below 1; solve again"
    return ""


def _fault_of_attrs(attrs: dict[str, Any]) -> str:
    """Return what is wrong with the attrs of a file; empty where nothing is."""
    if missing := [name for name in (*TEXTS, *NUMBERS) if name not in attrs]:
        return f"is no result of this package; it lacks {', '.join(missing[:3])}"
    for kind, word, names in (
        (str, "text", (*TEXTS, *MORE_TEXTS)),
        (int | float, "number", (*NUMBERS, *MORE_NUMBERS)),
    ):
        for name in names:
            if name in attrs and not isinstance(attrs[name], kind):
                return f"its attribute {name} is no {word}; solve again"
    return ""


def make_result(
    trace: xr.Dataset,
    cycle: Cycle,
    driveline: Driveline,
    demand: Demand,
    settings: Settings,
    extra: dict[str, float | str],
    fuel_per_energy: float | None = None,
) -> Result:
    """Add totals, inputs, settings and versions to a replayed trace.

    Parameters
    ----------
    trace
        From :func:`hybridopt.physics.replay.replay`.
    cycle, driveline, demand, settings
        What was solved.
    extra
        Further attrs, such as `cost_g` and `solve_s`.
    fuel_per_energy
        g/J, what stored energy is worth; None leaves out what follows from it.

    Returns
    -------
    Result
        With attrs in a fixed order.
    """
    totals: dict[str, Any] = _totals(trace, driveline, demand, settings)
    if fuel_per_energy is not None:
        extra |= charge_totals(trace, driveline.fuel, cycle, totals, fuel_per_energy)
    attrs: dict[str, Any] = {
        "cycle": cycle.name,
        "driveline": driveline.name,
        "driveline_title": driveline.title,
        **totals,
        **extra,
        **thermal_totals(driveline, trace),
        **comfort_totals(
            driveline,
            settings.torque_rise,
            settings.torque_fall,
            {name: trace[name].values for name in LOOKED_AT},
        ),
        **oil_totals(driveline, demand, settings, trace),
        **rotor_totals(driveline, demand, trace, settings.gear_start),
        **emission_totals(driveline, trace),
        **_mode_shares(trace),
        **_energies(trace),
        "cycle_sha256": cycle.sha256,
        "driveline_sha256": driveline.sha256,
        "settings": json.dumps(dataclasses.asdict(settings)),
        **_versions(),
        "caution": CAUTION,
    }
    if settings.warms:
        trace = trace.assign(oil_temperature=("time", demand.oil_temperature, OIL_ATTRS))
    return Result(trace.assign_attrs(attrs))


def _totals(
    trace: xr.Dataset, driveline: Driveline, demand: Demand, settings: Settings
) -> dict[str, float | int]:
    fuel = fuel_used(trace)
    litres = fuel / driveline.fuel.density
    kilometres = demand.distance / 1e3
    before = np.concatenate(([settings.gear_start], trace.gear.values[:-1]))
    per_km = litres / kilometres if kilometres > 0.0 else float("nan")
    through = energies(trace, ["battery_power"], size=True)["battery_power"]  # J
    return {
        "fuel_g": fuel,
        "fuel_l_per_100km": 100.0 * per_km,
        "co2_g_per_km": per_km * driveline.fuel.co2,
        "soc_start": float(trace.soc[0]),
        "soc_end": float(trace.attrs["soc_end"]),
        **start_totals(driveline, trace),
        "battery_throughput_kWh": through / 3.6e6,
        "throughput_cost_g": through * driveline.battery.throughput_cost,
        "shifts": int(np.count_nonzero(before != trace.gear.values)),
        "distance_km": kilometres,
        "duration_s": float(demand.dt.sum()),
        "energy_residual": energy_residual(trace),
    }


def fuel_used(trace: xr.Dataset) -> float:
    """Fuel of a replayed trace, g."""
    return float((trace.fuel_rate * trace.dt).sum())


def _mode_shares(trace: xr.Dataset) -> dict[str, float]:
    seconds = trace.dt.values
    total = float(seconds.sum())
    return {
        name: float(seconds[trace.mode.values == mode].sum()) / total
        for name, mode in zip(SHARES, Mode, strict=True)
    }


def _energies(trace: xr.Dataset) -> dict[str, float]:
    joules = energies(trace, (*SOURCES, *SINKS)).values()
    return {total: energy / 1e3 for total, energy in zip(ENERGIES, joules, strict=True)}


@cache
def _versions() -> dict[str, str]:
    names = ("hybridopt", "numpy", "numba", "xarray")
    versions = {f"version_{name}": metadata.version(name) for name in names}
    return {**versions, "version_python": platform.python_version(), "system": platform.system()}
