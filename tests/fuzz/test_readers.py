"""Every reader, given damaged and random files, answers or refuses in one sentence.

Cases: shipped or made-up good files with bytes changed, cut, repeated or put in, words of the
format in any order, and plain noise. A crash becomes a test of its own at the end.
"""

import json
import tempfile
import warnings
import zlib
from pathlib import Path

import h5netcdf
import numpy as np
import pytest
from case_counts import cases
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rule_tables import hand_made, written
from small_elf import small_elf

from hybridopt import Cycle, Driveline, InputError, Result, read_driveline
from hybridopt.base.warning import InputWarning
from hybridopt.exports.elf import read_elf
from hybridopt.files import csv_table
from hybridopt.files.seal import seal
from hybridopt.inputs.cycle import read_cycle_csv
from hybridopt.inputs.driveline_file import DEMO_FOLDER
from hybridopt.inputs.maps import (
    read_battery_table,
    read_curve,
    read_emission_map,
    read_fuel_map,
    read_loss_map,
    read_map,
)
from hybridopt.measurements.bench_points import read_points
from hybridopt.measurements.bus_frames import read_trace
from hybridopt.measurements.bus_log import bus_columns, signal_values
from hybridopt.measurements.bus_signals import usable_signals
from hybridopt.measurements.channels import ColumnRequest
from hybridopt.measurements.channels import read_map as read_mapping
from hybridopt.measurements.dbc_child import list_signals
from hybridopt.measurements.drive import Cleaning, import_drive
from hybridopt.measurements.gpx import read_gpx
from hybridopt.measurements.map_gridding import grid_points
from hybridopt.measurements.map_quality import assess
from hybridopt.measurements.recording_import import read_recording
from hybridopt.measurements.route import route_cycle
from hybridopt.report.contents import NUMBERS, TEXTS, read_comparison
from hybridopt.study.store import KIND, StudyStore
from hybridopt.study.study_file import read_study
from hybridopt.study.values import DONE
from hybridopt.tables.files import read_rule_set, write_cdf
from hybridopt.tables.table_cdf import with_cdf_values

FEW = settings(max_examples=100, suppress_health_check=list(HealthCheck))
MANY = settings(max_examples=10_000, suppress_health_check=list(HealthCheck))

