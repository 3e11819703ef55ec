"""Logs as loggers write them, imported with the defaults: distance, energy, columns, what is said.

The truth is a shipped schedule; the logs are made from it in `dirty_logs.py`.
"""

import re
import warnings
from functools import cache

import dirty_logs as dirty
import numpy as np
import pytest

from hybridopt import InputError
from hybridopt.base.warning import InputWarning
from hybridopt.measurements.channels import ColumnRequest
from hybridopt.measurements.drive import Cleaning
from hybridopt.measurements.log import Journal, Samples
from hybridopt.measurements.refreshes import coarse_step, one_a_refresh, refresh_interval
from hybridopt.measurements.tractive_energy import tractive_energy

DRIVES = {"udds": (0, 505), "artemis_urban": (0, 988), "wltc_class3b": (0, 1022), "hwfet": (0, 765)}
EXACT = {dirty.held, dirty.whole_seconds, dirty.whole_miles}
"""Logs without readings below 0.5 km/h, which count as rest."""


@cache
def made(maker, name):
    drive = dirty.truth(name, *DRIVES[name])
    return drive, maker(drive)


def told(drive):
    return {one.name: one.text for one in drive.done}


@pytest.mark.long
@pytest.mark.parametrize("name", DRIVES)
@pytest.mark.parametrize("maker", dirty.MAKERS, ids=lambda maker: maker.__name__)
def test_distance_of_the_log_and_energy_of_the_truth(imported, maker, name):
    """Stated: distance that of the raw log's own integral, tractive energy within 2 %.

    Exactly where no reading lies below 0.5 km/h; a receiver at rest that shows 0.03 m/s adds its
    noise to the integral, which the import leaves out and tells.
    """
    truth, raw = made(maker, name)
    drive = imported(raw.content)
    near = 1e-9 if maker in EXACT else 2e-3 if maker is dirty.tracker else 4e-4
    assert drive.cycle.distance == pytest.approx(raw.distance, rel=near)
    wanted = tractive_energy(truth.time, truth.speed)
    assert tractive_energy(drive.cycle.time, drive.cycle.speed) == pytest.approx(wanted, rel=0.02)
    assert drive.cycle.duration == pytest.approx(truth.length, abs=1.1)


