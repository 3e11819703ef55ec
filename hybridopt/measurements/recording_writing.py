"""Writing a recording: a CSV log that `read_recording` reads again, or NetCDF."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ..base.errors import InputError
from ..files.writing import Write, bytes_writer, comment_line, write_atomically
from .recording import CHANNELS, Recording
from .units import find_unit

if TYPE_CHECKING:
    from xarray import Dataset

FILE_UNITS = {
    "speed": "km_per_h",
    "engine_speed": "rpm",
    "motor_speed": "rpm",
    "engine_torque": "Nm",
    "fuel_rate": "g_per_s",
    "air_flow": "g_per_s",
    "motor_torque": "Nm",
    "motor_power": "kW",
    "battery_voltage": "V",
    "battery_current": "A",
    "soc": "percent",
    "altitude": "m",
    "grade": "percent",
    "oil_temperature": "C",
    "coolant_temperature": "C",
    "ambient_temperature": "C",
    "auxiliary_power": "W",
}
"""Unit of each channel in files and reports; channels without one are numbers from 0 to 1, or
counts."""

_SHOWN = {"km_per_h": "km/h", "g_per_s": "g/s", "percent": "%", "C": "degC"}


def shown_unit(signal: str) -> str:
    """Return the unit of a channel in files as people write it."""
    unit = FILE_UNITS.get(signal, "1")
    return _SHOWN.get(unit, unit)


def in_file_unit(signal: str, values: np.ndarray) -> np.ndarray:
    """Return values of a channel in the unit of files."""
    unit = find_unit(signal, FILE_UNITS[signal]) if signal in FILE_UNITS else None
    return values if unit is None else values / float(unit.to_si(1.0))


def column_name(signal: str) -> str:
    """Return the heading of a channel in a file: its name, and behind it its unit."""
    return f"{signal}_{FILE_UNITS[signal]}" if signal in FILE_UNITS else signal


def save_recording(
    recording: Recording, path: str | Path, notes: Sequence[str] = (), *, overwrite: bool = False
) -> None:
    """Write a recording as CSV or NetCDF.

    Parameters
    ----------
    recording
        From :func:`read_recording`.
    path
        File to write: `.csv`, a log that :func:`read_recording` reads again, or `.nc`.
    notes
        Lines for the head of a CSV file.
    overwrite
        Whether a file that is there already is replaced.

    Raises
    ------
    InputError
        The file exists already, its folder does not, or its name ends in something else.
    FailedError
        The system refused to write it.
    """
    write_atomically(Path(path), recording_writer(recording, Path(path), notes), overwrite)


def recording_writer(recording: Recording, path: Path, notes: Sequence[str] = ()) -> Write:
    """Return what writes a recording as the ending of a file's name says."""
    suffix = path.suffix.lower()
    if suffix == ".nc":
        return bytes_writer(bytes(recording_dataset(recording).to_netcdf(engine="h5netcdf")))
    if suffix != ".csv":
        raise InputError(f"{path}: give a name that ends in .csv or .nc")
    names = [name for name in CHANNELS if name in recording.channels]
    columns = [in_file_unit(name, recording.channels[name]) + 0.0 for name in names]
    head = "".join(f"{comment_line(note)}\n" for note in notes)
    head += ",".join(["time_s", *map(column_name, names)]) + "\n"
    rows = np.column_stack([recording.time, *columns])

    def write(out: Path) -> None:
        with out.open("w", encoding="utf-8", newline="") as file:
            file.write(head)
            for row in rows.tolist():
                file.write(",".join("" if x != x else f"{x:.9g}" for x in row) + "\n")

    return write


def recording_dataset(recording: Recording) -> "Dataset":
    """Return a recording as a dataset over time in SI, with units, meanings and findings."""
    from xarray import Dataset

    variables = {
        name: ("time", values, {"units": CHANNELS[name].unit, "long_name": CHANNELS[name].meaning})
        for name, values in recording.channels.items()
    }
    time = ("time", recording.time, {"units": "s", "long_name": "time since the cycle begins"})
    findings = "\n".join(f"{one.kind}: {one.text}" for one in recording.findings)
    return Dataset(variables, {"time": time}, {"name": recording.name, "findings": findings})