HERE = f'_csv = "{DEMO_FOLDER}/'.encode()
DRIVELINE = (DEMO_FOLDER / "mild.toml").read_bytes().replace(b'_csv = "', HERE)
VARIANT = b'base = "full"\n[motor]\nmodel = "maps"\n'
CYCLE = b"time_s,speed_km_per_h,grade_percent\n0,0,0\n4,15,0\n8,32,1.5\n13,0,0\n"
CURVE = b"speed_rpm,torque_Nm\n0,0.5\n3000,1.5\n6500,2.5\n"
MAP = b"speed_rpm,torque_Nm,loss_W\n" + b"".join(
    f"{n},{t},{n * 0.1 + t * t}\n".encode() for n in (0, 3000) for t in (-50, 0, 50)
)
CONSUMPTION_MAP = b"speed_rpm,torque_Nm,bsfc_g_per_kWh\n" + b"".join(
    b"%d,%d,%d\n" % (n, t, 240 + t) for n in (1000, 3000) for t in (0, 50, 90)
)
EFFICIENCY_MAP = b"speed_rpm,torque_Nm,efficiency_percent\n" + b"".join(
    b"%d,%d,%d\n" % (n, t, 90 - n // 500) for n in (0, 1000, 3000) for t in (-50, -9, 0, 30, 50)
)
BATTERY = (DEMO_FOLDER / "battery_80Wh.csv").read_bytes()
ENGINE_BENCH = b"speed_rpm,bmep_bar,bsfc_g_per_kWh\n" + b"".join(
    b"%d,%d,%d\n" % (n, p, 200 + 300 // p) for n in (1000, 2000, 4500) for p in (1, 3, 8, 12)
)
MOTOR_BENCH = b"speed_rad_per_s,torque_Nm,efficiency_percent\n" + b"".join(
    b"%d,%d,%d\n" % (w, t, 96 - abs(w) // 40)
    for w in (-200, 50, 300, 600)
    for t in (-90, -20, 30, 80)
)
STUDY = b"""driveline = "mild"
cycles = ["ece15"]
runs = ["optimum", "equivalence"]
[settings]
soc_points = 101
[parameters]
"scale.motor" = [0.5, 1]
"scale.battery" = {low = 0.5, high = 2, count = 3}
"""
COMPARISON = json.dumps(
    {"scores": [dict.fromkeys(TEXTS, "a") | dict.fromkeys(NUMBERS, 1.5)] * 2}
).encode()
TASK = bytes(range(32))
PIECE = json.dumps(
    {
        "kind": KIND,
        "task": TASK.hex(),
        "values": {"status": DONE, "fuel_g": 12.5},
        "reason": "",
        "traces": {"soc": [0.5, 0.25]},
    }
).encode()
TABLES = hand_made()
with tempfile.TemporaryDirectory() as made:
    RULES = written(TABLES, Path(made), "json").read_bytes()
    write_cdf(TABLES, Path(made) / "rules.cdfx")
    CDF = (Path(made) / "rules.cdfx").read_bytes()
    SHIFT_UP = (written(TABLES, Path(made), "csv") / "shift_up.csv").read_bytes()
PART_OF_CDF = (
    b"<MSRSW><CATEGORY>CDF20</CATEGORY><SW-SYSTEMS><SW-SYSTEM><SW-INSTANCE><SHORT-NAME>min_on"
    b"</SHORT-NAME><SW-VALUE-CONT><SW-VALUES-PHYS><V>4.5</V></SW-VALUES-PHYS></SW-VALUE-CONT>"
    b"</SW-INSTANCE></SW-SYSTEM></SW-SYSTEMS></MSRSW>"
)
MAPPING = b'[speed]\nname = "v"\nunit = "km/h"\n[time]\nname = "t"\n'
LOG = b"time [s];speed [km/h];altitude [m]\n" + b"".join(
    f"{t},0;{30 + 20 * np.sin(t / 3):.1f};{100 + t / 10:.1f}\n".replace(".", ",").encode()
    for t in range(40)
)
ISO_LOG = b"time,speed [mph]\n" + b"".join(
    f"2024-02-29T23:59:{s:02}.5Z,{s}\n".encode() for s in range(60)
)
CAR_LOG = (
    b"time,vehicle speed,engine speed,engine torque,fuel rate,MAF,lambda,gear,HV voltage,"
    b"HV current,SOC,motor speed,motor torque,motor power,brake,clutch k0,altitude,coolant temp\n"
    b"s,km/h,rpm,Nm,l/h,g/s,-,-,V,A,%,1/min,Nm,kW,bar,-,m,degC\n"
) + b"".join(
    f"{t / 2},{30 + 20 * np.sin(t / 6):.0f},{1200 + t},{t},{1 + t / 40},4,1.0,"
    f"{('P', 'N', 'D1', '2nd', '3')[t % 5]},{250 - t},{t - 30},{60 - t / 9:.1f},{900 + t},{t},"
    f"{t / 4},{t % 3},{('open', 'closed')[t % 2]},{100 + t / 9:.1f},{80 + t % 2}\n".encode()
    for t in range(60)
)
SCANNED_LOG = b"time [s];VEHICLE_SPEED;ENGINE_RPM;COOLANT_TEMPERATURE;MAF;THROTTLE\n" + b"".join(
    b"%d;%d;%d;90;%d;20\n" % (t, 30 + t % 9, 1500 + 9 * t, t) for t in range(40)
)
DBC = (
    b'VERSION ""\nBU_: E\nBO_ 291 Car: 8 E\n SG_ Page M : 0|4@1+ (1,0) [0|15] "" E\n'
    b' SG_ Speed m1 : 15|16@0+ (0.01,0) [0|400] "km/h" E\n'
    b' SG_ Torque m2 : 8|32@1- (1,-5) [0|0] "Nm" E\n SG_ Gear : 60|4@1+ (1,0) [0|15] "" E\n'
    b'BO_ 2566848512 Far: 8 E\n SG_ S : 7|64@0- (0.5,1e3) [-1e9|1e9] "A" E\n'
    b'VAL_ 291 Gear 13 "P" 1 "D1" ;\nSIG_VALTYPE_ 291 Torque : 1;\n'
)
TRACE = b"".join(
    b"(%d.250000) can0 123#%02d%02dAB0102030410\n"
    b"(%d.5) can0 18FF0000   [8]  DE AD BE EF 00 01 02 FF\n" % (t, 1 + t % 2, t, t)
    for t in range(40)
)

TABLE = b"base hex  timestamps absolute\n" + b"".join(
    b"%d.25 1  123    Rx   d 7 %02d %02d AB 01 02 03 04  Length = 0 ID = 291\n"
    b"%d.5 1  18FF0000x   Rx   d 8 DE AD BE EF 00 01 02 FF\n" % (t, 1 + t % 2, t, t)
    for t in range(40)
)


def record_any(path):
    """Read the channels of a car as far as they can be found."""
    options = {"fuel_density": 745.0, "step": 0.5}
    return read_recording(path, None, Cleaning(part="longest"), **options)


def bus_signals(path):
    """Read a DBC file as the child process does, whose failures are one sentence of the parent."""
    try:
        records = json.loads(
            json.dumps(list_signals(path.read_bytes().decode("cp1252", "replace")))
        )
    except Exception as error:
        raise InputError("cannot be read as DBC") from error
    signals = usable_signals(path, records)
    frames = read_trace(path.parent / "trace.log", {0x123, 0x18FF0000 | 1 << 31})
    assert len(bus_columns(signals)) == len(signals)
    for signal in signals[:50]:
        siblings = {s.name: s for s in signals if s.identifier == signal.identifier}
        for name in ("speed", "gear"):
            time, values, _ = signal_values(name, signal, siblings, frames)
            assert time.shape == values.shape
    return signals


def read_dbc_in_process(path):
    (path.parent / "trace.log").write_bytes(TRACE)
    return bus_signals(path)


def read_any_trace(path):
    """Read a damaged trace, and all signals in it."""
    signals = usable_signals(path, list_signals(DBC.decode()))
    frames = read_trace(path, {signal.identifier for signal in signals})
    siblings = {s.name: s for s in signals}
    for signal in signals:
        time, values, _ = signal_values("gear", signal, siblings, frames)
        assert time.shape == values.shape
    return frames


def import_any(path):
    """Import with both columns named where the names are damaged, and by usual names."""
    return import_drive(path, None, Cleaning(part="longest"))


def import_named(path):
    channels = {"time": ColumnRequest("column 1", "s"), "speed": ColumnRequest("column 2", "km/h")}
    return import_drive(path, {k: (v, "option") for k, v in channels.items()})


def read_piece(path):
    """Read a piece of a study that holds this, packed and under a seal that fits."""
    store = StudyStore.create(path.parent / "store")
    with store.locked():
        content = zlib.compress(path.read_bytes())
        store.path(TASK).write_bytes(content + seal(content))
    return list(store.outcomes([TASK]))


def read_tables(path):
    """Read a folder of rule tables in which one file holds this."""
    folder = path.parent / "tables"
    if not folder.is_dir():
        written(TABLES, path.parent, "csv")
    (folder / "shift_up.csv").write_bytes(path.read_bytes())
    return read_rule_set(folder)


def read_values(path):
    return with_cdf_values(TABLES, path)


def grid_engine(path):
    made = grid_points(read_points(path, "engine", 42_900.0, 1.6e-3))
    return assess(made, 42_900.0)


def grid_motor(path):
    return assess(grid_points(read_points(path, "motor")))


READERS = {
    "driveline": (
        read_driveline,
        ".toml",
        [DRIVELINE, b'base = "full"\n[motor]\nmodel = "maps"\n'],
    ),
    "cycle": (read_cycle_csv, ".csv", [CYCLE]),
    "curve": (read_curve, ".csv", [CURVE]),
    "map": (lambda path: read_map(path, "loss_W"), ".csv", [MAP]),
    "fuel map": (lambda path: read_fuel_map(path, 42_900.0), ".csv", [CONSUMPTION_MAP]),
    "emission map": (
        lambda path: read_emission_map(path, "nox"),
        ".csv",
        [CONSUMPTION_MAP.replace(b"bsfc_g", b"nox_g")],
    ),
    "loss map": (read_loss_map, ".csv", [EFFICIENCY_MAP, MAP]),
    "battery": (read_battery_table, ".csv", [BATTERY]),
    "engine bench": (grid_engine, ".csv", [ENGINE_BENCH]),
    "motor bench": (grid_motor, ".csv", [MOTOR_BENCH]),
    "mapping": (read_mapping, ".toml", [MAPPING]),
    "log": (import_any, ".csv", [LOG, ISO_LOG, LOG.decode().encode("utf-16")]),
    "gpx": (
        lambda path: route_cycle(read_gpx(path)),
        ".gpx",
        [
            b"<gpx><trk><trkseg>"
            + b"".join(
                b'<trkpt lat="48.%04d" lon="9"><ele>%d</ele>'
                b"<time>2030-01-01T12:00:%02dZ</time></trkpt>" % (t, 200 + t, t)
                for t in range(12)
            )
            + b"</trkseg></trk></gpx>"
        ],
    ),
    "bare log": (import_named, ".txt", [b"".join(b"%d\t%d\n" % (t, t % 7) for t in range(30))]),
    "car log": (record_any, ".csv", [CAR_LOG, SCANNED_LOG]),
    "trace": (read_any_trace, ".log", [TRACE, TABLE]),
    "bus signals": (read_dbc_in_process, ".dbc", [DBC]),
    "study": (read_study, ".toml", [STUDY]),
    "comparison": (read_comparison, ".json", [COMPARISON]),
    "piece of a study": (read_piece, ".json", [PIECE]),
    "rules": (read_rule_set, ".json", [RULES]),
    "table of rules": (read_tables, ".csv", [SHIFT_UP]),
    "calibration data": (read_rule_set, ".cdfx", [CDF]),
    "values of calibration data": (read_values, ".cdfx", [CDF, PART_OF_CDF]),
    "object": (read_elf, ".elf", [small_elf(32, ">", 4096), small_elf(64, "<", 4096)]),
    "result": (Result.read, ".nc", []),
}
WORDS = [
    b"time_s",
    b"speed_km_per_h",
    b"grade_percent",
    b"speed_rpm",
    b"torque_Nm",
    b"loss_W",
    b"nan",
    b"inf",
    b"1e999",
    b"-1e-999",
    b"0x" + b"f" * 5000,
    b"9" * 5000,
    b"[",
    b"]" * 200,
    b"{",
    b"}",
    b"=",
    b"\n",
    b"\r",
    b"\r\n",
    b",",
    b";",
    b"\t",
    b'"',
    b"'",
    b'"""',
    b"\0",
    b"\xef\xbb\xbf",
    b"\xff\xfe",
    b"[vehicle]\n",
    b"[motor]\n",
    b"mass_kg = ",
    b'base = "full"\n',
    b"#",
    b" ",
    b".",
    b"-",
    b"1",
    b"2024-01-01T00:00:00Z",
    b"12:00:00",
    b"23:59:59,9",
    b"km/h",
    b"[speed]\n",
    b"name",
    b"unit",
    b"bmep_bar",
    b"efficiency_percent",
    b"1e200",
    b"1e-200",
    b"../../",
    b"/dev/zero",
    b"\xc3\xa4",
    b"\xe4",
    b"1_000",
    b"\xd9\xa1",
    b"=cmd()",
    b"<V>",
    b"</V>",
    b"<VG>",
    b"<SW-INSTANCE>",
    b"</SW-INSTANCE>",
    b"<SHORT-NAME>min_on</SHORT-NAME>",
    b"<SW-INSTANCE-REF>engine_start</SW-INSTANCE-REF>",
    b"<!DOCTYPE a [<!ENTITY b 'c'>]>",
    b"&b;",
    b"<![CDATA[",
    b"<?xml version='1.0' encoding='utf-16'?>",
    b"rpm",
    b"-1e308",
    b"1e308",
    b"[l/h]",
    b"D3",
    b"closed",
    b"SG_ ",
    b"BO_ ",
    b"|64@0-",
    b"(0,nan)",
    b"123#",
    b"[64]",
]


@st.composite
def damaged(draw, seeds):
    """Return a seed with a few edits, or none of it."""
    content = bytearray(draw(st.sampled_from([*seeds, b""])))
    for _ in range(draw(st.integers(0, 6))):
        place = draw(st.integers(0, len(content)))
        match draw(st.sampled_from("replace insert word word cut repeat noise".split())):
            case "replace":
                content[place : place + 1] = draw(st.binary(min_size=1, max_size=1))
            case "insert":
                content[place:place] = draw(st.binary(max_size=4))
            case "word":
                content[place:place] = draw(st.sampled_from(WORDS))
            case "cut":
                del content[place : place + draw(st.integers(1, 200))]
            case "repeat":
                content[place:place] = content[place : place + 60] * draw(st.integers(1, 5))
            case "noise":
                content[place:place] = draw(st.binary(max_size=60))
    return bytes(content)


ANY = {
    name: damaged(seeds) if seeds else damaged([b"\x89HDF\r\n\x1a\n" + b"\0" * 100])
    for name, (_, _, seeds) in READERS.items()
}


def check(name, content, folder):
    """Read; whatever comes is either an object or an InputError of one line with the file."""
    reader, suffix, _ = READERS[name]
    path = Path(folder) / f"case{suffix}"
    path.write_bytes(content)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.simplefilter("ignore", InputWarning)
        try:
            answer = reader(path)
        except InputError as error:
            text = str(error)
            assert text and text.isprintable(), text
            assert len(text) < 3000
            return
    assert answer is not None
    if isinstance(answer, Cycle):
        assert np.isfinite(answer.speed).all() and (np.diff(answer.time) > 0).all()
    elif isinstance(answer, Driveline):
        assert answer.name.isprintable()


@pytest.mark.parametrize("name", READERS)
def test_seeds_are_good(name, tmp_path):
    reader, suffix, seeds = READERS[name]
    for number, content in enumerate(seeds):
        path = tmp_path / f"seed{number}{suffix}"
        path.write_bytes(content)
        assert reader(path) is not None


@pytest.mark.long
@pytest.mark.parametrize("name", READERS)
@pytest.mark.usefixtures("forked")
def test_damaged_files(name, tmp_path):
    rules = settings(FEW, max_examples=20) if name == "result" else FEW
    rules(given(ANY[name])(lambda content: check(name, content, tmp_path)))()


FEWER = {
    "result": 200,
    "table of rules": 4000,
    "study": 5000,
    "rules": 5000,
    "comparison": 5000,
    "log": 5000,
    "driveline": 5000,
    "piece of a study": 5000,
    "engine bench": 2000,
    "motor bench": 2000,
    "bare log": 3000,
    "car log": 1000,
    "trace": 2000,
    "bus signals": 1000,
    "curve": 3000,
    "battery": 3000,
    "calibration data": 2000,
    "values of calibration data": 2000,
    "object": 3000,
}
"""Cases that take a process each, or long, or whose code another reader shares."""


@pytest.mark.long
@pytest.mark.parametrize("name", READERS)
@pytest.mark.usefixtures("forked")
def test_ten_thousand_damaged_files(name, tmp_path):
    rules = settings(MANY, max_examples=cases(FEWER.get(name, 10_000)))
    rules(given(ANY[name])(lambda content: check(name, content, tmp_path)))()


# --- crashes and hangs found, each once ---

BOMBS = {
    "many parts of a key": (b"a" + b".a" * 45_000 + b" = 1", "has a key of more than 16 parts"),
    "many parts with quotes": (
        b"a = {" + b"'a' . \"b\"." * 40 + b"c = 1}",
        "has a key of more than 16 parts",
    ),
    "a number without end": (
        VARIANT + b"[engine]\nmodel = 0x" + b"f" * 90_000,
        "a number of thousands of digits|is no signal",
    ),
    "nested arrays": (b"a = " + b"[" * 90_000, "is nested too deeply"),
    "nested tables": (b"a = " + b"{b = " * 18_000, "is nested too deeply"),
    "a word without end": (b"x" * 99_000, "is not valid TOML"),
    "quotes without end": (b'"' * 99_000, "is not valid TOML"),
    "more than a file of settings": (b"#" * 1_000_000, "at most 0.1 MB is read"),
}
"""Content, and what it is refused for; that of many parts took the parser minutes."""


@pytest.mark.parametrize("bomb", BOMBS)
@pytest.mark.parametrize("name", ["driveline", "mapping"])
def test_toml_bombs_are_refused_for_what_they_are(bomb, name, tmp_path):
    content, message = BOMBS[bomb]
    path = tmp_path / "bomb.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=message):
        READERS[name][0](path)


def test_netcdf_bomb_is_refused_before_it_unpacks(tmp_path):
    """A few kilobytes that claim 80 GB, under a seal that fits."""
    path = tmp_path / "bomb.nc"
    with h5netcdf.File(path, "w") as file:
        file.dimensions = {"time": 10**10}
        file.create_variable("speed", ("time",), "f8", chunks=(10**6,), compression="gzip")
    content = path.read_bytes()
    path.write_bytes(content + seal(content))
    assert path.stat().st_size < 100_000
    with pytest.raises(InputError, match="would unpack to 80 GB; at most 1 GB is read"):
        Result.read(path)


def test_a_sealed_file_of_something_else_is_refused(tmp_path):
    path = tmp_path / "a.nc"
    path.write_bytes(b"hello" + seal(b"hello"))
    with pytest.raises(InputError, match="is no NetCDF result"):
        Result.read(path)


def test_a_study_names_a_run_longer_than_any_file(tmp_path):
    check("study", STUDY.replace(b"equivalence", b"f" * 300), tmp_path)


def test_csv_bombs_are_refused(tmp_path, monkeypatch):
    check("cycle", CYCLE + b"1" * 200_000, tmp_path)
    check("cycle", CYCLE + b",," * 200_000, tmp_path)
    monkeypatch.setattr(csv_table, "MAX_ROWS", 2)
    with pytest.raises(InputError, match="has more than 2 rows"):
        path = tmp_path / "long.csv"
        path.write_bytes(CYCLE)
        read_cycle_csv(path)


def test_a_frame_with_a_blank_that_is_none_of_ascii_is_damaged(tmp_path):
    path = tmp_path / "a.log"
    path.write_bytes(b"(0.5) can0 18FF0000 [1]\x85 DE\n(1.5) can0 18FF0000 [1] DE\n")
    frames = read_trace(path, {0x18FF0000 | 1 << 31})
    assert frames.damaged == 1 and frames.time.tolist() == [1.5]