@pytest.mark.parametrize(
    ("maker", "columns", "words"),
    [
        (
            dirty.held,
            {"time": "Time", "speed": "Vehicle Speed Sensor [km/h]"},
            {"held": r"refreshed every 0.909 s; one sample a refresh kept: 56\d of 5555"},
        ),
        (
            dirty.whole_seconds,
            {"time": "ENGINE_RUN_TINE ()", "speed": "VEHICLE_SPEED ()"},
            {"spread": "spread over their interval, usually 2 s: 252 rows now 1 s apart"},
        ),
        (
            dirty.truncated,
            {"time": "Timestamp", "speed": "Speed (km/h)"},
            {"spread": "0.2 s apart"},
        ),
        (
            dirty.twelve_hours,
            {"time": "time_utc", "speed": "VehSpd [km.h-1]"},
            {"time_unit": "dates of one day -> s"},
        ),
        (
            dirty.tracker,
            {"time": "Time", "speed": "Speed (m/s)", "altitude": "Altitude (m)"},
            {"standstill": "speeds below 0.5 km/h set to 0: 99", "grade": "grade from altitude"},
        ),
        (
            dirty.european,
            {"time": "Zeit", "speed": "Geschwindigkeit", "altitude": "Hoehe"},
            {"grade": "grade from altitude"},
        ),
        (
            dirty.milliseconds,
            {"time": "timestamp", "speed": "Speed (OBD)(km/h)#1"},
            {"time_unit": "taken as ms since 1970", "other_speed": "not taken: Speed .GPS..km/h."},
        ),
        (
            dirty.troubled,
            {"time": "elapsed_time_s", "speed": "vehicle_speed_kph"},
            {"gaps_at_rest": "taken as rest: 1", "impossible": "dropped: 7", "sorted": "sorted: 1"},
        ),
        (
            dirty.whole_miles,
            {"time": "time", "speed": "Ground Speed (mph)"},
            {"held": "refreshed every 1 s", "low_pass": "for speeds in steps of 1.61 km/h"},
        ),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_columns_found_and_what_is_said(imported, maker, columns, words):
    drive = imported(made(maker, "udds")[1].content)
    assert {signal: one.column.name for signal, one in drive.choices.items()} == columns
    for name, pattern in words.items():
        assert re.search(pattern, told(drive)[name]), told(drive)[name]


def test_a_scanner_without_units_is_km_h_by_its_standard(imported):
    """ISO 15031-5 (from memory): parameter 0D, one byte, km/h. Without company it stays unknown."""
    content = made(dirty.whole_seconds, "udds")[1].content
    drive = imported(content)
    assert drive.choices["speed"].by == "usual name, unit by ISO 15031-5"
    alone = b"\n".join(b",".join(row.split(b",")[:2]) for row in content.splitlines())
    with pytest.raises(InputError, match="column VEHICLE_SPEED .. has no unit; say it with"):
        imported(alone)
    with pytest.raises(InputError, match="has no unit"):
        imported(content.replace(b",17,", b",17.5,"))


@pytest.mark.parametrize("maker", [dirty.tracker, dirty.european])
def test_altitude_that_is_not_named_gives_the_grade(imported, maker):
    """Hills of 30 m every 1.5 km: 6.3 % at the steepest; noise and smoothing leave 1.5 %."""
    truth, raw = made(maker, "udds")
    drive = imported(raw.content)
    steps = np.diff(truth.altitude_at(drive.cycle.time))
    gone = np.maximum(drive.cycle.mean_speed * drive.cycle.dt, 1e-9)
    moving = drive.cycle.mean_speed > 3.0
    error = (drive.cycle.mean_grade - steps / gone)[moving]
    assert np.sqrt((error**2).mean()) < 0.015 < np.abs(steps / gone)[moving].max() / 3


@pytest.mark.parametrize(
    ("refresh", "rate"), [(0.9, 11.0), (1.0, 3.0), (1.0, 10.0), (0.5, 20.0), (2.0, 10.0)]
)
@pytest.mark.parametrize("unit", [dirty.KM_PER_H, 0.01])
def test_refreshes_are_found(refresh, rate, unit):
    truth = dirty.truth()
    raw = dirty.held(truth, rate, refresh, unit)
    samples = Samples(raw.time, raw.speed)
    assert refresh_interval(samples) == pytest.approx(refresh, abs=0.6 / rate)
    kept = one_a_refresh(samples, Journal())
    assert kept.time.size == pytest.approx(truth.length / refresh, rel=0.1)
    assert np.trapezoid(kept.values, kept.time) == pytest.approx(raw.distance, rel=1e-12)
    assert kept.time[[0, -1]].tolist() == raw.time[[0, -1]].tolist()


@pytest.mark.parametrize("unit", [dirty.KM_PER_H, 0.44704, 1e-6])
@pytest.mark.parametrize("rate", [1.0, 2.0, 10.0, 50.0])
@pytest.mark.parametrize("name", DRIVES)
def test_whole_speeds_that_are_not_held_are_left_alone(name, rate, unit):
    truth, _ = made(dirty.held, name)
    time = np.arange(0.0, truth.length, 1 / rate)
    samples = Samples(time, dirty.whole(truth.speed_at(time), unit))
    assert refresh_interval(samples) == 0.0 and one_a_refresh(samples, Journal()) is samples
    assert coarse_step(samples.values) == pytest.approx(unit if unit > 0.1 else 0.0, rel=1e-9)


def test_a_drive_without_gaps_stays_whole_at_any_rate(imported):
    """Whole mph at 100 Hz: a step of the display is no jump of the vehicle."""
    truth = dirty.truth()
    time = np.arange(0.0, 300.0, 0.01)
    speed = cells = dirty.whole(truth.speed_at(time), 0.44704) / 0.44704
    content = dirty.lines(("time [s]", "speed [mph]"), dirty.cells(time, 2), dirty.cells(cells))
    assert "jumps" not in told(imported(content.encode())) and speed.max() > 50


def test_jumps_say_where(imported):
    truth = dirty.truth()
    time = np.arange(0.0, 400.0, 0.1)
    speed = truth.speed_at(time) * 3.6 + 60.0 * (time > 199.95)
    content = dirty.lines(("t [s]", "v [km/h]"), dirty.cells(time, 1), dirty.cells(speed, 2))
    words = (
        r"2: 200 to .*after a jump of speed 67\.\d+ -> 127\.8 km/h in 0\.1 s.*--max-acceleration"
    )
    with pytest.raises(InputError, match=words):
        imported(content.encode())
    said = told(imported(content.encode(), cleaning=Cleaning(part="1")))["jumps"]
    assert "1 (67.49 -> 127.8 km/h in 0.1 s" in said and "at 200 s)" in said


def test_energy_is_counted_from_the_rows_as_logged(imported):
    """Two readings of each tick: merged, the drive would lose its peaks unseen."""
    truth, raw = made(dirty.whole_seconds, "udds")
    said = told(imported(raw.content))["energy"]
    first = float(said.split(": ")[1].split(" -> ")[0])
    assert first == pytest.approx(tractive_energy(raw.time, raw.speed) / 1e6, abs=1e-3)


@pytest.mark.parametrize(
    ("gap", "parts"), [(100, 1), (150, 2)], ids=["a red light", "a parked car"]
)
def test_silence_at_rest(imported, gap, parts):
    time = np.concatenate((np.arange(0.0, 60.0), np.arange(60.0 + gap, 120.0 + gap)))
    speed = np.tile(60 * np.sin(np.pi * np.arange(60) / 59) ** 2, 2)
    content = dirty.lines(("t [s]", "v [km/h]"), dirty.cells(time), dirty.cells(speed, 2)).encode()
    if parts == 1:
        assert imported(content).cycle.duration == 119.0 + gap
    else:
        with pytest.raises(InputError, match="falls into 2 parts"):
            imported(content)


@pytest.mark.parametrize(
    ("form", "unit"),
    [
        ("%d/%m/%Y %H:%M:%S.%f", None),
        ("%d.%m.%Y %H:%M:%S.%f", None),
        ("%d-%b-%Y %H:%M:%S.%f", None),
        ("%Y/%m/%d %H:%M:%S.%f", None),
        ("%Y-%m-%d %H:%M:%S.%f UTC", None),
        ("%Y-%m-%dT%H:%M:%S.%f+0000", None),
        ("%H:%M:%S:%f", None),
        ("%M:%S.%f", None),
        (None, 1e6),
        (None, 1e9),
        (None, 1 / 86_400),
    ],
)
def test_stamps_of_many_kinds(imported, form, unit):
    """Microseconds and nanoseconds since 1970; a spreadsheet's days since 1899-12-30."""
    truth = dirty.truth()
    time = np.arange(0.0, truth.length, 0.5)
    if form:
        stamps = dirty.clock(time, form, 6)
    elif unit > 1:
        stamps = [str(round((dirty.START.timestamp() + t) * unit)) for t in time]
    else:
        stamps = dirty.cells(45_174.588611 + time * unit, 9)
    speed = dirty.cells(truth.speed_at(time) * 3.6, 3)
    drive = imported(dirty.lines(("timestamp", "speed [km/h]"), stamps, speed).encode())
    assert drive.cycle.distance == pytest.approx(np.trapezoid(truth.speed_at(time), time), rel=1e-3)
    assert drive.cycle.duration == pytest.approx(time[-1], abs=1e-3)


def test_dates_over_midnight_decide_their_order(imported):
    """The night of 11 to 12 September, day first, is one minute, month first it were a month."""
    time = np.arange(0.0, 60.0, 0.5)
    clocks = [
        f"{11 + (t >= 30)}/09/2023 {'23:59' if t < 30 else '00:00'}:{(t + 30) % 60:04.1f}"
        for t in time
    ]
    speed = dirty.cells(20 * np.sin(np.pi * time / 60) ** 2, 2)
    drive = imported(dirty.lines(("date time", "speed [km/h]"), clocks, speed).encode())
    assert drive.cycle.duration == pytest.approx(59.5)
    assert told(drive)["time_unit"] == "time: dates, day first -> s"


HEADERS = {
    "Vehicle speed (km/h)": "Time (sec), Engine RPM (rpm), Vehicle speed (km/h), GPS speed (km/h)",
    "SPEED": "ms, RPM, SPEED, ENGINE LOAD, INTAKE TEMP, THROTTLE",
    "Vehicle Speed[km/h]": "DayNum, Trip, Timestamp(ms), Vehicle Speed[km/h], Speed Limit[km/h]",
    "vVeh_kmh": "t_s, nEng_rpm, vVeh_kmh, vWhlFL_kmh",
    "CAN1.VehicleSpeed [m/s]": "CAN1.Time [s], CAN1.EngineSpeed [rpm], CAN1.VehicleSpeed [m/s]",
    "speed (m/s)": "utc time, lat, lon, speed (m/s), speed accuracy (m/s), vertical speed (m/s)",
    "WheelBasedVehicleSpeed [km/h]": "time, WheelBasedVehicleSpeed [km/h], CruiseSetSpeed [km/h]",
    "KPH": "Seconds, RPM, KPH, MPG",
    "GPSSpeed_kmh": "time_s, GPSSpeed_kmh, WheelSpeedAvg_kmh, MotorSpeed_kmh",
}


@pytest.mark.parametrize("wanted", HEADERS)
def test_speed_is_found_by_the_words_of_its_name(imported, wanted):
    names = HEADERS[wanted].split(", ")
    time = np.arange(0.0, 60.0)
    columns = []
    for name in names:
        bare = name.lower()
        if name == wanted:
            columns.append(dirty.cells(20 * np.sin(np.pi * time / 60) ** 2))
        elif "ms" in bare.replace("rpm", ""):
            columns.append(dirty.cells(1000 * time))
        elif "time" in bare or bare in ("t_s", "seconds"):
            columns.append(dirty.cells(time))
        else:
            columns.append(["77"] * 60)
    drive = imported(dirty.lines(names, *columns).encode())
    assert drive.choices["speed"].column.name == wanted and drive.cycle.max_speed < 21


@pytest.mark.parametrize(
    ("head", "words"),
    [
        (
            "time [s],wheel speed left [km/h],wheel speed right [km/h]",
            "2 columns may be the speed: ",
        ),
        ("time [s],engine speed [rpm],wind speed [m/s]", "no column is called vehicle speed"),
        ("local time,time stamp,speed [km/h]", ""),
    ],
)
def test_two_that_fit_equally_are_named_with_the_option(imported, head, words):
    rows = [[str(t), str(t * 2 % 50), str(t * 3 % 40)] for t in range(60)]
    content = "\n".join([head, *map(",".join, rows)]).encode()
    if not words:
        with pytest.raises(InputError):
            imported(content)  # the time stamp runs round, but it is the one chosen
        return
    with pytest.raises(InputError, match=f"{words}.*--channel speed=NAME"):
        imported(content)


def test_an_empty_column_is_passed_over(imported):
    time = np.arange(0.0, 60.0)
    speed = dirty.cells(20 * np.sin(np.pi * time / 60) ** 2, 1)
    head = ("time [s]", "vehicle speed [km/h]", "GPS speed [km/h]")
    drive = imported(dirty.lines(head, dirty.cells(time), ["-"] * 60, speed).encode())
    assert drive.choices["speed"].column.name == "GPS speed [km/h]"


def test_an_empty_altitude_does_not_end_the_import(imported):
    time = np.arange(0.0, 60.0)
    speed = dirty.cells(20 * np.sin(np.pi * time / 60) ** 2, 1)
    head = ("time [s]", "speed [km/h]", "altitude [m]")
    content = dirty.lines(head, dirty.cells(time), speed, ["no fix"] * 60).encode()
    with pytest.warns(InputWarning, match="column altitude .m. holds no number in its first lines"):
        drive = imported(content)
    assert not drive.cycle.grade.any()


def test_a_row_of_any_units_is_none_of_names(imported):
    time = np.arange(0.0, 60.0)
    speed = dirty.cells(20 * np.sin(np.pi * time / 60) ** 2, 1)
    units = ("s", "1/min", "km/h", "°C")
    body = dirty.lines(units, dirty.cells(time), dirty.filler(60), speed, ["80"] * 60)
    drive = imported(f"time,n_eng,VehSpd,T_cool\n{body}".encode())
    assert drive.choices["speed"].column.name == "VehSpd"
    assert drive.choices["speed"].unit.sign == "km/h"


def test_what_looks_like_a_slip_is_said_of_logs_too(imported):
    """Speeds in mph said to be km/h."""
    truth = dirty.truth()
    time = np.arange(0.0, truth.length)
    speed = dirty.cells(truth.speed_at(time) / 0.44704, 2)
    content = dirty.lines(("time [s]", "vehicle speed [km/h]"), dirty.cells(time), speed).encode()
    with pytest.warns(InputWarning, match=r"log.csv: vehicle speed .km/h. has a relative positive"):
        imported(content)


def test_a_grade_that_is_named_is_used_and_no_warning_is_lost(imported):
    truth = dirty.truth()
    time = np.arange(0.0, truth.length)
    columns = (dirty.cells(time), dirty.cells(truth.speed_at(time) * 3.6, 2), ["0.02"] * time.size)
    content = dirty.lines(("time [s]", "speed [km/h]", "Slope [%]"), *columns).encode()
    with pytest.warns(InputWarning, match="every grade lies within 0.02 %"):
        imported(content)
    request = {"grade": ColumnRequest("Slope [%]", "1")}
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert imported(content, request).cycle.grade == pytest.approx(0.02)
