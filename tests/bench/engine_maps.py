"""Measured engine maps: are they plausible to us, and how straight are their fuel lines?

    python tests/bench/engine_maps.py FILE.csv ...

Each file has speed (rpm), torque (N m) and fuel rate (g/s) in its first three columns. The map is
made as `hybridopt map import` makes it; its checks, outliers and the plausibility of a driveline
with it are printed. At every speed of the file a Willans line, fuel = idle + slope x torque, is
fitted, and one of constant efficiency and friction over all speeds, fuel = (torque + friction) x
speed / (efficiency x heating value). Both are straight; engines bend where they enrich or are
boosted, which the residuals show.
"""

import csv
import sys
import tempfile
import warnings
from pathlib import Path

import numpy as np

from hybridopt import InputWarning, read_driveline, save_map
from hybridopt.base.units import RPM
from hybridopt.inputs.plausibility import USUAL_HEATING_VALUE
from hybridopt.measurements.map_import import import_map

LEAST_POINTS = 4
PARTIAL = 0.7  # of the torque at full load, up to which a line is fitted as partial load too


def read_bench(path):
    """Return speed (rpm), torque (N m) and fuel rate (g/s) of a file, (n,) each."""
    with Path(path).open(newline="", encoding="utf-8-sig") as file:
        rows = [row[:3] for row in csv.reader(file)][1:]
    return np.array(rows, dtype=float).T


def fuel_lines(speed, torque, fuel, share=1.0):
    """Fit fuel = idle + slope x torque at each speed, up to a share of its largest torque.

    Returns
    -------
    speeds, idle, slope, rms : (k,) each; rpm, g/s, g/s per N m, g/s
    residuals : of all points used, g/s
    """
    found, residuals = [], []
    for one in np.unique(speed):
        at = (speed == one) & (torque >= 0.0)
        at &= torque <= share * torque[at].max(initial=0.0)
        if at.sum() < LEAST_POINTS:
            continue
        slope, idle = np.polyfit(torque[at], fuel[at], 1)
        rest = fuel[at] - idle - slope * torque[at]
        found.append((one, idle, slope, np.sqrt(np.mean(rest**2))))
        residuals.append(rest)
    return (*np.array(found).T, np.concatenate(residuals))


def whole_line(speed, torque, fuel, heating_value):
    """Fit one efficiency and one friction torque to all points; return them and the RMS, g/s."""
    turning = speed * RPM
    basis = np.column_stack([turning * torque, turning])
    (slope, drag), *_ = np.linalg.lstsq(basis, fuel, rcond=None)
    rest = fuel - basis @ (slope, drag)
    return 1.0 / (slope * heating_value), drag / slope, float(np.sqrt(np.mean(rest**2)))


def imported(path, speed, torque, fuel):
    """Import points as a map; return its quality and the warnings of a driveline with it."""
    with tempfile.TemporaryDirectory() as folder:
        points = Path(folder) / "points.csv"
        rows = np.column_stack([speed, torque, fuel])[torque >= 0.0]
        np.savetxt(
            points, rows, "%.9g", ",", header="speed_rpm,torque_Nm,fuel_g_per_s", comments=""
        )
        made, quality = import_map(points, "engine", None, USUAL_HEATING_VALUE)
        save_map(made, quality, Path(folder) / "fuel.csv")
        speeds = np.unique(speed)
        full = [torque[speed == one].max() for one in speeds]
        reach = [speeds, np.maximum(full, 1.0)]
        np.savetxt(
            Path(folder) / "full.csv",
            np.column_stack(reach),
            "%.9g",
            ",",
            header="speed_rpm,torque_Nm",
            comments="",
        )
        car = Path(folder) / "car.toml"
        car.write_text(
            'base = "full"\n[engine]\nfuel_map_csv = "fuel.csv"\nfull_load_csv = "full.csv"\n'
            f"idle_speed_rpm = {max(speeds[0], 850.0):g}\n"
            f"max_speed_rpm = {min(speeds[-1], 6200.0):g}\n"
        )
        with warnings.catch_warnings(record=True) as told:
            warnings.simplefilter("always", InputWarning)
            read_driveline(car)
    return quality, [str(one.message) for one in told if "engine" in str(one.message)]


def report(path):
    """Print all of one file."""
    speed, torque, fuel = read_bench(path)
    print(f"{Path(path).name}: {speed.size} points at {np.unique(speed).size} speeds")
    for words, share in (("up to full load", 1.0), (f"up to {PARTIAL:.0%} of it", PARTIAL)):
        _, _, _, rms, rest = fuel_lines(speed, torque, fuel, share)
        total = float(np.sqrt(np.mean(rest**2)))
        print(
            f"  line per speed, {words}: RMS {total:.4f} g/s, {total / fuel.max():.2%} of the "
            f"largest rate, {total / fuel.mean():.2%} of the mean; worst speed {rms.max():.4f} g/s"
        )
    efficiency, friction, rms = whole_line(speed, torque, fuel, USUAL_HEATING_VALUE)
    print(
        f"  one line: efficiency {efficiency:.3f}, friction {friction:.1f} Nm, RMS {rms:.4f} g/s, "
        f"{rms / fuel.max():.2%} of the largest rate"
    )
    quality, told = imported(path, speed, torque, fuel)
    failed = [check.name for check in quality.checks if not check.passed]
    print(
        f"  map import: residuals RMS {quality.rms_percent:.2f} %, "
        f"{len(quality.outliers)} outliers, checks failed: {failed or 'none'}; "
        f"plausibility: {told or 'nothing said'}"
    )


if __name__ == "__main__":
    for name in sys.argv[1:]:
        report(name)
