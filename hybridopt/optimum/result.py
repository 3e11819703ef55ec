"""The result of a solve: a documented object around one xarray Dataset, with its files."""

import dataclasses
import json
import platform
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..base.cautions import CAUTION
from ..base.errors import HybridoptError, InputError
from ..base.nomenclature import SINKS, SOURCES, STEP_VARIABLES, TOTALS
from ..files.sealed_netcdf import read_sealed, sealed
from ..files.writing import comment_line, write_atomically
from ..inputs.cycle import Cycle
from ..inputs.driveline import Driveline
from ..physics.demand import Demand
from ..physics.modes import Mode
from ..physics.starts import start_totals
from ..physics.thermal import thermal_totals
from ..problem.settings import Settings


@dataclass(frozen=True, eq=False)
class Result:
    """Schedule, traces and totals of one solve.

    Attributes
    ----------
    dataset : xarray Dataset
        Over dim `time`, the variables of :data:`hybridopt.base.nomenclature.STEP_VARIABLES`. Its
        attrs hold the totals of :data:`hybridopt.base.nomenclature.TOTALS`, `share_<mode>` (share of
        time), `energy_<name>_kJ` of every source and sink, names and hashes of the inputs,
        the settings as JSON, versions, and the caution.
    """

    dataset: xr.Dataset

    def __getattr__(self, name: str) -> Any:
        """Return a total by name, such as `result.fuel_g`."""
        if name in TOTALS:
            return self.dataset.attrs[name]
        raise AttributeError(name)

    @property
    def settings(self) -> Settings:
        """The settings of the solve."""
        return Settings(**json.loads(self.dataset.attrs["settings"]))

    def to_netcdf(self, path: str | Path, *, overwrite: bool = False) -> None:
        """Write a NetCDF file; an existing file stays unless `overwrite`.

        Raises
        ------
        InputError
            The file exists already, or its folder does not.
        """
        write_atomically(Path(path), self.write_netcdf, overwrite)

    def to_csv(self, path: str | Path, *, overwrite: bool = False) -> None:
        """Write the traces as CSV: `#` lines with totals and units, then one row per step.

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
        names = ["time", *self.dataset.data_vars]
        units = [str(self.dataset[name].attrs["units"]) for name in names]
        rows = np.column_stack([self.dataset[name].values for name in names])
        with path.open("w", encoding="utf-8", newline="") as file:
            for key, value in self.dataset.attrs.items():
                file.write(comment_line(f"{key}: {value}") + "\n")
            file.write("# units: " + ",".join(units) + "\n")
            file.write(",".join(names) + "\n")
            np.savetxt(file, rows, fmt="%.17g", delimiter=",")

    @classmethod
    def read(cls, path: str | Path) -> "Result":
        """Read a NetCDF file that :meth:`to_netcdf` wrote; the same object comes back.

        Raises
        ------
        InputError
            The file is absent, no NetCDF, or not a result of this package.
        """
        path = Path(path)
        dataset = read_sealed(path, "NetCDF result", "solve again")
        missing = [name for name in STEP_VARIABLES if name not in dataset]
        if missing or "settings" not in dataset.attrs:
            what = ", ".join(missing[:3]) or "settings"
            raise InputError(f"{path}: is no result of this package; it lacks {what}")
        for name in ("time", *STEP_VARIABLES):
            if dataset[name].dims != ("time",) or dataset[name].dtype.kind not in "fiu":
                raise InputError(
                    f"{path}: variable {name} is no row of numbers over time; solve again"
                )
        dataset.attrs = {key: _plain(value) for key, value in dataset.attrs.items()}
        result = cls(dataset)
        try:
            result.settings  # noqa: B018  they must be readable
        except (ValueError, TypeError, RecursionError, HybridoptError):
            raise InputError(f"{path}: its settings cannot be read; solve again") from None
        return result


def _plain(value: Any) -> Any:
    return value.item() if isinstance(value, np.generic) else value


def make_result(
    trace: xr.Dataset,
    cycle: Cycle,
    driveline: Driveline,
    demand: Demand,
    settings: Settings,
    extra: dict[str, float | str],
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

    Returns
    -------
    Result
        With attrs in a fixed order.
    """
    attrs: dict[str, Any] = {
        "cycle": cycle.name,
        "driveline": driveline.name,
        "driveline_title": driveline.title,
        **_totals(trace, driveline, demand, settings),
        **extra,
        **thermal_totals(driveline, trace),
        **_mode_shares(trace),
        **_energies(trace),
        "cycle_sha256": cycle.sha256,
        "driveline_sha256": driveline.sha256,
        "settings": json.dumps(dataclasses.asdict(settings)),
        **_versions(),
        "caution": CAUTION,
    }
    return Result(trace.assign_attrs(attrs))


def _totals(
    trace: xr.Dataset, driveline: Driveline, demand: Demand, settings: Settings
) -> dict[str, float | int]:
    fuel = float((trace.fuel_rate * trace.dt).sum())
    litres = fuel / driveline.fuel.density
    kilometres = demand.distance / 1e3
    before = np.concatenate(([settings.gear_start], trace.gear.values[:-1]))
    per_km = litres / kilometres if kilometres > 0.0 else float("nan")
    through = float((abs(trace.battery_power) * trace.dt).sum())  # J
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


def energy_residual(trace: xr.Dataset) -> float:
    """Misfit of sources and sinks over the whole run, as a share of the energy put through."""
    sources = sum(float((trace[name] * trace.dt).sum()) for name in SOURCES)
    sinks = sum(float((trace[name] * trace.dt).sum()) for name in SINKS)
    throughput = sum(float((abs(trace[name]) * trace.dt).sum()) for name in SOURCES)
    return (sources - sinks) / max(throughput, 1e-300)


def _mode_shares(trace: xr.Dataset) -> dict[str, float]:
    seconds = trace.dt.values
    total = float(seconds.sum())
    return {
        f"share_{mode.name.lower()}": float(seconds[trace.mode.values == mode].sum()) / total
        for mode in Mode
    }


def _energies(trace: xr.Dataset) -> dict[str, float]:
    return {
        f"energy_{name.removesuffix('_power')}_kJ": float((trace[name] * trace.dt).sum()) / 1e3
        for name in (*SOURCES, *SINKS)
    }


def _versions() -> dict[str, str]:
    names = ("hybridopt", "numpy", "numba", "xarray")
    versions = {f"version_{name}": metadata.version(name) for name in names}
    return {**versions, "version_python": platform.python_version(), "system": platform.system()}
